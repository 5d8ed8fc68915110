package notify

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

var update = flag.Bool("update", false, "write the golden messages anew; then read them as the person who is woken")

// forbidden are what no message may hold, with the reason. They are run over every golden and over random events.
var forbidden = []struct {
	re  *regexp.Regexp
	why string
}{
	{regexp.MustCompile(`(?i)\btripp?(ed|ing)?\b|\block(ed)?[ -]?out\b|\bresets?\b|\bresetting\b`), "words of the burner and the padlock"},
	{regexp.MustCompile(`(?i)\bsafe(ly|ty)?\b|\bprotect(s|ed|ing)\b|\bSIL\b`), "nothing is credited with guarding people"},
	{regexp.MustCompile(`(?i)\bre-?open\b|\bopen the (sample )?valve\b`), "nobody is told to open"},
	{regexp.MustCompile(`(?i)\bregisters?\b|\bcoils?\b|\bholding\b|\bmodbus\b|\bstation\b|\bunit id|\bexception\b|\b0x[0-9a-f]+`), "words of the protocol"},
	{regexp.MustCompile(`(^|[^0-9a-z.-])[1-4]\d{4,5}($|[^0-9-])`), "a register number"},
	{regexp.MustCompile(`\b[a-z0-9_-]+\.[a-z0-9_-]*[a-z][a-z0-9_-]*\.[a-z0-9_-]+`), "a path as a name"},
	{regexp.MustCompile(`%!|\bNaN\b|\bInf\b|<nil>|0x[0-9a-f]|\+Inf|\{|\}`), "a slip of the program"},
	{regexp.MustCompile(`(?i)\bdial tcp|\bEOF\b|errno|: no such|goroutine|invalid character|\bseq \d|\.db\b|context deadline|connection refused|tcp://`), "an error of the program"},
	{regexp.MustCompile(`\d\.\d{7}`), "float dust"},
	{regexp.MustCompile(`\b\d+m\d+s\b|\b\d+h\d+m|\b\d{4,} s\b`), "a duration nobody says"},
	{regexp.MustCompile(`(?i)\b(over_temperature|temperature_lost|not_confirmed|above_ceiling|fault_range|close_above|warn_above|target_silent|no_flow)\b`), "a name of the program"},
	{regexp.MustCompile(`\b1970\b`), "the time of a clock that was never set"},
	{regexp.MustCompile(`  |[^. ]\.\.( |$)| ,| \.( |$)|[^.][.?!][,;]`), "a slip of punctuation"},
}

// hands are the kinds that must say not to open the grab valve and not to remove a sensor.
var hands = map[event.Kind]bool{
	event.AlarmRaised: true, event.SampleWarm: true, event.SampleHot: true, event.SampleHotOver: true, event.TemperatureLost: true, event.TemperatureBack: true,
	event.ValveClosedSeen: true, event.ValveOpenedSeen: true, event.ValveFailedToClose: true, event.ValveNoLongerFailed: true, event.ValveNotConfirmed: true,
	event.OpenNoFlow: true, event.FlowBack: true, event.FlowOutside: true, event.FlowFalling: true, event.NotSettled: true, event.TemperatureFrozen: true, event.CheckOver: true,
	event.ProtectionBlind: true, event.ProtectionBack: true,
	event.SampleRising: true, event.CoolerApproach: true, event.OneTemperatureLost: true, event.FoundClosed: true, event.CannotClose: true, event.OrderTaken: true,
	event.Rearmed: true, event.OverrideStarted: true, event.OverrideEnded: true, event.AskedAgain: true, event.RequestDropped: true,
	event.LimitChanged: true, event.AlarmUnshelved: true, event.AlarmOutOfService: true, event.AlarmUnsteady: true, event.AlarmSteady: true, event.DataTooLittle: true,
	event.AlarmReminder: true, event.AlarmWorse: true, event.AlarmResumed: true,
}

