package guess_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/guess"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

func fixed(v float64, digits int) string { return strconv.FormatFloat(v, 'f', digits, 64) }

// reads tells whether a line reads the point right at every value of its sensor's range, beside neighbours as they stood. A line that
// does is right, though it may not be the maker's own: where the upper register is always 0, the lower one alone says the same.
func (d *device) reads(l guess.Line, target int) bool {
	p := &d.points[target]
	for i := range 200 {
		v := p.low + (p.top-p.low)*float64(i)/199
		got, ok := l.Value(d.read(d.image(target, v)))
		want := v
		switch p.typ {
		case site.Float32:
			want = float64(float32(v))
		case site.Float64:
		default:
			want = math.Round(v/math.Pow10(p.power)) * math.Pow10(p.power)
		}
		if !ok || math.Abs(got-want) > 1e-6*math.Abs(want)+1e-12 {
			return false
		}
	}
	return true
}

type tally struct{ asked, first, own, narrowed, wrongNarrowed, none int }

// hunt lets a technician look twice at one point of each of n devices.
func hunt(t *testing.T, seed uint64, n int, number bool, told func(*device, int, []guess.Fit, []guess.Look)) tally {
	t.Helper()
	var out tally
	for k := range n {
		r := rand.New(rand.NewPCG(seed, uint64(k)))
		d := newDevice(r)
		target := r.IntN(len(d.points))
		p := &d.points[target]
		p.noValue = false
		w := guess.Wanted{Quantity: p.q, Unit: p.unit, Table: d.table}
		if number {
			// the number as printed, taken as counted from 1
			w.HasNumber, w.Addr = true, uint16(max(0, p.addr+d.base-1))
		}
		var looks []guess.Look
		for len(looks) < 2 {
			v := p.draw(r)
			looks = append(looks, guess.Look{Spans: d.read(d.image(target, v)), Shown: p.shown(v)})
			if len(looks) == 2 && !guess.Moved(looks) {
				looks = looks[:1]
				continue
			}
			d.move(r)
		}
		fits, _ := guess.Fits(looks, w)
		out.asked++
		if len(fits) == 0 {
			out.none++
			continue
		}
		best := fits[0].Line
		right := d.reads(best, target)
		if right {
			out.first++
		} else if told != nil {
			told(d, target, fits, looks)
		}
		if int(best.Addr) == p.addr && best.Type == p.typ && best.Order == p.withOrder && best.Power == p.power {
			out.own++
		}
		if guess.Judge(looks, fits) == guess.Narrowed {
			out.narrowed++
			if !right {
				out.wrongNarrowed++
			}
		}
	}
	return out
}

// TestOverAThousandMapsTheRightLineIsFirstAfterTwoLooks is the promise of the command: 99 of 100, with the number of a manual that counts
// from 0 or from 1, and without it. A line is right that reads the sensor's whole range right.
func TestOverAThousandMapsTheRightLineIsFirstAfterTwoLooks(t *testing.T) {
	for _, number := range []bool{true, false} {
		got := hunt(t, 1, 1200, number, func(d *device, target int, fits []guess.Fit, looks []guess.Look) {
			if os.Getenv("SHOW") == "" {
				return
			}
			p := d.points[target]
			t.Logf("number %v base %d: true wire %d %s %s power %d, range %g to %g, shown %s and %s", number, d.base, p.addr, p.typ, p.withOrder, p.power, p.low, p.top, looks[0].Shown.Text, looks[1].Shown.Text)
			for _, f := range fits[:min(3, len(fits))] {
				t.Logf("      %d %s", f.Cost, f.Line.Text())
			}
		})
		t.Logf("number known %v: %d of %d right, %d of them to the letter; one line alone was left in %d, of which wrong %d", number, got.first, got.asked, got.own, got.narrowed, got.wrongNarrowed)
		if got.asked < 1000 || got.first*100 < got.asked*99 {
			t.Errorf("number known %v: the right line is first in %d of %d, want 99 %%", number, got.first, got.asked)
		}
		if got.wrongNarrowed > 0 || got.none > 0 {
			t.Errorf("number known %v: %d wrong lines were left alone, %d times nothing fitted", number, got.wrongNarrowed, got.none)
		}
	}
}

