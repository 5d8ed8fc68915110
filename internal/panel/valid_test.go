package panel

import "testing"

// Every history of sixteen quarter-hours, four hours, against the sentence of the rule: told from the end of the second of two hours in a row with
// fewer than three of four, until the end of an hour with three or more.
func TestTooLittleIsTwoHoursInARowWithFewerThanThreeOfFour(t *testing.T) {
	lacking := 0
	for history := range 1 << 16 {
		var v Valid
		for q := range 16 {
			v.quarter(history>>q&1 == 1)
			want := false
			hours := (q + 1) / 4
			for h := range hours { // look at every whole hour so far, the last one decides
				held, before := 0, 4
				for k := range 4 {
					held += history >> (4*h + k) & 1
				}
				if h > 0 {
					before = 0
					for k := range 4 {
						before += history >> (4*(h-1) + k) & 1
					}
				}
				if held >= 3 {
					want = false
				} else if before < 3 {
					want = true
				}
			}
			if v.Lacking != want {
				t.Fatalf("history %016b after %d quarter-hours: %v, want %v", history, q+1, v.Lacking, want)
			}
			if want {
				lacking++
			}
		}
		if v.Done != 0 || v.Held != 0 || v.Missed > hoursTold {
			t.Fatalf("%+v is not bounded", v)
		}
	}
	if lacking < 10_000 {
		t.Errorf("only %d", lacking)
	}
}