// thermal are the kinds in which the panel's own shut-off must be named as the primary protection.
var thermal = map[event.Kind]bool{
	event.SampleWarm: true, event.SampleHot: true, event.TemperatureLost: true, event.ValveClosedSeen: true, event.ValveFailedToClose: true,
	event.ValveNotConfirmed: true, event.ValveNoLongerFailed: true, event.TemperatureFrozen: true, event.ProtectionBlind: true, event.ProtectionBack: true,
	event.SampleRising: true, event.CoolerApproach: true, event.OneTemperatureLost: true, event.FoundClosed: true, event.CannotClose: true, event.OrderTaken: true,
	event.Rearmed: true, event.OverrideStarted: true, event.OverrideEnded: true, event.AskedAgain: true, event.RequestDropped: true,
}

var (
	priorityFirst = regexp.MustCompile(`^\[(TOP|HIGH|MED|LOW)\] \S`)
	timeOfDay     = regexp.MustCompile(`\d\d:\d\d(:\d\d)?( [^\s,;.]+)?`)
	zoneBeside    = regexp.MustCompile(` ([A-Z]{3,4}|UTC[+-]\d\d(:\d\d)?)$`)
)

// lint gives everything that is wrong with a message.
func lint(e *event.Event, m message) (wrong []string) {
	add := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	all := m.headline + "\n" + m.text
	for _, f := range forbidden {
		for _, line := range strings.Split(all, "\n") {
			if hit := f.re.FindString(line); hit != "" {
				add("%s: %q in %q", f.why, hit, line)
			}
		}
	}
	if n := utf8.RuneCountInString(m.headline); n == 0 || n > 80 {
		add("headline of %d characters: %q", n, m.headline)
	}
	if m.text == "" || strings.Contains(m.text, "no words for") || strings.Contains(m.text, "has no words") {
		add("no words")
	}
	if !priorityFirst.MatchString(m.headline) {
		add("the priority is not first: %q", m.headline)
	}
	if strings.Contains(m.headline, "\n") {
		add("the headline has two lines")
	}
	test := e.Test || e.Kind == event.DrillTold
	if test != strings.Contains(m.headline, "TEST") || test != strings.Contains(m.text, "TEST") || test && !strings.Contains(m.text, "No valve moved") {
		add("TEST is not where it should be: %q", m.headline)
	}
	if re := regexp.MustCompile(`(?i)\bre-?arm`); re.MatchString(all) && !strings.Contains(m.text, "moves nothing") {
		add("re-arming is named, and not that it moves nothing")
	}
	if e.Trust.OverrideBy != "" && !strings.Contains(m.text, "Standing at this panel: an override by") {
		add("the override that stands is not named")
	}
	if e.Trust.Request != "" && strings.Contains(m.text, "only observes") {
		add("a driven panel is told as observed")
	}
	if hands[e.Kind] && !(strings.Contains(m.text, "not open the grab valve") && strings.Contains(m.text, "not remove a sensor")) {
		add("the hands are not warned off")
	}
	if thermal[e.Kind] && !strings.Contains(m.text, "thermal shut-off is the primary protection") {
		add("the thermal shut-off is not named as primary")
	}
	if strings.Contains(m.headline, "returned") && e.Kind != event.AlarmReturned {
		add("%q is not a return", m.headline)
	}
	if !strings.Contains(m.text, "First action:") && e.Kind != event.AlarmAcknowledged && e.Kind != event.AlarmReturned && !strings.Contains(m.text, "First action, as written") {
		add("no first action")
	}
	last := m.text[strings.LastIndex(m.text, "\n")+1:]
	if !strings.HasPrefix(last, "For the record: ") {
		add("ids are not last: %q", last)
	}
	// every time has its zone beside it
	for _, hit := range timeOfDay.FindAllString(all, -1) {
		if !zoneBeside.MatchString(hit) {
			add("a time without its zone: %q", hit)
		}
	}
	return wrong
}

