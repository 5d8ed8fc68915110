package reading

// Reason says why a reading is believed, doubted or not believed. There is exactly one per reading; of several the worst,
// which is the earliest in this list, is kept. The zero Reason is Unknown.
type Reason uint8

// Reasons, worst first.
const (
	Unknown        Reason = iota // nothing has been heard yet
	Silent                       // no answer
	RefusedRead                  // answered with an exception
	NotANumber                   // NaN or infinite
	NoValue                      // the device's own "no value" word
	FaultRange                   // outside the range in which the signal can be a measurement
	BelowWater                   // below what water can be at this temperature
	SensorFault                  // the sensor's status register reports a fault
	SensorHold                   // the sensor's status register says it holds its output
	NotUpdating                  // the sensor's alive counter stands still
	Stale                        // the last answer is too old
	CheckInHand                  // a person has the sensor out, in a standard
	ValveClosed                  // the sample valve is closed: the cell is a stagnant pocket
	NotConfirmed                 // whether the sample valve is open cannot be told
	HotSample                    // the sample is hotter than the sensors may be believed at
	NoFlow                       // no sample flows
	FlowOutside                  // the sample flow is outside the panel's range
	Flushing                     // fresh water has not yet replaced what stood in the line
	Settling                     // the sensor is still settling after air or standing water
	Frozen                       // the value does not move though a sibling does
	Jumped                       // the value moved faster than water usually does
	CrossCheck                   // another sensor of the stream contradicts it
	AboveCeiling                 // at the top of the sensor's range: the truth is above
	FlowUnproven                 // no flow point: nobody can say whether the sensor saw flow
	TimeUncertain                // the wall clock is not to be trusted
	BelowDetection               // at the bottom of the sensor's range: the truth is below
	Believed                     // nothing speaks against it
	reasonCount
)

// ReasonCount is the number of reasons.
const ReasonCount = int(reasonCount)

// Category is one of the four status signals of NAMUR NE 107, or OK.
type Category uint8

// NE 107 categories.
const (
	OK                 Category = iota
	Failure                     // F: output invalid
	FunctionCheck               // C: output temporarily invalid, work in progress
	OutOfSpecification          // S: measured outside specified conditions
	Maintenance                 // M: still valid, attention needed soon
)

var categoryLetters = [...]string{"ok", "F", "C", "S", "M"}

func (c Category) String() string { return categoryLetters[int(c)%len(categoryLetters)] }

// Row is one line of the reason table.
type Row struct {
	Name     string   // in code, config, API, metrics and logs
	Quality  Quality  // what the reason makes of the reading
	Category Category // NAMUR NE 107
	Counts   bool     // limits are judged by it
	Shown    bool     // its value appears in metrics
	Words    string   // for a person; reads after "the reading is not certain because" or alone
}

// The table. Representative-sample reasons neither count nor show: the value may be right for what stands in the cell, and
// is wrong for the boiler. Reasons that doubt a value which may still be the worst upset of the year count and show.
var reasonTable = [ReasonCount]Row{
	Unknown:        {"unknown", Bad, Failure, false, false, "nothing has been read yet"},
	Silent:         {"silent", Bad, Failure, false, false, "the sensor does not answer"},
	RefusedRead:    {"refused", Bad, Failure, false, false, "the device refuses the question"},
	NotANumber:     {"not_a_number", Bad, Failure, false, false, "the device sends something that is not a number"},
	NoValue:        {"no_value", Bad, Failure, false, false, "the device says it has no value"},
	FaultRange:     {"fault_range", Bad, Failure, false, false, "the signal is outside the range in which it can be a measurement"},
	BelowWater:     {"below_water", Bad, Failure, false, false, "the value is below what water can be"},
	SensorFault:    {"sensor_fault", Bad, Failure, false, false, "the sensor reports a fault of its own"},
	SensorHold:     {"sensor_hold", Bad, FunctionCheck, false, false, "the sensor holds its last value"},
	NotUpdating:    {"not_updating", Bad, Failure, false, false, "the sensor has stopped updating"},
	Stale:          {"stale", Bad, Failure, false, false, "the last answer is too old"},
	CheckInHand:    {"check_in_hand", Uncertain, FunctionCheck, false, false, "a person has the sensor out for a check"},
	ValveClosed:    {"valve_closed", Uncertain, OutOfSpecification, false, false, "the sample valve is closed"},
	NotConfirmed:   {"not_confirmed", Uncertain, OutOfSpecification, false, false, "it is not confirmed that the sample valve is open"},
	HotSample:      {"hot_sample", Uncertain, OutOfSpecification, false, false, "the sample is too hot"},
	NoFlow:         {"no_flow", Uncertain, OutOfSpecification, false, false, "no sample flows"},
	FlowOutside:    {"flow_outside", Uncertain, OutOfSpecification, false, false, "the sample flow is outside its range"},
	Flushing:       {"flushing", Uncertain, OutOfSpecification, false, false, "fresh water has not yet replaced what stood in the line"},
	Settling:       {"settling", Uncertain, FunctionCheck, false, false, "the sensor is still settling"},
	Frozen:         {"frozen", Uncertain, OutOfSpecification, true, true, "the value has not moved though others did"},
	Jumped:         {"jumped", Uncertain, OutOfSpecification, true, true, "the value moved faster than water usually does"},
	CrossCheck:     {"cross_check", Uncertain, OutOfSpecification, true, true, "another sensor of the same stream contradicts it"},
	AboveCeiling:   {"above_ceiling", Uncertain, OutOfSpecification, true, true, "the value is above the top of the sensor's range"},
	FlowUnproven:   {"flow_unproven", Uncertain, OutOfSpecification, true, true, "no flow is measured, so nobody can say whether the sensor saw flow"},
	TimeUncertain:  {"time_uncertain", Uncertain, Maintenance, true, true, "the clock is not to be trusted"},
	BelowDetection: {"below_detection", Good, OK, true, true, "the value is below what the sensor can detect"},
	Believed:       {"believed", Good, OK, true, true, "nothing speaks against it"},
}

// Row gives the reason's line of the table; a number that is no reason is Unknown.
func (r Reason) Row() Row {
	if int(r) < ReasonCount {
		return reasonTable[r]
	}
	return reasonTable[Unknown]
}

func (r Reason) String() string { return r.Row().Name }

// Quality is what the reason makes of a reading.
func (r Reason) Quality() Quality { return r.Row().Quality }

// Worse tells whether r stands before o in the table.
func (r Reason) Worse(o Reason) bool { return r < o }

// ParseReason reads a reason's name.
func ParseReason(s string) (Reason, bool) {
	for i := range reasonTable {
		if reasonTable[i].Name == s {
			return Reason(i), true
		}
	}
	return Unknown, false
}
