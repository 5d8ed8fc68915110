package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"rillwatch/internal/config"
	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/logbook"
	"rillwatch/internal/notify"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

const onePanel = `
[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.panel-net]
link = "tcp://127.0.0.1:502"
direct = true
[map.rack.point]
oxygen = { holding = 40001, type = "uint16", scale = 0.1, quantity = "dissolved-oxygen", unit = "ppb" }
[panel.b2]
title = "Boiler 2 feedwater"
sensor.rack = { map = "rack", bus = "panel-net", station = 1 }
[panel.b2.limit.oxygen-high]
point = "rack.oxygen"
high = "20 ppb"
on_delay = "3s"
source = { document = "Larkfield feedwater specification", edition = "rev 3", band = "20 to 40 bar", tap = "unknown" }
[recipient.on-call]
url = "http://127.0.0.1:1/hook"
secret_file = "/nowhere/secret"
[logbook]
dir = "/nowhere"
flush = "10s"
`

func testSite(t *testing.T) *site.Site {
	t.Helper()
	s, _, err := config.Parse("test.toml", []byte(onePanel))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// bench is the loop over a disk that does as it is told, in a bubble whose time is made.
type bench struct {
	t       *testing.T
	l       *loop
	start   time.Time
	mu      sync.Mutex       // the writer's goroutine and the test's
	commits []logbook.Commit // that succeeded
	tries   int
	done    chan struct{}
	slot    uint64
}

// newBench starts the loop over disk, which gets each commit and says whether it stands.
func newBench(t *testing.T, disk func(try int, c logbook.Commit) error, supervisor ...func(string)) *bench {
	return newBeatingBench(t, disk, nil, supervisor...)
}

// newBeatingBench is newBench with somebody who hears the heartbeats.
func newBeatingBench(t *testing.T, disk func(try int, c logbook.Commit) error, beat func(reading.Stamp, func() notify.Beat), supervisor ...func(string)) *bench {
	b := &bench{t: t, start: time.Now(), done: make(chan struct{})}
	s := testSite(t)
	now := func() reading.Stamp {
		return reading.Stamp{Wall: reading.WallOf(time.Date(2026, 11, 25, 2, 0, 0, 0, time.UTC).Add(time.Since(b.start))), Up: time.Since(b.start)}
	}
	b.l = newLoop(Config{Site: s, Version: "test", Log: slog.New(slog.DiscardHandler)}, nil, now, "4f2a91c0")
	b.l.outbox = newOutbox(&shelf{}, now, b.l.c.Log)
	b.l.beat = beat
	for _, f := range supervisor {
		b.l.c.Notify = f
	}
	b.l.commit = func(c logbook.Commit) error {
		b.tries++
		if err := disk(b.tries, c); err != nil {
			return err
		}
		b.mu.Lock()
		defer b.mu.Unlock()
		b.commits = append(b.commits, c)
		return nil
	}
	b.l.keeper = newClock(logbook.Restored{}, nil)
	b.l.keeper.look(now(), false)
	b.l.start(booted(s, logbook.Restored{}, "4f2a91c0", now(), b.l.keeper))
	go func() {
		defer close(b.done)
		b.l.run()
	}()
	return b
}

// flood sends so many rounds at once.
func (b *bench) flood(rounds int) {
	at := b.l.now()
	for range rounds {
		b.send(at, 120)
	}
	synctest.Wait()
}

// send is one round, in which the register of the oxygen holds a word.
func (b *bench) send(at reading.Stamp, oxygen uint16) {
	b.slot++
	b.l.batches <- reading.Batch{Slot: b.slot, Last: true, At: at, Reads: []reading.Read{
		{Station: 1, Table: reading.Holding, Addr: 0, Count: 1, Words: []uint16{oxygen}, Fault: reading.Answered, Sent: at}}}
}

// takeAll takes every message that waits for a recipient, and gives their ids.
func (b *bench) takeAll(recipient string) (told []string) {
	b.t.Helper()
	for {
		item, ok, err := first(b.l.outbox, recipient)
		if err != nil {
			b.t.Fatal(err)
		}
		if !ok {
			return told
		}
		told = append(told, item.ID)
		if err := b.l.outbox.End(recipient, []uint64{item.Key}, notify.Delivered, b.l.now(), ""); err != nil {
			b.t.Fatal(err)
		}
	}
}

// poll sends one round a second for a while.
func (b *bench) poll(d time.Duration, oxygen uint16) {
	for ; d > 0; d -= time.Second {
		<-time.After(time.Second) // the clock of the bubble, which costs nothing
		b.send(b.l.now(), oxygen)
	}
	synctest.Wait()
}

func (b *bench) stop() {
	close(b.l.batches)
	<-b.done
	b.l.stopWriter()
	synctest.Wait()
}

// onDisk is what was committed so far.
func (b *bench) onDisk() []logbook.Commit {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.commits)
}

