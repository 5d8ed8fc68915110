package engine

import (
	"encoding/base64"
	"fmt"
	"strconv"
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// TextVersion heads every file of inputs. A reader refuses a version it does not know.
const TextVersion = "rillwatch-inputs 1"

// textMaxLine bounds one line of input text: a boot line with the judge state of twenty panels in base64 stays well below it.
const textMaxLine = 1 << 20

// FormatStamp writes a stamp as WALL+UP, e.g. 2026-11-25T10:00:00Z+1.5s; "-" for none.
func FormatStamp(s reading.Stamp) string {
	if s.IsZero() {
		return "-"
	}
	return s.Wall.Time().Format(time.RFC3339Nano) + "+" + s.Up.String()
}

// ParseStamp reads what FormatStamp writes.
func ParseStamp(text string) (reading.Stamp, error) {
	if text == "-" {
		return reading.Stamp{}, nil
	}
	wall, up, ok := strings.Cut(text, "Z+")
	if !ok {
		return reading.Stamp{}, fmt.Errorf("stamp %q: want WALL+UP, e.g. 2026-11-25T10:00:00Z+1.5s", text)
	}
	t, err := time.Parse(time.RFC3339Nano, wall+"Z")
	if err != nil {
		return reading.Stamp{}, fmt.Errorf("stamp %q: %w", text, err)
	}
	if t.Year() < 1900 || t.Year() > 2200 { // beyond this, nanoseconds do not fit 64 bits
		return reading.Stamp{}, fmt.Errorf("stamp %q: the year is not one a panel can live in", text)
	}
	d, err := time.ParseDuration(up)
	if err != nil {
		return reading.Stamp{}, fmt.Errorf("stamp %q: %w", text, err)
	}
	return reading.Stamp{Wall: reading.WallOf(t), Up: d}, nil
}

// FormatInput writes one input as one line, without a line end; a batch takes one further line per read, indented by a space. Buses are
// written by name: an index would not outlive the configuration.
func FormatInput(s *site.Site, in Input) string {
	var b strings.Builder
	switch in := in.(type) {
	case Boot:
		fmt.Fprintf(&b, "boot %s at=%s certain=%t hash=%s before=%s last=%s before_certain=%t before_hash=%s", word(in.Nonce), FormatStamp(in.At), in.WallCertain,
			word(in.Hash), word(in.Before.Nonce), FormatStamp(reading.Stamp{Wall: in.Before.Last}), in.Before.WallCertain, word(in.Before.Hash))
		for _, r := range in.States {
			fmt.Fprintf(&b, " state:%s=%s", r.Name, base64.RawURLEncoding.EncodeToString(r.Data))
		}
	case Batch:
		fmt.Fprintf(&b, "batch %s slot=%d segment=%d last=%t at=%s", busName(s, in.Bus), in.Slot, in.Segment, in.Last, FormatStamp(in.At))
		for _, r := range in.Reads {
			fmt.Fprintf(&b, "\n %d %s %d+%d sent=%s took=%s %s", r.Station, r.Table, r.Addr, r.Count, FormatStamp(r.Sent), r.Took, r.Fault)
			for _, w := range r.Words {
				fmt.Fprintf(&b, " %04x", w)
			}
		}
	case Tick:
		fmt.Fprintf(&b, "tick at=%s", FormatStamp(in.At))
	case Command:
		fmt.Fprintf(&b, "command %s at=%s who=%s why=%s from=%s do=%s", strconv.Quote(in.ID), FormatStamp(in.At), strconv.Quote(in.Who), strconv.Quote(in.Why),
			strconv.Quote(in.From), in.Do.verb())
		if op := doOperands(in.Do); op != "" {
			b.WriteString(" " + op)
		}
	case Committed:
		fmt.Fprintf(&b, "committed %d at=%s dropped=%d", in.Seq, FormatStamp(in.At), in.Dropped)
	case CommitFailed:
		fmt.Fprintf(&b, "commit_failed %d at=%s dropped=%d why=%s", in.Seq, FormatStamp(in.At), in.Dropped, strconv.Quote(in.Why))
	case Delivered:
		fmt.Fprintf(&b, "delivered %s at=%s recipient=%s result=%s", word(in.ID.String()), FormatStamp(in.At), word(in.Recipient), word(in.Result))
	case ClockState:
		fmt.Fprintf(&b, "clock at=%s certain=%t stepped=%s", FormatStamp(in.At), in.Certain, in.Stepped)
	case Stop:
		fmt.Fprintf(&b, "stop at=%s", FormatStamp(in.At))
	case OrderDone:
		fmt.Fprintf(&b, "order_done %d at=%s panel=%d fault=%s known=%t read_back=%d", in.ID, FormatStamp(in.At), in.Panel, in.Fault, in.Known, in.ReadBack)
	}
	return b.String()
}

func busName(s *site.Site, i int) string {
	if i >= 0 && i < len(s.Buses) {
		return s.Buses[i].Name
	}
	return "?"
}

// word quotes what would not read back as one word.
func word(s string) string {
	if s == "" {
		return "-"
	}
	if strings.ContainsAny(s, " \t\n\"=") {
		return strconv.Quote(s)
	}
	return s
}

func doOperands(d Do) string {
	q := strconv.Quote
	switch d := d.(type) {
	case Acknowledge:
		return "alarm=" + q(d.Alarm)
	case Shelve:
		return "alarm=" + q(d.Alarm) + " for=" + d.For.String()
	case OutOfService:
		return "alarm=" + q(d.Alarm) + " out=" + strconv.FormatBool(d.Out)
	case CheckInHand:
		return "sensor=" + q(d.Sensor) + " what=" + q(d.What) + " for=" + d.For.String() + " back=" + strconv.FormatBool(d.Back)
	case SetOnLine:
		return "panel=" + q(d.Panel) + " on_line=" + strconv.FormatBool(d.OnLine) + " for=" + d.For.String()
	case EnterValue:
		return "point=" + q(d.Point) + " value=" + strconv.FormatFloat(d.Value, 'g', -1, 64) + " unit=" + q(d.Unit) + " basis=" + q(d.Basis) +
			" taken=" + FormatStamp(reading.Stamp{Wall: d.Taken})
	case LearnBaseline:
		return "limit=" + q(d.Limit)
	case Override:
		return "panel=" + q(d.Panel) + " for=" + d.For.String()
	case Rearm:
		return "panel=" + q(d.Panel)
	case Drill:
		return "recipient=" + q(d.Recipient)
	}
	return ""
}

// ParseInputs reads a file of inputs. Errors name the line. Empty lines and lines that begin with # are passed over.
func ParseInputs(s *site.Site, text string) ([]Input, error) {
	var out []Input
	var batch *Batch
	flush := func() {
		if batch != nil {
			out = append(out, *batch)
			batch = nil
		}
	}
	headed := false
	for n, line := range strings.Split(text, "\n") {
		fail := func(err error) error { return fmt.Errorf("line %d: %w", n+1, err) }
		if len(line) > textMaxLine {
			return nil, fail(fmt.Errorf("longer than %d bytes", textMaxLine))
		}
		trimmed := strings.TrimSpace(line)
		if trimmed == "" || trimmed[0] == '#' {
			continue
		}
		if !headed {
			if trimmed != TextVersion {
				return nil, fail(fmt.Errorf("%q: the file must begin with %q", trimmed, TextVersion))
			}
			headed = true
			continue
		}
		if line[0] == ' ' {
			if batch == nil {
				return nil, fail(fmt.Errorf("a read without a batch above it"))
			}
			r, err := parseRead(trimmed)
			if err != nil {
				return nil, fail(err)
			}
			batch.Reads = append(batch.Reads, r)
			continue
		}
		flush()
		in, err := parseInput(s, trimmed)
		if err != nil {
			return nil, fail(err)
		}
		if b, ok := in.(Batch); ok {
			batch = &b
			continue
		}
		out = append(out, in)
	}
	flush()
	return out, nil
}

func parseRead(text string) (reading.Read, error) {
	var r reading.Read
	f := strings.Fields(text)
	if len(f) < 6 {
		return r, fmt.Errorf("read %q: want STATION TABLE ADDR+COUNT sent= took= FAULT [WORDS]", text)
	}
	p := parser{}
	r.Station = uint8(p.uint(f[0], 8))
	var ok bool
	if r.Table, ok = reading.ParseTable(f[1]); !ok {
		p.failf("table %q is not one of coil, discrete, holding, input", f[1])
	}
	addr, count, _ := strings.Cut(f[2], "+")
	r.Addr, r.Count = uint16(p.uint(addr, 16)), uint16(p.uint(count, 16))
	r.Sent = p.stamp(p.after(f[3], "sent="))
	r.Took = p.duration(p.after(f[4], "took="))
	if r.Fault, ok = reading.ParseFault(f[5]); !ok {
		p.failf("fault %q is not known", f[5])
	}
	for _, w := range f[6:] {
		v, err := strconv.ParseUint(w, 16, 16)
		if err != nil {
			p.failf("word %q is not four hex digits", w)
		}
		r.Words = append(r.Words, uint16(v))
	}
	if want := int(r.Count); r.Fault == reading.Answered && len(r.Words) != want {
		p.failf("%d words where %d were asked", len(r.Words), want)
	} else if r.Fault != reading.Answered && len(r.Words) != 0 {
		p.failf("words with fault %s", r.Fault)
	}
	return r, p.err
}

func parseInput(s *site.Site, line string) (Input, error) {
	f, err := splitQuoted(line)
	if err != nil {
		return nil, err
	}
	p := parser{words: f[1:]}
	switch f[0] {
	case "boot":
		in := Boot{Nonce: p.bare(), At: p.stamp(p.key("at")), WallCertain: p.bool(p.key("certain")), Hash: p.plain("hash")}
		in.Before.Nonce = p.plain("before")
		in.Before.Last = p.stamp(p.key("last")).Wall
		in.Before.WallCertain = p.bool(p.key("before_certain"))
		in.Before.Hash = p.plain("before_hash")
		for _, w := range p.rest("state:") {
			name, data, _ := strings.Cut(strings.TrimPrefix(w, "state:"), "=")
			raw, err := base64.RawURLEncoding.DecodeString(data)
			if err != nil {
				p.failf("state of %q: %v", name, err)
			}
			in.States = append(in.States, StateRow{Name: name, Data: raw})
		}
		return in, p.done()
	case "batch":
		in := Batch{}
		in.Bus = site.None
		name := p.bare()
		for i := range s.Buses {
			if s.Buses[i].Name == name {
				in.Bus = i
			}
		}
		if in.Bus == site.None {
			p.failf("there is no bus named %q", name)
		}
		in.Slot, in.Segment = p.uint(p.key("slot"), 64), int(p.uint(p.key("segment"), 16))
		in.Last, in.At = p.bool(p.key("last")), p.stamp(p.key("at"))
		return in, p.done()
	case "tick":
		in := Tick{At: p.stamp(p.key("at"))}
		return in, p.done()
	case "command":
		in := Command{ID: p.bare(), At: p.stamp(p.key("at")), Who: p.key("who"), Why: p.key("why"), From: p.key("from")}
		in.Do = p.do(p.key("do"))
		return in, p.done()
	case "committed":
		in := Committed{Seq: p.uint(p.bare(), 64), At: p.stamp(p.key("at")), Dropped: int(p.uint(p.key("dropped"), 32))}
		return in, p.done()
	case "commit_failed":
		in := CommitFailed{Seq: p.uint(p.bare(), 64), At: p.stamp(p.key("at")), Dropped: int(p.uint(p.key("dropped"), 32)), Why: p.key("why")}
		return in, p.done()
	case "delivered":
		in := Delivered{}
		if err := in.ID.UnmarshalText([]byte(p.bare())); err != nil {
			p.failf("%v", err)
		}
		in.At, in.Recipient, in.Result = p.stamp(p.key("at")), p.plain("recipient"), p.plain("result")
		return in, p.done()
	case "clock":
		in := ClockState{At: p.stamp(p.key("at")), Certain: p.bool(p.key("certain")), Stepped: p.duration(p.key("stepped"))}
		return in, p.done()
	case "stop":
		in := Stop{At: p.stamp(p.key("at"))}
		return in, p.done()
	case "order_done":
		in := OrderDone{}
		in.ID, in.At, in.Panel = p.uint(p.bare(), 64), p.stamp(p.key("at")), int(p.uint(p.key("panel"), 16))
		fault, ok := reading.ParseFault(p.key("fault"))
		if !ok {
			p.failf("fault is not known")
		}
		in.Fault, in.Known, in.ReadBack = fault, p.bool(p.key("known")), uint16(p.uint(p.key("read_back"), 16))
		return in, p.done()
	}
	return nil, fmt.Errorf("%q is not a kind of input", f[0])
}

func (p *parser) do(verb string) Do {
	switch verb {
	case "acknowledge":
		return Acknowledge{p.key("alarm")}
	case "shelve":
		return Shelve{p.key("alarm"), p.duration(p.key("for"))}
	case "out_of_service":
		return OutOfService{p.key("alarm"), p.bool(p.key("out"))}
	case "check_in_hand":
		return CheckInHand{p.key("sensor"), p.key("what"), p.duration(p.key("for")), p.bool(p.key("back"))}
	case "set_on_line":
		return SetOnLine{p.key("panel"), p.bool(p.key("on_line")), p.duration(p.key("for"))}
	case "enter_value":
		d := EnterValue{Point: p.key("point")}
		v, err := strconv.ParseFloat(p.key("value"), 64)
		if err != nil || v != v || v-v != 0 {
			p.failf("value is not a finite number")
		}
		d.Value, d.Unit, d.Basis, d.Taken = v, p.key("unit"), p.key("basis"), p.stamp(p.key("taken")).Wall
		return d
	case "learn_baseline":
		return LearnBaseline{p.key("limit")}
	case "override":
		return Override{p.key("panel"), p.duration(p.key("for"))}
	case "rearm":
		return Rearm{p.key("panel")}
	case "drill":
		return Drill{p.key("recipient")}
	}
	p.failf("%q is not a verb", verb)
	return Acknowledge{}
}

// parser takes the words of a line in order and keeps the first thing that was wrong.
type parser struct {
	words []string
	err   error
}

func (p *parser) failf(format string, args ...any) {
	if p.err == nil {
		p.err = fmt.Errorf(format, args...)
	}
}

func (p *parser) bare() string {
	if len(p.words) == 0 {
		p.failf("the line ends too early")
		return ""
	}
	w := p.words[0]
	p.words = p.words[1:]
	return w
}

func (p *parser) key(name string) string {
	w := p.bare()
	v, ok := strings.CutPrefix(w, name+"=")
	if !ok {
		p.failf("%q: want %s=", w, name)
	}
	return v
}

// plain is a key whose "-" means empty.
func (p *parser) plain(name string) string {
	if v := p.key(name); v != "-" {
		return v
	}
	return ""
}

func (p *parser) after(w, prefix string) string {
	v, ok := strings.CutPrefix(w, prefix)
	if !ok {
		p.failf("%q: want %s", w, prefix)
	}
	return v
}

func (p *parser) rest(prefix string) []string {
	var out []string
	for len(p.words) > 0 && strings.HasPrefix(p.words[0], prefix) {
		out = append(out, p.bare())
	}
	return out
}

func (p *parser) done() error {
	if p.err == nil && len(p.words) > 0 {
		p.failf("%q is more than this line may hold", p.words[0])
	}
	return p.err
}

func (p *parser) uint(s string, bits int) uint64 {
	v, err := strconv.ParseUint(s, 10, bits)
	if err != nil {
		p.failf("%q is not a whole number of at most %d bits", s, bits)
	}
	return v
}

func (p *parser) bool(s string) bool {
	if s != "true" && s != "false" {
		p.failf("%q: want true or false", s)
	}
	return s == "true"
}

func (p *parser) duration(s string) time.Duration {
	d, err := time.ParseDuration(s)
	if err != nil {
		p.failf("%q is not a duration such as 1.5s", s)
	}
	return d
}

func (p *parser) stamp(s string) reading.Stamp {
	st, err := ParseStamp(s)
	if err != nil {
		p.failf("%v", err)
	}
	return st
}

// splitQuoted splits a line at spaces; a part in Go quotes may hold spaces, as a word or after key=.
func splitQuoted(line string) ([]string, error) {
	var out []string
	for rest := strings.TrimSpace(line); rest != ""; rest = strings.TrimLeft(rest, " ") {
		end := strings.IndexAny(rest, " \"")
		if end < 0 {
			return append(out, rest), nil
		}
		if rest[end] == ' ' {
			out, rest = append(out, rest[:end]), rest[end:]
			continue
		}
		quoted, err := strconv.QuotedPrefix(rest[end:])
		if err != nil {
			return nil, fmt.Errorf("%q: a quote is not closed", rest)
		}
		v, err := strconv.Unquote(quoted)
		if err != nil {
			return nil, err
		}
		out, rest = append(out, rest[:end]+v), rest[end+len(quoted):]
	}
	return out, nil
}

// FormatOutcome writes what an input brought about: the same outcome gives the same text. Readings carry as many digits as
// their resolution, because the last bits differ between architectures and nobody reads them.
func FormatOutcome(s *site.Site, o Outcome) string {
	var b strings.Builder
	fmt.Fprintf(&b, "outcome %d at=%s\n", o.Seq, FormatStamp(o.At))
	for _, j := range o.Readings {
		fmt.Fprintf(&b, " reading %s %s\n", s.Points[j.Point].Path, FormatReading(&s.Points[j.Point], j.Reading))
	}
	for i := range o.Events {
		fmt.Fprintf(&b, " event %s\n", FormatEvent(&o.Events[i]))
	}
	for _, r := range o.Replies {
		fmt.Fprintf(&b, " reply %s refusal=%s %s\n", strconv.Quote(r.Command), word(string(r.Refusal)), strconv.Quote(r.Words))
	}
	for _, r := range o.Orders {
		fmt.Fprintf(&b, " order %d bus=%s station=%d %s %d = %d\n", r.ID, busName(s, r.Bus), r.Station, r.Table, r.Addr, r.Value)
	}
	return b.String()
}

// FormatReading writes one reading of a point.
func FormatReading(p *site.Point, r reading.Reading) string {
	if !r.HasValue() {
		return fmt.Sprintf("%s %s", r.Quality(), r.Reason)
	}
	return fmt.Sprintf("%s%s %s %s %s", strings.TrimPrefix(r.Bound.String(), "="), Decimal(r.Value, p.Resolution), p.Unit.Name(), r.Quality(), r.Reason)
}

// Decimal writes a value with the digits its resolution carries.
func Decimal(v, resolution float64) string {
	digits := 0
	for step := resolution; digits < 6 && step > 0 && step < 1-1e-9; step *= 10 {
		digits++
	}
	return strconv.FormatFloat(v, 'f', digits, 64)
}

// FormatEvent writes one event in one line.
func FormatEvent(e *event.Event) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s at=%s priority=%s", e.ID, e.Kind, FormatStamp(e.At), e.Priority)
	put := func(k, v string) {
		if v != "" {
			b.WriteString(" " + k + "=" + word(v))
		}
	}
	put("panel", e.Panel)
	put("alarm", e.Alarm)
	put("point", e.Point)
	put("bus", e.Bus)
	if e.Station != 0 {
		put("station", strconv.Itoa(int(e.Station)))
	}
	if v := e.Value; v != nil {
		if v.Quality == reading.Bad.String() {
			put("value", "none/"+v.Reason)
		} else {
			put("value", strings.TrimPrefix(v.Bound, "=")+strconv.FormatFloat(v.Value, 'f', v.Decimals, 64)+v.Unit+"/"+v.Reason)
		}
	}
	put("cause", e.Cause)
	put("who", e.Who)
	put("why", e.Why)
	if e.Count != 0 {
		put("count", strconv.Itoa(e.Count))
	}
	if e.Trust.Valve != "" {
		put("valve", e.Trust.Valve)
		put("doubt", e.Trust.Reason)
	}
	if x := e.Excursion; x != nil {
		put("excursion", x.ID)
		put("start", FormatStamp(x.Start))
		if !x.Open {
			put("end", FormatStamp(x.End))
		}
		put("peak", strings.TrimPrefix(x.PeakBound, "=")+strconv.FormatFloat(x.Peak, 'f', x.Decimals, 64)+x.Unit)
		put("beyond", x.Beyond.String())
		put("within", x.Within.String())
		put("unknown", x.UnknownTime.String())
		put("suspended", x.Suspended.String())
		put("integral", strconv.FormatFloat(x.Integral, 'f', 4, 64))
	}
	return b.String()
}
