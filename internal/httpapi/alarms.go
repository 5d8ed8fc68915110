package httpapi

import (
	"encoding/json"
	"net/http"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// alarmsBody answers GET /api/v1/alarms.
type alarmsBody struct {
	Site       string          `json:"site"`
	Definition string          `json:"definition"`
	At         *string         `json:"at"`
	Alarms     []alarmBody     `json:"alarms"`
	Excursions []excursionBody `json:"excursions"` // open ones
	Counts     map[string]int  `json:"counts"`     // by state, and active, unsteady, held_back
}

type alarmBody struct {
	Alarm          string      `json:"alarm"` // the name to acknowledge it by
	Panel          string      `json:"panel"`
	Point          string      `json:"point,omitempty"` // of a limit
	State          string      `json:"state"`           // one of alarmStates
	Priority       string      `json:"priority"`        // top, high, medium, low
	Active         bool        `json:"active"`          // the condition holds
	Since          *string     `json:"since"`
	RaisedBy       string      `json:"raised_event,omitempty"`
	AcknowledgedBy string      `json:"acknowledged_by,omitempty"`
	PendingS       json.Number `json:"pending_s"` // seen time of a running on-delay
	Excursion      string      `json:"excursion,omitempty"`
	Limit          *limitBody  `json:"limit,omitempty"`
	alarmSilence
}

// limitBody is a limit as written, with whose limit it is.
type limitBody struct {
	Side   string       `json:"side"`
	Value  *json.Number `json:"value"` // as written
	Unit   string       `json:"unit"`  // as written
	Basis  string       `json:"basis,omitempty"`
	Source site.Source  `json:"source"`
	Action string       `json:"action,omitempty"`

	Cause       string      `json:"cause,omitempty"`
	Consequence string      `json:"consequence,omitempty"`
	Judges      string      `json:"judges"`             // value, rise, fall, above_normal, below_normal
	WindowS     json.Number `json:"window_s,omitempty"` // of a rise or a fall
	Applies     []string    `json:"applies,omitempty"`  // the states of the boiler that it names
	Normal      *normalBody `json:"normal,omitempty"`   // of above_normal and below_normal
}

// normalBody is what a limit hangs on. Until it is learned the limit is judged by its bound alone, where it has one; value is then that bound, or null.
type normalBody struct {
	Learned  bool         `json:"learned"`
	Distance string       `json:"distance"` // as written
	Bound    *json.Number `json:"bound"`    // that always applies, as written
	Value    *json.Number `json:"value"`
	Scatter  *json.Number `json:"scatter"` // standard deviation of the quarter-hours
	Quarters int          `json:"quarter_hours"`
	At       *string      `json:"at"`
	Who      string       `json:"who,omitempty"`
	Why      string       `json:"why,omitempty"`
}

// excursionBody is one open excursion. Peak and mean are in unit, the integral in unit times hours.
type excursionBody struct {
	ID             string       `json:"id"`
	Alarm          string       `json:"alarm"`
	Panel          string       `json:"panel"`
	Point          string       `json:"point"` // whole path, as in messages
	Unit           string       `json:"unit"`
	Start          *string      `json:"start"`
	Peak           *json.Number `json:"peak"`
	PeakBound      string       `json:"peak_bound"`
	PeakAt         *string      `json:"peak_at"`
	BeyondS        json.Number  `json:"beyond_s"`
	WithinS        json.Number  `json:"within_s"`
	UnknownS       json.Number  `json:"unknown_s"`
	SuspendedS     json.Number  `json:"suspended_s"`
	LengthUnknown  bool         `json:"length_not_known"`
	Integral       *json.Number `json:"integral_unit_h"`
	IntegralLow    bool         `json:"integral_is_lower_bound"`
	Mean           *json.Number `json:"mean_beyond"`
	MeanBound      string       `json:"mean_bound"` // exact, or the side on which the truth lies: part of the time was beyond the sensor's range
	AcknowledgedBy string       `json:"acknowledged_by,omitempty"`
	AcknowledgedAt *string      `json:"acknowledged_at"`
	excursionTrust
}

// alarmStates are the states an alarm can be shown in (IEC 62682, ISA-18.2).
var alarmStates = []string{"normal", "unacknowledged", "acknowledged", "returned_unacknowledged", "shelved", "suppressed", "out_of_service"}

func (s *server) alarms(w http.ResponseWriter, r *http.Request) {
	given, ok := query(w, r, "panel")
	if !ok {
		return
	}
	panel, all, ok := s.wantPanel(w, given)
	if !ok {
		return
	}
	v := s.View()
	if v == nil {
		notStarted.write(w, "nothing has been judged yet", nil)
		return
	}
	body := alarmsBody{Site: s.Site.Name, Definition: s.Site.Hash, At: instant(v.At), Alarms: []alarmBody{}, Excursions: []excursionBody{}, Counts: map[string]int{}}
	for _, p := range v.Panels {
		if p == nil || !all && p.Panel != panel {
			continue
		}
		for i := range p.Alarms {
			body.Alarms = append(body.Alarms, s.alarmBody(p, &p.Alarms[i]))
		}
		addCounts(body.Counts, p.Counts())
		for i := range p.Excursions {
			body.Excursions = append(body.Excursions, excursionOf(panelName(s.Site, p.Panel), &p.Excursions[i]))
		}
	}
	writeJSON(w, body)
}

func (s *server) alarmBody(p *engine.PanelView, a *engine.AlarmView) alarmBody {
	b := alarmBody{Alarm: a.Name, Panel: panelName(s.Site, p.Panel), State: a.State, Priority: a.Priority.String(), Active: a.Active, Since: instant(a.Since),
		AcknowledgedBy: a.AckBy, PendingS: seconds(a.Pending), Excursion: a.Excursion}
	b.alarmSilence = silenceOf(a)
	if !a.Raised.IsZero() {
		b.RaisedBy = a.Raised.String()
	}
	if limits := s.Site.Panels[p.Panel].Limits; a.Limit >= 0 && a.Limit < len(limits) {
		l := &limits[a.Limit]
		b.Point = pointName(s.Site, &s.Site.Points[l.Point])
		b.Limit = limitOf(l, a)
	}
	return b
}

func limitOf(l *site.Limit, a *engine.AlarmView) *limitBody {
	number := func(v float64) *json.Number { n := json.Number(formatWritten(v)); return &n }
	b := &limitBody{Side: l.Side.String(), Value: number(l.Written), Unit: l.UnitName(), Basis: l.Basis, Source: l.Source, Action: l.Action,
		Cause: l.Cause, Consequence: l.Consequence, Judges: l.Of.String(), Applies: l.Applies.Names()}
	if l.Of.Rate() {
		b.WindowS = seconds(l.Window)
	}
	if !l.Of.Learned() {
		return b
	}
	n := &normalBody{Distance: l.Normal.Written}
	if l.Normal.HasBound {
		n.Bound = number(l.Written)
	}
	if b.Normal = n; a.Judged != nil {
		if b.Value = number(a.Judged.Written); a.Judged.Side == site.NoSide {
			b.Value = nil // nothing is judged
		}
	}
	if got := a.Normal; got != nil {
		n.Learned, n.Value, n.Scatter, n.Quarters, n.Who, n.Why = true, number(got.Value), number(got.Scatter), got.Quarters, got.Who, got.Why
		if got.At != 0 {
			n.At = instant(reading.Stamp{Wall: got.At})
		}
	}
	return b
}

func excursionOf(panel string, x *event.Excursion) excursionBody {
	return excursionBody{ID: x.ID, Alarm: x.Alarm, Panel: panel, Point: x.Point, Unit: x.Unit, Start: instant(x.Start),
		Peak: digits(x.Peak, x.Decimals), PeakBound: boundWord(x.PeakBound), PeakAt: instant(x.PeakAt),
		BeyondS: seconds(x.Beyond), WithinS: seconds(x.Within), UnknownS: seconds(x.UnknownTime), SuspendedS: seconds(x.Suspended), LengthUnknown: x.LengthUnknown,
		// a mean and an integral are computed and carry one digit, and four, more than the display
		Integral: digits(x.Integral, 4), IntegralLow: x.IntegralLow, Mean: digits(x.Mean, x.Decimals+1), MeanBound: x.MeanBound(),
		AcknowledgedBy: x.AckBy, AcknowledgedAt: instant(x.AckAt), excursionTrust: trustOf(x)}
}