// TestEveryMessageHasBeenRead holds the words to the goldens a person has read, and the goldens to the lint.
func TestEveryMessageHasBeenRead(t *testing.T) {
	kinds := map[event.Kind]bool{}
	want := map[string]bool{}
	for _, c := range tales() {
		name := c.name + ".txt"
		if want[name] {
			t.Fatalf("two messages are called %s", name)
		}
		want[name], kinds[c.e.Kind] = true, true
		if !strings.HasPrefix(name, c.e.Kind.String()+"-") {
			t.Errorf("%s is of the kind %s", name, c.e.Kind)
		}
		at := larkfield(t, c.zone)
		if reminded(c.name) {
			at = reminding(t, c.zone)
		}
		m := compose(at, &c.e)
		got := m.headline + "\n\n" + m.text + "\n"
		file := filepath.Join("testdata", "messages", name)
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		read, err := os.ReadFile(file)
		if err != nil {
			t.Error(err)
			continue
		}
		if string(read) != got {
			t.Errorf("%s reads\n%s\nbut this was read by a person\n%s", name, got, read)
		}
		headline, text, _ := strings.Cut(strings.TrimSuffix(string(read), "\n"), "\n\n")
		for _, w := range lint(&c.e, message{headline: headline, text: text}) {
			t.Errorf("%s: %s", name, w)
		}
	}
	for k := range event.Kind(event.KindCount) {
		if k.Told() && !kinds[k] {
			t.Errorf("no golden of the kind %s", k)
		}
	}
	files, err := os.ReadDir(filepath.Join("testdata", "messages"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !want[f.Name()] {
			t.Errorf("%s belongs to no message", f.Name())
		}
	}
}

// TestLintFindsTheBadMessages: a lint that finds nothing proves nothing. The lines are bad messages of the kind people have been sent.
func TestLintFindsTheBadMessages(t *testing.T) {
	for _, bad := range []string{
		"b2.rack.oxygen is 31.4", "40001 reads 31.4", "holding register 1 of the device", "station 7 is silent", "the sample valve TRIPPED",
		"reset after cooling", "the valve is locked out", "it is safe now", "the panel is protected", "please re-open it", "oxygen NaN ug/L",
		"peak 43.000000000004 ug/L", "dial tcp 10.0.40.21:502: connect: connection refused", "unexpected EOF", "dur 4812 s", "it lasted 1h20m0s",
		"%!d(string=x)", "cause over_temperature", "at 02:10 the oxygen rose", "since 1970", "write logbook.db",
	} {
		e := event.Event{Kind: event.AlarmReturned}
		good := message{headline: "[MED] Boiler 2 feedwater: oxygen returned", text: "Fine.\nFor the record: event a-1."}
		if w := lint(&e, good); len(w) > 0 {
			t.Fatalf("the good message is found wrong: %q", w)
		}
		good.text = bad + ".\n" + good.text
		if len(lint(&e, good)) == 0 {
			t.Errorf("lint lets pass %q", bad)
		}
	}
}

func TestNobodyIsToldThatItReturnedByAReadingThatIsNotBelieved(t *testing.T) {
	for _, why := range []reading.Reason{reading.Silent, reading.NoFlow, reading.ValveClosed, reading.Flushing, reading.HotSample} {
		e := limitEvent(event.AlarmAcknowledged, oxygen(12.1, "=", why), excursion(true), flowing("open"))
		m := compose(larkfield(t, "UTC"), &e)
		if strings.Contains(m.text+m.headline, "12.1") || !strings.Contains(m.text, why.Row().Words) {
			t.Errorf("%s: a reading that is not believed is told as a number, or without its reason:\n%s\n%s", why, m.headline, m.text)
		}
	}
}

// TestTimesOfAReturnAddUp: four times that do not add up make a reader doubt all of them.
func TestTimesOfAReturnAddUp(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 5000 {
		parts := make([]time.Duration, 4)
		for i := range parts {
			if r.IntN(4) > 0 {
				parts[i] = time.Duration(r.Int64N(int64([]time.Duration{time.Minute, time.Hour, 90 * time.Hour}[r.IntN(3)])))
			}
		}
		rounded, whole, step := shares(parts)
		var sum, exact time.Duration
		for i := range rounded {
			sum += rounded[i]
			exact += parts[i]
			if d := rounded[i] - parts[i]; d <= -step || d >= 2*step || rounded[i]%step != 0 {
				t.Fatalf("%v is told as %v", parts[i], rounded[i])
			}
		}
		if sum != whole || (whole-exact).Abs() > step {
			t.Fatalf("%v: the parts add up to %v and are told with %v", parts, sum, whole)
		}
	}
}

func TestDurationsAreSaidInWords(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "none", 300 * time.Millisecond: "less than 1 s", 45 * time.Second: "45 s", 90 * time.Second: "1 min 30 s", 80 * time.Minute: "1 h 20 min",
		24 * time.Hour: "1 d", 49*time.Hour + 40*time.Minute: "2 d 2 h", time.Hour: "1 h", 59*time.Minute + 50*time.Second: "1 h", -time.Second: "none",
	} {
		if got := spell(d); got != want {
			t.Errorf("%v is said %q, want %q", d, got, want)
		}
	}
}

