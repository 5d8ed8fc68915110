// Package event holds what can be told: kinds, identities and fields.
//
// Owns: Event, Kind, ID and their names.
// Never: words for people; those are made by whoever tells.
package event

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// ID names an event for ever: the nonce of the boot it happened in and its sequence within that boot. The same event told
// twice has the same ID. The zero ID is none.
type ID struct {
	Boot string // 8 hex digits drawn at start
	Seq  uint64
}

// String gives "boot-seq"; it holds no dot, as a webhook id must not.
func (id ID) String() string { return id.Boot + "-" + strconv.FormatUint(id.Seq, 10) }

// IsZero tells whether the ID names nothing.
func (id ID) IsZero() bool { return id == ID{} }

// MarshalText gives the text form, empty for none.
func (id ID) MarshalText() ([]byte, error) {
	if id.IsZero() {
		return nil, nil
	}
	return []byte(id.String()), nil
}

// UnmarshalText reads the text form.
func (id *ID) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*id = ID{}
		return nil
	}
	boot, seq, ok := strings.Cut(string(b), "-")
	n, err := strconv.ParseUint(seq, 10, 64)
	if !ok || err != nil || boot == "" {
		return fmt.Errorf("event id %q: want BOOT-SEQUENCE", b)
	}
	*id = ID{boot, n}
	return nil
}

// Kind says what happened. The zero Kind is none.
type Kind uint8

// Kinds. Told are those that people are called for; the others are only on record.
const (
	NoKind              Kind = iota
	AlarmRaised              // a limit or a rule is in alarm
	AlarmReturned            // seen within the limit for long enough
	AlarmAcknowledged        // a person has taken notice
	LimitRemoved             // the limit of a standing alarm is no longer in the configuration
	SampleWarm               // sample temperature above the warning value
	SampleWarmOver           // back at or below it
	SampleHot                // the close condition is met
	SampleHotOver            // no close condition any more, evidence shows a fresh, cool sample
	TemperatureLost          // no good temperature for too long
	TemperatureBack          // the temperature is read again
	ValveClosedSeen          // the sample valve was found to close
	ValveOpenedSeen          // the sample valve was found to open
	ValveFailedToClose       // hot, and feedback or flow show it is not closed
	ValveNotConfirmed        // feedback is lost while it matters
	ValveConfirmed           // feedback is back
	OpenNoFlow               // the valve is open and no sample flows
	FlowBack                 // it flows again
	ValveNoLongerFailed      // a valve told as failed to close is closed, or the sample is no longer hot
	SampleRepresentative
	SampleNotRepresentative
	BusLost
	BusBack
	StationSilent
	StationBack
	SensorJoined    // a sensor that may be fitted later was seen for the first time
	SensorExchanged // another serial number stands where one was known
	OnLine
	OffLine
	OnLineNotKnown // the point that says whether the boiler is fed cannot be read; the last state holds
	OnLineKnown
	CommandRefused
	ReadingsDropped // samples were dropped because the disk did not follow; Detail says how many
	CommitFailing   // the logbook cannot be written
	CommitBack
	Started
	Stopped
	ConfigChanged
	ClockStepped
	FlowOutside       // outside the panel's range for ten minutes
	FlowInside        // inside it again
	FlowFalling       // it has come down slowly: a strainer plugs
	NotSettled        // oxygen four hours after an opening to air, believed without having settled
	TemperatureFrozen // the interlock's temperature does not move though siblings do; it guards on
	TemperatureMoves  // it moves again
	SaidOver          // a person's word that the boiler is fed, or not, has ended
	FedWhileOffLine   // something speaks against "off line", which a person said
	CheckStarted      // a person has a sensor out
	CheckBack         // and has it back in its cell
	CheckOver         // the time it was taken for has run out; it is still out
	CheckOverBack     // and is back after all
	ProtectionBlind   // the sensor out is the one that guards, and the valve is not confirmed closed
	ProtectionBack    // it guards again, or the valve is closed
	StateLost         // the judge state of a panel could not be read back
	DrillTold
	ValueEntered       // a person entered a value
	SampleRising       // the sample grows warmer faster than it should
	SampleRisingOver   // no longer
	CoolerApproach     // the sample is further above its cooling water than it should be
	CoolerApproachOver // no longer
	OneTemperatureLost // one of two guarding temperatures; the other guards alone
	OneTemperatureBack
	HeldClosed      // closing is asked for, until a person re-arms; for the record beside what caused it
	FoundClosed     // the same at a start, of a valve found closed for no known cause
	CannotClose     // the order does not reach the valve's control, or is not confirmed
	OrderTaken      // it is again, or nothing is asked for any more
	Rearmed         // a person has withdrawn the request
	OverrideStarted // a person has suspended the request
	OverrideEnded
	ValveByHand       // a person says that the valve was closed by hand
	AskedAgain        // the closing is asked for where no alarm rises that would tell it: after a re-arming, a start, another configuration
	RequestDropped    // what is held closed is not asked for any more, because the configuration does not say how
	LimitChanged      // the limit of a standing alarm is another one now; the alarm carries on under it, or ends by it
	AlarmShelved      // a person has silenced an alarm for a time
	AlarmUnshelved    // and that is over
	AlarmSuppressed   // an alarm that stands is pointless for now: the valve is closed, or what reads it does not answer
	AlarmOutOfService // a person has taken an alarm out of service
	AlarmInService    // and put it back
	AlarmUnsteady     // it comes and goes; from now on it is counted and not told
	AlarmSteady       // it has rested
	PointCompared     // a person has compared what is read with the device's own display
	ClockUncertain    // the wall clock is not believed; Cause says why
	ClockCertain      // it is, from here on
	BaselineLearned   // a person had learned what is normal for a limit
	BaselineMissing   // a limit hangs on a baseline that was never learned, or is lost
	DataTooLittle     // for two hours too few readings of a point that is judged counted
	DataEnough        // enough again
	AlarmReminder     // an alarm that stands and that nobody has acknowledged
	AlarmWorse        // an alarm that stands is much further beyond than when it was last told
	AlarmSuspended    // the boiler went off line while alarms stood: they are not over
	AlarmResumed      // it is fed again, and they are judged again
	kindCount
)