func (b *bench) kinds() []string {
	var out []string
	for _, c := range b.onDisk() {
		for _, e := range c.Events {
			out = append(out, e.Kind.String())
		}
	}
	return out
}

func TestEventsAreCommittedAtOnceAndSamplesWaitForTheFlush(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, func(int, logbook.Commit) error { return nil })
		b.poll(9*time.Second, 120)
		if n := len(b.onDisk()); n != 1 {
			t.Fatalf("after 9 s %d commits, want only the boot's", n)
		}
		b.poll(30*time.Second, 120)
		if n := len(b.onDisk()); n < 4 || n > 5 {
			t.Errorf("after 39 s %d commits, want the boot's and one every 10 s", n)
		}
		before := len(b.onDisk())
		b.poll(4*time.Second, 310) // beyond for 3 s: raised
		last := b.onDisk()[len(b.onDisk())-1]
		if len(b.onDisk()) == before || !slices.ContainsFunc(last.Events, func(e event.Event) bool { return e.Kind == event.AlarmRaised }) {
			t.Fatalf("the raised alarm is not on disk at once: %v", b.kinds())
		}
		if len(last.Outbox) != 1 || last.Outbox[0].ID != last.Events[0].ID || len(last.Excursions) != 1 || len(last.States) == 0 {
			t.Errorf("the commit of the alarm holds %d messages, %d excursions, %d state rows: want them in one transaction", len(last.Outbox), len(last.Excursions), len(last.States))
		}
		b.stop()
		if k := b.kinds(); k[len(k)-1] != "daemon.stopped" {
			t.Errorf("the last event on disk is %s", k[len(k)-1])
		}
		samples := 0
		for _, c := range b.onDisk() {
			samples += len(c.Samples)
		}
		if samples != int(b.slot) {
			t.Errorf("%d samples on disk, %d rounds were made", samples, b.slot)
		}
	})
}

func TestACommandIsAnsweredOnlyWhenItIsOnDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hold := make(chan struct{})
		b := newBench(t, func(_ int, c logbook.Commit) error {
			if slices.ContainsFunc(c.Events, func(e event.Event) bool { return e.Kind == event.AlarmAcknowledged }) {
				<-hold
			}
			return nil
		})
		b.poll(5*time.Second, 310)
		answered := make(chan engine.Reply, 1)
		go func() {
			r, err := b.l.ask(t.Context(), engine.Command{ID: "c1", Who: "Kim", From: "api", At: b.l.now(), Do: engine.Acknowledge{Alarm: "b2.oxygen-high"}})
			if err != nil {
				t.Error(err)
			}
			answered <- r
		}()
		b.poll(20*time.Second, 310) // judging goes on meanwhile
		select {
		case r := <-answered:
			t.Fatalf("answered before it was on disk: %+v", r)
		default:
		}
		close(hold)
		synctest.Wait()
		if r := <-answered; r.Refusal != engine.NotRefused {
			t.Errorf("refused: %+v", r)
		}
		b.stop()
	})
}

