package engine_test

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"rillwatch/internal/config"
	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/panel/decode"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

var update = flag.Bool("update", false, "write the transcripts of testdata/replay anew; read the difference before you commit it")

// TestReplay runs every file of testdata/replay: a configuration and a story become inputs, the inputs go through their text form
// and the engine, and what it says becomes the transcript. The lines under "want" are written by hand and must appear in
// this order; -update never touches them.
//
// A story is read line by line: "start STAMP" sets the wall clock; "60s: rack.oxygen=12 rack.flow=100..200" polls once a second for
// that long with these values (they hold until changed; A..B is a ramp; silent, refused, nan, raw:8000 or fault:NAME stand for what the
// device does; rack.serial=TEXT is the serial number of a sensor whose map names one); "gap 30s" lets time pass without any batch;
// "ack NAME by WHO"; "off b2 for 8h by WHO" and "on ..."; "check b2.rack for 30m by WHO: WHAT" and "back b2.rack by WHO"; "enter POINT VALUE UNIT BASIS AGE WHO",
// with - for none; "learn LIMIT by WHO"; "shelve NAME for 1h by WHO", "unshelve NAME by WHO", "takeout NAME by WHO" and "putback ..." of service; "drill NAME by WHO", with all for everybody; "restart 30s" ends the process and
// starts the next one so much later, "change 30s" with the file changed.toml as its configuration, "restart unknown" with a clock nobody trusts; "disk fails", "disk back"; "clock uncertain", "clock certain".
//
// Of a driven valve: "rearm PANEL by WHO", "override PANEL 30m by WHO", "byhand PANEL by WHO"; "orders taken" (so it is at first), "orders
// TABLE-OF-FAULTS", "orders not_read_back", "orders read_back_differs", "orders unanswered" say what becomes of each order from then on.
// "commit" puts the judge state on disk, and "kill 30s" is a restart that knows no more than the last commit; "clock steps 10m" moves the wall
// clock; "clock set STAMP" sets it right, and "start STAMP uncertain WHY" is a start whose clock nobody believes. An order is written when the first of a row is given, and its end when none was given for two seconds.
func TestReplay(t *testing.T) {
	files, err := filepath.Glob("../../testdata/replay/*.txtar")
	if err != nil || len(files) < 12 {
		t.Fatalf("found %d replay files (%v), want at least 12", len(files), err)
	}
	for _, f := range files {
		t.Run(strings.TrimSuffix(filepath.Base(f), ".txtar"), func(t *testing.T) { replayFile(t, f) })
	}
}

