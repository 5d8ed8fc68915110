package logbook

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// plantSignal is a synthetic signal as a device gives it: whole steps of its resolution.
type plantSignal struct {
	name                     string
	level, pull, step, noise float64 // a mean, how fast it is pulled there, the steps of the walk and the noise on top, in whole steps
}

// signals move like the five kinds of sensors on a rack: most of the time a step or none from one second to the next. Made up, from no plant.
var signals = []plantSignal{
	{"oxygen 0.1 ug/L", 70, 0.001, 0.3, 0.6},
	{"temperature 0.1 degC", 250, 0.0005, 0.1, 0.15},
	{"conductivity 0.001 uS/cm", 120, 0.001, 0.4, 0.9},
	{"flow 1 mL/min", 180, 0.002, 0.3, 1.2},
	{"pH 0.01", 920, 0.0005, 0.08, 0.2},
}

func (s plantSignal) make(seed uint64, n int) []uint64 {
	rng := rand.New(rand.NewPCG(seed, 7))
	x := s.level
	out := make([]uint64, n)
	for i := range out {
		x += s.pull*(s.level-x) + s.step*rng.NormFloat64()
		out[i] = uint64(int64(math.Round(x + s.noise*rng.NormFloat64())))
	}
	return out
}

// entropy of the differences, in bytes a sample: what no code of single differences can go below.
func entropy(values []uint64) float64 {
	count := map[int64]int{}
	for i := 1; i < len(values); i++ {
		count[int64(values[i]-values[i-1])]++
	}
	h, n := 0.0, float64(len(values)-1)
	for _, c := range count {
		p := float64(c) / n
		h -= p * math.Log2(p)
	}
	return h / 8
}

// Differences of all sizes, runs of all lengths, jumps over the whole width.
func wild(rng *rand.Rand, n int) []uint64 {
	out := make([]uint64, n)
	x, still, width := rng.Uint64(), 0, 0
	for i := range out {
		if still == 0 && rng.IntN(20) == 0 {
			still, width = rng.IntN(200), rng.IntN(64)
		}
		if still > 0 {
			still--
		} else {
			x += rng.Uint64()>>width - uint64(1)<<63>>width
		}
		out[i] = x
	}
	return out
}

func TestCodedNumbersComeBackBitForBit(t *testing.T) {
	for seed := range uint64(2000) {
		rng := rand.New(rand.NewPCG(seed, 3))
		v := wild(rng, rng.IntN(600))
		if seed < 5 {
			v = signals[seed].make(seed, 3600)
		}
		raw := appendRice([]byte{9}, v)
		if raw[0] != 9 {
			t.Fatalf("seed %d: what stood before it is gone", seed)
		}
		r, one := newRiceReader(raw[1:]), newRiceReader(raw[1:])
		got := make([]uint64, len(v))
		for at := 0; at < len(got); { // in pieces, as they come
			n := min(1+rng.IntN(100), len(got)-at)
			if err := r.values(got[at : at+n]); err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			at += n
		}
		for i := range v {
			single, err := one.next()
			if got[i] != v[i] || single != v[i] || err != nil {
				t.Fatalf("seed %d, number %d: %d and %d, %v; want %d", seed, i, got[i], single, err, v[i])
			}
		}
		if len(r.b) != 0 || r.have >= 8 {
			t.Fatalf("seed %d: %d bytes and %d bits are left over", seed, len(r.b), r.have)
		}
	}
}

func TestWhatIsCutShortIsAnError(t *testing.T) {
	v := wild(rand.New(rand.NewPCG(1, 3)), 500)
	raw := appendRice(nil, v)
	for n := range len(raw) - 1 {
		r := newRiceReader(raw[:n])
		if err := r.values(make([]uint64, len(v))); err != errRice {
			t.Fatalf("%d of %d bytes: %v, want errRice", n, len(raw), err)
		}
	}
}

// The bound on size that the evidence was bought with: 1.6 times the entropy of the differences, and far less than the plain block takes.
func TestSlowSignalsCostLittleMoreThanTheirEntropy(t *testing.T) {
	size, least := 0.0, 0.0
	for _, s := range signals {
		for seed := range uint64(4) {
			v := s.make(seed, 3600)
			n, e := float64(len(appendRice(nil, v)))/3600, entropy(v)
			t.Logf("%-26s %.3f B a sample, entropy %.3f, ratio %.2f", s.name, n, e, n/e)
			size, least = size+n, least+e
		}
	}
	if size > 1.6*least {
		t.Errorf("%.3f times the entropy, want at most 1.6", size/least)
	}
}

func FuzzRice(f *testing.F) {
	for seed := range uint64(6) {
		f.Add(appendRice(nil, wild(rand.New(rand.NewPCG(seed, 3)), 100)))
	}
	f.Add([]byte{})
	f.Add([]byte{0, 0, 0, 0, 255, 255, 255, 255, 255, 255, 255, 255, 255})
	f.Fuzz(func(t *testing.T, raw []byte) {
		whole, single := newRiceReader(raw), newRiceReader(raw)
		dst := make([]uint64, 500)
		err := whole.values(dst)
		for i := range dst {
			v, one := single.next()
			if one != nil {
				if err == nil {
					t.Fatalf("number %d: %v one by one, and none together", i, one)
				}
				return
			}
			if err == nil && v != dst[i] {
				t.Fatalf("number %d: %d one by one, %d together", i, v, dst[i])
			}
		}
	})
}

// BenchmarkRice takes the numbers of an hour out of their code, beside the floor: adding up as many numbers in memory.
func BenchmarkRice(b *testing.B) {
	v := signals[0].make(1, 3600)
	raw := appendRice(nil, v)
	dst := make([]uint64, len(v))
	total := uint64(0)
	var code, floor, encode time.Duration
	for b.Loop() {
		start := time.Now()
		r := newRiceReader(raw)
		if err := r.values(dst); err != nil {
			b.Fatal(err)
		}
		mid := time.Now()
		for _, x := range dst {
			total += x
		}
		end := time.Now()
		raw = appendRice(raw[:0], v)
		code, floor, encode = code+mid.Sub(start), floor+end.Sub(mid), encode+time.Since(end)
	}
	if total == 0 {
		b.Fatal("nothing was read")
	}
	n := float64(b.N) * float64(len(v))
	b.ReportMetric(float64(code)/n, "decode-ns/sample")
	b.ReportMetric(float64(encode)/n, "encode-ns/sample")
	b.ReportMetric(float64(floor)/n, "floor-ns/sample")
}
