package app

import (
	"errors"
	"fmt"
	"hash/fnv"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/logbook"
	"rillwatch/internal/notify"
	"rillwatch/internal/reading"
)

const (
	// pendingMax is how many samples may wait for a disk that does not follow: an hour of 55 points at 1 Hz, about 16 MB. Beyond it the
	// oldest are dropped and the gap is told; events are never dropped.
	pendingMax = 200_000
	// commitRetry is the pause after a commit that failed.
	commitRetry = time.Second
	// stallTold is how long a commit may be under way before the disk counts as failing: as long as an event waits for it.
	stallTold = 10 * time.Second
	// stepTold is how far the wall clock must move against the steady one between two ticks to count as a step.
	stepTold = 500 * time.Millisecond
	// lastCommitWait bounds the wait for the disk at the end: a stop must end, and what is not committed is read again from the sensors.
	lastCommitWait = 3 * time.Second
)

// loop is the goroutine that owns the engine. It never waits for the disk: one commit is in flight, and what comes meanwhile makes
// the next one larger.
type loop struct {
	c       Config
	book    *logbook.Book
	now     func() reading.Stamp
	nonce   string
	engine  *engine.Engine
	view    atomic.Pointer[engine.View]
	batches chan reading.Batch
	asks    chan ask
	orders  *orders
	done    chan reading.OrderResult
	wake    chan struct{} // the outbox has new rows
	outbox  *outbox
	commit  func(logbook.Commit) error // the book's
	commits chan logbook.Commit
	results chan commitResult
	closing sync.Once
	writer  sync.WaitGroup

	seq      uint64
	pending  logbook.Commit // what is not yet handed to the writer
	urgent   bool           // pending holds events, records or replies
	inFlight bool
	armed    time.Duration // Up when the last commit was armed
	handed   time.Duration // Up when it was last handed over
	stalled  bool          // told that the disk does not answer
	full     bool          // the disk had no room for readings; they wait here, and events go without them
	probed   time.Duration // Up when readings were last offered to a full disk
	waiting  []waiting     // replies whose outcome is not yet durable
	untold   []untold      // events with messages that are not yet on disk
	dropped  int           // samples dropped since last told
	lost     atomic.Uint64 // samples dropped since the start
	failures atomic.Uint64
	last     atomic.Pointer[reading.Stamp]
	clock    reading.Stamp // of the last look at it
	keeper   *clock
	ids      atomic.Uint64
	chance   atomic.Uint64
	overdue  bool                                            // a bus yields no rounds
	beat     func(at reading.Stamp, what func() notify.Beat) // takes a sign of life; nil: nobody wants one
}

type ask struct {
	cmd   engine.Command
	reply chan engine.Reply
}

type waiting struct {
	seq   uint64
	reply engine.Reply
	to    chan engine.Reply
}

// untold is an event people are called for, until it is on disk.
type untold struct {
	seq   uint64
	since time.Duration // Up
	event event.Event
	loose bool // handed to the notifier from memory
}

type commitResult struct {
	through uint64
	err     error
}

func newLoop(c Config, book *logbook.Book, now func() reading.Stamp, nonce string) *loop {
	l := &loop{c: c, book: book, now: now, nonce: nonce, engine: engine.New(c.Site),
		batches: make(chan reading.Batch, 4*len(c.Site.Buses)+4), // a burst of every bus's segments; beyond it a bus waits, which delays its round and loses nothing
		asks:    make(chan ask),
		orders:  newOrders(c.Site),
		done:    make(chan reading.OrderResult),
		wake:    make(chan struct{}, 1),
		outbox:  newOutbox(book, now, c.Log),
		commits: make(chan logbook.Commit, 1), results: make(chan commitResult, 1)}
	h := fnv.New64a()
	_, _ = h.Write([]byte(nonce)) // a hash never fails
	l.chance.Store(h.Sum64())
	l.view.Store(l.engine.View())
	return l
}

