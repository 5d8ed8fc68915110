package bus

import (
	"encoding/hex"
	"math/rand/v2"
	"testing"
	"time"

	"rillwatch/internal/bus/plan"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestFramesAreThoseOfTheProtocol(t *testing.T) {
	// 02 07 has the check 1241, low byte first on the wire: the example of Modbus over Serial Line V1.02 (quoted from memory).
	if got := withSum([]byte{0x02, 0x07}); hex.EncodeToString(got) != "02074112" {
		t.Errorf("%x, want 02074112", got)
	}
	// The bodies are the worked examples of Application Protocol V1.1b3, 6.1 to 6.4, for station 17; the checks are computed here.
	for want, q := range map[string]query{
		"110100130013": {17, reading.Coil, 19, 19}, "110200c40016": {17, reading.Discrete, 196, 22},
		"1103006b0003": {17, reading.Holding, 107, 3}, "110400080001": {17, reading.Input, 8, 1},
	} {
		if got := hex.EncodeToString(q.frame()[:6]); got != want || !sound(q.frame()) {
			t.Errorf("%+v: %x, want %s", q, q.frame(), want)
		}
	}
	for q, bytes := range map[query]int{{17, reading.Coil, 19, 19}: 3, {17, reading.Discrete, 196, 22}: 3, {17, reading.Holding, 107, 3}: 6, {17, reading.Coil, 0, 8}: 1} {
		if got := q.shape().bytes; got != bytes {
			t.Errorf("%+v answers in %d bytes, want %d", q, got, bytes)
		}
	}
}

func TestSoundFramesAreFoundAmongNoise(t *testing.T) {
	question, answer := query{17, reading.Holding, 107, 3}.frame(), withSum(unhex(t, "110306ae415652"+"4340"))
	refusal := withSum(unhex(t, "118302"))
	write := withSum(unhex(t, "1106000100"+"03"))
	line := append([]byte{0xff, 0x00}, question...)
	line = append(line, 0x7e)
	line = append(append(append(line, answer...), refusal...), write...)
	found, used := scan(line)
	want := []struct {
		function uint8
		request  bool
	}{{3, true}, {3, false}, {3, false}, {6, true}}
	if len(found) != len(want) || used != len(line) {
		t.Fatalf("%d frames in %d of %d bytes, want %d", len(found), used, len(line), len(want))
	}
	for i, w := range want {
		if h := found[i]; h.station() != 17 || h.function() != w.function || h.request != w.request {
			t.Errorf("frame %d: %x, request %v", i, h.frame, h.request)
		}
	}
}

func FuzzScanNeverLosesItself(f *testing.F) {
	f.Add([]byte{})
	f.Add(query{1, reading.Holding, 0, 1}.frame())
	f.Add([]byte{1, 16, 0, 0, 0, 1, 2, 0, 0, 0, 0, 0xff})
	f.Fuzz(func(t *testing.T, b []byte) {
		found, used := scan(b)
		total := 0
		for _, h := range found {
			if !sound(h.frame) || len(h.frame) < frameMin || len(h.frame) > frameMax {
				t.Errorf("frame %x", h.frame)
			}
			total += len(h.frame)
		}
		if used < total || used > len(b) {
			t.Errorf("%d bytes used of %d, frames of %d", used, len(b), total)
		}
	})
}

func TestTimesComeFromTheWire(t *testing.T) {
	s := lineSite(false, nil, registers(1, reading.Holding, 0, 10)...)
	s.Buses[0].Baud = 9600
	w, err := wireOf(s, &s.Buses[0], plan.Of(s, 0))
	if err != nil {
		t.Fatal(err)
	}
	// (13 + 2 x 10) characters of 11 bits at 9600 are 37.81 ms, 3.5 of silence 4.01 ms, the turnaround 20 ms and 30 ms over.
	want := 37813*time.Microsecond + 4010*time.Microsecond + 50*time.Millisecond
	if got := w.timeout(query{1, reading.Holding, 0, 10}); got < want-100*time.Microsecond || got > want+100*time.Microsecond {
		t.Errorf("timeout %v, want %v", got, want)
	}
	s.Buses[0].Baud = 38400
	if w, err = wireOf(s, &s.Buses[0], plan.Of(s, 0)); err != nil || w.quiet != 1750*time.Microsecond {
		t.Errorf("%v of silence end a frame at 38400 baud (%v), want 1750 us", w.quiet, err)
	}
}

// TestNoCleanRoundTakesLongerThanItsReadsAndChecks: what is told before a start must hold, whatever within its turnaround each device takes.
func TestNoCleanRoundTakesLongerThanItsReadsAndChecks(t *testing.T) {
	s := larkfield()
	said, checked := time.Duration(0), map[uint8]bool{}
	for _, r := range plan.Of(s, 0).Requests {
		said += site.ReadTime(19200, 20*time.Millisecond, r.Table, int(r.Count)) + site.Quiet(19200)
		id := uint8(0) // an interlock's station has a check of its own, the others share one
		if r.Interlock {
			id = r.Station
		}
		if !checked[id] {
			checked[id] = true
			said += site.ReadTime(19200, 20*time.Millisecond, r.Table, site.CheckValues) + site.Quiet(19200)
		}
	}
	y, _, _ := onLine(t, s, 200, guards{}, func(sim *simLine) {
		sim.answers = func(_ int, _ query, right []byte) []after {
			return []after{{20*time.Millisecond + time.Duration(len(right))*sim.wire.char, right}}
		}
	})
	began := time.Duration(0)
	for _, b := range y.keep {
		if b.Segment == 0 {
			began = b.Reads[0].Sent.Up
		}
		if took := b.At.Up - began; took > said && b.Slot > 0 {
			t.Errorf("slot %d took %v, said was %v", b.Slot, took, said)
		}
	}
}

// TestDamageWiderThanTheCheckIsLetThroughAsOftenAsItsWidthSays: damage of up to 16 bits running never passes a check of 16 bits; wider damage
// passes it once in 65,536 times (Peterson and Brown, Cyclic Codes for Error Detection, Proc. IRE 49, 1961; from memory), and no guard that
// looks at the frame alone can do better. It is counted here, and in no figure of the guard.
func TestDamageWiderThanTheCheckIsLetThroughAsOftenAsItsWidthSays(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 16))
	right := answerTo(query{1, reading.Holding, 0, 10}, time.Second)
	const tries = 1 << 22
	passed, narrow := 0, 0
	b := make([]byte, len(right))
	for range tries {
		copy(b, right)
		at := 3 + rng.IntN(len(right)-3-4) // behind the head, so that nothing but the check can tell
		for i := range 4 {
			b[at+i] = byte(rng.Uint32())
		}
		if sound(b) && string(b) != string(right) {
			passed++
		}
		copy(b, right)
		bit := rng.IntN(8*len(b) - 16)
		for i, w := 0, rng.Uint32()|1; i < 16; i++ {
			b[(bit+i)/8] ^= byte(w>>i&1) << ((bit + i) % 8)
		}
		if sound(b) {
			narrow++
		}
	}
	t.Logf("figure: of %d answers with four bytes of noise in them %d passed the check, expected %d; of as many with up to 16 bits running %d", tries, passed, tries>>16, narrow)
	if want := tries >> 16; passed < want/2 || passed > 2*want { // 64; a half and twice are 4 and 8 standard deviations away
		t.Errorf("%d passed, want about %d", passed, want)
	}
	if narrow > 0 {
		t.Errorf("%d answers with a burst of at most 16 bits passed", narrow)
	}
}