func TestAnAskerWhoGivesUpIsToldSoAndTheDaemonGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		broken := errors.New("input/output error")
		b := newBench(t, func(try int, _ logbook.Commit) error {
			if try > 1 && try < 20 {
				return broken
			}
			return nil
		})
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		if _, err := b.l.ask(ctx, engine.Command{ID: "c1", Who: "Kim", At: b.l.now(), Do: engine.Acknowledge{Alarm: "b2.oxygen-high"}}); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("got %v", err)
		}
		b.poll(40*time.Second, 120)
		b.stop()
		if !slices.Contains(b.kinds(), "daemon.stopped") {
			t.Error("the daemon did not go on")
		}
	})
}

func TestAFailingDiskLosesNoEventAndTheSameCommitIsTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var tried []logbook.Commit
		full := errors.New("no space left on device")
		b := newBench(t, func(try int, c logbook.Commit) error {
			if try > 1 && try <= 31 {
				tried = append(tried, c)
				return full
			}
			return nil
		})
		b.poll(5*time.Second, 310)
		b.poll(60*time.Second, 120)
		b.stop()
		for i := range tried {
			if tried[i].Through != tried[0].Through || fmt.Sprint(tried[i].Events) != fmt.Sprint(tried[0].Events) {
				t.Fatalf("try %d is another commit than the first", i+1)
			}
		}
		want := []string{"daemon.started", "alarm.raised", "logbook.failing", "logbook.back", "daemon.stopped"}
		if got := b.kinds(); !slices.Equal(got, want) {
			t.Errorf("events on disk %v, want %v", got, want)
		}
		samples := 0
		seq := uint64(0)
		for _, c := range b.onDisk() {
			samples += len(c.Samples)
			if c.Through <= seq {
				t.Errorf("commit through %d after %d", c.Through, seq)
			}
			seq = c.Through
		}
		if samples != int(b.slot) {
			t.Errorf("%d samples on disk, %d rounds were made", samples, b.slot)
		}
	})
}

func TestADiskThatHangsDelaysNoRoundAndTheStopEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		never := make(chan struct{})
		b := newBench(t, func(try int, _ logbook.Commit) error {
			if try > 1 {
				<-never
			}
			return nil
		})
		begin := time.Now()
		b.poll(120*time.Second, 310)
		if took := time.Since(begin); took != 120*time.Second {
			t.Errorf("120 rounds took %s: the loop waited for the disk", took)
		}
		if v := b.l.view.Load(); v.Judged != 120 || v.Panels[0].Points[0].Reading.Value != 31 {
			t.Errorf("judged %d rounds, oxygen %v", v.Judged, v.Panels[0].Points[0].Reading)
		}
		begin = time.Now()
		close(b.l.batches)
		<-b.done
		if took := time.Since(begin); took > lastCommitWait+time.Second {
			t.Errorf("the stop took %s", took)
		}
		close(never)
		b.l.stopWriter()
		synctest.Wait()
	})
}

func TestSamplesBeyondTheBoundAreDroppedOldestFirstAndTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hold := make(chan struct{})
		b := newBench(t, func(try int, _ logbook.Commit) error {
			if try == 2 {
				<-hold
				return errors.New("input/output error")
			}
			return nil
		})
		// the first flush hangs with its samples; then more than the bound comes
		b.poll(11*time.Second, 120)
		const rounds = pendingMax + 500
		b.flood(rounds)
		close(hold)
		b.poll(15*time.Second, 120)
		b.stop()
		if lost := b.l.lost.Load(); lost < 500 || lost > 600 {
			t.Errorf("%d samples dropped, want the 500 beyond the bound and few more", lost)
		}
		told := 0
		for _, c := range b.onDisk() {
			for _, e := range c.Events {
				if e.Kind == event.ReadingsDropped {
					told += e.Count
				}
			}
		}
		if told < 500 {
			t.Errorf("told of %d dropped samples", told)
		}
		kept := 0
		for _, c := range b.onDisk() {
			kept += len(c.Samples)
		}
		if kept+int(b.l.lost.Load()) != int(b.slot) {
			t.Errorf("%d kept and %d dropped of %d", kept, b.l.lost.Load(), b.slot)
		}
	})
}