// begin puts the boot on disk before anything else happens.
func (l *loop) begin(r logbook.Restored) error {
	at := l.now()
	l.keeper = newClock(r, systemClock)
	l.keeper.look(at, false)
	if _, known := systemClock(); !known {
		l.c.Log.Info("the system does not say whether its clock is synchronised; a clock that may be right is believed")
	}
	if err := l.book.Begin(logbook.BootRow{Nonce: l.nonce, WallAtZero: at.Wall - reading.Wall(at.Up), WallCertain: l.keeper.certain, Synced: l.keeper.synced || r.Synced, Hash: l.c.Site.Hash, Version: l.c.Version}, logbook.EntriesOf(l.c.Site)); err != nil {
		return fmt.Errorf("writing the boot into the logbook: %w", err)
	}
	l.commit = l.book.Commit
	l.start(booted(l.c.Site, r, l.nonce, at, l.keeper))
	return nil
}

// start takes the first input and lets commits be made.
func (l *loop) start(b engine.Boot) {
	l.clock = b.At
	l.step(b)
	l.writer.Go(l.write)
}

// write makes commits durable, one at a time, and repeats one that failed until it succeeds or the daemon ends.
func (l *loop) write() {
	for c := range l.commits {
		l.results <- commitResult{c.Through, l.commit(c)}
	}
}

func (l *loop) stopWriter() {
	l.closing.Do(func() { close(l.commits) })
	done := make(chan struct{})
	go func() { l.writer.Wait(); close(done) }()
	for {
		select {
		case <-l.results: // nobody else reads them any more
		case <-done:
			return
		case <-time.After(lastCommitWait):
			return
		}
	}
}

// run takes inputs until the batches end, then makes the last commit.
func (l *loop) run() {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	var current *logbook.Commit // in flight, kept for a retry
	var retry <-chan time.Time
	batches, ticks, asks, done := l.batches, tick.C, l.asks, l.done
	rounds := make([]time.Duration, len(l.c.Site.Buses)) // Up of the last whole round of each bus that went through judgement
	var deadline <-chan time.Time
	for {
		if !l.inFlight && retry == nil && l.due(batches == nil) {
			c := l.arm(batches == nil)
			current = &c
			l.hand(c)
		}
		if batches == nil && !l.inFlight && retry == nil {
			return
		}
		select {
		case b, ok := <-batches:
			if !ok {
				batches, ticks, asks, done = nil, nil, nil, nil // what is said now is said after the end
				l.goodbye()
				deadline = time.After(lastCommitWait)
				continue
			}
			l.watchClock(b.At)
			l.step(engine.Batch{Batch: b})
			if b.Last {
				rounds[b.Bus] = b.At.Up
				l.feedWatchdog(b.At.Up, rounds)
			}
		case <-ticks:
			l.tick()
			l.watchDisk(current)
			l.feedWatchdog(l.now().Up, rounds)
		case r := <-done:
			l.step(engine.OrderDone{OrderResult: r})
		case a := <-asks:
			o := l.step(a.cmd)
			for _, r := range o.Replies {
				l.waiting = append(l.waiting, waiting{o.Seq, r, a.reply})
			}
			l.urgent = true
		case r := <-l.results:
			if r.err != nil {
				l.failures.Add(1)
				l.c.Log.Error("commit failed; it will be tried again", "seq", r.through, "error", r.err)
				l.failed(r.through, r.err.Error())
				if errors.Is(r.err, logbook.ErrFull) && len(current.Samples) > 0 {
					l.setAside(current)
					l.hand(*current)
					continue
				}
				retry = time.After(commitRetry)
				continue
			}
			if len(current.Samples) > 0 {
				l.full = false
			}
			current = nil
			l.inFlight = false
			l.committed(r.through)
		case <-retry:
			retry = nil
			l.hand(*current)
		case <-deadline:
			l.c.Log.Error("the last commit did not end; leaving without it")
			return
		}
	}
}

