package notify

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// desk plays a recipient that answers at once: what arrives is decided by next alone, second by second.
type desk struct {
	p    pace
	ws   []waiting
	q    site.QuietHours
	zone *time.Location
	at   reading.Stamp
	keys uint64
	born map[uint64]time.Duration
	log  []string                 // "+12s 3" or "+12s flood 4,5,6"
	went map[uint64]time.Duration // when each message left, alone or in a summary
}

func newDesk(t *testing.T, from string) *desk {
	t.Helper()
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	return &desk{zone: zone, at: at(from, time.Hour), born: map[uint64]time.Duration{}, went: map[uint64]time.Duration{}}
}

func (d *desk) put(p site.Priority, root string) {
	d.keys++
	d.born[d.keys] = d.at.Up
	d.ws = append(d.ws, waiting{key: d.keys, id: fmt.Sprint(d.keys), priority: p, root: root, seen: d.at.Up})
}

var holdNames = [...]string{"free", "quiet", "cause", "flood", "late"}

// work sends what may go now.
func (d *desk) work() {
	for {
		s := d.p.next(d.at, true, d.ws, d.q, d.zone)
		said := fmt.Sprintf("+%s ", d.at.Up-time.Hour)
		gone := map[int]bool{}
		switch {
		case len(s.sum) > 0:
			said += holdNames[s.why]
			for _, i := range s.sum {
				said += fmt.Sprintf(" %d", d.ws[i].key)
				gone[i] = true
			}
		case s.send >= 0:
			said += fmt.Sprint(d.ws[s.send].key)
			gone[s.send] = true
			s.why = d.ws[s.send].held
		default:
			return
		}
		d.log = append(d.log, said)
		d.p.went(d.at.Up, s.why)
		var left []waiting
		for i, w := range d.ws {
			if gone[i] {
				d.went[w.key] = d.at.Up
			} else {
				left = append(left, w)
			}
		}
		d.ws = left
	}
}

func (d *desk) pass(span time.Duration) {
	for ; span > 0; span -= time.Second {
		d.at.Up += time.Second
		d.at.Wall += reading.Wall(time.Second)
		d.work()
	}
}

func (d *desk) want(t *testing.T, lines ...string) {
	t.Helper()
	if fmt.Sprint(d.log) != fmt.Sprint(lines) {
		t.Errorf("got\n%q\nwant\n%q", d.log, lines)
	}
}

func TestMoreThanTenInTenMinutesComeAsOneSummaryAndUrgentOnesAtOnce(t *testing.T) {
	d := newDesk(t, "2026-11-25T10:00:00Z")
	for range 10 { // ten in five minutes are no flood
		d.put(site.MediumPriority, "")
		d.work()
		d.pass(30 * time.Second)
	}
	if len(d.log) != 10 {
		t.Fatalf("%q", d.log)
	}
	d.log = nil
	d.put(site.MediumPriority, "") // the eleventh begins one, and says so at once
	d.put(site.LowPriority, "")
	d.work()
	d.pass(time.Minute)
	d.put(site.MediumPriority, "")
	d.pass(time.Minute)
	d.put(site.HighPriority, "")
	d.put(site.TopPriority, "")
	d.put(site.MediumPriority, "")
	d.work()
	d.pass(30 * time.Minute)
	d.put(site.MediumPriority, "") // the flood is over
	d.work()
	d.want(t, "+5m0s flood 11 12", "+7m0s 14", "+7m0s 15", "+15m0s flood 13 16", "+37m0s 17")
}

func TestWhatIsLowWaitsForTheMorningAndIsToldOnce(t *testing.T) {
	d := newDesk(t, "2026-11-25T21:59:00Z")
	d.q = site.QuietHours{Configured: true, From: 22 * time.Hour, To: 6 * time.Hour, Least: site.LowPriority}
	d.put(site.LowPriority, "")
	d.work()
	d.pass(2 * time.Minute)
	d.put(site.LowPriority, "")
	d.put(site.MediumPriority, "")
	d.put(site.HighPriority, "")
	d.work()
	d.pass(3 * time.Hour)
	d.put(site.LowPriority, "")
	d.pass(5 * time.Hour)
	d.want(t, "+0s 1", "+2m0s 3", "+2m0s 4", "+8h1m0s quiet 2 5")

	one := newDesk(t, "2026-11-25T23:00:00Z") // one alone is itself, in the morning
	one.q = d.q
	one.put(site.LowPriority, "")
	one.pass(8 * time.Hour)
	one.want(t, "+7h0m0s 1")
	one.log = nil
	one.put(site.LowPriority, "")
	if s := one.p.next(one.at, false, one.ws, one.q, one.zone); s.send != 0 {
		t.Errorf("by a clock nobody trusts a night was kept: %+v", s)
	}
}

