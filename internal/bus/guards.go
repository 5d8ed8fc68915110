package bus

// guards lets a test take guards away and see what they held back. The zero guards are all in place; nothing but tests sets one.
type guards struct {
	noShapes    bool // every shape may be asked at any time
	noSettle    bool // after a fault the next question leaves at once
	noCheck     bool // what was read is published without a closing check
	noSurplus   bool // bytes that nobody asked for are dropped and forgotten
	noFlush     bool // and not even dropped: they stand before the next answer, as in a driver's buffer
	noEchoStrip bool // an echo is taken for an answer
	noSum       bool // a frame's own check is not looked at
	noLength    bool // nor its length
	noListen    bool // the first question leaves at once
	noForeign   bool // another master's frames are noise
}
