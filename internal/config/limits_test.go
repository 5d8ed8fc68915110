package config

import (
	"bytes"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/site"
)

// limitOnly replaces the side of the one limit of the plain file.
func limitOnly(t *testing.T, keys ...string) string {
	t.Helper()
	return change(t, `high   = "20 ppb"`, strings.Join(keys, "\n"))
}

// sulfiteLimit makes it one of sulfite.
func sulfiteLimit(t *testing.T, keys ...string) string {
	t.Helper()
	return strings.Replace(limitOnly(t, append(keys, `basis = "Na2SO3"`)...), `point  = "rack.oxygen"`, `point  = "rack.sulfite"`, 1)
}

func TestMistakesInWhatALimitJudgesAreToldWithTheirPlace(t *testing.T) {
	for _, g := range []struct {
		name string
		text string
		want string
	}{
		{"a rate without a time", limitOnly(t, `rises = "10 ppb"`),
			`plain.toml:36:9: panel.b2.limit.oxygen-high.rises: "10 ppb" does not say in what time (write a speed above 0 in quotes, such as rises = "10 ppb/h", or /min)`},
		{"a rate that is a number", limitOnly(t, `rises = 10`),
			`plain.toml:36:9: panel.b2.limit.oxygen-high.rises: must be a text in quotes, and is a number (write a speed above 0 in quotes, such as rises = "10 ppb/h", or /min)`},
		{"a rate below nought", limitOnly(t, `falls = "-10 ppb/h"`),
			`plain.toml:36:9: panel.b2.limit.oxygen-high.falls: "-10 ppb/h" is no speed (write a speed above 0 in quotes, such as falls = "10 ppb/h", or /min)`},
		{"a rate of another quantity", limitOnly(t, `rises = "10 degC/h"`),
			`plain.toml:36:9: panel.b2.limit.oxygen-high.rises: "10 degC": unit of another quantity: "degC" is of temperature, not of dissolved-oxygen; dissolved-oxygen takes ppb, ug/L, ug/kg, ppm, mg/L, mg/kg (write a speed above 0 in quotes, such as rises = "10 ppb/h", or /min)`},
		{"a window that holds too few readings", strings.Replace(limitOnly(t, `rises = "10 ppb/h"`, `window = "1m"`), `period = "1s", refresh = "2s"`, `period = "4s", refresh = "4s"`, 1),
			`plain.toml:37:10: panel.b2.limit.oxygen-high.window: in a window of 1m the sensor, read every 4s, gives fewer than 20 readings (write a longer window)`},
		{"a window that is too long", limitOnly(t, `rises = "10 ppb/h"`, `window = "48h"`),
			`plain.toml:37:10: panel.b2.limit.oxygen-high.window: 48h is outside 1m to 24h (write a number and ms, s, m or h in quotes, such as "90s", from 1m to 24h)`},
		{"a window for a value", limitOnly(t, `high = "20 ppb"`, `window = "1h"`),
			`plain.toml:37:1: panel.b2.limit.oxygen-high.window: is for a limit of a rate (leave it out, or write rises or falls)`},
		{"a deadband for a rate", limitOnly(t, `rises = "10 ppb/h"`, `deadband = 1`),
			`plain.toml:37:1: panel.b2.limit.oxygen-high.deadband: is not for a limit of a rate (leave it out; it is a fifth of the limit)`},
		{"two sides that are rates", limitOnly(t, `rises = "10 ppb/h"`, `falls = "10 ppb/h"`),
			`plain.toml:37:1: panel.b2.limit.oxygen-high.falls: is a second side besides rises (write one limit for each side)`},
		{"a normal without a ceiling", limitOnly(t, `above_normal = "50 %"`),
			`plain.toml:34:17: panel.b2.limit.oxygen-high.high: is missing (write high = "10 uS/cm" too: the ceiling that applies whatever was learned, and alone until something is)`},
		{"a normal with the wrong bound", limitOnly(t, `above_normal = "50 %"`, `low = 3`),
			`plain.toml:37:1: panel.b2.limit.oxygen-high.low: does not go with above_normal (write the ceiling as high)`},
		{"a normal below with a ceiling", limitOnly(t, `below_normal = "50 %"`, `high = 30`),
			`plain.toml:37:1: panel.b2.limit.oxygen-high.high: does not go with below_normal (write the floor as low, or leave it out)`},
		{"both sides of a normal", limitOnly(t, `above_normal = "50 %"`, `below_normal = "50 %"`, `high = 30`),
			`plain.toml:37:1: panel.b2.limit.oxygen-high.below_normal: is a second side besides above_normal (write one limit for each side)`},
		{"all of a normal", limitOnly(t, `below_normal = "100 %"`, `low = 3`),
			`plain.toml:36:16: panel.b2.limit.oxygen-high.below_normal: "100 %" is no share to be judged by (write how far from its normal it may be, such as below_normal = "30 %" or "2 ppb")`},
		{"a distance of nothing", limitOnly(t, `above_normal = "0 ppb"`, `high = 30`),
			`plain.toml:36:16: panel.b2.limit.oxygen-high.above_normal: 0 ppb is no distance (write how far from its normal it may be, such as above_normal = "30 %" or "2 ppb")`},
		{"a share of a temperature", strings.Replace(limitOnly(t, `above_normal = "20 %"`, `high = 45`), `point  = "rack.oxygen"`, `point  = "rack.temperature"`, 1),
			`plain.toml:36:16: panel.b2.limit.oxygen-high.above_normal: a share of temperature means nothing (write the distance, such as above_normal = "2 degC")`},
		{"a learning span of a piece of a quarter-hour", limitOnly(t, `above_normal = "50 %"`, `high = 30`, `learn_over = "130m"`, `learn_least = "2h"`),
			`plain.toml:38:14: panel.b2.limit.oxygen-high.learn_over: 2h10m is not a whole number of quarter-hours (write such as "6h" or "90m")`},
		{"more to learn from than there is", limitOnly(t, `above_normal = "50 %"`, `high = 30`, `learn_over = "3h"`, `learn_least = "4h"`),
			`plain.toml:39:15: panel.b2.limit.oxygen-high.learn_least: learn_least, 4h, is longer than learn_over, 3h (no span holds more than itself)`},
		{"a learning span for a value", limitOnly(t, `high = 30`, `learn_over = "3h"`),
			`plain.toml:37:1: panel.b2.limit.oxygen-high.learn_over: is for a limit that hangs on a learned normal (leave it out, or write above_normal or below_normal)`},
		{"a state that is none", limitOnly(t, `high = 30`, `applies = ["on-line", "tuesdays"]`),
			`plain.toml:37:11: panel.b2.limit.oxygen-high.applies: "tuesdays" is no state of a boiler (write a list of one or more of "on-line", "start-up", "off-line")`},
		{"no state at all", limitOnly(t, `high = 30`, `applies = []`),
			`plain.toml:37:11: panel.b2.limit.oxygen-high.applies: must be a list of states with something in it, and is a list (write a list of one or more of "on-line", "start-up", "off-line")`},
		{"a cause that is no text", limitOnly(t, `high = 30`, `cause = 7`),
			`plain.toml:37:9: panel.b2.limit.oxygen-high.cause: must be a text in quotes, and is a number (write what it usually comes from, in the plant's own words)`},
		{"an old word for a rate", limitOnly(t, `rate = 7`, `high = 30`),
			`plain.toml:36:1: panel.b2.limit.oxygen-high.rate: is not obeyed yet (write rises or falls)`},
	} {
		t.Run(g.name, func(t *testing.T) {
			_, _, err := Parse("plain.toml", []byte(g.text))
			var list Mistakes
			if !errors.As(err, &list) {
				t.Fatal("taken as right")
			}
			if got := err.Error(); got != g.want {
				t.Errorf("\n got %s\nwant %s", got, g.want)
			}
		})
	}
}

