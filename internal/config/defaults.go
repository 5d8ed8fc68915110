package config

import (
	"math"
	"time"

	"rillwatch/internal/quantity"
)

// Every default of the file stands here, with its reason. "Judgement" marks a figure without an outside source; "common
// practice" one that the trade uses without a document we could read.
const (
	periodDefault  = time.Second            // judgement: far below any lag of a sample line, and light for any controller
	periodMin      = 100 * time.Millisecond // faster than any wet sensor moves; stops a slip from flooding a gateway
	periodMax      = time.Hour              // slower than this nothing can be judged
	timeoutDefault = 500 * time.Millisecond // judgement: ten times the answer of a controller, half of the default period
	timeoutMin     = 10 * time.Millisecond
	timeoutMax     = time.Second // a request cannot be given up earlier, so a stop would take as long
	refreshMax     = time.Hour

	baudUsual     = 19200            // named in hints only: Modbus over Serial Line V1.02, 2.5.1, where it is the default every device must have
	parityDefault = "even"           // ditto
	soleSilence   = 30 * time.Second // judgement: a controller that asks at all asks more often
	soleMin       = time.Second      // between two rounds of another master a line may well be silent for less
	soleMax       = 10 * time.Minute
	turnaroundMax = 4 * time.Second // with a read beside it, within the longest timeout of a line
	identityEvery = time.Minute     // judgement: a device is not exchanged faster, and its number costs wire time that readings need
	identityMax   = 32              // registers: 64 characters, the longest text a message can use

	closeMax = 5 * time.Second // from a hot measurement to the close condition, on a clean line

	lostAfterMin     = 10 * time.Second // a temperature lost this long, or three periods, is lost
	lostAfterPeriods = 3
	hotUpdatesWithin = 5 * time.Second // two hot updates further apart than this do not confirm each other

	warnDefault   = "40 degC"        // common practice: just warm to the hand is about 38 degC
	closeDefault  = "120 degF"       // common practice: most wetted sensors end at 45 to 50 degC
	travelDefault = 15 * time.Second // judgement: a motorised ball valve turns in 5 to 15 s
	travelMax     = 10 * time.Minute
	riseDefault   = "2 degC" // a minute; judgement: a cooler that dies passes it within seconds, the day's swing of cooling water never

	flowLowDefault  = 50.0  // mL/min, common practice for sensor cells
	flowHighDefault = 500.0 // mL/min

	longestDefault = 125 // registers in one read: Modbus Application Protocol V1.1b3, 6.3

	listenDefault = "127.0.0.1:9618" // this machine only
	flushDefault  = 10 * time.Second // judgement: at most so much of the readings is lost with the power
	flushMin      = time.Second
	flushMax      = 10 * time.Minute
	zoneDefault   = "UTC"
	priorityName  = "medium"

	delayMax = 24 * time.Hour
)

// habit is what is taken for a quantity when the file does not say. Texts have their own unit and are converted to the point's.
type habit struct {
	quantity   quantity.Quantity
	resolution string // of a float; an integer has its scale

	faultBelow, faultAbove string // outside: the signal cannot be a measurement; empty: no such end
	faultWhy               string

	deadbandShare     float64 // of the limit
	deadband          string  // at least this
	deadbandWhy       string
	onDelay, offDelay time.Duration
	delayWhy          string
}

const (
	analyser  = "judgement: the alarm tables have no row for analysers, so it goes by the limit and not by the span"
	starting  = "common practice for alarm systems, a value to start from"
	analyser2 = "judgement: the alarm tables have no row for analysers"
)

