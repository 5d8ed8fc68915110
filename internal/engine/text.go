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
		if in.Doubt != "" {
			b.WriteString(" doubt=" + word(in.Doubt))
		}
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
		if in.Held {
			b.WriteString(" held=true")
		}
	case CommitFailed:
		fmt.Fprintf(&b, "commit_failed %d at=%s dropped=%d why=%s", in.Seq, FormatStamp(in.At), in.Dropped, strconv.Quote(in.Why))
	case Delivered:
		fmt.Fprintf(&b, "delivered %s at=%s recipient=%s result=%s", word(in.ID.String()), FormatStamp(in.At), word(in.Recipient), word(in.Result))
	case ClockState:
		fmt.Fprintf(&b, "clock at=%s certain=%t stepped=%s", FormatStamp(in.At), in.Certain, in.Stepped)
		if in.Why != "" {
			b.WriteString(" why=" + word(in.Why))
		}
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
	case Unshelve:
		return "alarm=" + q(d.Alarm)
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
	case ValveByHand:
		return "panel=" + q(d.Panel)
	case Prove:
		f := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
		return "point=" + q(d.Point) + " shown=" + f(d.Shown) + " step=" + f(d.Step) + " tolerance=" + f(d.Tolerance)
	case Drill:
		return "recipient=" + q(d.Recipient)
	}
	return ""
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
	if e.ClockUncertain {
		put("clock", "uncertain")
	}
	put("was", e.Was)
	put("is", e.Is)
	put("cause", e.Cause)
	if f := e.FirstOut; f != nil {
		put("first_out", f.Cause)
		put("readings", f.Boot+"/"+f.From.String()+".."+f.To.String())
	}
	put("who", e.Who)
	put("why", e.Why)
	put("points", strings.Join(e.Points, ","))
	if e.Count != 0 {
		put("count", strconv.Itoa(e.Count))
	}
	if e.Nth != 0 {
		put("nth", strconv.Itoa(e.Nth))
	}
	put("root", e.Root)
	put("to", e.To)
	if e.Trust.Valve != "" {
		put("valve", e.Trust.Valve)
		put("doubt", e.Trust.Reason)
		put("request", e.Trust.Request)
		put("held", e.Trust.HeldCause)
	}
	put("override_by", e.Trust.OverrideBy)
	quietText(put, e)
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