func TestARateIsKeptInThePointsUnitAnHour(t *testing.T) {
	for _, c := range []struct {
		written string
		value   float64
		per     time.Duration
		unit    string
	}{
		{"30 ppb/h", 30, time.Hour, "ppb/h"}, {"0.5 ppb/min", 30, time.Minute, "ppb/min"}, {"0.03 mg/L/h", 30, time.Hour, "mg/L/h"},
	} {
		s, report := mustParse(t, limitOnly(t, `rises = "`+c.written+`"`))
		l := s.Panels[0].Limits[0]
		if l.Of != site.Rises || l.Side != site.High || math.Abs(l.Value-c.value) > 1e-9 || l.Per != c.per || l.UnitName() != c.unit || l.Window != windowUsual || l.OnDelay != 0 || l.OffDelay != windowUsual ||
			math.Abs(l.Deadband-c.value/5) > 1e-9 {
			t.Errorf("%s: %+v", c.written, l)
		}
		var b bytes.Buffer
		report.Write(&b)
		for _, want := range []string{"oxygen-high.window", "= 30m", "oxygen-high.deadband", "a fifth of the limit", "the window is a delay already"} {
			if !strings.Contains(b.String(), want) {
				t.Errorf("the report does not say %q:\n%s", want, b.String())
			}
		}
	}
	s, _ := mustParse(t, limitOnly(t, `falls = "30 ppb/h"`, `window = "2h"`, `off_delay = "5m"`))
	if l := s.Panels[0].Limits[0]; l.Of != site.Falls || l.Side != site.High || l.Window != 2*time.Hour || l.OffDelay != 5*time.Minute {
		t.Errorf("%+v", l)
	}
}