// TestTheTopOfTheRangeTakesAwayTheLinesThatCannotHoldIt: with the range from the manual no whole number that is too narrow stays.
func TestTheTopOfTheRangeTakesAwayTheLinesThatCannotHoldIt(t *testing.T) {
	// 180.1 ppb of a sensor to 2000 ppb, in hundredths: 18010 fits 16 bits, 200000 does not.
	span := func(n uint16) []guess.Span {
		return []guess.Span{{Table: reading.Holding, Addr: 10, Words: []uint16{0, n, 77}}}
	}
	looks := []guess.Look{{Spans: span(18010), Shown: shown(t, "180.1")}, {Spans: span(9930), Shown: shown(t, "99.3")}}
	w := guess.Wanted{Quantity: quantity.DissolvedOxygen, Unit: ppb(t)}
	fits, refused := guess.Fits(looks, w)
	if fits[0].Line.Type != site.Uint16 || refused != 0 || guess.Judge(looks, fits) != guess.SeveralFit {
		t.Errorf("without the range: %s first of %d, %d refused", fits[0].Line.Text(), len(fits), refused)
	}
	w.HasTop, w.Top = true, 2000
	fits, refused = guess.Fits(looks, w)
	if l := fits[0].Line; l.Type != site.Uint32 || l.Addr != 10 || l.Power != -2 || refused != 2 {
		t.Errorf("with the range: %s first, %d refused, want uint32 at 10 and two", l.Text(), refused)
	}
}

