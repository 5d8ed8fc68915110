package peertest

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The hour at the panel, against servers that share no code with us: who answers, where the number stands, and that what was found reads right.

// shownKind is a kind of point with a display.
type shownKind struct {
	setter, typ, unit string
	words             int
	scale             float64 // of whole numbers; 0: a float
	digits            int
	low, high         float64
}

var shownKinds = []shownKind{
	{"i16", "int16", "degC", 1, 0.1, 1, -5, 60},
	{"u16", "uint16", "mL/min", 1, 1, 0, 20, 500},
	{"u16", "uint16", "pH", 1, 0.01, 2, 4, 12},
	{"u32", "uint32", "uS/cm", 2, 0.001, 3, 70, 4000},
	{"i32", "int32", "mV", 2, 0.1, 1, -600, -10},
	{"f32", "float32", "uS/cm", 2, 0, 3, 0.06, 20},
	{"f32", "float32", "degC", 2, 0, 2, 5, 60},
	{"f64", "float64", "pH", 4, 0, 3, 4, 12},
}

// found is a line as decode prints it in JSON.
type found struct {
	Verdict string
	Lines   []struct {
		Map, Table, Type, Order string
		Wire                    int
		Scale                   float64
	}
	Slips []string
}

// TestWhatDecodeFindsReadsRightAgainstIndependentServers: random maps on both servers; two looks at one point by its display; the line found is
// pasted into a configuration, and three further values are read by it.
func TestWhatDecodeFindsReadsRightAgainstIndependentServers(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	right, all := 0, 0
	for _, server := range []struct {
		name string
		p    func() *peer
		n    int
	}{
		{"libmodbus", func() *peer { return startPeer(t, program) }, 16},
		{"pymodbus", func() *peer { return startServer(t, secondServer(t), "0") }, 8},
	} {
		p := server.p()
		for n := range server.n {
			r := rand.New(rand.NewPCG(9, uint64(n)))
			all++
			if findAndRead(t, binary, p, r, fmt.Sprintf("%s map %d", server.name, n)) {
				right++
			}
		}
	}
	t.Logf("figure: of %d random maps on libmodbus and pymodbus the first line read right in %d, after two looks", all, right)
	if right < all {
		t.Errorf("%d of %d lines read right", right, all)
	}
}

