package engine_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// owedPlant is one panel with three limits of one point, the one furthest out without an on-delay.
func owedPlant() string {
	head, _, _ := strings.Cut(tellingPlant, "[panel.b2]")
	limit := func(name, high, on string) string {
		return "[panel.b1.limit." + name + "]\npoint = \"rack.oxygen\"\nhigh = \"" + high + " ppb\"\non_delay = \"" + on + "\"\noff_delay = \"10s\"\nsource = { document = \"x\", edition = \"1\", band = \"all\", tap = \"unknown\" }\n"
	}
	return head + limit("o20", "20", "10s") + limit("o30", "30", "30s") + limit("o40", "40", "0s") + "[logbook]\ndir = \"/var/lib/rillwatch\"\n"
}

// TestWhatASilenceOrAWorseLimitKeptBackIsToldBeforeItIsOver walks at random through silences and three limits of one point, and then lets the oxygen come
// back from limit to limit with nothing silenced:
//
//   - nothing is kept back as unsteady, and nothing is told as steady again, of which nobody was told that it comes and goes;
//   - nothing is told twice, but where a silence lay between;
//   - an alarm whose silence ended behind a worse limit is told before it is told as returned, once it stands alone;
//   - what is told as returned was told to stand, and was seen to return.
//
// RILLWATCH_SOAK=1 walks a hundred times as far.
func TestWhatASilenceOrAWorseLimitKeptBackIsToldBeforeItIsOver(t *testing.T) {
	seeds := 5
	if os.Getenv("RILLWATCH_SOAK") == "1" {
		seeds = 500
	}
	s := parse(t, owedPlant())
	all := map[string]int{}
	for seed := range seeds {
		w := &owing{name: fmt.Sprintf("seed %d", seed), t: t, alarms: map[string]*owed{}, counts: all}
		st := &story{t: t, s: s, values: map[string]string{}, certain: true, watch: w.look}
		do := func(line string) {
			w.log = append(w.log, line)
			if err := st.line(line); err != nil {
				t.Fatal(err)
			}
		}
		const whole = " rack.temperature=25 rack.flow=200 rack.valve_closed=0 rack.feed_on=1"
		do("start 2026-11-25T02:00:00Z")
		do("120s: rack.oxygen=12" + whole)
		r := rand.New(rand.NewPCG(uint64(seed), 7))
		for range 45 {
			for _, line := range owedMove(r, whole) {
				do(line)
			}
		}
		for _, name := range owedNames {
			do("putback " + name + " by Ann")
		}
		rest := "320s: rack.oxygen=50" // every shelf is over
		for _, name := range owedNames {
			if w.of(name).comesAndGoes {
				rest = "1930s: rack.oxygen=50" // and what was unsteady has rested
			}
		}
		do(rest + whole)
		w.alone = true
		do("120s: rack.oxygen=35")
		do("120s: rack.oxygen=25")
		do("200s: rack.oxygen=12")
		for _, name := range owedNames {
			if w.of(name).stands {
				w.fail("%s still stands", name)
			}
		}
	}
	t.Logf("figure: owed: %d walks: %v", seeds, all)
	for _, what := range []string{"unsteady", "steady", "owed", "made good", "kept back as unsteady"} {
		if all[what] == 0 {
			t.Errorf("the walks show nothing %s", what)
		}
	}
}

var owedNames = []string{"b1.o20", "b1.o30", "b1.o40"}

// owedMove is a move of the plant or of a person.
func owedMove(r *rand.Rand, whole string) []string {
	d := []int{5, 20, 40, 60, 90, 200}[r.IntN(6)]
	name := owedNames[r.IntN(3)]
	one := func(format string, args ...any) []string { return []string{fmt.Sprintf(format, args...)} }
	switch k := r.IntN(20); {
	case k < 9:
		return one("%ds: rack.oxygen=%s", d, []string{"12", "25", "35", "50", "600", "nan", "18", "12"}[r.IntN(8)])
	case k < 11:
		if r.IntN(2) == 0 {
			return one("%ds: rack.valve_closed=1 rack.flow=0", d)
		}
		return one("%ds: rack.valve_closed=0 rack.flow=200", d)
	case k == 11:
		return one("%ds: rack.feed_on=%d", d, r.IntN(2))
	case k == 12:
		return one("shelve %s for %dm by Kim", name, 1+r.IntN(5))
	case k == 13:
		return one("unshelve %s by Kim", name)
	case k == 14:
		return one("takeout %s by Ann", name)
	case k == 15:
		return one("putback %s by Ann", name)
	case k == 16:
		return one("ack %s by Lee", name)
	case k == 17:
		return one("restart %ds", 5+r.IntN(100))
	case k == 18 && r.IntN(2) == 0: // it comes and goes
		var lines []string
		for range 3 {
			lines = append(lines, fmt.Sprintf("%ds: rack.oxygen=50", 5+r.IntN(40)), "15s: rack.oxygen=12")
		}
		return lines
	case k == 18:
		return append(one("%ds: rack.oxygen=silent rack.temperature=silent rack.flow=silent rack.valve_closed=silent rack.feed_on=silent", d),
			fmt.Sprintf("20s: rack.oxygen=%d", 12+r.IntN(40))+whole)
	}
	return one("gap %ds", d)
}