// TestWhatASlowDiskCostIsToldToo: the disk does not fail, it only hangs for longer than the bound lasts.
func TestWhatASlowDiskCostIsToldToo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hold := make(chan struct{})
		b := newBench(t, func(try int, _ logbook.Commit) error {
			if try == 2 {
				<-hold
			}
			return nil
		})
		b.poll(11*time.Second, 120)
		at := b.l.now()
		for range pendingMax + 500 {
			b.slot++
			b.l.batches <- reading.Batch{Slot: b.slot, Last: true, At: at, Reads: []reading.Read{
				{Station: 1, Table: reading.Holding, Addr: 0, Count: 1, Words: []uint16{120}, Fault: reading.Answered, Sent: at}}}
		}
		synctest.Wait()
		close(hold)
		b.poll(15*time.Second, 120)
		b.stop()
		told := 0
		for _, c := range b.onDisk() {
			for _, e := range c.Events {
				if e.Kind == event.ReadingsDropped {
					told += e.Count
				}
			}
		}
		if lost := int(b.l.lost.Load()); lost < 500 || told != lost {
			t.Errorf("%d samples dropped, told of %d", lost, told)
		}
	})
}

func TestTheWatchdogIsFedBetweenRoundsAndStarvesWhenABusStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		fed := 0
		b := newBench(t, func(int, logbook.Commit) error { return nil }, func(string) { mu.Lock(); fed++; mu.Unlock() })
		count := func() int { mu.Lock(); defer mu.Unlock(); return fed }
		b.poll(10*time.Second, 120)
		if count() < 10 {
			t.Errorf("fed %d times in ten rounds", count())
		}
		<-time.After(30 * time.Second) // no round any more: twice the period and 5 s later nobody may be told that all is well
		synctest.Wait()
		was := count()
		<-time.After(30 * time.Second)
		synctest.Wait()
		if count() != was {
			t.Error("fed although nothing goes through judgement")
		}
		b.stop()
	})
}

func TestNothingIsSaidAfterTheLastWord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, func(try int, _ logbook.Commit) error {
			if try > 2 {
				<-time.After(2500 * time.Millisecond) // a slow disk at the end: two ticks go by
			}
			return nil
		})
		b.poll(12*time.Second, 120)
		b.stop()
		if k := b.kinds(); k[len(k)-1] != "daemon.stopped" {
			t.Errorf("after the last word: %v", k)
		}
	})
}

func TestAClockThatStepsIsNoticed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, func(int, logbook.Commit) error { return nil })
		b.poll(3*time.Second, 120)
		b.stop()
		if slices.Contains(b.kinds(), "clock.stepped") {
			t.Error("a step was seen where there was none")
		}
	})
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, func(int, logbook.Commit) error { return nil })
		b.poll(3*time.Second, 120)
		steady := b.l.now
		close(b.l.batches)
		<-b.done
		b.l.now = func() reading.Stamp { s := steady(); s.Wall += reading.Wall(time.Hour); return s }
		b.l.tick()
		found := slices.ContainsFunc(b.l.pending.Events, func(e event.Event) bool { return e.Kind == event.ClockStepped && e.Lasted == time.Hour })
		if !found {
			t.Error("a step of an hour was not noticed")
		}
		b.l.stopWriter()
	})
}

func TestSecretsAreRefusedByNameAndNeverPrinted(t *testing.T) {
	s := testSite(t)
	c := Config{Site: s}
	_, _, err := c.secrets()
	if !errors.Is(err, ErrConfig) || !strings.Contains(err.Error(), "recipient on-call") {
		t.Errorf("a missing secret file: %v", err)
	}
}