func findAndRead(t *testing.T, binary string, p *peer, r *rand.Rand, name string) bool {
	t.Helper()
	unit := 1 + r.IntN(247)
	table := []string{"holding", "input"}[r.IntN(2)]
	order := orders[r.IntN(4)]
	first := []int{0, 1, 100, 1980}[r.IntN(4)] // the last one ends near the end of the tables, 2000: what is asked beyond is refused
	p.do("unit %d", unit)
	type placed struct {
		shownKind
		addr int
	}
	var points []placed
	addr := first
	for range 4 {
		k := shownKinds[r.IntN(len(shownKinds))]
		points = append(points, placed{k, addr})
		addr += k.words + r.IntN(2)
	}
	set := func(k placed, v float64) (shown string) {
		raw := v
		if k.scale != 0 {
			raw = math.Round(v / k.scale)
			p.do("%s %s %d %s %.0f", k.setter, table, k.addr, orderFor(k.words, order), raw)
			return strconv.FormatFloat(raw*k.scale, 'f', k.digits, 64)
		}
		if k.words == 2 {
			raw = float64(float32(v))
		}
		p.do("%s %s %d %s %v", k.setter, table, k.addr, order, raw)
		return strconv.FormatFloat(raw, 'f', k.digits, 64)
	}
	draw := func(k placed) float64 { return k.low + (k.high-k.low)*r.Float64() }
	target := points[r.IntN(len(points))]
	digit := map[string]int{"holding": 40001, "input": 30001}[table]
	keep := filepath.Join(t.TempDir(), "looks")
	var f found
	last := ""
	for look := 0; look < 2; {
		for _, k := range points {
			if k.addr != target.addr {
				set(k, draw(k))
			}
		}
		shown := set(target, draw(target))
		if shown == last || len(shown) < 2 {
			continue
		}
		last, look = shown, look+1
		out, talk, code := command(t, binary, "decode", "--link", "tcp://127.0.0.1:"+strconv.Itoa(p.port), "--direct", "--station", strconv.Itoa(unit),
			"--read", fmt.Sprintf("%s:%d-%d", table, digit+first, digit+addr+2), "--unit", target.unit, "--number", strconv.Itoa(digit+target.addr-r.IntN(2)*min(1, target.addr)),
			"--shown", shown, "--keep", keep, "--json", "--name", "found")
		if code != 0 {
			t.Errorf("%s: decode ended with %d: %s", name, code, talk)
			return false
		}
		f = found{}
		if err := json.Unmarshal([]byte(out), &f); err != nil || len(f.Lines) == 0 {
			t.Fatalf("%s: %v: %s", name, err, out)
		}
		if f.Verdict == "one_fits" && len(f.Lines) > 1 {
			t.Errorf("%s: certain of %d lines", name, len(f.Lines))
		}
	}
	file, _ := site(t, p.port, "", fmt.Sprintf(`[site]
name = "larkfield-mill"
[bus.net]
link = "PEER"
direct = true
[map.m.point]
%s
[panel.b2]
sensor.s = { map = "m", bus = "net", station = %d }
[http]
listen = "127.0.0.1:1"
[logbook]
dir = "DIR"
`, f.Lines[0].Map, unit))
	for range 3 {
		v := draw(target)
		shown := set(target, v)
		out, talk, code := command(t, binary, "read", file, "--json")
		var rows []struct {
			Value   *float64
			Quality string
		}
		if err := json.Unmarshal([]byte(out), &rows); err != nil || len(rows) != 1 || code != 0 || rows[0].Value == nil {
			t.Errorf("%s: read ended with %d: %s%s", name, code, out, talk)
			return false
		}
		want, _ := strconv.ParseFloat(shown, 64)
		if math.Abs(*rows[0].Value-want) > 0.5000001*math.Pow10(-target.digits) {
			t.Errorf("%s: %s at %s %d %s is read by %s as %v, and shows %s", name, target.typ, table, target.addr, order, f.Lines[0].Map, *rows[0].Value, shown)
			return false
		}
	}
	return true
}

func orderFor(words int, order string) string {
	if words == 1 {
		return "ABCD"
	}
	return order
}

// stationFound is a station as survey prints it in JSON.
type stationFound struct {
	Station  int
	Result   string
	Meaning  string
	Outcomes map[string]int
	P50      *float64 `json:"p50_ms"`
}

func surveyed(t *testing.T, out string) map[int]stationFound {
	t.Helper()
	var rows []stationFound
	if err := json.Unmarshal([]byte(out), &rows); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	by := map[int]stationFound{}
	for _, r := range rows {
		by[r.Station] = r
	}
	return by
}

// TestASurveySaysWhatEachAnswerMeans on a gateway: one that answers, one whose address is not there, one dead behind the gateway, one silent.
func TestASurveySaysWhatEachAnswerMeans(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	p := startPeer(t, program)
	p.do("unit 1")
	p.do("holding 1999 0001")
	p.do("unit 2")
	p.do("exception 2 2")
	p.do("exception 3 11")
	p.do("exception 4 10")
	p.do("exception 5 1")
	out, talk, code := command(t, binary, "survey", "--link", "tcp://127.0.0.1:"+strconv.Itoa(p.port), "--stations", "1-6", "--read", "holding:42000", "--wire=false", "--looks", "3", "--timeout", "300ms", "--json")
	if code != 0 {
		t.Fatalf("code %d: %s", code, talk)
	}
	got := surveyed(t, out)
	for n, want := range map[int][2]string{
		1: {"answers", ""}, 2: {"exception 02", "off by one"}, 3: {"exception 0B", "gateway is alive"}, 4: {"exception 0A", "no path"}, 5: {"exception 01", "other table"}, 6: {"nothing", "no device"},
	} {
		if g := got[n]; g.Result != want[0] || !strings.Contains(g.Meaning, want[1]) {
			t.Errorf("station %d: %q, %q; want %q and %q", n, g.Result, g.Meaning, want[0], want[1])
		}
	}
	if got[1].P50 == nil || got[6].P50 != nil {
		t.Errorf("latencies: %v of one that answers, %v of one that does not", got[1].P50, got[6].P50)
	}
}

