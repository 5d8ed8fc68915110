package peertest

import (
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"
)

// mischief is what a relay does to answers, as shares of all of them. The zero mischief hands everything on at once.
type mischief struct {
	seed    uint64
	turn    time.Duration // what a device and a wire take: every answer waits for half of this up to all of it
	drop    float64
	late    float64       // as much too late
	double  float64       // one copy at once and one late
	lateMax time.Duration // late is up to this, evenly, on top of turn
}

// relay stands between a master and a server on two ptys. It hands requests on as they come and keeps count of them; answers it hands on
// frame by frame, as its mischief says.
type relay struct {
	t      *testing.T
	line   string // the name by which the master finds its line
	server string // the device of the server
	far    *pty
	under  sync.WaitGroup // goroutines and late answers under way

	mu        sync.Mutex // the two directions, late answers and the test meet here
	near      *pty       // nil while unplugged
	closing   bool
	mischief  mischief
	chance    *rand.Rand
	bytes     int         // from the master
	functions map[int]int // of its sound requests
	odd       [][]byte    // what the master sent that is no read request
	answers   int
	dropped   int
	late      int
	doubled   int
}

// startRelay starts a relay. At the end of the test it says which functions the master asked, and fails for any but the four reads.
func startRelay(t *testing.T, m mischief) *relay {
	t.Helper()
	r := &relay{t: t, line: filepath.Join(t.TempDir(), "line"), far: openPTY(t), functions: map[int]int{}}
	r.server = r.far.path
	r.misbehave(m)
	r.plug()
	r.under.Add(1)
	go r.answering()
	t.Cleanup(func() {
		r.mu.Lock()
		r.closing = true
		r.mu.Unlock()
		r.unplug()
		r.far.close()
		r.under.Wait()
		r.readsOnly()
	})
	return r
}

// misbehave changes what is done to answers from now on.
func (r *relay) misbehave(m mischief) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.mischief, r.chance = m, rand.New(rand.NewPCG(m.seed, 0))
}

// plug gives the line a device under its name.
func (r *relay) plug() {
	r.t.Helper()
	p := openPTY(r.t)
	r.mu.Lock()
	r.near = p
	r.mu.Unlock()
	r.under.Add(1)
	go r.asking(p)
	// By renaming, as udev does: a name that is there always means a device.
	if err := errors.Join(os.Symlink(p.path, r.line+".new"), os.Rename(r.line+".new", r.line)); err != nil {
		r.t.Fatal(err)
	}
}

// unplug takes the device and its name away.
func (r *relay) unplug() {
	r.t.Helper()
	r.mu.Lock()
	p := r.near
	r.near = nil
	r.mu.Unlock()
	if p == nil {
		return
	}
	if err := os.Remove(r.line); err != nil {
		r.t.Error(err)
	}
	p.close()
}

// asking hands requests on, from one device of the master until it is unplugged.
func (r *relay) asking(from *pty) {
	defer r.under.Done()
	var held []byte
	b := make([]byte, 512)
	for {
		n, err := from.master.Read(b)
		if err != nil {
			return
		}
		r.mu.Lock()
		r.bytes += n
		held = r.record(append(held, b[:n]...))
		r.mu.Unlock()
		if _, err := r.far.master.Write(b[:n]); err != nil {
			return
		}
	}
}

// record takes requests off the front of what came from the master and gives what is left. All reads are of eight bytes (Modbus over
// Serial Line V1.02, 2.5.1; Application Protocol V1.1b3, 6.1 to 6.4); whatever is not one is kept for the report.
func (r *relay) record(b []byte) []byte {
	for len(b) >= 8 {
		if b[1] < 1 || b[1] > 4 || !soundFrame(b[:8]) {
			r.odd = append(r.odd, b)
			return nil
		}
		r.functions[int(b[1])]++
		b = b[8:]
	}
	return b
}

// answering hands answers on as the mischief says.
func (r *relay) answering() {
	defer r.under.Done()
	var held []byte
	b := make([]byte, 512)
	for {
		n, err := r.far.master.Read(b)
		if err != nil {
			return
		}
		for held = append(held, b[:n]...); ; {
			size := answerSize(held)
			if size == 0 || len(held) < size {
				break
			}
			if !soundFrame(held[:size]) {
				r.t.Errorf("the server sent what is no frame: % x", held)
				return
			}
			r.answer(slices.Clone(held[:size]))
			held = held[size:]
		}
	}
}

