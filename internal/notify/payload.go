package notify

import (
	"encoding/json"
	"strconv"
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// payload is what a program may sort and count by, beside the words. Field names are those of the HTTP API where both speak of the same;
// times are RFC 3339 in UTC, durations seconds, and no number carries more digits than its resolution.
type payload struct {
	Headline      string         `json:"headline"`
	Text          string         `json:"text"`
	Kind          string         `json:"kind"`
	Priority      string         `json:"priority"`
	State         string         `json:"state"`
	Test          bool           `json:"test"`
	Durable       bool           `json:"durable"` // false: told from memory, because the disk would not take it
	At            string         `json:"at"`
	TimeUncertain bool           `json:"time_uncertain,omitempty"`
	Site          string         `json:"site"`
	Config        string         `json:"config"`
	Panel         string         `json:"panel,omitempty"`
	PanelTitle    string         `json:"panel_title,omitempty"`
	Bus           string         `json:"bus,omitempty"`
	Alarm         string         `json:"alarm,omitempty"`
	RaisedID      string         `json:"raised_id,omitempty"`
	Point         string         `json:"point,omitempty"`
	Reading       *readingBody   `json:"reading,omitempty"`
	LastGood      *readingBody   `json:"last_good,omitempty"`
	Limit         *limitBody     `json:"limit,omitempty"`
	Excursion     *excursionBody `json:"excursion,omitempty"`
	Trust         *trustBody     `json:"trust,omitempty"`
	Who           string         `json:"who,omitempty"`
	Why           string         `json:"why,omitempty"`
	Cause         string         `json:"cause,omitempty"`
	LastedS       json.Number    `json:"lasted_s,omitempty"`
	Highest       json.Number    `json:"highest,omitempty"`
	Count         int            `json:"count,omitempty"`
	Points        []string       `json:"points,omitempty"`   // of too little data
	Override      *overrideBody  `json:"override,omitempty"` // that stands at the panel
	Nth           int            `json:"nth,omitempty"`      // of a reminder
	RootID        string         `json:"root_id,omitempty"`  // the event that explains this one
	Messages      []itemBody     `json:"messages,omitempty"` // of a summary: the most urgent; count says how many there are
	Heartbeat     *heartbeatBody `json:"heartbeat,omitempty"`

	Again    string        `json:"told_anew_because,omitempty"`
	Held     int           `json:"held_alarms,omitempty"`        // alarms that stand and are not told while this speaks for them
	Passed   string        `json:"still_passed,omitempty"`       // with a return: the milder limit of the same reading that stands
	Readings int           `json:"readings_missing,omitempty"`   // for this reason
	Unseen   []string      `json:"temperature_unseen,omitempty"` // panels whose sample temperature nobody sees for this reason
	Silences []silenceBody `json:"silenced_alarms,omitempty"`    // alarms of the panel that a person has silenced
}

// overrideBody is a standing override of a panel's close request.
type overrideBody struct {
	By    string      `json:"by"`
	Why   string      `json:"why"`
	Ends  string      `json:"ends_at"`
	LeftS json.Number `json:"left_s"`
}

// readingBody is a reading. A reading that may not be believed as a measurement has no value.
type readingBody struct {
	Value   json.Number `json:"value,omitempty"`
	Unit    string      `json:"unit"`
	Bound   string      `json:"bound,omitempty"` // of a value: exact, below, above
	Quality string      `json:"quality"`
	Reason  string      `json:"reason"`
	At      string      `json:"at,omitempty"`
}

type limitBody struct {
	Name   string      `json:"name"`
	Side   string      `json:"side"`
	Value  json.Number `json:"value"` // as written
	Unit   string      `json:"unit"`
	Basis  string      `json:"basis,omitempty"`
	Source sourceBody  `json:"source"`
	Action string      `json:"action,omitempty"`

	Cause       string      `json:"cause,omitempty"`
	Consequence string      `json:"consequence,omitempty"`
	Judges      string      `json:"judges,omitempty"`  // what of the point; left out: its value
	Window      string      `json:"window,omitempty"`  // of a rise or a fall
	Applies     []string    `json:"applies,omitempty"` // the states of the boiler that it names
	Normal      *normalBody `json:"normal,omitempty"`  // what was learned, where the limit hangs on that
}

// normalBody is a learned normal, in the limit's unit.
type normalBody struct {
	Value    json.Number `json:"value"`
	Quarters int         `json:"quarter_hours"`
	Distance string      `json:"distance"`
	At       string      `json:"at,omitempty"`
	Who      string      `json:"who,omitempty"`
	Bound    bool        `json:"bound_decides"` // the bound that always applies is nearer
}

// normalOf gives what a limit hangs on; nil where nothing was learned.
func normalOf(n *event.Normal) *normalBody {
	if n == nil {
		return nil
	}
	b := &normalBody{Value: asWritten(n.Value), Quarters: n.Quarters, Distance: n.Distance, Who: n.Who, Bound: n.Bound}
	if n.At != 0 {
		b.At = instant(n.At)
	}
	return b
}

type sourceBody struct {
	Document string `json:"document"`
	Edition  string `json:"edition,omitempty"`
	Band     string `json:"band,omitempty"`
	Tap      string `json:"tap,omitempty"`
}

type excursionBody struct {
	ID              string      `json:"id"`
	Open            bool        `json:"open"`
	Start           string      `json:"start"`
	End             string      `json:"end,omitempty"`
	Peak            json.Number `json:"peak"`
	PeakBound       string      `json:"peak_bound"`
	PeakAt          string      `json:"peak_at,omitempty"`
	Mean            json.Number `json:"mean_beyond"`
	MeanBound       string      `json:"mean_bound"` // exact, or the side on which the truth lies: part of the time was beyond the sensor's range
	Unit            string      `json:"unit"`
	BeyondS         json.Number `json:"beyond_s"`
	WithinS         json.Number `json:"within_s"`
	UnknownS        json.Number `json:"unknown_s"`
	SuspendedS      json.Number `json:"suspended_s"`
	LengthNotKnown  bool        `json:"length_not_known"`
	Integral        json.Number `json:"integral_unit_h"` // distance beyond the limit over time, unit x hours
	IntegralAtLeast bool        `json:"integral_is_lower_bound"`
	AcknowledgedBy  string      `json:"acknowledged_by,omitempty"`
	AcknowledgedAt  string      `json:"acknowledged_at,omitempty"`
	IntegralUpper   json.Number `json:"integral_upper_unit_h,omitempty"` // with every gap at the larger of the distances at its ends; only where it is known
	ValidShare      json.Number `json:"valid_share,omitempty"`           // of the time on line, what was seen; only where it is known
	LongestGapS     json.Number `json:"longest_gap_s"`
	Ended           string      `json:"ended,omitempty"`
	Continues       string      `json:"continues,omitempty"` // the record of the same episode under the limit as it was before
	Links           []linkBody  `json:"links,omitempty"`
	MoreLinks       int         `json:"more_links,omitempty"`
}

// trustBody is the evidence whether the sensors stood in fresh, cooled, flowing sample.
type trustBody struct {
	Representative  bool        `json:"representative"`
	Reason          string      `json:"reason,omitempty"` // why not, or the doubt with which it is
	FlowMLPerMin    json.Number `json:"flow_ml_per_min,omitempty"`
	Temperature     json.Number `json:"temperature,omitempty"`
	TemperatureUnit string      `json:"temperature_unit,omitempty"`
	Valve           string      `json:"valve,omitempty"`
	OwedML          json.Number `json:"owed_ml,omitempty"`       // fresh water that must still pass
	CloseRequest    string      `json:"close_request,omitempty"` // of a driven valve: none, asked, taken, failing, suspended
	HeldCause       string      `json:"held_cause,omitempty"`    // why it is held closed
}

// payloadOf puts a sober event and its words into the payload.
func payloadOf(e *event.Event, m message) payload {
	p := payload{
		Headline: m.headline, Text: m.text, Kind: e.Kind.String(), Priority: e.Priority.String(), State: m.state,
		Test: e.Test || e.Kind == event.DrillTold, Durable: !e.Volatile, At: instant(e.At.Wall), TimeUncertain: e.ClockUncertain || !clockSet(e.At.Wall),
		Panel: e.Panel, Bus: e.Bus, Alarm: e.Alarm, RaisedID: e.Raised, Point: e.Point, Reading: readingOf(e.Value), LastGood: readingOf(e.LastGood),
		Who: e.Who, Why: e.Why, Cause: cause(e), Count: e.Count, Points: e.Points, Nth: e.Nth, RootID: e.Root,
	}
	if e.Passed != nil {
		p.Passed = e.Passed.Name
	}
	p.Again, p.Held, p.Readings, p.Unseen, p.Silences = e.Again, e.Held, e.Readings, e.Unseen, silencesOf(e.Trust.Silences)
	decimals := 1
	if e.Value != nil {
		decimals = e.Value.Decimals
	}
	if e.Lasted > 0 {
		p.LastedS = seconds(e.Lasted)
	}
	if e.Highest != 0 {
		p.Highest = digits(e.Highest, decimals)
	}
	if l := e.Limit; l != nil {
		p.Limit = &limitBody{Name: l.Name, Side: l.Side, Value: asWritten(l.Written), Unit: l.Unit, Basis: l.Basis, Action: l.Action,
			Source: sourceBody{l.Source.Document, l.Source.Edition, l.Source.Band, l.Source.Tap},
			Cause:  l.Cause, Consequence: l.Consequence, Judges: l.Judges, Window: l.Window, Applies: l.Applies, Normal: normalOf(l.Normal)}
	}
	if x := e.Excursion; x != nil {
		p.Excursion = &excursionBody{ID: x.ID, Open: x.Open, Start: instant(x.Start.Wall), Peak: digits(x.Peak, x.Decimals), PeakBound: boundWord(x.PeakBound),
			Mean: digits(x.Mean, x.Decimals), Unit: x.Unit, BeyondS: seconds(x.Beyond), WithinS: seconds(x.Within), UnknownS: seconds(x.UnknownTime),
			SuspendedS: seconds(x.Suspended), LengthNotKnown: x.LengthUnknown, Integral: digits(x.Integral, x.Decimals+1), IntegralAtLeast: x.IntegralLow, AcknowledgedBy: x.AckBy}
		p.Excursion.MeanBound = x.MeanBound()
		p.Excursion.LongestGapS, p.Excursion.Ended, p.Excursion.Continues = seconds(x.LongestGap), x.Ended, x.Before
		p.Excursion.Links, p.Excursion.MoreLinks = linksOf(x.Links), x.MoreLinks
		if x.UpperKnown {
			p.Excursion.IntegralUpper = digits(x.IntegralUpper, x.Decimals+1)
		}
		if x.ValidKnown {
			p.Excursion.ValidShare = digits(x.Valid, 3)
		}
		if !x.Open {
			p.Excursion.End = instant(x.End.Wall)
		}
		if !x.PeakAt.IsZero() {
			p.Excursion.PeakAt = instant(x.PeakAt.Wall)
		}
		if !x.AckAt.IsZero() {
			p.Excursion.AcknowledgedAt = instant(x.AckAt.Wall)
		}
	}
	if t := e.Trust; t.Valve != "" {
		b := trustBody{Representative: t.Reason == "" || t.Reason == reading.FlowUnproven.String(), Reason: t.Reason, Valve: t.Valve, OwedML: digits(max(0, t.OwedML-t.FlushedML), 0)}
		if t.FlowKnown {
			b.FlowMLPerMin = digits(t.Flow, 0)
		}
		if t.TempKnown {
			b.Temperature, b.TemperatureUnit = digits(t.Temp, 1), t.TempUnit
		}
		b.CloseRequest, b.HeldCause = t.Request, t.HeldCause
		p.Trust = &b
	}
	if t := e.Trust; t.OverrideBy != "" {
		p.Override = &overrideBody{t.OverrideBy, t.OverrideWhy, instant(t.OverrideUntil), seconds(max(0, t.OverrideLeft))}
	}
	return p
}

func readingOf(v *event.Value) *readingBody {
	if v == nil {
		return nil
	}
	b := &readingBody{Unit: v.Unit, Quality: v.Quality, Reason: v.Reason}
	if !v.At.IsZero() {
		b.At = instant(v.At.Wall)
	}
	if _, ok := believed(v); ok { // by the same rule as in the words: a number of standing water is as wrong for a program
		b.Value, b.Bound = digits(v.Value, v.Decimals), boundWord(v.Bound)
	}
	return b
}

// cause is the name of what brought an event about. The text of a program's error is none: it stays in the log.
func cause(e *event.Event) string {
	switch e.Kind {
	case event.CommitFailing:
		name, _ := diskTrouble(e.Cause)
		return name
	case event.StateLost:
		return ""
	}
	return e.Cause
}

// boundWord is a bound as the API says it.
func boundWord(b string) string {
	switch b {
	case reading.Above.String():
		return "above"
	case reading.Below.String():
		return "below"
	}
	return "exact"
}

func instant(w reading.Wall) string { return w.Time().Format("2006-01-02T15:04:05.000Z") }

// digits writes a number with the digits its resolution carries, and never minus zero.
func digits(v float64, decimals int) json.Number {
	s := strconv.FormatFloat(v, 'f', min(max(decimals, 0), 9), 64)
	if f, err := strconv.ParseFloat(s, 64); err == nil && f == 0 {
		s = strconv.FormatFloat(0, 'f', min(max(decimals, 0), 9), 64)
	}
	return json.Number(s)
}

// asWritten is the shortest text of a number that a person wrote; nobody writes a limit with more than six decimals.
func asWritten(v float64) json.Number {
	s := strconv.FormatFloat(v, 'f', 6, 64)
	return json.Number(strings.TrimSuffix(strings.TrimRight(s, "0"), "."))
}

// seconds writes a duration to the millisecond, so that the times of an excursion add up for a program too.
func seconds(d time.Duration) json.Number { return asWritten(d.Round(time.Millisecond).Seconds()) }
