package notify

import (
	"math"
	"strconv"
	"strings"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
)

// numberMax is from where on a number is no longer written out: no instrument of a water panel shows more digits, and a headline
// has room for no more.
const numberMax = 1e9

// number writes v with so many digits after the point. ok is false for what is no number.
func number(v float64, decimals int) (s string, ok bool) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "", false
	}
	if math.Abs(v) >= numberMax {
		mantissa, exponent, _ := strings.Cut(strconv.FormatFloat(v, 'e', 2, 64), "e")
		n, _ := strconv.Atoi(exponent) // FormatFloat's own
		return mantissa + " times 10 to the " + strconv.Itoa(n), true
	}
	s = strconv.FormatFloat(v, 'f', min(max(decimals, 0), 6), 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s, true
}

// written gives a limit as its owner wrote it: with the digits it needs, but never with the dust of a conversion.
func written(v float64, decimals int) (string, bool) {
	if s := strconv.FormatFloat(v, 'f', -1, 64); math.Abs(v) < numberMax && len(s) <= 8 {
		return s, !math.IsNaN(v)
	}
	return number(v, decimals)
}

// withUnit puts the unit after a number as it is said: "31.4 ug/L", "18 ppm as SO3", "6.2 bar gauge"; pH stands before it.
func withUnit(number, unit, basis string) string {
	shown := displayed(unit)
	if shown == "pH" {
		return "pH " + number
	}
	s := number
	if shown != "" {
		s += " " + shown
	}
	if basis != "" {
		s += " as " + basis
	}
	return s
}

// displayed is how a unit is printed for people. An event outlives the table of units, so an unknown one is printed as it is.
func displayed(name string) string {
	for _, q := range quantity.Quantities() {
		for _, u := range q.Units() {
			if u.Name() == name {
				return u.Display()
			}
		}
	}
	if i := strings.LastIndexByte(name, '/'); i > 0 { // of a rate: the unit and a time
		if of := displayed(name[:i]); of != name[:i] {
			return of + name[i:]
		}
	}
	return name
}

// unitOf finds a unit of one quantity by its name.
func unitOf(name string, q quantity.Quantity) (quantity.Unit, bool) {
	for _, u := range q.Units() {
		if u.Name() == name {
			return u, true
		}
	}
	return quantity.Unit{}, false
}

// round takes the noughts after the point from the end of a sensor's range: they measure nothing.
func round(number, bound string) string {
	if bound == reading.Exact.String() || !strings.Contains(number, ".") {
		return number
	}
	return strings.TrimSuffix(strings.TrimRight(number, "0"), ".")
}

// bounded says a number with what it bounds: a sensor at the end of its range gives no number of its own.
func bounded(amount, bound string) string {
	switch bound {
	case reading.Above.String():
		return "more than " + amount
	case reading.Below.String():
		return "below " + amount
	}
	return amount
}

// believed tells whether a value may be said as a number, and why not. Nobody shall act on a number that describes stagnant water.
func believed(v *event.Value) (why reading.Reason, ok bool) {
	if v == nil {
		return reading.Unknown, false
	}
	r, known := reading.ParseReason(v.Reason)
	if !known {
		return reading.Unknown, false
	}
	return r, r.Quality() != reading.Bad && r.Row().Counts && !math.IsNaN(v.Value) && !math.IsInf(v.Value, 0)
}

// spell says a duration in words people use; less than ten minutes with its seconds.
func spell(d time.Duration) string {
	d = max(d, 0)
	step := time.Minute
	switch {
	case d < 10*time.Minute:
		step = time.Second
	case d >= 48*time.Hour:
		step = time.Hour
	}
	return spellIn(d, step)
}

// spellIn says a duration in whole steps of a second, a minute or an hour.
func spellIn(d, step time.Duration) string {
	if d > 0 && d < step/2 {
		return "less than 1 " + map[time.Duration]string{time.Second: "s", time.Minute: "min", time.Hour: "h"}[step]
	}
	d = d.Round(step)
	days, d := d/(24*time.Hour), d%(24*time.Hour)
	hours, d := d/time.Hour, d%time.Hour
	minutes, d := d/time.Minute, d%time.Minute
	seconds := d / time.Second
	var parts []string
	add := func(n time.Duration, unit string) {
		if n > 0 {
			parts = append(parts, strconv.FormatInt(int64(n), 10)+" "+unit)
		}
	}
	add(days, "d")
	add(hours, "h")
	add(minutes, "min")
	add(seconds, "s")
	if len(parts) == 0 {
		return "none"
	}
	return strings.Join(parts, " ")
}

// shares rounds times to one step so that the rounded parts add up to the rounded whole: what is missing goes to the parts that lost most.
func shares(parts []time.Duration) (rounded []time.Duration, whole, step time.Duration) {
	for _, p := range parts {
		whole += max(p, 0)
	}
	step = time.Second
	if whole >= time.Hour {
		step = time.Minute
	}
	whole = whole.Round(step)
	rounded = make([]time.Duration, len(parts))
	left := whole
	for i, p := range parts {
		rounded[i] = max(p, 0).Truncate(step)
		left -= rounded[i]
	}
	for left > 0 {
		most := 0
		for i, p := range parts {
			if p-rounded[i] > parts[most]-rounded[most] {
				most = i
			}
		}
		rounded[most] += step
		left -= step
	}
	return rounded, whole, step
}

// share says one of the rounded times; one that rounding took away entirely is still not nothing.
func share(exact, rounded, step time.Duration) string {
	if rounded == 0 && exact > 0 {
		return spellIn(1, step)
	}
	return spellIn(rounded, step)
}

// Times of day. A clock that was never set tells no time.

func clockSet(w reading.Wall) bool { return w >= clockSetAfter }

// zoneName is the zone's abbreviation at a moment; where the zone has none, its distance from UTC.
func zoneName(at time.Time) string {
	name := at.Format("MST")
	if strings.HasPrefix(name, "+") || strings.HasPrefix(name, "-") {
		if len(name) > len("+05") {
			name = name[:3] + ":" + name[3:]
		}
		return "UTC" + name
	}
	return name
}

// moment says when, for a text: time, zone and date.
func (t *teller) moment(w reading.Wall) string {
	if !clockSet(w) {
		return "a time that is uncertain (the clock was not set)"
	}
	at := w.Time().In(t.zone)
	s := at.Format("15:04:05 ") + zoneName(at) + at.Format(" on Monday 2 January 2006")
	if t.e.ClockUncertain {
		s += " by a clock that is not to be trusted"
	}
	return s
}

// hour says when, for a headline; empty when nobody knows.
func (t *teller) hour(w reading.Wall) string {
	if !clockSet(w) || t.e.ClockUncertain {
		return ""
	}
	at := w.Time().In(t.zone)
	return at.Format("15:04 ") + zoneName(at)
}

// placesOf is how many digits after the point a value is said with: more than its display has where it bounds the truth from above and would
// round to none, for nothing is below nothing.
func placesOf(v *event.Value) int {
	places := v.Decimals
	for v.Bound == reading.Below.String() && v.Value > 0 && places < 6 && strings.Trim(strconv.FormatFloat(v.Value, 'f', max(places, 0), 64), "0.") == "" {
		places++
	}
	return places
}
