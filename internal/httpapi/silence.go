package httpapi

import (
	"encoding/json"

	"rillwatch/internal/engine"
	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// alarmSilence is what keeps an alarm from calling people, as far as anything does.
type alarmSilence struct {
	Told         bool         `json:"told"`                    // people have been told that it stands, and not that it ended
	NotTold      string       `json:"not_told,omitempty"`      // of one that stands and is not told: why
	Behind       string       `json:"behind,omitempty"`        // what speaks for it
	SuppressedBy string       `json:"suppressed_by,omitempty"` // valve.closed, or the bus or station that does not answer
	Shelved      *shelvedBody `json:"shelved,omitempty"`       // runs on underneath whatever else silences
	OutOfService *outBody     `json:"out_of_service,omitempty"`
	Unsteady     bool         `json:"unsteady"` // it comes and goes: counted, and not told until it has rested
	Returns      int          `json:"returns_while_unsteady,omitempty"`
	MustSpeak    bool         `json:"must_not_be_silenced"` // it can be neither shelved nor taken out of service
}

type shelvedBody struct {
	Who   string      `json:"who"`
	Why   string      `json:"why"` // its beginning
	LeftS json.Number `json:"left_s"`
}

type outBody struct {
	Who   string  `json:"who"`
	Why   string  `json:"why"`
	Since *string `json:"since"`
}

func silenceOf(a *engine.AlarmView) alarmSilence {
	b := alarmSilence{Told: a.Told, NotTold: a.Quiet, Behind: a.Behind, SuppressedBy: a.Suppress, Unsteady: a.Unsteady, Returns: a.Swings, MustSpeak: a.MustSpeak}
	if a.Shelf.On {
		b.Shelved = &shelvedBody{a.Shelf.Who, a.Shelf.Why, seconds(a.Shelf.Left)}
	}
	if a.Out.On {
		b.OutOfService = &outBody{a.Out.Who, a.Out.Why, instant(a.Out.Since)}
	}
	return b
}

func addCounts(to map[string]int, c engine.AlarmCounts) {
	for i, st := range alarmStates {
		to[st] += stateCounts(c)[i]
	}
	to["active"] += c.Active
	to["unsteady"] += c.Unsteady
	to["held_back"] += c.Held
}

// stateCounts are the counts in the order of alarmStates.
func stateCounts(c engine.AlarmCounts) []int {
	return []int{c.Normal, c.Unacknowledged, c.Acknowledged, c.Returned, c.Shelved, c.Suppressed, c.OutOfService}
}

// excursionTrust is how far the books of an excursion can be trusted, and what else went on meanwhile.
type excursionTrust struct {
	IntegralUpper *json.Number `json:"integral_upper_unit_h"` // with every gap at the larger of the distances at its ends; null where it is not known
	ValidShare    *json.Number `json:"valid_share"`           // of beyond, within and unknown: what was seen; null where it is not known
	LongestGapS   json.Number  `json:"longest_gap_s"`         // the longest run of unknown time
	StartSure     bool         `json:"start_certain"`         // the wall clock was to be trusted then
	Continues     string       `json:"continues,omitempty"`   // the record of the same episode under the limit as it was before
	Links         []linkBody   `json:"links"`
	MoreLinks     int          `json:"more_links,omitempty"`
}

// linkBody is an interval of something else during an excursion; to is null while it goes on.
type linkBody struct {
	What string  `json:"what"`
	From *string `json:"from"`
	To   *string `json:"to"`
	Who  string  `json:"who,omitempty"`
}

func trustOf(x *event.Excursion) excursionTrust {
	b := excursionTrust{LongestGapS: seconds(x.LongestGap), StartSure: !x.StartUnsure, Continues: x.Before, Links: []linkBody{}, MoreLinks: x.MoreLinks}
	if x.UpperKnown {
		b.IntegralUpper = digits(x.IntegralUpper, 4)
	}
	if x.ValidKnown {
		b.ValidShare = digits(x.Valid, 4)
	}
	for _, l := range x.Links {
		b.Links = append(b.Links, linkBody{l.What, instant(reading.Stamp{Wall: l.From}), instant(reading.Stamp{Wall: l.To}), l.Who})
	}
	return b
}