// habits by quantity. Fault ranges are wide on purpose: top of range is a result, only the impossible is a fault.
var habits = []habit{
	{quantity.Temperature, "0.1 degC", "-10 degC", "150 degC", "judgement: a broken or shorted temperature sensor reads far outside a water line",
		0, "1 degC", starting, time.Minute, time.Minute, starting},
	{quantity.DissolvedOxygen, "0.1 ppb", "-10 ppb", "20000 ppb", "below the drift of a zero; above what air can dissolve in water, 14.6 mg/L at 0 degC",
		0.1, "0.5 ppb", analyser, 5 * time.Minute, 10 * time.Minute, analyser2},
	{quantity.Conductivity, "0.001 uS/cm", "-1 uS/cm", "1e6 uS/cm", "judgement: below any drift of a zero; above any brine",
		0.1, "", analyser, 3 * time.Minute, 5 * time.Minute, analyser2},
	{quantity.Resistivity, "0.01 MOhm.cm", "-0.1 MOhm.cm", "100 MOhm.cm", "judgement: above the purest water, cold",
		0.1, "", analyser, 3 * time.Minute, 5 * time.Minute, analyser2},
	{quantity.Flow, "1 mL/min", "", "", "",
		0.05, "", starting, 15 * time.Second, 15 * time.Second, starting},
	{quantity.Pressure, "", "", "", "",
		0.02, "", starting, 15 * time.Second, 15 * time.Second, starting},
	{quantity.PH, "0.01 pH", "-1 pH", "15 pH", "judgement: outside any water",
		0, "0.1 pH", analyser2, 3 * time.Minute, 5 * time.Minute, analyser2},
	{quantity.ORP, "1 mV", "-2000 mV", "2000 mV", "judgement: beyond the decomposition of water on either side",
		0, "15 mV", analyser2, 5 * time.Minute, 10 * time.Minute, analyser2},
	{quantity.Sulfite, "0.1 ppm", "-5 ppm", "5000 ppm", "judgement: far beyond any dose",
		0, "2 ppm", analyser2, 10 * time.Minute, 15 * time.Minute, analyser2},
	{quantity.Dye, "0.1 ppb", "-10 ppb", "10000 ppb", "judgement: far beyond any dose",
		0.05, "", analyser2, 10 * time.Minute, 10 * time.Minute, analyser2},
	{quantity.Ratio, "0.1 %", "", "", "", 0.05, "", starting, time.Minute, time.Minute, starting},
	{quantity.Number, "0.001 number", "", "", "", 0.05, "", starting, time.Minute, time.Minute, starting},
	{quantity.Length, "1 mm", "", "", "", 0.05, "", starting, time.Minute, time.Minute, starting},
	{quantity.Chloride, "0.1 ppm", "-1 ppm", "20000 ppm", "judgement: beyond sea water",
		0.1, "", analyser2, 10 * time.Minute, 10 * time.Minute, analyser2},
	{quantity.Dose, "0.01 ppm", "", "", "", 0.1, "", analyser2, 10 * time.Minute, 10 * time.Minute, analyser2},
	{quantity.Duration, "1 s", "", "", "", 0.05, "", starting, time.Minute, time.Minute, starting},
	{quantity.TemperatureDifference, "0.1 K(diff)", "", "", "", 0, "0.5 K(diff)", starting, 5 * time.Minute, 5 * time.Minute, starting},
	{quantity.Volume, "1 mL", "", "", "", 0.05, "", starting, time.Minute, time.Minute, starting},
}

// habitOf gives the habit of a quantity; a state has none and none is needed.
func habitOf(q quantity.Quantity) habit {
	for _, h := range habits {
		if h.quantity == q {
			return h
		}
	}
	return habit{}
}

// resolutionOf is the default step of the display of a float, in unit. Pressure has two kinds that do not convert, so its step
// is found among the units of the point's own kind: one of them always converts.
func resolutionOf(h habit, unit quantity.Unit) float64 {
	if h.quantity == quantity.Pressure {
		for _, step := range []string{"0.01 bar(g)", "0.01 bar(a)"} {
			v, from, err := quantity.ParseValue(step, quantity.Pressure)
			if err != nil {
				continue
			}
			if v, _, err = quantity.ConvertDifference(v, from, unit); err == nil {
				return v
			}
		}
	}
	v, _ := inUnit(h.resolution, unit, true)
	return v
}

// inUnit converts a text of this file to unit. A text that does not convert is a fault of this file, and the test of the table
// finds it.
func inUnit(s string, unit quantity.Unit, difference bool) (float64, bool) {
	if s == "" {
		return 0, false
	}
	v, from, err := quantity.ParseValue(s, unit.Quantity())
	if err != nil {
		return 0, false
	}
	convert := quantity.Convert
	if difference {
		convert = quantity.ConvertDifference
	}
	v, _, err = convert(v, from, unit)
	return v, err == nil
}

// deadbandOf is the default deadband of a limit at value, in unit, and how it came about.
func deadbandOf(h habit, value float64, unit quantity.Unit) (float64, string) {
	least, _ := inUnit(h.deadband, unit, true)
	share := h.deadbandShare * math.Abs(value)
	switch {
	case h.deadbandShare == 0:
		return least, h.deadbandWhy
	case h.deadband == "":
		return share, num(100*h.deadbandShare) + " % of the limit; " + h.deadbandWhy
	}
	return max(share, least), num(100*h.deadbandShare) + " % of the limit, at least " + h.deadband + "; " + h.deadbandWhy
}