func TestHeadlineKeepsWordsWholeAndTheFactFirst(t *testing.T) {
	title60 := larkfield(t, "UTC").Panels[1].Title
	if n := utf8.RuneCountInString(title60); n != 60 {
		t.Fatalf("the long title has %d characters", n)
	}
	if n := utf8.RuneCountInString(action400); n != 400 {
		t.Fatalf("the long action has %d characters", n)
	}
	for _, title := range []string{title60, "Boiler 2 feedwater", strings.Repeat("x", 200), strings.Repeat("Grundwasserfassung ", 9), "Kessel überströmung Ä", "", "b2"} {
		for _, fact := range []string{"oxygen 31.4 ug/L, limit 20 ug/L", strings.Repeat("wort ", 13) + "ende", "a"} {
			h := headline("[HIGH] ", title, "b2", []string{strings.Repeat("much too long ", 10), fact})
			if n := utf8.RuneCountInString(h); n > 80 || !strings.Contains(h, fact) || !utf8.ValidString(h) {
				t.Errorf("%q (%d)", h, n)
			}
			_, rest, _ := strings.Cut(h, "] ")
			where, _, cut := strings.Cut(rest, ": "+fact)
			for _, w := range strings.Fields(where) {
				if cut && w != "..." && !strings.Contains(" "+title+" ", w) && w != "b2" {
					t.Errorf("%q: %q is a cut word", h, w)
				}
			}
		}
	}
}

// TestWordsHoldForRandomEvents throws everything at the words that the types can hold, and what they should never hold.
func TestWordsHoldForRandomEvents(t *testing.T) {
	var kinds []event.Kind
	for k := range event.Kind(event.KindCount) {
		if k.Told() {
			kinds = append(kinds, k)
		}
	}
	const rounds = 1200 // the race detector makes each cost 15 ms
	r := rand.New(rand.NewPCG(20261025, 7))
	zones := []*site.Site{larkfield(t, "Europe/London"), larkfield(t, "America/New_York"), larkfield(t, "America/Sao_Paulo"), larkfield(t, "Asia/Kathmandu")}
	zones[3].Messages.Reminders = usualReminders
	zones[1].Recipients, zones[2].Panels[0].Title = zones[1].Recipients[:1], "b2"
	longest := 0
	for i := range rounds {
		s := zones[r.IntN(len(zones))]
		e := randomEvent(r, kinds[r.IntN(len(kinds))])
		m := compose(s, sober(&e, clips[0]))
		if w := lint(&e, m); len(w) > 0 {
			t.Fatalf("event %d, %s: %s\n%s\n\n%s", i, e.Kind, strings.Join(w, "\n"), m.headline, m.text)
		}
		rows := Rows(s, &e)
		if len(rows) != len(s.Recipients) || len(rows[0].Body) > bodyMax {
			t.Fatalf("event %d, %s: %d rows, %d bytes", i, e.Kind, len(rows), len(rows[0].Body))
		}
		longest = max(longest, len(rows[0].Body))
		var back map[string]any
		if err := json.Unmarshal(rows[0].Body, &back); err != nil {
			t.Fatalf("event %d: %v", i, err)
		}
	}
	t.Logf("%d random events read; the longest body has %d bytes", rounds, longest)
}

