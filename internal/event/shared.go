package event

import (
	"unicode/utf8"

	"rillwatch/internal/site"
)

// MeanBound says on which side the true mean of an excursion lies when part of it was beyond the sensor's range: above, below, or exact.
func (x *Excursion) MeanBound() string {
	switch {
	case !x.IntegralLow:
		return "exact"
	case x.Limit.Side == site.Low.String():
		return "below"
	}
	return "above"
}

// Clip cuts a text to n characters (at least 3) and says so.
func Clip(s string, n int) string {
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	return string([]rune(s)[:n-3]) + "..."
}
