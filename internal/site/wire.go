package site

import (
	"time"

	"rillwatch/internal/reading"
)

// How long things take on a serial line. The configuration is judged by it and the poller waits by it, so it stands below both.

const (
	// TurnaroundUsual is taken for a device of which nothing is said: what transmitters with a 4-20 mA heritage need, by common practice.
	TurnaroundUsual = 100 * time.Millisecond
	// LineSlack is what an operating system and a USB adapter add to the wire: 16 ms of latency timer in the commonest chips, and scheduling.
	LineSlack = 30 * time.Millisecond
	// LineTimeoutMax bounds the wait for one answer: 125 registers at 1200 baud take 2.4 s.
	LineTimeoutMax = 5 * time.Second

	// HorizonTimeouts: an answer was measured to come up to ten timeouts late, and is taken to come no later.
	HorizonTimeouts = 10
	// The least horizons. A serial server has retries of its own that do not know our timeout; on a line of our own there is only the
	// adapter, which may be held up for a moment.
	horizonServer = 5 * time.Second
	horizonLine   = 2 * time.Second
	// SettleMost bounds the settling after faults, which begins with one timeout and doubles. An interlock's temperature is lost after 10 s.
	SettleMost = 2 * time.Second
	// CheckValues is among how many values a closing check rotates, and no more than so many it reads: enough that one does not come round
	// within a few rounds, and few, because the check is the guard's own share of the wire.
	CheckValues = 4

	charBits      = 11 // start, eight bits, parity or a second stop, stop: Modbus over Serial Line V1.02, 2.5.1
	requestBytes  = 8  // station, function, address, count, check: Application Protocol V1.1b3, 6.1 to 6.4, and Serial Line V1.02, 2.5.1
	replyOverhead = 5  // station, function, byte count, check
)

// Bauds are the rates, in bits a second, that every Linux serial driver may know by number.
var Bauds = [...]int{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400}

// Serial tells whether the bus is a serial line, its own or one behind a serial server.
func (b *Bus) Serial() bool { return b.Scheme == "rtu" || b.Scheme == "rtuovertcp" }

// Horizon is how long after a question that was waited for for timeout its answer may still come.
func (b *Bus) Horizon(timeout time.Duration) time.Duration {
	if b.Scheme == "rtu" {
		return max(HorizonTimeouts*timeout, horizonLine)
	}
	return max(HorizonTimeouts*timeout, horizonServer)
}

// Char is the time of one character at a rate in bits a second; 0 where that is not above 0.
func Char(baud int) time.Duration {
	if baud <= 0 {
		return 0
	}
	return charBits * time.Second / time.Duration(baud)
}

// Quiet is the silence that ends a frame: 3.5 characters, and above 19200 baud a fixed 1750 us (Modbus over Serial Line V1.02, 2.5.1.1).
func Quiet(baud int) time.Duration {
	if baud > 19200 {
		return 1750 * time.Microsecond
	}
	return Char(baud) * 35 / 10
}

// ReplyBytes is the length of the answer to a read of count addresses, in characters on the wire.
func ReplyBytes(t reading.Table, count int) int {
	if t.Bits() {
		return replyOverhead + (count+7)/8
	}
	return replyOverhead + 2*count
}

// ReadTime is what one read takes on the wire: the silence before it, the request, the turnaround and the whole answer. For q registers
// that is t3.5 + (13 + 2q) characters + turnaround.
func ReadTime(baud int, turnaround time.Duration, t reading.Table, count int) time.Duration {
	return Quiet(baud) + time.Duration(requestBytes+ReplyBytes(t, count))*Char(baud) + turnaround
}

// Turnaround is the longest that a device on the bus takes before it begins to answer.
func (s *Site) Turnaround(bus int) time.Duration {
	worst := time.Duration(0)
	for _, i := range s.Buses[bus].Sensors {
		turn := s.Sensors[i].Turnaround
		if turn == 0 {
			turn = TurnaroundUsual
		}
		worst = max(worst, turn)
	}
	if worst == 0 {
		return TurnaroundUsual
	}
	return worst
}