func shown(t *testing.T, s string) guess.Shown {
	t.Helper()
	out, err := guess.ParseShown(s)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func ppb(t *testing.T) quantity.Unit {
	t.Helper()
	u, err := quantity.ParseUnit("ppb", quantity.DissolvedOxygen)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// TestALookByItselfIsNoProof: one line that fits one look may be chance, two looks at the same value say no more than one, and while two lines
// fit nothing is certain.
func TestALookByItselfIsNoProof(t *testing.T) {
	// 18.4 in IEEE 754 is 0x41933333, 18.6 is 0x4194CCCD: worked by hand
	look := func(words []uint16, s string) guess.Look {
		return guess.Look{Spans: []guess.Span{{Table: reading.Holding, Addr: 0, Words: words}}, Shown: shown(t, s)}
	}
	a, b := look([]uint16{0x3333, 0x4193}, "18.40"), look([]uint16{0xCCCD, 0x4194}, "18.60")
	for _, c := range []struct {
		name  string
		looks []guess.Look
		want  guess.Verdict
	}{
		{"one look", []guess.Look{a}, guess.OneFits},
		{"the same value twice", []guess.Look{a, a}, guess.OneFits},
		{"two values", []guess.Look{a, b}, guess.Narrowed},
		{"what the device never sent", []guess.Look{a, look([]uint16{0xCCCD, 0x4194}, "19.60")}, guess.NothingFits},
		{"a whole number of 16 bits", []guess.Look{look([]uint16{184}, "18.4"), look([]uint16{186}, "18.8")}, guess.NothingFits},
		{"a whole number of 16 bits, which may be signed", []guess.Look{look([]uint16{184}, "18.4"), look([]uint16{190}, "19.0")}, guess.SeveralFit},
		{"a negative one, which is", []guess.Look{look([]uint16{184}, "18.4"), look([]uint16{0xFF9C}, "-10.0")}, guess.Narrowed},
	} {
		fits, _ := guess.Fits(c.looks, guess.Wanted{})
		if got := guess.Judge(c.looks, fits); got != c.want {
			t.Errorf("%s: verdict %d with %d lines, want %d", c.name, got, len(fits), c.want)
		}
	}
	fits, _ := guess.Fits([]guess.Look{a, b}, guess.Wanted{})
	if l := fits[0].Line; l.Type != site.Float32 || l.Order != site.CDAB || l.Addr != 0 {
		t.Errorf("18.40 and 18.60 low word first are read as %s", l.Text())
	}
}

// TestSlipsAreNamed: an address that is off by one and words that are swapped are said in so many words.
func TestSlipsAreNamed(t *testing.T) {
	printed := func(tb reading.Table, a uint16) string { return strconv.Itoa(40001 + int(a)) }
	l := guess.Line{Table: reading.Holding, Addr: 2, Type: site.Float32, Order: site.CDAB}
	for _, c := range []struct {
		w    guess.Wanted
		want []string
	}{
		{guess.Wanted{}, []string{"its words are swapped: CDAB, and ABCD is the protocol's own order"}},
		{guess.Wanted{HasNumber: true, Addr: 1, HasOrder: true, Order: site.CDAB}, []string{`this is register 40003 read as 40002: the manual counts from 0 (numbering = "wire" takes such numbers)`}},
		{guess.Wanted{HasNumber: true, Addr: 3, HasOrder: true, Order: site.CDAB}, []string{"this is register 40003 read as 40004: the number is one too high"}},
		{guess.Wanted{HasNumber: true, Addr: 2, Table: reading.Input, Type: site.Uint32, HasOrder: true, Order: site.BADC},
			[]string{"it stands among the holding registers, not the input ones", "it is float32, not uint32", "its words and the bytes in them are swapped: CDAB, and BADC is what was expected"}},
		{guess.Wanted{HasOrder: true, Order: site.DCBA}, []string{"the bytes of its words are swapped: CDAB, and DCBA is what was expected"}},
	} {
		if diff := cmp.Diff(c.want, guess.Slips(l, c.w, printed)); diff != "" {
			t.Errorf("%+v: %s", c.w, diff)
		}
	}
}

// TestTheImpossibleIsSetAsideWithItsReason lists all readings of four words of a panel.
func TestTheImpossibleIsSetAsideWithItsReason(t *testing.T) {
	w := guess.Wanted{Quantity: quantity.DissolvedOxygen, Unit: ppb(t), Possible: site.Range{Low: -10, High: 20000, HasLow: true, HasHigh: true}}
	all, aside := guess.All([]guess.Span{{Table: reading.Holding, Addr: 0, Words: []uint16{0x8000, 0x7FC0, 0x5800, 0x0001, 0x3333, 0x4193}}}, w)
	if l := all[0].Line; l.Type != site.Float32 || l.Order != site.CDAB || l.Power != 0 {
		t.Errorf("the most plausible is %s", l.Text())
	}
	for _, want := range []struct {
		l   guess.Line
		why string
	}{
		{guess.Line{Table: reading.Holding, Addr: 0, Type: site.Int16}, `a word that devices send for "no value"`},
		{guess.Line{Table: reading.Holding, Addr: 0, Type: site.Float32, Order: site.CDAB}, "not a number"},
		{guess.Line{Table: reading.Holding, Addr: 2, Type: site.Float32}, "outside what dissolved-oxygen can be, by every power of ten"}, // 0x58000001 is 5.6e14
	} {
		found := ""
		for _, a := range aside {
			if a.Line == want.l {
				found = a.Why
			}
		}
		if found != want.why {
			t.Errorf("%s is set aside for %q, want %q", want.l.Text(), found, want.why)
		}
	}
	for _, r := range all {
		if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || r.Value < -10 || r.Value > 20000 {
			t.Errorf("%s gives %v", r.Line.Text(), r.Value)
		}
	}
}

// TestWhatADisplayShowsIsNoCloserThanItsLastDigit.
func TestWhatADisplayShowsIsNoCloserThanItsLastDigit(t *testing.T) {
	for text, want := range map[string]guess.Shown{
		"18.4": {Text: "18.4", Value: 18.4, Half: 0.05}, "18.40": {Text: "18.40", Value: 18.4, Half: 0.005}, "-3": {Text: "-3", Value: -3, Half: 0.5}, " 0.00 ": {Text: "0.00", Value: 0, Half: 0.005}, "+7.": {Text: "+7.", Value: 7, Half: 0.5},
	} {
		got, err := guess.ParseShown(text)
		if err != nil || math.Abs(got.Half-want.Half) > 1e-15 || got.Value != want.Value || got.Text != want.Text {
			t.Errorf("%q is %+v, %v; want %+v", text, got, err, want)
		}
	}
	for _, text := range []string{"", ".", "-", "1e3", "NaN", "inf", "0x10", "1_0", "18,4", "18.4 ppb", "--3", "123456789012345678901", "1.2.3"} {
		if got, err := guess.ParseShown(text); !errors.Is(err, guess.ErrShown) {
			t.Errorf("%q is taken for %+v", text, got)
		}
	}
	s := shown(t, "18.4")
	for v, want := range map[float64]bool{18.35: true, 18.45: true, 18.349: false, 18.451: false, 18.4: true} {
		if s.Fits(v) != want {
			t.Errorf("18.4 shown for %v: %v", v, !want)
		}
	}
}

// FuzzFits: whatever the words are, nothing panics, no value is infinite and every fit fits.
func FuzzFits(f *testing.F) {
	f.Add([]byte{0x33, 0x33, 0x41, 0x93, 0x7F, 0xC0, 0x00, 0x00}, "18.4")
	f.Add([]byte{0xFF, 0xFF, 0x80, 0x00, 0x7F, 0xFF}, "-0.1")
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0, 0, 0, 1}, "0")
	f.Fuzz(func(t *testing.T, raw []byte, text string) {
		s, err := guess.ParseShown(text)
		if err != nil {
			return
		}
		span := guess.Span{Table: reading.Input, Addr: 65535 - uint16(min(len(raw)/2, guess.WordsMax)), Words: nil}
		for i := 0; i+1 < len(raw) && len(span.Words) < guess.WordsMax; i += 2 {
			span.Words = append(span.Words, uint16(raw[i])<<8|uint16(raw[i+1]))
		}
		looks := []guess.Look{{Spans: []guess.Span{span}, Shown: s}}
		fits, _ := guess.Fits(looks, guess.Wanted{Quantity: quantity.Temperature})
		for _, fit := range fits {
			if v, ok := fit.Line.Value(looks[0].Spans); !ok || !s.Fits(v) {
				t.Fatalf("%s gives %v, %v for %q", fit.Line.Text(), v, ok, text)
			}
			_ = guess.Apart(fits[0].Line, fit.Line)
		}
		all, _ := guess.All(looks[0].Spans, guess.Wanted{})
		for _, r := range all {
			if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
				t.Fatalf("%s gives %v", r.Line.Text(), r.Value)
			}
		}
	})
}