func replayFile(t *testing.T, file string) {
	ar, err := txtar.ParseFile(file)
	if err != nil {
		t.Fatal(err)
	}
	part := func(name string) string {
		for _, f := range ar.Files {
			if f.Name == name {
				return string(f.Data)
			}
		}
		t.Fatalf("%s: no part %q", file, name)
		return ""
	}
	st, _, err := config.Parse("config.toml", []byte(part("config.toml")))
	if err != nil {
		t.Fatal(err)
	}
	var changed *site.Site
	for _, f := range ar.Files {
		if f.Name == "changed.toml" {
			if changed, _, err = config.Parse(f.Name, f.Data); err != nil {
				t.Fatal(err)
			}
		}
	}
	got := tell(t, st, changed, part("story"))
	rest := got
	for _, w := range strings.Split(strings.TrimSpace(part("want")), "\n") {
		if w = strings.TrimSpace(w); w == "" || w[0] == '#' {
			continue
		}
		if absent, ok := strings.CutPrefix(w, "never "); ok {
			if strings.Contains(got, absent) {
				t.Errorf("the transcript says %q, which must never be", absent)
			}
			continue
		}
		i := strings.Index(rest, w)
		if i < 0 {
			t.Fatalf("the transcript lacks, in this order:\n  %s\ntranscript:\n%s", w, got)
		}
		rest = rest[i+len(w):]
	}
	if *update {
		for i := range ar.Files {
			if ar.Files[i].Name == "transcript" {
				ar.Files[i].Data = []byte(got)
			}
		}
		if err := os.WriteFile(file, txtar.Format(ar), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if d := cmp.Diff(strings.Split(part("transcript"), "\n"), strings.Split(got, "\n")); d != "" {
		t.Errorf("transcript differs (-want +got); run with -update and read the difference:\n%s", d)
	}
}

// story is a telling in progress.
type story struct {
	t       *testing.T
	s       *site.Site
	changed *site.Site // the configuration that "change" restarts with
	e       *engine.Engine
	out     strings.Builder
	wall    time.Time
	up      time.Duration
	slot    uint64
	boots   int
	values  map[string]string
	last    []string // by point, as last written
	seq     uint64
	certain bool
	doubt   string // why a start's clock is not certain
	acks    int
	states  []engine.StateRow
	events  []event.Event

	watch func(engine.Outcome) // of a test that looks at every step; then nothing is written

	orders  string // what becomes of them
	asked   map[int]time.Duration
	results []engine.OrderDone
}

func tell(t *testing.T, s, changed *site.Site, text string) string {
	st := &story{t: t, s: s, changed: changed, values: map[string]string{}, certain: true}
	for n, line := range strings.Split(text, "\n") {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		if err := st.line(line); err != nil {
			t.Fatalf("story line %d: %q: %v", n+1, line, err)
		}
	}
	return st.out.String()
}

func (st *story) now() reading.Stamp { return reading.Stamp{Wall: reading.WallOf(st.wall), Up: st.up} }

func (st *story) pass(d time.Duration) { st.wall, st.up = st.wall.Add(d), st.up+d }

func (st *story) line(line string) error {
	word, rest, _ := strings.Cut(line, " ")
	switch {
	case word == "start":
		when, doubt, doubted := strings.Cut(rest, " uncertain ")
		at, err := time.Parse(time.RFC3339, when)
		if err != nil {
			return err
		}
		st.wall, st.certain, st.doubt = at, !doubted, doubt
		st.bootNow(engine.Before{}, nil)
		return nil
	case strings.HasSuffix(word, ":"):
		d, err := time.ParseDuration(strings.TrimSuffix(word, ":"))
		if err != nil {
			return err
		}
		return st.poll(d, rest)
	case word == "gap":
		d, err := time.ParseDuration(rest)
		if err != nil {
			return err
		}
		for ; d > 0; d -= time.Second {
			st.pass(time.Second)
			st.slot++
			st.feed(engine.Tick{At: st.now()})
		}
		return nil
	case word == "ack":
		name, who, _ := strings.Cut(rest, " by ")
		st.acks++
		st.feed(engine.Command{ID: fmt.Sprintf("ack-%d", st.acks), Who: who, Why: "seen", From: "api", At: st.now(), Do: engine.Acknowledge{Alarm: name}})
		return nil
	case word == "again": // the last command once more, under its own ID
		name, who, _ := strings.Cut(rest, " by ")
		st.feed(engine.Command{ID: fmt.Sprintf("ack-%d", st.acks), Who: who, Why: "seen", From: "api", At: st.now(), Do: engine.Acknowledge{Alarm: name}})
		return nil
	case word == "off", word == "on", word == "check", word == "back":
		do, who, err := said(word, rest)
		if err != nil {
			return err
		}
		st.acks++
		st.feed(engine.Command{ID: fmt.Sprintf("%s-%d", word, st.acks), Who: who, Why: "the story wants it", From: "cli", At: st.now(), Do: do})
		return nil
	case word == "enter": // enter POINT VALUE UNIT BASIS|- AGE|- WHO
		f := strings.Fields(rest)
		if len(f) != 6 {
			return fmt.Errorf("want POINT VALUE UNIT BASIS AGE WHO, and - for none")
		}
		v, err := strconv.ParseFloat(f[1], 64)
		if err != nil {
			return err
		}
		do := engine.EnterValue{Point: f[0], Value: v, Unit: f[2], Basis: strings.TrimPrefix(f[3], "-")}
		if f[4] != "-" {
			age, err := time.ParseDuration(f[4])
			if err != nil {
				return err
			}
			do.Taken = reading.WallOf(st.wall.Add(-age))
		}
		st.acks++
		st.feed(engine.Command{ID: fmt.Sprintf("enter-%d", st.acks), Who: f[5], Why: "laboratory", From: "api", At: st.now(), Do: do})
		return nil
	case word == "rearm", word == "override", word == "byhand":
		what, who, _ := strings.Cut(rest, " by ")
		name, long, _ := strings.Cut(what, " ")
		do := map[string]engine.Do{"rearm": engine.Rearm{Panel: name}, "byhand": engine.ValveByHand{Panel: name}}[word]
		if word == "override" {
			d, err := time.ParseDuration(long)
			if long != "" && err != nil {
				return err
			}
			do = engine.Override{Panel: name, For: d}
		}
		st.acks++
		st.feed(engine.Command{ID: fmt.Sprintf("%s-%d", word, st.acks), Who: who, Why: "cooling water seen at the panel", From: "api", At: st.now(), Do: do})
		return nil
	case word == "learn": // learn LIMIT by WHO
		name, who, _ := strings.Cut(rest, " by ")
		st.acks++
		st.feed(engine.Command{ID: fmt.Sprintf("learn-%d", st.acks), Who: who, Why: "a steady day", From: "cli", At: st.now(), Do: engine.LearnBaseline{Limit: name}})
		return nil
	case word == "shelve", word == "unshelve", word == "takeout", word == "putback":
		do, who, err := silenced(word, rest)
		if err != nil {
			return err
		}
		st.acks++
		st.feed(engine.Command{ID: fmt.Sprintf("%s-%d", word, st.acks), Who: who, Why: "work order 7", From: "cli", At: st.now(), Do: do})
		return nil
	case word == "drill":
		to, who, _ := strings.Cut(rest, " by ")
		st.acks++
		st.feed(engine.Command{ID: fmt.Sprintf("drill-%d", st.acks), Who: who, Why: "first of the month", From: "cli", At: st.now(), Do: engine.Drill{Recipient: strings.TrimPrefix(to, "all")}})
		return nil
	case word == "orders":
		st.orders = rest
		return nil
	case word == "commit":
		for _, r := range st.e.States() {
			st.states = put(st.states, r)
		}
		return nil
	case strings.HasPrefix(line, "clock set "): // and is believed from then on
		at, err := time.Parse(time.RFC3339, strings.TrimPrefix(line, "clock set "))
		if err != nil {
			return err
		}
		by := at.Sub(st.wall)
		st.wall, st.certain = at, true
		st.feed(engine.ClockState{At: st.now(), Certain: true, Stepped: by})
		return nil
	case strings.HasPrefix(line, "clock steps "):
		d, err := time.ParseDuration(strings.TrimPrefix(line, "clock steps "))
		if err != nil {
			return err
		}
		st.wall = st.wall.Add(d)
		st.feed(engine.ClockState{At: st.now(), Certain: st.certain, Stepped: d})
		return nil
	case word == "ask":
		st.feed(engine.Command{ID: "ask-" + rest, Who: "Kim", Why: "try", From: "api", At: st.now(), Do: engine.Rearm{Panel: rest}})
		return nil
	case line == "disk fails":
		st.feed(engine.CommitFailed{Seq: st.seq, At: st.now(), Why: "no space left on device"})
		return nil
	case line == "disk back":
		st.feed(engine.Committed{Seq: st.seq, At: st.now()})
		return nil
	case word == "clock":
		st.certain = rest == "certain"
		st.feed(engine.ClockState{At: st.now(), Certain: st.certain})
		return nil
	case word == "restart", word == "kill", word == "change":
		before := engine.Before{Nonce: fmt.Sprintf("%08x", st.boots), Last: reading.WallOf(st.wall), WallCertain: true, Hash: st.s.Hash}
		if word != "kill" {
			for _, r := range st.e.States() {
				st.states = put(st.states, r)
			}
		}
		if word == "change" {
			st.s = st.changed
		}
		certain := true
		if rest == "unknown" {
			certain = false
			st.wall = time.Date(1970, 1, 1, 0, 0, 20, 0, time.UTC)
		} else {
			d, err := time.ParseDuration(rest)
			if err != nil {
				return err
			}
			st.wall = st.wall.Add(d)
		}
		st.certain = certain
		st.bootNow(before, st.states)
		return nil
	}
	return fmt.Errorf("not a story line")
}

// silenced reads "NAME for 1h by WHO" of shelve, and "NAME by WHO".
func silenced(word, rest string) (engine.Do, string, error) {
	what, who, _ := strings.Cut(rest, " by ")
	name, long, _ := strings.Cut(what, " for ")
	switch word {
	case "shelve":
		d, err := time.ParseDuration(long)
		return engine.Shelve{Alarm: name, For: d}, who, err
	case "unshelve":
		return engine.Unshelve{Alarm: name}, who, nil
	}
	return engine.OutOfService{Alarm: name, Out: word == "takeout"}, who, nil
}

// said reads "b2 for 8h by Kim", "b2.rack for 30m by Kim: zero check" and "b2.rack by Kim".
func said(word, rest string) (engine.Do, string, error) {
	name, rest, _ := strings.Cut(rest, " ")
	rest, who, _ := strings.Cut(strings.TrimPrefix(rest, "by "), " by ")
	if who == "" {
		rest, who = "for 0s", rest
	}
	who, what, _ := strings.Cut(who, ": ")
	long, err := time.ParseDuration(strings.TrimPrefix(rest, "for "))
	if err != nil {
		return nil, "", err
	}
	switch word {
	case "check":
		return engine.CheckInHand{Sensor: name, What: what, For: long}, who, nil
	case "back":
		return engine.CheckInHand{Sensor: name, Back: true}, who, nil
	}
	return engine.SetOnLine{Panel: name, OnLine: word == "on", For: long}, who, nil
}

func put(rows []engine.StateRow, r engine.StateRow) []engine.StateRow {
	for i := range rows {
		if rows[i].Name == r.Name {
			rows[i] = r
			return rows
		}
	}
	return append(rows, r)
}

func (st *story) bootNow(before engine.Before, states []engine.StateRow) {
	st.boots++
	st.up, st.slot, st.seq = 0, 0, 0
	st.asked, st.results = map[int]time.Duration{}, nil
	st.e = engine.New(st.s)
	st.last = make([]string, len(st.s.Points))
	st.feed(engine.Boot{Nonce: fmt.Sprintf("%08x", st.boots), At: st.now(), WallCertain: st.certain, Doubt: st.doubt, Hash: st.s.Hash, Before: before, States: states})
}

// feed sends an input through its text form, as a capture would, and writes what changed.
func (st *story) feed(in engine.Input) {
	if st.watch != nil {
		st.watch(st.e.Step(in))
		return
	}
	text := engine.FormatInput(st.s, in)
	back, err := engine.ParseInputs(st.s, engine.TextVersion+"\n"+text)
	if err != nil || len(back) != 1 {
		st.t.Fatalf("the text form does not read back: %v\n%s", err, text)
	}
	if d := cmp.Diff(in, back[0]); d != "" {
		st.t.Fatalf("the text form changes the input (-was +is):\n%s", d)
	}
	o := st.e.Step(back[0])
	st.seq, st.events = o.Seq, append(st.events, o.Events...)
	say := func(format string, args ...any) {
		fmt.Fprintf(&st.out, "%s "+format+"\n", append([]any{st.wall.UTC().Format("15:04:05")}, args...)...)
	}
	st.follow(o, say)
	v := st.e.View()
	show := func(points []engine.PointView) {
		for _, p := range points {
			// a transcript shows a reading when what is believed of it changes
			key := p.Reading.Reason.String()
			if key != st.last[p.Point] {
				st.last[p.Point] = key
				say("%s %s", st.s.Points[p.Point].Path, engine.FormatReading(&st.s.Points[p.Point], p.Reading))
			}
		}
	}
	if v != nil {
		show(v.Free)
		for _, p := range v.Panels {
			show(p.Points)
		}
	}
	for i := range o.Events {
		say("event %s", engine.FormatEvent(&o.Events[i]))
	}
	for _, r := range o.Replies {
		say("reply %s refusal=%q %s", r.Command, string(r.Refusal), r.Words)
	}
	for len(st.results) > 0 {
		r := st.results[0]
		st.results = st.results[1:]
		st.feed(r)
	}
}

// follow writes when a row of orders begins and ends, and answers each.
func (st *story) follow(o engine.Outcome, say func(string, ...any)) {
	for _, r := range o.Orders {
		if _, going := st.asked[r.Panel]; !going {
			say("order bus=%s station=%d %s %d = %d for panel %s", st.s.Buses[r.Bus].Name, r.Station, r.Table, r.Addr, r.Value, st.s.Panels[r.Panel].Name)
		}
		st.asked[r.Panel] = st.up
		res := reading.OrderResult{ID: r.ID, Panel: r.Panel, Fault: reading.Answered, ReadBack: r.Value, Known: true, At: st.now()}
		switch st.orders {
		case "", "taken":
		case "unanswered":
			continue
		case "not_read_back":
			res.Known, res.ReadBack = false, 0
		case "read_back_differs":
			res.ReadBack = 1 - r.Value
		default:
			f, ok := reading.ParseFault(st.orders)
			if !ok {
				st.t.Fatalf("orders %q", st.orders)
			}
			res.Fault, res.Known, res.ReadBack = f, false, 0
		}
		st.results = append(st.results, engine.OrderDone{OrderResult: res})
	}
	for p := range st.s.Panels {
		if at, going := st.asked[p]; going && st.up-at > 2*time.Second {
			delete(st.asked, p)
			say("no more orders for panel %s", st.s.Panels[p].Name)
		}
	}
}

// poll makes one round a second over every bus.
func (st *story) poll(d time.Duration, assign string) error {
	type ramp struct{ from, to float64 }
	ramps := map[string]ramp{}
	for _, a := range strings.Fields(assign) {
		k, v, ok := strings.Cut(a, "=")
		if !ok {
			return fmt.Errorf("%q: want POINT=VALUE", a)
		}
		if from, to, ok := strings.Cut(v, ".."); ok {
			f, err1 := strconv.ParseFloat(from, 64)
			g, err2 := strconv.ParseFloat(to, 64)
			if err1 != nil || err2 != nil {
				return fmt.Errorf("%q: a ramp is A..B", a)
			}
			ramps[k] = ramp{f, g}
		}
		st.values[k] = v
	}
	n := int(d / time.Second)
	for i := 1; i <= n; i++ {
		st.pass(time.Second)
		st.slot++
		for k, r := range ramps {
			st.values[k] = strconv.FormatFloat(r.from+(r.to-r.from)*float64(i)/float64(n), 'f', 4, 64)
		}
		for b := range st.s.Buses {
			if err := st.round(b); err != nil {
				return err
			}
		}
		st.feed(engine.Tick{At: st.now()})
	}
	for k, r := range ramps {
		st.values[k] = strconv.FormatFloat(r.to, 'f', 4, 64)
	}
	return nil
}

func (st *story) round(b int) error {
	batch := reading.Batch{Bus: b, Slot: st.slot, Last: true, At: st.now()}
	for i := range st.s.Points {
		p := &st.s.Points[i]
		if p.Derived() || st.s.Sensors[p.Sensor].Bus != b || st.slot%max(1, st.s.Sensors[p.Sensor].Every) != 0 {
			continue
		}
		_, short, _ := strings.Cut(p.Path, ".") // a story names points without the panel
		v, ok := st.values[p.Path]
		if !ok {
			v, ok = st.values[short]
		}
		if !ok {
			return fmt.Errorf("no value for %s", p.Path)
		}
		r := reading.Read{Station: st.s.Sensors[p.Sensor].Station, Table: p.Table, Addr: p.Addr, Count: uint16(p.Decode.Type.Words()),
			Sent: st.now(), Took: 5 * time.Millisecond, Fault: reading.Answered}
		switch {
		case v == "silent":
			r.Fault = reading.Timeout
		case v == "refused":
			r.Fault = reading.IllegalAddress
		case v == "down":
			r.Fault = reading.Refused
		case v == "closed":
			r.Fault = reading.Closed
		case v == "nan":
			r.Words = decode.Words(p.Decode, uint64(math.Float32bits(float32(math.NaN()))))
		case strings.HasPrefix(v, "fault:"):
			f, ok := reading.ParseFault(v[len("fault:"):])
			if !ok {
				return fmt.Errorf("%s is no fault", v)
			}
			r.Fault = f
		case strings.HasPrefix(v, "raw:"):
			raw, err := strconv.ParseInt(v[4:], 0, 64)
			if err != nil {
				return err
			}
			r.Words = decode.Words(p.Decode, uint64(raw))
		default:
			f, err := strconv.ParseFloat(v, 64)
			if err != nil {
				return err
			}
			r.Words = decode.Words(p.Decode, rawOf(p.Decode, f))
		}
		batch.Reads = append(batch.Reads, r)
	}
	for i := range st.s.Sensors {
		if sn := &st.s.Sensors[i]; sn.Bus == b && sn.Identity.Configured && st.slot%max(1, sn.Identity.Every) == 0 {
			batch.Reads = append(batch.Reads, st.identity(sn))
		}
	}
	st.feed(engine.Batch{Batch: batch})
	return nil
}

// identity is what a sensor answers when it is asked for its serial number, a text; it is silent where the story names none.
func (st *story) identity(sn *site.Sensor) reading.Read {
	r := reading.Read{Station: sn.Station, Table: sn.Identity.Table, Addr: sn.Identity.Addr, Count: uint16(sn.Identity.Count), Sent: st.now(), Took: 5 * time.Millisecond, Fault: reading.Timeout}
	_, short, _ := strings.Cut(sn.Path, ".")
	text, ok := st.values[short+".serial"]
	if !ok || text == "silent" {
		return r
	}
	padded := append([]byte(text), make([]byte, 2*sn.Identity.Count)...)
	r.Fault = reading.Answered
	for i := range sn.Identity.Count {
		r.Words = append(r.Words, uint16(padded[2*i])<<8|uint16(padded[2*i+1]))
	}
	return r
}

// rawOf is what a device sends for a value.
func rawOf(d site.Decode, v float64) uint64 {
	if d.Type == site.Bit {
		if (v != 0) != d.Invert {
			return 1
		}
		return 0
	}
	v = (v - d.Offset) / d.Scale
	switch d.Type {
	case site.Float32:
		return uint64(math.Float32bits(float32(v)))
	case site.Float64:
		return math.Float64bits(v)
	}
	return uint64(int64(math.Round(v)))
}
