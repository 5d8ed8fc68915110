package history

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/reading"
)

var now = time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)

func TestAMomentIsSaidExactlyOrNotAtAll(t *testing.T) {
	for _, c := range []struct {
		text string
		want string // RFC 3339; "begin"; empty: refused
	}{
		{"now", "2026-11-25T10:00:00Z"}, {"begin", "begin"}, {"2h", "2026-11-25T08:00:00Z"}, {"90m", "2026-11-25T08:30:00Z"}, {"7d", "2026-11-18T10:00:00Z"}, {"0s", "2026-11-25T10:00:00Z"},
		{"2026-11-25T08:00:00Z", "2026-11-25T08:00:00Z"}, {"2026-11-25T09:00:00+01:00", "2026-11-25T08:00:00Z"}, {"2026-11-25T08:00:00.5Z", "2026-11-25T08:00:00.5Z"},
		{"2026-11-25", ""}, {"2026-11-25T08:00:00", ""}, {"yesterday", ""}, {"-2h", ""}, {"", ""}, {"d", ""}, {"-1d", ""}, {"1.5d", ""}, {"99999999999d", ""}, {"200000d", ""},
		{"1969-12-31T23:59:59Z", ""}, {"9999-01-01T00:00:00Z", ""},
	} {
		got, err := ParseTime(c.text, now)
		said := got.UTC().Format(time.RFC3339Nano)
		switch {
		case err != nil:
			said = ""
		case got.IsZero():
			said = "begin"
		}
		if said != c.want {
			t.Errorf("%q: %q (%v), want %q", c.text, said, err, c.want)
		}
	}
}

func TestAWrongQuestionNamesItsPart(t *testing.T) {
	for part, words := range map[string]map[string]string{
		"from":   {"from": "tomorrow"},
		"to":     {"to": "begin"},
		"every":  {"every": "minute"},
		"format": {"format": "xml"},
		"points": {"points": "b2,,b3"},
	} {
		_, err := ParseAsk(words, now)
		if w := (*Wrong)(nil); !errors.As(err, &w) || w.Part != part {
			t.Errorf("%v: %v, want a wrong %s", words, err, part)
		}
	}
	for _, words := range []map[string]string{{"from": "1h", "to": "2h"}, {"from": "1h", "to": "1h"}, {"points": "b2.["}, {"points": strings.Repeat("a.b,", 100) + "a.b"}} {
		if _, err := ParseAsk(words, now); err == nil {
			t.Errorf("%v is taken", words)
		}
	}
	a, err := ParseAsk(map[string]string{}, now)
	if err != nil || a.Format != JSON || a.Hourly || !a.Span.From.Equal(now.Add(-time.Hour)) || !a.Span.To.Equal(now) {
		t.Errorf("without a word: %+v, %v, want the last hour, raw, as JSON", a, err)
	}
}

func TestAPatternNamesAPanelAPathOrMany(t *testing.T) {
	all := []Series{{"b2.rack.oxygen", "q", "u"}, {"b2.rack.flow", "q", "u"}, {"b21.rack.oxygen", "q", "u"}, {"site.deaerator.pressure", "q", "u"}}
	for pattern, want := range map[string][]string{
		"b2":                  {"b2.rack.flow", "b2.rack.oxygen"},
		"b2.rack.oxygen":      {"b2.rack.oxygen"},
		"*.oxygen":            {"b2.rack.oxygen", "b21.rack.oxygen"},
		"b2*":                 {"b2.rack.flow", "b2.rack.oxygen", "b21.rack.oxygen"},
		"b2.rack.*,site":      {"b2.rack.flow", "b2.rack.oxygen", "site.deaerator.pressure"},
		"site.deaerator.p???": nil, "b3": nil, "b2,nothing": nil,
	} {
		got, err := choose(all, strings.Split(pattern, ","))
		if d := cmp.Diff(want, pathsOf(got)); d != "" || (err == nil) != (want != nil) {
			t.Errorf("%s: %v %s", pattern, err, d)
		}
	}
}

// shelf is a source that holds rows, in the order in which they are given.
func shelf(rows []Row) Source {
	return Source{
		Series: func() ([]Series, error) {
			var all []Series
			seen := map[Series]bool{}
			for _, r := range rows {
				if s := (Series{r.Path, r.Quantity, r.Unit}); !seen[s] {
					seen[s] = true
					all = append(all, s)
				}
			}
			return all, nil
		},
		Readings: func(_ context.Context, in Span, paths []string, fn func(Row) error) error {
			for _, r := range rows {
				wanted := false
				for _, p := range paths {
					wanted = wanted || p == r.Path
				}
				if !wanted || !in.From.IsZero() && r.At.Time().Before(in.From) || !in.To.IsZero() && !r.At.Time().Before(in.To) {
					continue
				}
				if err := fn(r); err != nil {
					return err
				}
			}
			return nil
		},
		Gaps: func(context.Context, Span) ([]Gap, error) { return nil, nil },
	}
}