// TestTheNightGoesByTheClockOnTheWall: on the night on which summer time ends it is an hour longer, on the other an hour shorter; an hour that comes
// twice, or never, keeps nothing back for a day.
func TestTheNightGoesByTheClockOnTheWall(t *testing.T) {
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	night := site.QuietHours{Configured: true, From: 22 * time.Hour, To: 6 * time.Hour}
	odd := site.QuietHours{Configured: true, From: 22 * time.Hour, To: 90 * time.Minute} // 01:30, which comes twice in October and never in March
	day := site.QuietHours{Configured: true, From: 12 * time.Hour, To: 13 * time.Hour}
	for _, c := range []struct {
		q    site.QuietHours
		at   string
		want string // the end; empty: not quiet
	}{
		{night, "2026-11-25T21:59:59Z", ""}, {night, "2026-11-25T22:00:00Z", "2026-11-26T06:00:00Z"}, {night, "2026-11-26T05:59:59Z", "2026-11-26T06:00:00Z"}, {night, "2026-11-26T06:00:00Z", ""},
		{night, "2026-10-24T21:30:00Z", "2026-10-25T06:00:00Z"},                    // 22:30 BST to 06:00 GMT: eight and a half hours
		{night, "2026-03-28T22:30:00Z", "2026-03-29T05:00:00Z"},                    // 22:30 GMT to 06:00 BST
		{odd, "2026-10-25T00:10:00Z", "2026-10-25T00:30:00Z|2026-10-25T01:30:00Z"}, // 01:10 BST; which of the two ends, no library promises
		{odd, "2026-10-25T01:10:00Z", "2026-10-25T01:11:00Z|2026-10-25T01:30:00Z"}, // 01:10 GMT, the hour once more: looked at again every minute, or its end
		{odd, "2026-10-25T01:30:00Z", ""},                                          // 01:30 GMT
		{odd, "2026-03-29T00:59:00Z", "2026-03-29T01:30:00Z"},                      // an end that does not come: half an hour after it should
		{odd, "2026-03-29T01:00:00Z", ""},                                          // 02:00 BST
		{day, "2026-11-25T11:59:59Z", ""}, {day, "2026-11-25T12:30:00Z", "2026-11-25T13:00:00Z"}, {day, "2026-11-25T13:00:00Z", ""},
		{site.QuietHours{}, "2026-11-25T23:00:00Z", ""},
	} {
		quiet, ends := quietAt(c.q, at(c.at, 0).Wall, zone)
		got := ""
		if quiet {
			got = ends.Time().UTC().Format(time.RFC3339)
		}
		if !slices.Contains(strings.Split(c.want, "|"), got) {
			t.Errorf("%s with %v: ends %q, want %q", c.at, c.q, got, c.want)
		}
	}
}

func TestAfterAnOutageOneSummaryComesAndNotAHundredCalls(t *testing.T) {
	d := newDesk(t, "2026-11-25T10:00:00Z")
	for i := range 100 {
		d.put([]site.Priority{site.TopPriority, site.HighPriority, site.MediumPriority, site.LowPriority}[i%4], "")
		d.at.Up += 10 * time.Second
		d.at.Wall += reading.Wall(10 * time.Second)
	}
	d.put(site.HighPriority, "")
	d.work()
	if len(d.log) > 40 || len(d.log) < 2 || d.log[len(d.log)-1] == "" {
		t.Errorf("%d messages came: %q", len(d.log), d.log)
	}
	if len(d.ws) != 0 && d.ws[0].urgent() {
		t.Errorf("an urgent one waits: %+v", d.ws[0])
	}
	three := newDesk(t, "2026-11-25T10:00:00Z") // three late ones are told as they are: each bears its time
	for range 3 {
		three.put(site.MediumPriority, "")
	}
	three.at.Up += time.Hour
	three.work()
	three.want(t, "+1h0m0s 1", "+1h0m0s 2", "+1h0m0s 3")
}

func TestOneCauseIsToldTogether(t *testing.T) {
	d := newDesk(t, "2026-11-25T10:00:00Z")
	d.put(site.HighPriority, "") // the connection
	d.work()
	d.pass(8 * time.Second)
	for range 3 {
		d.put(site.HighPriority, "a-1") // three panels without a temperature
		d.pass(time.Second)
	}
	d.put(site.MediumPriority, "a-1")
	d.put(site.TopPriority, "a-1") // never waits
	d.pass(2 * time.Minute)
	d.want(t, "+0s 1", "+12s 6", "+18s cause 2 3 4 5")
}

// TestNothingUrgentIsEverDelayedByMoreThanTenSecondsUnderSeeds: whatever comes, whenever, with any quiet hours and any flood. And everything is told.
func TestNothingUrgentIsEverDelayedByMoreThanTenSecondsUnderSeeds(t *testing.T) {
	for seed := range uint64(40) {
		r := rand.New(rand.NewPCG(seed, 3))
		d := newDesk(t, []string{"2026-11-25T21:30:00Z", "2026-10-24T23:00:00Z", "2026-03-29T00:00:00Z"}[r.IntN(3)])
		if r.IntN(2) == 0 {
			d.q = site.QuietHours{Configured: true, From: 22 * time.Hour, To: time.Duration(r.IntN(12)) * 30 * time.Minute, Least: site.LowPriority - site.Priority(r.IntN(2))}
		}
		prio := map[uint64]site.Priority{}
		for range 3600 * 2 {
			if r.IntN(20+r.IntN(400)) == 0 {
				p := site.Priority(r.IntN(4))
				d.put(p, []string{"", "", "a-1", "a-2"}[r.IntN(4)])
				prio[d.keys] = p
			}
			d.pass(time.Second)
		}
		d.pass(9 * time.Hour)
		if len(d.ws) != 0 {
			t.Fatalf("seed %d: %d messages wait for ever: %+v", seed, len(d.ws), d.ws[0])
		}
		for key, born := range d.born {
			if late := d.went[key] - born; late > 10*time.Second+time.Second && prio[key] <= site.HighPriority || late > time.Second && prio[key] == site.TopPriority {
				t.Fatalf("seed %d: message %d of %s priority came after %s", seed, key, prio[key], late)
			}
		}
	}
}