func TestANormalIsKeptWithItsDistanceAndItsBound(t *testing.T) {
	s, report := mustParse(t, limitOnly(t, `above_normal = "50 %"`, `high = "40 ppb"`))
	l := s.Panels[0].Limits[0]
	want := site.Normal{Share: 0.5, Written: "50 %", Over: learnOverUsual, Least: learnLeastUsual, HasBound: true}
	if l.Of != site.AboveNormal || l.Side != site.High || l.Value != 40 || l.Normal != want || l.Unit.Name() != "ppb" {
		t.Errorf("%+v", l)
	}
	var b bytes.Buffer
	report.Write(&b)
	for _, want := range []string{"oxygen-high.learn_over", "= 24h", "oxygen-high.learn_least", "= 6h", "judged by 40 ppb alone until its normal is learned (rillwatch learn)"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the report does not say %q:\n%s", want, b.String())
		}
	}
	s, report = mustParse(t, sulfiteLimit(t, `below_normal = "2 ppm"`, `learn_over = "4h"`, `learn_least = "150m"`))
	l = s.Panels[0].Limits[0]
	want = site.Normal{By: 2, Written: "2 ppm", Over: 4 * time.Hour, Least: 150 * time.Minute}
	if l.Of != site.BelowNormal || l.Side != site.Low || l.Normal != want || l.Unit.Name() != "ppm" {
		t.Errorf("%+v", l)
	}
	warned := slices.ContainsFunc(report.Warnings, func(m Mistake) bool {
		return strings.HasSuffix(m.Path, "limit.oxygen-high") && strings.Contains(m.What, "until its normal is learned nothing is judged")
	})
	if !warned {
		t.Errorf("a limit without a bound is not warned of: %v", report.Warnings)
	}
}

func TestALimitKeepsItsStatesItsCauseAndItsConsequence(t *testing.T) {
	s, report := mustParse(t, limitOnly(t, `high = "20 ppb"`, `applies = ["on-line", "start-up"]`, `cause = "the deaerator loses steam"`, `consequence = "pitting within weeks"`))
	l := s.Panels[0].Limits[0]
	if !slices.Equal(l.Applies.Names(), []string{"on-line", "start-up"}) || l.Cause != "the deaerator loses steam" || l.Consequence != "pitting within weeks" {
		t.Errorf("%+v", l)
	}
	if !slices.ContainsFunc(report.Warnings, func(m Mistake) bool { return strings.Contains(m.What, "the panel has no start_up") }) {
		t.Errorf("a state that never comes is not warned of: %v", report.Warnings)
	}
}

func TestALimitThatThePlaceOrTheSensorMakesSenselessIsWarnedOf(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{plain, "plain.toml:27:15: panel.b2.tap: b2.rack.sulfite is a sulfite, and a sample drawn before the scavenger is dosed holds none (correct the tap, or take the point out: it would read the zero of its sensor, and a limit of it says nothing)"},
		{limitOnly(t, `high = "500 ppb"`), "plain.toml:36:8: panel.b2.limit.oxygen-high.high: 500 ppb is not below the ceiling of b2.rack.oxygen, 500 ppb, so the sensor cannot see it passed (check the limit and the sensor's range)"},
		{limitOnly(t, `low = "0.2 ppb"`), "plain.toml:36:7: panel.b2.limit.oxygen-high.low: 0.2 ppb is not above the floor of b2.rack.oxygen, 0.2 ppb, so the sensor cannot see it passed (check the limit and the sensor's range)"},
		{change(t, `tap         = "before-scavenger"`, `tap         = "into-storage"`), "plain.toml:37:98: panel.b2.limit.oxygen-high.source.tap: the limit is for before-scavenger, and the panel's tap is into-storage (check that the limit is meant for this sample)"},
	} {
		_, report, err := Parse("plain.toml", []byte(c.text))
		if err != nil {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(report.Warnings, func(m Mistake) bool { return m.String() == c.want }) {
			t.Errorf("\n got %v\nwant %s", report.Warnings, c.want)
		}
	}
	for _, tap := range []string{"after-scavenger", "into-storage", "unknown"} {
		_, report := mustParse(t, change(t, `tap         = "before-scavenger"`, `tap         = "`+tap+`"`))
		for _, m := range report.Warnings {
			if m.Path == "panel.b2.tap" {
				t.Errorf("%s: %s", tap, m)
			}
		}
	}
}