// KindCount is the number of kinds.
const KindCount = int(kindCount)

type kindRow struct {
	name string
	told bool
}

var kindTable = [KindCount]kindRow{
	NoKind:                  {"none", false},
	AlarmRaised:             {"alarm.raised", true},
	AlarmReturned:           {"alarm.returned", true},
	AlarmAcknowledged:       {"alarm.acknowledged", true},
	LimitRemoved:            {"alarm.limit_removed", true},
	SampleWarm:              {"sample.warm", true},
	SampleWarmOver:          {"sample.warm_over", false},
	SampleHot:               {"sample.hot", true},
	SampleHotOver:           {"sample.hot_over", true},
	TemperatureLost:         {"temperature.lost", true},
	TemperatureBack:         {"temperature.back", true},
	ValveClosedSeen:         {"valve.closed", true},
	ValveOpenedSeen:         {"valve.opened", true},
	ValveFailedToClose:      {"valve.failed_to_close", true},
	ValveNotConfirmed:       {"valve.not_confirmed", true},
	ValveConfirmed:          {"valve.confirmed", false},
	OpenNoFlow:              {"sample.open_no_flow", true},
	FlowBack:                {"sample.flow_back", true},
	ValveNoLongerFailed:     {"valve.no_longer_failed", true},
	SampleRepresentative:    {"sample.representative", false},
	SampleNotRepresentative: {"sample.not_representative", false},
	BusLost:                 {"bus.lost", true},
	BusBack:                 {"bus.back", true},
	StationSilent:           {"station.silent", true},
	StationBack:             {"station.back", true},
	SensorJoined:            {"sensor.joined", true},
	SensorExchanged:         {"sensor.exchanged", true},
	OnLine:                  {"boiler.on_line", false},
	OffLine:                 {"boiler.off_line", false},
	OnLineNotKnown:          {"boiler.on_line_not_known", true},
	OnLineKnown:             {"boiler.on_line_known", false},
	CommandRefused:          {"command.refused", false},
	ReadingsDropped:         {"logbook.readings_dropped", true},
	CommitFailing:           {"logbook.failing", true},
	CommitBack:              {"logbook.back", true},
	Started:                 {"daemon.started", true},
	Stopped:                 {"daemon.stopped", true},
	ConfigChanged:           {"daemon.config_changed", true},
	ClockStepped:            {"clock.stepped", false},
	FlowOutside:             {"sample.flow_outside", true},
	FlowInside:              {"sample.flow_inside", true},
	FlowFalling:             {"sample.flow_falling", true},
	NotSettled:              {"oxygen.not_settled", true},
	TemperatureFrozen:       {"temperature.frozen", true},
	TemperatureMoves:        {"temperature.moves", true},
	SaidOver:                {"boiler.said_over", true},
	FedWhileOffLine:         {"boiler.fed_while_off_line", true},
	CheckStarted:            {"check.started", false},
	CheckBack:               {"check.back", false},
	CheckOver:               {"check.over", true},
	CheckOverBack:           {"check.over_back", true},
	ProtectionBlind:         {"protection.blind", true},
	ProtectionBack:          {"protection.back", true},
	StateLost:               {"daemon.state_lost", true},
	DrillTold:               {"drill", true},
	ValueEntered:            {"value.entered", false},
	SampleRising:            {"sample.rising", true},
	SampleRisingOver:        {"sample.rising_over", false},
	CoolerApproach:          {"sample.far_from_cooling_water", true},
	CoolerApproachOver:      {"sample.near_cooling_water", false},
	OneTemperatureLost:      {"temperature.one_lost", true},
	OneTemperatureBack:      {"temperature.one_back", false},
	HeldClosed:              {"valve.held_closed", false},
	FoundClosed:             {"valve.found_closed", true},
	CannotClose:             {"valve.cannot_close", true},
	OrderTaken:              {"valve.order_taken", true},
	Rearmed:                 {"valve.rearmed", true},
	OverrideStarted:         {"override.started", true},
	OverrideEnded:           {"override.ended", true},
	ValveByHand:             {"valve.by_hand", false},
	AskedAgain:              {"valve.asked_again", true},
	RequestDropped:          {"valve.no_longer_asked", true},
	LimitChanged:            {"alarm.limit_changed", true},
	AlarmShelved:            {"alarm.shelved", false},
	AlarmUnshelved:          {"alarm.shelf_over", true},
	AlarmSuppressed:         {"alarm.suppressed", false},
	AlarmOutOfService:       {"alarm.out_of_service", true},
	AlarmInService:          {"alarm.in_service", false},
	AlarmUnsteady:           {"alarm.unsteady", true},
	AlarmSteady:             {"alarm.steady", true},
	PointCompared:           {"point.compared", false},
	ClockUncertain:          {"clock.uncertain", false},
	ClockCertain:            {"clock.certain", false},
	BaselineLearned:         {"baseline.learned", false},
	BaselineMissing:         {"baseline.missing", true},
	DataTooLittle:           {"data.too_little", true},
	DataEnough:              {"data.enough", true},
	AlarmReminder:           {"alarm.reminder", true},
	AlarmWorse:              {"alarm.worse", true},
	AlarmSuspended:          {"alarm.suspended", true},
	AlarmResumed:            {"alarm.resumed", true},
}