// due tells whether a commit should be handed over now.
func (l *loop) due(ending bool) bool {
	if l.urgent {
		return true
	}
	if l.full && ending {
		return false // what waits has no room, and nothing else waits
	}
	if len(l.pending.Samples) == 0 && !ending {
		return false
	}
	return ending && len(l.pending.Samples) > 0 || l.now().Up-l.armed >= l.c.Site.Logbook.Flush
}

func (l *loop) arm(ending bool) logbook.Commit {
	c := l.pending
	c.Boot, c.Through, c.At = l.nonce, l.seq, l.now()
	c.WallCertain, c.Synced = l.keeper.certain, l.keeper.synced
	c.States = l.engine.States()
	l.pending, l.urgent, l.inFlight, l.armed = logbook.Commit{}, false, true, c.At.Up
	if l.full {
		if ending || c.At.Up-l.probed < l.c.Site.Logbook.Flush {
			l.pending.Samples, c.Samples = c.Samples, nil
		} else {
			l.probed = c.At.Up // room may have been made
		}
	}
	return c
}

// hand gives a commit to the writer. It never blocks: the writer has room for one and has none.
func (l *loop) hand(c logbook.Commit) {
	l.handed = l.now().Up
	l.commits <- c
}

// failed tells the engine that a commit does not succeed.
func (l *loop) failed(through uint64, why string) {
	dropped := l.dropped
	l.dropped = 0
	l.step(engine.CommitFailed{Seq: through, At: l.now(), Why: why, Dropped: dropped})
}

// setAside takes the readings out of a commit that a full disk refused, so that the rest of it can go into what is kept for events. They
// wait before those that came after them.
func (l *loop) setAside(c *logbook.Commit) {
	l.pending.Samples = append(c.Samples, l.pending.Samples...)
	l.bound()
	c.Samples, l.full, l.probed = nil, true, l.now().Up
}

// watchDisk tells of a disk that does not fail but does not answer either.
func (l *loop) watchDisk(current *logbook.Commit) {
	if !l.inFlight || l.stalled || current == nil || l.now().Up-l.handed < stallTold {
		return
	}
	l.stalled = true
	l.c.Log.Error("the disk does not answer; the commit goes on waiting", "seq", current.Through, "since", stallTold)
	l.failed(current.Through, "no answer from the disk for "+stallTold.String())
}

// bound gives up the oldest readings beyond what may wait.
func (l *loop) bound() {
	if over := len(l.pending.Samples) - pendingMax; over > 0 {
		l.pending.Samples = slices.Delete(l.pending.Samples, 0, over)
		l.dropped += over
		l.lost.Add(uint64(over))
	}
}

// step is the one place where something becomes an outcome and an outcome waits for the disk.
func (l *loop) step(in engine.Input) engine.Outcome {
	o := l.engine.Step(in)
	l.orders.follow(o, l.engine.View()) // before the disk: a closing waits for nothing
	if l.c.Record != nil {
		l.c.Record(in, o)
	}
	l.seq = o.Seq
	l.view.Store(l.engine.View())
	for _, j := range o.Readings {
		if l.c.Site.Points[j.Point].Derived() {
			continue // computed anew from its inputs whenever it is wanted
		}
		l.pending.Samples = append(l.pending.Samples, logbook.Sample{Point: j.Point, Sample: j.Sample, Reason: j.Reading.Reason})
	}
	l.bound()
	for i := range o.Events {
		l.add(&o.Events[i])
	}
	l.pending.Excursions = append(l.pending.Excursions, o.Records...)
	if len(o.Records) > 0 {
		l.urgent = true
	}
	return o
}

