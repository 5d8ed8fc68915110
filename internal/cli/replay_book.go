package cli

import (
	"bufio"
	"cmp"
	"context"
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/history"
	"rillwatch/internal/logbook"
	"rillwatch/internal/panel/decode"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// backtest judges what a logbook holds by a configuration, as if it had been read now.
type backtest struct {
	s   *site.Site
	out *bufio.Writer

	points map[string]int // measured points of the configuration by path
	boots  []logbook.BootRow
	e      *engine.Engine
	boot   uint32
	last   reading.Stamp // of the last input
	before engine.Before
	due    []round // what is not yet judged, by bus

	readings, differ int
	left             map[string]string // points that cannot be judged, and why
	raised           map[string]int
	records          map[string]event.Excursion // the latest record of each, by ID
	order            []string                   // their IDs, in order
}

// round is what one bus yielded in one slot.
type round struct {
	any   bool
	slot  uint64
	first time.Duration // Up of its first reading
	last  reading.Stamp
	reads []reading.Read
	then  map[int]reading.Reason // by point, as judged then
}

func newBacktest(s *site.Site, boots []logbook.BootRow, out io.Writer) *backtest {
	b := &backtest{s: s, out: bufio.NewWriter(out), points: map[string]int{}, boots: boots, due: make([]round, len(s.Buses)),
		left: map[string]string{}, raised: map[string]int{}, records: map[string]event.Excursion{}}
	for i := range s.Points {
		if !s.Points[i].Derived() {
			b.points[s.Points[i].Path] = i
		}
	}
	return b
}

// take puts one recorded reading into its round. The words of the wire come from the dictionary of then, so that a map that was wrong is put right.
func (b *backtest) take(r *logbook.Recorded) error {
	i, ok := b.points[r.Path]
	if !ok {
		b.left[r.Path] = "not in the configuration"
		return nil
	}
	if b.e == nil || r.Boot != b.boot {
		if err := b.start(r); err != nil {
			return err
		}
	}
	p := &b.s.Points[i]
	d := site.Decode{}
	d.Type, _ = site.ParseType(r.Entry.Type) // of an unknown one there are no words
	d.Order, _ = site.ParseOrder(r.Entry.Order)
	words := decode.Words(d, r.Raw)
	if len(words) != p.Decode.Type.Words() {
		b.left[r.Path] = fmt.Sprintf("recorded as %s, which is not as long as %s", r.Entry.Type, p.Decode.Type)
		return nil
	}
	sensor := &b.s.Sensors[p.Sensor]
	at := reading.Stamp{Wall: r.At, Up: r.Up}
	if err := b.judgeBefore(sensor.Bus, r); err != nil {
		return err
	}
	k := &b.due[sensor.Bus]
	if !k.any {
		*k = round{any: true, slot: r.Slot, first: r.Up, then: map[int]reading.Reason{}}
	}
	read := reading.Read{Station: sensor.Station, Table: p.Table, Addr: p.Addr, Count: uint16(len(words)), Fault: r.Fault, Sent: at}
	if r.Fault == reading.Answered {
		read.Words = words
	}
	k.reads, k.last, k.then[i] = append(k.reads, read), at, r.Reason
	return nil
}

// judgeBefore judges the rounds that are whole when a reading of a bus comes: that of its own slot before, and of others what a period lies behind.
func (b *backtest) judgeBefore(bus int, r *logbook.Recorded) error {
	var ready []int
	for i := range b.due {
		k := &b.due[i]
		if k.any && (i == bus && k.slot != r.Slot || i != bus && r.Up-k.first >= b.s.Buses[i].Period) {
			ready = append(ready, i)
		}
	}
	return b.judge(ready)
}

func (b *backtest) judge(buses []int) error {
	slices.SortStableFunc(buses, func(x, y int) int { return cmp.Compare(b.due[x].last.Up, b.due[y].last.Up) })
	for _, i := range buses {
		k := b.due[i]
		b.due[i] = round{}
		b.ticks(k.last)
		reads := distinct(k.reads)
		o := b.e.Step(engine.Batch{Batch: reading.Batch{Bus: i, Slot: k.slot, Last: true, At: k.last, Reads: reads}})
		for _, j := range o.Readings {
			if then, ok := k.then[j.Point]; ok {
				b.readings++
				if then != j.Reading.Reason {
					b.differ++
				}
			}
		}
		if err := b.tell(o); err != nil {
			return err
		}
	}
	return nil
}

// distinct leaves out what another request covers: points that share a register were read once.
func distinct(reads []reading.Read) []reading.Read {
	slices.SortStableFunc(reads, func(x, y reading.Read) int { return cmp.Compare(y.Count, x.Count) })
	var kept []reading.Read
	for _, r := range reads {
		if !slices.ContainsFunc(kept, func(k reading.Read) bool {
			return k.Station == r.Station && k.Table == r.Table && k.Addr <= r.Addr && int(r.Addr)+int(r.Count) <= int(k.Addr)+int(k.Count)
		}) {
			kept = append(kept, r)
		}
	}
	return kept
}

// ticks gives the seconds up to a moment: what must happen in silence happened then too.
func (b *backtest) ticks(to reading.Stamp) {
	for up := (b.last.Up/time.Second + 1) * time.Second; up < to.Up; up += time.Second {
		at := reading.Stamp{Wall: to.Wall - reading.Wall(to.Up-up), Up: up}
		_ = b.tell(b.e.Step(engine.Tick{At: at})) // an error of the writer stays and comes with the next round
	}
	if to.Up > b.last.Up {
		b.last = to
	}
}

// start begins a start of the daemon where the recorded one began, with the judge state of the one before.
func (b *backtest) start(r *logbook.Recorded) error {
	if err := b.rest(); err != nil {
		return err
	}
	in := engine.Boot{Nonce: fmt.Sprintf("%08x", r.Boot), At: reading.Stamp{Wall: r.At, Up: r.Up}, WallCertain: r.Certain, Hash: b.s.Hash, Before: b.before}
	for _, row := range b.boots {
		if row.Ordinal == r.Boot {
			in.Nonce = row.Nonce
		}
	}
	if b.e != nil {
		in.States = b.e.States()
	}
	b.e, b.boot, b.last = engine.New(b.s), r.Boot, in.At
	b.before = engine.Before{Nonce: in.Nonce, WallCertain: r.Certain, Hash: b.s.Hash}
	return b.tell(b.e.Step(in))
}

// rest judges what is left of a start.
func (b *backtest) rest() error {
	var all []int
	for i := range b.due {
		if b.due[i].any {
			all = append(all, i)
		}
	}
	err := b.judge(all)
	b.before.Last = b.last.Wall
	return err
}

// tell prints the events and keeps the records.
func (b *backtest) tell(o engine.Outcome) error {
	for i := range o.Events {
		ev := &o.Events[i]
		if ev.Kind == event.AlarmRaised {
			b.raised[ev.Alarm]++
		}
		if _, err := fmt.Fprintln(b.out, engine.FormatEvent(ev)); err != nil {
			return err
		}
	}
	for _, x := range o.Records {
		if _, known := b.records[x.ID]; !known {
			b.order = append(b.order, x.ID)
		}
		b.records[x.ID] = x
	}
	return nil
}

// end prints what it comes to: each alarm with how often it was raised then, and each excursion.
func (b *backtest) end(then map[string]int) error {
	fmt.Fprintf(b.out, "\n%s judged; of %d the reason is another than then\n", count(b.readings, "reading", "readings"), b.differ)
	for _, path := range slices.Sorted(maps.Keys(b.left)) {
		fmt.Fprintf(b.out, "left out: %s: %s\n", path, b.left[path])
	}
	names := map[string]bool{}
	for n := range b.raised {
		names[n] = true
	}
	for n := range then {
		names[n] = true
	}
	if len(names) == 0 {
		fmt.Fprintln(b.out, "no limit would have raised an alarm")
	}
	for _, n := range slices.Sorted(maps.Keys(names)) {
		fmt.Fprintf(b.out, "%s: would have been raised %s; was raised %s then\n", n, count(b.raised[n], "time", "times"), count(then[n], "time", "times"))
	}
	open := map[string]bool{}
	for _, p := range b.e.View().Panels {
		for _, x := range p.Excursions { // their records are of the moment they were raised
			b.records[x.ID], open[x.ID] = x, true
		}
	}
	for _, id := range b.order {
		x := b.records[id]
		worst := "highest"
		if x.Limit.Side == site.Low.String() {
			worst = "lowest"
		}
		still := ""
		if open[id] {
			still = ", still open at the end"
		}
		fmt.Fprintf(b.out, "  %s from %s: beyond for %s, unknown for %s, %s %.*f %s%s\n", x.Alarm, x.Start.Wall.Time().Format(time.RFC3339), x.Beyond.Truncate(time.Second),
			x.UnknownTime.Truncate(time.Second), worst, x.Decimals, x.Peak, x.Unit, still)
	}
	return b.out.Flush()
}

// replayBook runs the recorded readings of a span through a configuration.
func replayBook(ctx context.Context, book *logbook.Book, s *site.Site, in history.Span, out, talk io.Writer) error {
	boots, err := book.Boots()
	if err != nil {
		return err
	}
	b := newBacktest(s, boots, out)
	var told time.Time
	err = book.Scan(ctx, logbook.Query{From: in.From, To: in.To}, func(r logbook.Recorded) error {
		if now := time.Now(); b.readings > 0 && now.Sub(told) >= meterEvery {
			told = now
			fmt.Fprintf(talk, "%d readings, at %s\n", b.readings, r.At.Time().Format(time.RFC3339))
		}
		return b.take(&r)
	})
	if err != nil {
		return broken(err)
	}
	if b.e == nil {
		return fmt.Errorf("nothing is recorded in this range")
	}
	if err := b.rest(); err != nil {
		return err
	}
	then, err := raisedThen(book, in)
	if err != nil {
		return err
	}
	return b.end(then)
}

// raisedThen counts the alarms of limits that the logbook has on record.
func raisedThen(book *logbook.Book, in history.Span) (map[string]int, error) {
	then := map[string]int{}
	for after := (event.ID{}); ; {
		page, err := book.Events(after, logbook.PageMax)
		if err != nil {
			return nil, err
		}
		if len(page) == 0 {
			return then, nil
		}
		for i := range page {
			at := page[i].At.Wall.Time()
			if page[i].Kind == event.AlarmRaised && !at.Before(in.From) && (in.To.IsZero() || at.Before(in.To)) {
				then[page[i].Alarm]++
			}
		}
		after = page[len(page)-1].ID
	}
}