func answer(t *testing.T, src Source, words map[string]string) (string, Told) {
	t.Helper()
	a, err := ParseAsk(words, now)
	if err != nil {
		t.Fatal(err)
	}
	p, err := Prepare(t.Context(), src, a)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	told, err := p.Write(t.Context(), &out, time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	return out.String(), told
}

func oxygen(at time.Duration, v float64, unit string, why reading.Reason) Row {
	return Row{Path: "b2.rack.oxygen", Quantity: "dissolved-oxygen", Unit: unit, Resolution: 0.1, Boot: 1, At: reading.WallOf(now.Add(at)), Certain: true, Value: v, Reason: why, Why: why.String(), Fault: "answered"}
}

// TestOpenMetricsHoldsOnlyWhatWasBelievedAndNoTimeTwice: OpenMetrics 1.0 has no word for a missing value and wants rising times in a series. What
// was recorded in another unit before a map changed belongs to the same family.
func TestOpenMetricsHoldsOnlyWhatWasBelievedAndNoTimeTwice(t *testing.T) {
	got, told := answer(t, shelf([]Row{
		oxygen(-10*time.Second, 0.006, "ppm", reading.Believed), oxygen(-9*time.Second, 6, "ppb", reading.NoFlow), oxygen(-8*time.Second, 7, "ppb", reading.Believed),
		oxygen(-9*time.Second, 8, "ppb", reading.Believed), // the clock went back
		oxygen(-7*time.Second, 0, "ppb", reading.Silent), oxygen(-6*time.Second, 500, "ppb", reading.AboveCeiling),
		oxygen(-5*time.Second, 5, "furlong", reading.Believed),
	}), map[string]string{"format": OpenMetrics})
	want := `# TYPE rillwatch_dissolved_oxygen_ppb gauge
# HELP rillwatch_dissolved_oxygen_ppb Recorded values of dissolved-oxygen in ppb.
rillwatch_dissolved_oxygen_ppb{panel="b2",point="rack.oxygen"} 6 1795600790.000
rillwatch_dissolved_oxygen_ppb{panel="b2",point="rack.oxygen"} 7 1795600792.000
rillwatch_dissolved_oxygen_ppb{panel="b2",point="rack.oxygen"} 500 1795600794.000
# EOF
`
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if told != (Told{Rows: 3, LeftOut: 1}) {
		t.Errorf("told %+v", told)
	}
}

// TestABadReadingHasNoValueAndAnUnknownReasonKeepsItsName: also in what is written of the past.
func TestABadReadingHasNoValueAndAnUnknownReasonKeepsItsName(t *testing.T) {
	odd := oxygen(-2*time.Second, 0, "ppb", reading.Unknown)
	odd.Why = "a_reason_to_come"
	src := shelf([]Row{oxygen(-3*time.Second, 9, "ppb", reading.Silent), odd})
	for format, want := range map[string]string{
		CSV: "at,panel,point,quantity,value,unit,bound,quality,reason,counts,in_metrics,fault,clock_certain,start\r\n" +
			"2026-11-25T09:59:57.000Z,b2,rack.oxygen,dissolved-oxygen,,ppb,,bad,silent,false,false,answered,true,1\r\n" +
			"2026-11-25T09:59:58.000Z,b2,rack.oxygen,dissolved-oxygen,,ppb,,bad,a_reason_to_come,false,false,answered,true,1\r\n",
		Text: "From 2026-11-25 09:00:00 to 2026-11-25 10:00:00, times in UTC.\n\n" +
			"2026-11-25 09:59:57   b2.rack.oxygen  no value: the sensor does not answer\n" +
			"2026-11-25 09:59:58   b2.rack.oxygen  no value: a_reason_to_come\n",
		OpenMetrics: "# TYPE rillwatch_dissolved_oxygen_ppb gauge\n# HELP rillwatch_dissolved_oxygen_ppb Recorded values of dissolved-oxygen in ppb.\n# EOF\n",
	} {
		if got, _ := answer(t, src, map[string]string{"format": format}); got != want {
			t.Errorf("%s:\n%s", format, cmp.Diff(want, got))
		}
	}
}

// TestAnAnswerHoldsNoMoreThanAPage: what is written leaves while the logbook is still being read.
func TestAnAnswerHoldsNoMoreThanAPage(t *testing.T) {
	const rows = 100_000
	given, most := 0, 0
	var w lag
	src := Source{Series: func() ([]Series, error) { return []Series{{"b2.rack.oxygen", "dissolved-oxygen", "ppb"}}, nil },
		Gaps: func(context.Context, Span) ([]Gap, error) { return nil, nil },
		Readings: func(_ context.Context, _ Span, _ []string, fn func(Row) error) error {
			for i := range rows {
				given++
				if err := fn(oxygen(time.Duration(i-rows)*time.Millisecond, 7, "ppb", reading.Believed)); err != nil {
					return err
				}
				most = max(most, given-w.lines)
			}
			return nil
		}}
	a, err := ParseAsk(map[string]string{"format": JSONLines}, now)
	if err != nil {
		t.Fatal(err)
	}
	p, err := Prepare(t.Context(), src, a)
	if err != nil {
		t.Fatal(err)
	}
	if _, err = p.Write(t.Context(), &w, time.UTC); err != nil || w.lines != rows || most > 300 {
		t.Errorf("%v: %d lines written, at most %d of them held; want %d, and less than 300 (32 kB of 130 bytes)", err, w.lines, most, rows)
	}
	gone := errors.New("gone")
	given = 0
	w = lag{fails: gone}
	if _, err = p.Write(t.Context(), &w, time.UTC); !errors.Is(err, gone) || given > 400 {
		t.Errorf("a reader that went away: %v after %d readings, want its error within a page", err, given)
	}
}

type lag struct {
	lines int
	fails error
}

func (l *lag) Write(b []byte) (int, error) {
	if l.fails != nil {
		return 0, l.fails
	}
	l.lines += bytes.Count(b, []byte("\n"))
	return len(b), nil
}
