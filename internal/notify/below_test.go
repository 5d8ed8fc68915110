package notify

import (
	"testing"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// Nothing is below nothing: where the display would round what bounds the truth from above to none, more digits are said.
func TestAMessageNeverSaysBelowZero(t *testing.T) {
	for _, c := range []struct {
		value    float64
		bound    reading.Bound
		decimals int
		want     string
	}{
		{0.0012, reading.Below, 2, "below 0.001 mg/L as SO3"},
		{0.5, reading.Below, 0, "below 0.5 mg/L as SO3"},
		{0.2, reading.Below, 1, "below 0.2 mg/L as SO3"},
		{0.0012, reading.Exact, 2, "0.00 mg/L as SO3"},
	} {
		v := event.Value{Value: c.value, Bound: c.bound.String(), Decimals: c.decimals, Unit: "mg/L", Reason: reading.Believed.String()}
		if got, _ := reads(&v, "SO3"); got != c.want {
			t.Errorf("%+v: %q, want %q", c, got, c.want)
		}
	}
}