func (k Kind) String() string { return kindTable[int(k)%KindCount].name }

// Told tells whether people are called for this kind.
func (k Kind) Told() bool { return kindTable[int(k)%KindCount].told }

// ParseKind reads a kind's name.
func ParseKind(s string) (Kind, bool) {
	for i := range kindTable {
		if kindTable[i].name == s {
			return Kind(i), true
		}
	}
	return NoKind, false
}

// MarshalText gives the kind's name.
func (k Kind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads a kind's name.
func (k *Kind) UnmarshalText(b []byte) error {
	v, ok := ParseKind(string(b))
	if !ok {
		return fmt.Errorf("event kind %q is not known", b)
	}
	*k = v
	return nil
}

// Event is one thing that happened, with what a person will need to know of it. Unused fields are zero. It carries names and
// paths, never indices, because it outlives the configuration.
type Event struct {
	ID        ID            `json:"id,omitzero"`
	Kind      Kind          `json:"kind"`
	At        reading.Stamp `json:"at"`
	Priority  site.Priority `json:"priority"`
	Panel     string        `json:"panel,omitempty"`
	Point     string        `json:"point,omitempty"`
	Bus       string        `json:"bus,omitempty"`
	Station   uint8         `json:"station,omitempty"`
	Alarm     string        `json:"alarm,omitempty"` // "b2.oxygen-high": the same from raised to returned
	Who       string        `json:"who,omitempty"`
	Why       string        `json:"why,omitempty"`
	Value     *Value        `json:"value,omitempty"`     // the reading this is about
	LastGood  *Value        `json:"last_good,omitempty"` // where Value has none: the last reading that had one
	Limit     *LimitValue   `json:"limit,omitempty"`
	Trust     Trust         `json:"trust,omitzero"` // evidence about the sample when it happened
	Excursion *Excursion    `json:"excursion,omitempty"`
	Lasted    time.Duration `json:"lasted_ns,omitempty"`
	Highest   float64       `json:"highest,omitempty"`      // with the kinds of the interlock: the highest temperature since it was raised, in the unit of Value
	Count     int           `json:"count,omitempty"`        // how many readings, slots or points it concerns
	Raised    string        `json:"raised,omitempty"`       // for what ends or is acknowledged: the ID of the event that raised it
	Was       string        `json:"was,omitempty"`          // of what was exchanged: the serial number before
	Is        string        `json:"is,omitempty"`           // and now
	Cause     string        `json:"cause,omitempty"`        // "by panel", "not known", a fault's or a reason's name
	Advice    []string      `json:"advice,omitempty"`       // with a raised limit: arithmetic and questions
	FirstOut  *FirstOut     `json:"first_out,omitempty"`    // of a close condition
	Beside    *Value        `json:"beside,omitempty"`       // the cooling water's temperature
	Rate      float64       `json:"rate_per_min,omitempty"` // of a rise, in the unit of Value
	Points    []string      `json:"points,omitempty"`       // of too little data: the points it is of
	Nth       int           `json:"nth,omitempty"`          // of a reminder: the first, the second ...
	Root      string        `json:"root,omitempty"`         // the ID of the event that explains this one: one cause is told together
	To        string        `json:"to,omitempty"`           // of a drill: the one recipient it is for; empty: all of them
	Test      bool          `json:"test,omitempty"`

	// One trouble is one message. Everything is on record; what is quiet calls nobody.
	Quiet    string   `json:"quiet,omitempty"`    // why nobody is called though people are for its kind: one of the Quiet names
	Behind   string   `json:"behind,omitempty"`   // with quiet: the alarm, or the trouble of a bus or a station, that speaks for it; also of a silence that ended while it stands, or a Quiet name
	Again    string   `json:"again,omitempty"`    // of an alarm told anew: one of the Again names
	Readings int      `json:"readings,omitempty"` // how many readings are missing for this reason
	Held     int      `json:"held,omitempty"`     // how many alarms that stand are not told while this speaks
	Unseen   []string `json:"unseen,omitempty"`   // panels whose sample temperature nobody sees for this reason
	// Passed is, with the return of a limit, a milder one of the same reading that people know to stand.
	Passed *LimitValue `json:"still_passed,omitempty"`

	Volatile       bool `json:"-"`                         // told before it was on disk, because the disk would not take it; a copy only, never kept
	ClockUncertain bool `json:"clock_uncertain,omitempty"` // the wall clock was not believed when it happened
}

// Value is a reading with its unit.
type Value struct {
	Point    string        `json:"point"`
	Value    float64       `json:"value"`
	Unit     string        `json:"unit"`
	Decimals int           `json:"decimals"` // digits after the point that the resolution carries
	Bound    string        `json:"bound"`    // "=", "<", ">"
	Quality  string        `json:"quality"`
	Reason   string        `json:"reason"`
	At       reading.Stamp `json:"at"`
}

// LimitValue is a limit as written, whole, so that a record can be read after the configuration changed.
type LimitValue struct {
	Name     string      `json:"name"`
	Side     string      `json:"side"`
	Value    float64     `json:"value"`   // in the point's unit
	Written  float64     `json:"written"` // as the user wrote it
	Unit     string      `json:"unit"`    // the unit written
	Deadband float64     `json:"deadband"`
	OnDelay  string      `json:"on_delay"`
	OffDelay string      `json:"off_delay"`
	Basis    string      `json:"basis,omitempty"`
	Source   site.Source `json:"source"`
	Action   string      `json:"action,omitempty"`
	Priority string      `json:"priority,omitempty"`

	Cause       string   `json:"cause,omitempty"`
	Consequence string   `json:"consequence,omitempty"`
	Judges      string   `json:"judges,omitempty"`  // what of the point; empty: the value
	Window      string   `json:"window,omitempty"`  // of a rate; Value is then in the point's unit an hour
	Applies     []string `json:"applies,omitempty"` // the states it names
	Normal      *Normal  `json:"normal,omitempty"`  // what was learned, of a limit that hangs on it
}

// Normal is a learned baseline, in the unit the limit is written in.
type Normal struct {
	Value    float64      `json:"value"`
	Scatter  float64      `json:"scatter"`            // standard deviation of the quarter-hours
	Quarters int          `json:"quarter_hours"`      // how many it was learned from
	Distance string       `json:"distance,omitempty"` // as written: "50 %", "2 uS/cm"
	At       reading.Wall `json:"at,omitempty"`
	Who      string       `json:"who,omitempty"`
	Why      string       `json:"why,omitempty"`
	Bound    bool         `json:"bound,omitempty"` // the bound that always applies is the nearer one, and decides
}

// Trust is the evidence whether the sensors stood in fresh, cooled, flowing sample.
type Trust struct {
	FlowKnown   bool    `json:"flow_known,omitempty"`
	Flow        float64 `json:"flow_ml_per_min,omitempty"`
	TempKnown   bool    `json:"temperature_known,omitempty"`
	Temp        float64 `json:"temperature,omitempty"`
	TempUnit    string  `json:"temperature_unit,omitempty"`
	Valve       string  `json:"valve,omitempty"`  // open, closed, not confirmed, from flow
	Reason      string  `json:"reason,omitempty"` // the reason the sample is not representative; empty when it is
	FlushedML   float64 `json:"flushed_ml,omitempty"`
	OwedML      float64 `json:"owed_ml,omitempty"`
	Silenced    string  `json:"silenced,omitempty"` // a standing override or check, with who and until when
	ValveByWhom string  `json:"valve_by,omitempty"`

	// Of a panel whose valve rillwatch may ask to close.
	Request   string `json:"close_request,omitempty"` // none, asked, taken, failing, suspended
	HeldCause string `json:"held_cause,omitempty"`    // empty: not held closed

	// A standing override of the close request. It stands in every event of its panel.
	OverrideBy    string        `json:"override_by,omitempty"`
	OverrideWhy   string        `json:"override_why,omitempty"`
	OverrideUntil reading.Wall  `json:"override_until,omitempty"`
	OverrideLeft  time.Duration `json:"override_left_ns,omitempty"`

	Silences []Silence `json:"silences,omitempty"` // alarms of the panel that are shelved or out of service
}

// FirstOut is the first cause of a close condition with what was seen, and where the readings before it stand in the logbook.
type FirstOut struct {
	Cause     string        `json:"cause"`
	At        reading.Stamp `json:"at"`
	Value     *Value        `json:"value,omitempty"` // the temperature that was the cause, or is lost
	FlowKnown bool          `json:"flow_known,omitempty"`
	Flow      float64       `json:"flow_ml_per_min,omitempty"`
	Valve     string        `json:"valve,omitempty"`
	Boot      string        `json:"boot"`    // the readings of this boot ...
	From      time.Duration `json:"from_up"` // ... from this time since its start, ten minutes before or the start itself ...
	To        time.Duration `json:"to_up"`   // ... to this
}

// Excursion is one episode beyond a limit, as far as it has gone.
type Excursion struct {
	ID            string        `json:"id"` // the ID of the event that raised it
	Alarm         string        `json:"alarm"`
	Point         string        `json:"point"`
	Unit          string        `json:"unit"`
	Decimals      int           `json:"decimals"`
	Start         reading.Stamp `json:"start"`
	End           reading.Stamp `json:"end,omitzero"` // zero while open
	Peak          float64       `json:"peak"`
	PeakBound     string        `json:"peak_bound"`
	PeakAt        reading.Stamp `json:"peak_at"`
	Beyond        time.Duration `json:"beyond_ns"`
	Within        time.Duration `json:"within_ns"`
	UnknownTime   time.Duration `json:"unknown_ns"`
	Suspended     time.Duration `json:"suspended_ns"`
	LengthUnknown bool          `json:"length_not_known,omitempty"` // a restart whose length nobody knows lies within
	Integral      float64       `json:"integral_unit_h"`            // distance beyond the limit over time, unit x hours
	IntegralLow   bool          `json:"integral_is_lower_bound,omitempty"`
	Mean          float64       `json:"mean_beyond"`
	Open          bool          `json:"open"`
	AckBy         string        `json:"acknowledged_by,omitempty"`
	AckAt         reading.Stamp `json:"acknowledged_at,omitzero"`
	Limit         LimitValue    `json:"limit"`

	IntegralUpper float64       `json:"integral_upper_unit_h,omitempty"` // with every gap at the larger of the distances at its ends
	UpperKnown    bool          `json:"integral_upper_known,omitempty"`
	Valid         float64       `json:"valid_share,omitempty"` // of beyond, within and unknown: what was seen; off-line time is in no share
	ValidKnown    bool          `json:"valid_share_known,omitempty"`
	LongestGap    time.Duration `json:"longest_gap_ns,omitempty"`  // the longest run of unknown time
	StartUnsure   bool          `json:"start_uncertain,omitempty"` // the wall clock was not to be trusted then
	EndUnsure     bool          `json:"end_uncertain,omitempty"`
	Ended         string        `json:"ended,omitempty"`  // returned, limit_changed, limit_removed, panel_removed
	Before        string        `json:"before,omitempty"` // the record of the same episode under the limit as it was before
	Links         []Link        `json:"links,omitempty"`  // what else was going on, by its beginning
	MoreLinks     int           `json:"more_links,omitempty"`
}
