package bus

import (
	"encoding/binary"

	"rillwatch/internal/reading"
)

// The serial form of a request and its answers: Modbus over Serial Line V1.02, 2.5.1, and Application Protocol V1.1b3, 6.1 to 6.4. Only
// the four reads are written here; nothing on this page can make a frame that changes a device.

// query is one read on a serial line.
type query struct {
	station     uint8
	table       reading.Table
	addr, count uint16
}

// shape is all that an answer shows of the question it belongs to. RTU carries no transaction number: two questions of one shape cannot
// be told apart by their answers.
type shape struct {
	station, function uint8
	bytes             int
}

const (
	requestBytes   = 8 // station, function, address, count, CRC
	exceptionBytes = 5 // station, function with its top bit, code, CRC
	replyOverhead  = 5 // station, function, byte count, CRC
	frameMin       = 4 // the shortest frame there is: station, function, CRC
	frameMax       = 256
)

func (q query) function() uint8 { return uint8(q.table) } // the tables stand in the order of their function codes

func (q query) shape() shape {
	n := 2 * int(q.count)
	if q.table.Bits() {
		n = (int(q.count) + 7) / 8
	}
	return shape{q.station, q.function(), n}
}

func (q query) frame() []byte {
	b := make([]byte, 0, requestBytes)
	b = append(b, q.station, q.function())
	b = binary.BigEndian.AppendUint16(b, q.addr)
	b = binary.BigEndian.AppendUint16(b, q.count)
	return withSum(b)
}

// withSum is b with its check behind it.
func withSum(b []byte) []byte { return binary.LittleEndian.AppendUint16(b, crc(b)) }

// replyBytes is how long the answer is.
func (q query) replyBytes() int { return replyOverhead + q.shape().bytes }

// crc is the check of Modbus over Serial Line V1.02, appendix B: polynomial A001 reflected, started with all ones.
func crc(b []byte) uint16 {
	c := uint16(0xffff)
	for _, x := range b {
		c = c>>8 ^ crcTable[uint8(c)^x]
	}
	return c
}

var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xa001
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}()

// sound tells whether b is one frame with a right check.
func sound(b []byte) bool {
	n := len(b)
	return n >= frameMin && binary.LittleEndian.Uint16(b[n-2:]) == crc(b[:n-2])
}

// heard is one sound frame found among bytes that were not the answer waited for.
type heard struct {
	frame   []byte
	request bool // of the form only a master sends
	either  bool // a question for bits at 0x0300 to 0x03ff, or an answer of three bytes of bits
}

func (h heard) station() uint8  { return h.frame[0] }
func (h heard) function() uint8 { return h.frame[1] &^ 0x80 }

// scan finds the sound frames in b and how many bytes lead up to the end of the last of them. Bytes between frames are passed over: noise
// has no length. Random bytes hold a false frame about once in 65536 places, and that errs on the side of silence.
func scan(b []byte) (found []heard, used int) {
	for i := 0; i+frameMin <= len(b); {
		h, ok := frameAt(b[i:])
		if !ok {
			i++
			continue
		}
		found = append(found, h)
		i += len(h.frame)
		used = i
	}
	return found, used
}

func frameAt(b []byte) (heard, bool) {
	if b[0] > 247 { // Modbus over Serial Line V1.02, 2.2: 248 to 255 are reserved
		return heard{}, false
	}
	try := func(n int, request bool) (heard, bool) {
		if n > len(b) || n > frameMax || !sound(b[:n]) {
			return heard{}, false
		}
		return heard{b[:n], request, n == requestBytes && (b[1] == 1 || b[1] == 2)}, true
	}
	f := b[1]
	switch {
	case f >= 0x80:
		return try(exceptionBytes, false)
	case f >= 1 && f <= 4:
		// A request for bits may have the form of an answer of three bytes; which of them it is, the station and function say.
		if h, ok := try(replyOverhead+int(b[2]), false); ok && (f <= 2 || b[2]%2 == 0) && b[2] > 0 {
			return h, true
		}
		return try(requestBytes, true)
	case f == 5 || f == 6: // the answer repeats the request
		return try(requestBytes, true)
	case f == 15 || f == 16:
		if h, ok := try(requestBytes, true); ok {
			return h, true
		}
		if len(b) > 6 {
			return try(9+int(b[6]), true)
		}
		return heard{}, false
	}
	return try(len(b), true) // a function whose length is not known here: whole or not at all
}