// answerSize is how long the answer is that begins so; 0 while that cannot be said.
func answerSize(b []byte) int {
	switch {
	case len(b) < 3:
		return 0
	case b[1] >= 0x80: // an exception: station, function, code, CRC
		return 5
	}
	return 5 + int(b[2]) // station, function, count, bytes, CRC
}

func (r *relay) answer(frame []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.answers++
	m := &r.mischief
	// Always the same draws, so that the fate of the n-th answer depends on the seed alone.
	roll, late := r.chance.Float64(), time.Duration(r.chance.Float64()*float64(m.lateMax))
	turn := time.Duration((0.5 + r.chance.Float64()/2) * float64(m.turn))
	switch {
	case roll < m.drop:
		r.dropped++
	case roll < m.drop+m.late:
		r.late++
		r.sendLater(frame, turn+late)
	case roll < m.drop+m.late+m.double:
		r.doubled++
		r.sendLater(frame, turn)
		r.sendLater(frame, turn+late)
	case m.turn > 0:
		r.sendLater(frame, turn)
	default:
		r.send(frame)
	}
}

func (r *relay) sendLater(frame []byte, wait time.Duration) {
	r.under.Add(1)
	time.AfterFunc(wait, func() {
		defer r.under.Done()
		r.mu.Lock()
		defer r.mu.Unlock()
		r.send(frame)
	})
}

// send writes to the master; r.mu is held, so frames do not mix. A master that reads nothing loses what it might have read.
func (r *relay) send(frame []byte) {
	if r.near == nil || r.closing {
		return
	}
	_ = r.near.master.SetWriteDeadline(time.Now().Add(time.Second))
	_, _ = r.near.master.Write(frame)
}

// speak puts a frame on the master's line that neither side sent.
func (r *relay) speak(frame []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.send(frame)
}

// sent is how many bytes the master has sent.
func (r *relay) sent() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.bytes
}

// done says what the relay did.
func (r *relay) done() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return fmt.Sprintf("of %d answers %d were dropped, %d late, %d doubled", r.answers, r.dropped, r.late, r.doubled)
}

// readsOnly fails for every byte of the master's that did not belong to a read.
func (r *relay) readsOnly() {
	r.t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	frames := 0
	said := ""
	for _, f := range slices.Sorted(maps.Keys(r.functions)) {
		frames += r.functions[f]
		said += fmt.Sprintf(" %d of function %d", r.functions[f], f)
	}
	for _, o := range r.odd {
		r.t.Errorf("the master sent what is no read request: % x", o)
	}
	if left := r.bytes - 8*frames; left != 0 && len(r.odd) == 0 {
		r.t.Errorf("%d bytes of the master's belong to no request", left)
	}
	r.t.Logf("figure: %d requests left on the line:%s; %d bytes of anything else", frames, said, r.bytes-8*frames)
}

// sum is the CRC of Modbus over Serial Line V1.02, appendix B, bit by bit.
func sum(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, x := range b {
		c ^= uint16(x)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
	}
	return c
}

func soundFrame(b []byte) bool {
	n := len(b)
	return n >= 4 && binary.LittleEndian.Uint16(b[n-2:]) == sum(b[:n-2])
}

// framed puts the CRC behind some bytes.
func framed(b ...byte) []byte { return binary.LittleEndian.AppendUint16(b, sum(b)) }

// TestTheRelayKnowsTheFramesItIsToldOf: a request and its answer, worked by others.
func TestTheRelayKnowsTheFramesItIsToldOf(t *testing.T) {
	// Modbus over Serial Line V1.02, appendix B: the CRC of 02 07 is 1241, sent low byte first as 41 12.
	if got := framed(0x02, 0x07); string(got) != "\x02\x07\x41\x12" {
		t.Errorf("02 07 gets % x, want 02 07 41 12", got)
	}
	// Seen from libmodbus 3.1.6: 18.4 in CDAB at two registers of station 1.
	if answer := []byte{0x01, 0x03, 0x04, 0x33, 0x33, 0x41, 0x93, 0x75, 0x45}; !soundFrame(answer) || answerSize(answer) != len(answer) {
		t.Errorf("% x is not taken for a frame of its length", answer)
	}
}