func randomEvent(r *rand.Rand, k event.Kind) event.Event {
	pick := func(s ...string) string { return s[r.IntN(len(s))] }
	number := func() float64 {
		return []float64{0, 31.4, -0.04, 20, 1e-9, 1e300, -12.5, 500, 43.000000000004, 123456789012, math.NaN(), math.Inf(1), math.Inf(-1), r.Float64() * 1000}[r.IntN(14)]
	}
	stamp := func() reading.Stamp {
		return []reading.Stamp{{}, night, ago(time.Duration(r.Int64N(int64(48 * time.Hour)))), at("1970-01-01T00:01:00Z", time.Minute), at("2026-10-25T00:30:00Z", 0), at("2026-10-25T01:30:00Z", 0)}[r.IntN(6)]
	}
	span := func() time.Duration {
		return []time.Duration{0, time.Second, 59999 * time.Millisecond, 80 * time.Minute, 400 * time.Hour, -time.Second}[r.IntN(6)]
	}
	value := func() *event.Value {
		if r.IntN(6) == 0 {
			return nil
		}
		why := reading.Reason(r.IntN(reading.ReasonCount))
		unit, path := "ppb", "b2.rack.oxygen"
		if r.IntN(3) == 0 {
			unit, path = pick("degC", "degF", "K"), "b2.rack.temperature"
		}
		return &event.Value{Point: path, Value: number(), Unit: unit, Decimals: r.IntN(9) - 1, Bound: pick("=", "<", ">", ""), Quality: why.Quality().String(), Reason: pick(why.String(), why.String(), ""), At: stamp()}
	}
	limit := func() *event.LimitValue {
		if r.IntN(6) == 0 {
			return nil
		}
		return &event.LimitValue{Judges: pick("", "", "rise", "fall", "above_normal", "below_normal", "nonsense"), Window: pick("", "", "20m0s", "x"), Cause: pick("", "the deaerator loses steam."), Consequence: pick("", "pitting"),
			Normal: map[string]*event.Normal{"": nil, "n": {Value: number(), Scatter: number(), Distance: pick("50 %", ""), Who: pick("Kim", ""), Bound: pick("a", "b") == "a"}}[pick("", "n")], Applies: map[string][]string{"": nil, "on": {"on-line", "start-up"}}[pick("", "on")],
			Name: pick("oxygen-high", "close_above", "warn_above", "rise_per_min", "approach_above"), Side: pick("high", "low", ""), Value: number(), Written: number(), Unit: pick("ppb", "degC", "pH", "bar(a)", "ratio", ""),
			Deadband: number(), OffDelay: pick("5m0s", "", "soon"), Basis: pick("", "SO3"), Source: site.Source{Document: pick("", "Larkfield specification"), Edition: pick("", "rev 3"), Band: pick("", "20 to 40 bar"), Tap: pick("", "into-storage")},
			Action: pick("", "look at the deaerator", action400, "call the chemist!")}
	}
	excursion := func() *event.Excursion {
		if r.IntN(4) == 0 {
			return nil
		}
		x := &event.Excursion{ID: "7c1e0a55-1", Unit: pick("ppb", "pH", "mg/L"), Decimals: r.IntN(5), Start: stamp(), End: stamp(), Peak: number(), PeakBound: pick("=", "<", ">"), PeakAt: stamp(), Beyond: span(), Within: span(),
			UnknownTime: span(), Suspended: span(), LengthUnknown: r.IntN(3) == 0, Integral: number(), IntegralLow: r.IntN(2) == 0, Mean: number(), Open: r.IntN(2) == 0,
			UpperKnown: r.IntN(2) == 0, IntegralUpper: number(), ValidKnown: r.IntN(2) == 0, Valid: number(), LongestGap: span(), MoreLinks: r.IntN(3),
			Links: []event.Link{{What: pick(event.LinkCheck, event.LinkOffLine, "gone"), From: stamp().Wall, To: stamp().Wall, Who: pick("", "J. Marsh")}}}
		if l := limit(); l != nil {
			x.Limit = *l
		}
		return x
	}
	return event.Event{ID: event.ID{Boot: "7c1e0a55", Seq: r.Uint64N(9999)}, Kind: k, At: stamp(), Priority: site.Priority(r.IntN(5)), Panel: pick("", "b2", "b3", "gone"),
		Point: pick("", "b2.rack.oxygen", "b2.rack.ph", "b2.rack.temperature", "gone.rack.chlorine", "b2.rack", "b2.rack, b3.probe"), Bus: pick("", "panel-net", "gone-net", "a-connection-name-that-is-far-longer-than-anybody-would-ever-write-down-1"),
		Station: uint8(r.IntN(9)), Alarm: pick("", "b2.oxygen-high", "b2.sample-hot", "b2.a-limit-with-a-name-that-does-not-fit-into-any-headline-of-eighty"),
		Who: pick("", "J. Marsh", "the shift leader of the boiler house on nights", strings.Repeat("ä", 100)), Why: pick("", "on my way", "two\nlines\x00and more"),
		Value: value(), LastGood: value(), Beside: value(), Rate: number(), Limit: limit(), Excursion: excursion(), Lasted: span(), Highest: number(), Count: r.IntN(30) - 1, Nth: r.IntN(4), Root: pick("", "7c1e0a55-3"), Raised: pick("", "7c1e0a55-3"),
		Trust: event.Trust{FlowKnown: r.IntN(2) == 0, Flow: number(), TempKnown: r.IntN(2) == 0, Temp: number(), TempUnit: pick("degC", "degF", ""), Valve: pick("open", "closed", "not_confirmed", "from flow", ""),
			Reason: pick("", reading.Reason(r.IntN(reading.ReasonCount)).String()), FlushedML: number(), OwedML: number(), Silenced: pick("", "sensor check by J. Marsh until the morning"),
			Request: pick("", "none", "asked", "taken", "failing", "suspended"), HeldCause: pick("", "over_temperature", "temperature_lost", "found_closed"),
			OverrideBy: pick("", "", "J. Marsh", strings.Repeat("ä", 100)), OverrideWhy: pick("", "a job"), OverrideUntil: stamp().Wall, OverrideLeft: span(),
			Silences: []event.Silence{{Alarm: pick("b2.oxygen-high", "x"), State: pick("shelved", "out_of_service"), Who: pick("", "J. Marsh"), Why: pick("", "two\nlines"), Since: stamp().Wall, Until: stamp().Wall, Left: span()}}},
		Again: pick("", event.AgainShelfOver, event.AgainCauseOver, "gone"), Held: r.IntN(4) - 1, Readings: r.IntN(30) - 1,
		Was: pick("", "off line", "zero check in nitrogen", "two\nlines\x00"), Is: pick("", "off line", "on line", "in alarm", "stands"),
		Cause: pick("", "signal", "by panel", "by hand", "not known", "leak", "over_temperature", "temperature_lost", "open /x: no space left on device", "restart", "time", "read_back_differs", "not_read_back", reading.Fault(r.IntN(reading.FaultCount)).String()), Test: r.IntN(5) == 0}
}