// owed is what people know of an alarm, by the events alone.
type owed struct {
	stands, told bool
	shelved, out bool
	suppressed   bool
	silent       bool // silenced while it stood, since it was last told
	owes         bool // that silence ended, and nobody was told that it stands
	comesAndGoes bool // and people were told so
}

type owing struct {
	t      *testing.T
	name   string
	log    []string
	alarms map[string]*owed
	alone  bool // nothing is silenced, and the limits end one by one
	counts map[string]int
}

func (w *owing) of(name string) *owed {
	if w.alarms[name] == nil {
		w.alarms[name] = &owed{}
	}
	return w.alarms[name]
}

func (w *owing) fail(format string, args ...any) {
	w.t.Helper()
	w.t.Fatalf("%s: %s\nafter\n%s", w.name, fmt.Sprintf(format, args...), strings.Join(w.log[max(0, len(w.log)-40):], "\n"))
}

func (w *owing) look(o engine.Outcome) {
	for i := range o.Events {
		w.take(&o.Events[i])
	}
}

func (w *owing) take(e *event.Event) {
	if !strings.HasPrefix(e.Alarm, "b1.o") || e.Alarm == "b1.open-no-flow" {
		return
	}
	a := w.of(e.Alarm)
	switch e.Kind {
	case event.AlarmShelved:
		a.shelved = true
	case event.AlarmUnshelved:
		a.shelved = false
	case event.AlarmOutOfService:
		a.out = true
	case event.AlarmInService:
		a.out = false
	case event.AlarmSuppressed:
		a.suppressed = true
	case event.AlarmUnsteady:
		if !a.told {
			w.fail("%s is told as unsteady, and nobody was told that it stood", e.Alarm)
		}
		a.comesAndGoes, a.told = true, false
		w.counts["unsteady"]++
	case event.AlarmSteady:
		if !a.comesAndGoes {
			w.fail("%s is steady again, and nobody was told that it was not", e.Alarm)
		}
		a.comesAndGoes = false
		w.counts["steady"]++
	case event.AlarmAcknowledged:
		if a.stands {
			a.told, a.silent, a.owes = true, false, false
		}
	case event.AlarmRaised:
		w.raised(a, e)
	case event.AlarmReturned:
		w.returned(a, e)
	}
	if a.stands && (a.shelved || a.out || a.suppressed) {
		a.silent = true
	}
}

func (w *owing) raised(a *owed, e *event.Event) {
	switch {
	case e.Again == "" && a.stands:
		w.fail("%s begins twice", e.Alarm)
	case e.Again == "":
		a.stands, a.told, a.silent, a.owes = true, false, false, false
	case !a.stands:
		w.fail("%s is told anew and does not stand", e.Alarm)
	}
	if e.Again == event.AgainUnsuppress {
		a.suppressed = false
	}
	switch {
	case e.Told():
		if a.told && !a.silent {
			w.fail("%s is told twice", e.Alarm)
		}
		if a.owes {
			w.counts["made good"]++
		}
		a.told, a.silent, a.owes = true, false, false
	case e.Quiet == event.QuietUnsteady:
		if !a.comesAndGoes {
			w.fail("%s is kept back as unsteady, and nobody was told that it is", e.Alarm)
		}
		w.counts["kept back as unsteady"]++
	case e.Again != "" && e.Quiet == event.QuietBehind && a.told:
		a.owes = true
		w.counts["owed"]++
	}
}

func (w *owing) returned(a *owed, e *event.Event) {
	why, _ := reading.ParseReason(e.Value.Reason)
	switch {
	case !a.stands:
		w.fail("%s ends twice", e.Alarm)
	case !why.Row().Counts:
		w.fail("%s returned on %+v", e.Alarm, e.Value)
	case e.Told() && !a.told:
		w.fail("%s is told as returned, and nobody was told that it stood", e.Alarm)
	case w.alone && (a.owes || !a.told && !a.comesAndGoes):
		w.fail("%s is over, and nobody was told that it stood after its silence", e.Alarm)
	}
	told := a.told && e.Quiet == event.QuietUnsteady // the third return of three is told as unsteady right after
	*a = owed{shelved: a.shelved, out: a.out, comesAndGoes: a.comesAndGoes, told: told}
}