// TestASurveyOfALineNamesTwoDevicesOnOneStation: both answer, one behind the other. What a pty cannot show is a wrong speed or parity: it has
// neither, so --settings all finds everything at the first setting there.
func TestASurveyOfALineNamesTwoDevicesOnOneStation(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	r := startRelay(t, mischief{seed: 1, double: 1, lateMax: time.Millisecond})
	server := startServer(t, program, "serial", r.server, "115200", "N")
	server.do("unit 7")
	server.do("holding 0 0001")
	line := []string{"--link", "rtu://" + r.line, "--baud", "115200", "--parity", "none", "--sole-master", "--listen", "1s", "--turnaround", "300ms", "--stations", "7-8", "--read", "holding:1", "--json"}
	out, talk, _ := command(t, binary, append([]string{"survey", "--looks", "2"}, line...)...)
	got := surveyed(t, out)
	if g := got[7]; g.Result != "out of step" && g.Result != "garbled" || !strings.Contains(g.Meaning, "two devices on one station") {
		t.Errorf("two devices on station 7: %+v; %s", g, talk)
	}
	if g := got[8]; g.Result != "nothing" && g.Result != "out of step" { // the second answer of 7 may come in its place
		t.Errorf("nobody on station 8: %+v", g)
	}

	r.misbehave(mischief{})
	// The last doubled answer may still be under way, and on a busy machine one may be late: a person would look again, and so does this.
	out, talk, code := command(t, binary, append([]string{"survey", "--looks", "2"}, line...)...)
	for range 2 {
		if surveyed(t, out)[7].Result == "answers" {
			break
		}
		out, talk, code = command(t, binary, append([]string{"survey", "--looks", "2"}, line...)...)
	}
	if g := surveyed(t, out)[7]; g.Result != "answers" || code != 0 {
		t.Errorf("one device on station 7: %+v, code %d; %s", g, code, talk)
	}
	if !strings.Contains(talk, "listening for 1s") {
		t.Errorf("it does not say that it listens: %s", talk)
	}
}

// TestASurveySendsNothingWhereAnotherMasterSpeaks.
func TestASurveySendsNothingWhereAnotherMasterSpeaks(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	r := startRelay(t, mischief{})
	server := startServer(t, program, "serial", r.server, "115200", "N")
	server.do("unit 7")
	other := startMaster(r, 100*time.Millisecond)
	args := []string{"--link", "rtu://" + r.line, "--baud", "115200", "--parity", "none", "--sole-master", "--listen", "2s", "--turnaround", "1s"}
	for _, more := range [][]string{{"survey", "--stations", "7", "--read", "holding:1"}, {"survey", "--stations", "7", "--read", "holding:1", "--settings", "all"}, {"decode", "--station", "7", "--read", "holding:1-4"}} {
		_, talk, code := command(t, binary, append(more, args...)...)
		if code != 1 || !strings.Contains(talk, "another master") {
			t.Errorf("%s: code %d, %q", more, code, talk)
		}
	}
	if n := r.sent(); n != 0 {
		t.Errorf("%d bytes left beside another master", n)
	}
	other.silence()
	if _, talk, code := command(t, binary, append([]string{"survey", "--stations", "7", "--read", "holding:1", "--looks", "1"}, args...)...); code != 0 {
		t.Errorf("on the quiet line: code %d, %s", code, talk)
	}
}