func (l *loop) add(e *event.Event) {
	said := []any{"kind", e.Kind.String(), "id", e.ID.String()}
	for _, f := range [...][2]string{{"panel", e.Panel}, {"alarm", e.Alarm}, {"bus", e.Bus}, {"who", e.Who}, {"cause", e.Cause}} {
		if f[1] != "" {
			said = append(said, f[0], f[1])
		}
	}
	l.c.Log.Info("event", said...)
	l.pending.Events = append(l.pending.Events, *e)
	if e.Told() {
		l.untold = append(l.untold, untold{seq: l.seq, since: l.now().Up, event: *e})
	}
	for _, r := range notify.Rows(l.c.Site, e) {
		l.pending.Outbox = append(l.pending.Outbox, logbook.Row{ID: r.ID, Recipient: r.Recipient, Body: r.Body, Created: e.At.Wall})
	}
	l.urgent = true
}

// watchdogLate is how much later than two periods a round may be before the supervisor is no longer told that all is well.
const watchdogLate = 5 * time.Second

// feedWatchdog tells the supervisor that judgement goes on: every bus's last round has gone through it, and none is overdue. It is told
// between rounds too, because a bus may be asked once an hour.
func (l *loop) feedWatchdog(now time.Duration, rounds []time.Duration) {
	for b, at := range rounds {
		if l.overdue = now-at > 2*l.c.Site.Buses[b].Period+watchdogLate; l.overdue {
			return
		}
	}
	l.c.tell("WATCHDOG=1")
}

// tick drives what must happen in silence.
func (l *loop) tick() {
	at := l.now()
	l.watchClock(at)
	l.step(engine.Tick{At: at})
	l.tellAnyway(at)
}

// watchClock notices a wall clock that steps.
func (l *loop) watchClock(at reading.Stamp) {
	by := time.Duration(at.Wall-l.clock.Wall) - (at.Up - l.clock.Up)
	l.clock = at
	stepped := by < -stepTold || by > stepTold
	if !stepped {
		by = 0
	} else {
		l.c.Log.Warn("the wall clock stepped", "by", by)
	}
	if l.keeper.look(at, stepped) || stepped {
		l.step(engine.ClockState{At: at, Certain: l.keeper.certain, Why: l.keeper.why, Stepped: by})
	}
}

// tellAnyway hands over what has waited too long for the disk, marked as not being on it.
func (l *loop) tellAnyway(at reading.Stamp) {
	for i := range l.untold {
		u := &l.untold[i]
		if u.loose || at.Up-u.since < tellAnyway {
			continue
		}
		u.loose = true
		e := u.event
		e.Volatile = true
		for _, r := range notify.Rows(l.c.Site, &e) {
			l.outbox.add(r, e.At.Wall)
		}
		l.c.Log.Warn("the disk would not take an event; it is told from memory", "id", e.ID.String())
		l.wakeNotifier()
	}
}

func (l *loop) wakeNotifier() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

func (l *loop) committed(through uint64) {
	at := l.now()
	l.last.Store(&at)
	dropped := l.dropped
	l.dropped, l.stalled = 0, false
	l.step(engine.Committed{Seq: through, At: at, Dropped: dropped, Held: l.full})
	l.waiting = slices.DeleteFunc(l.waiting, func(w waiting) bool {
		if w.seq > through {
			return false
		}
		w.to <- w.reply // has room: one reply is sent once
		return true
	})
	l.untold = slices.DeleteFunc(l.untold, func(u untold) bool {
		if u.seq > through {
			return false
		}
		if u.loose {
			for i := range l.c.Site.Recipients {
				l.outbox.durable(l.c.Site.Recipients[i].Name, u.event.ID.String())
			}
		}
		return true
	})
	l.wakeNotifier()
	if l.beat != nil && !l.overdue { // the end of the real work: asked, judged, on disk
		l.beat(at, func() notify.Beat { return beatOf(l.c.Site, l.engine.View(), through, at) })
	}
}

// goodbye is the last event of an orderly stop.
func (l *loop) goodbye() {
	at := l.now()
	o := l.engine.Step(engine.Stop{At: at})
	if l.c.Record != nil {
		l.c.Record(engine.Stop{At: at}, o)
	}
	l.seq = o.Seq
	for i := range o.Events {
		l.add(&o.Events[i])
	}
	l.view.Store(l.engine.View())
}
