package line

import (
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// TestTheEdgesOfALine: what make mutate found that no story could tell.
func TestTheEdgesOfALine(t *testing.T) {
	open := *usual()
	open.FlowHigh = 0 // no upper end
	fresh(t, &open).flow(5000).run(period).want(reading.Believed)

	// A reading as old as three periods is one, and so is a flow not seen for just as long.
	st := fresh(t, usual())
	st.in.FlowAge = 3 * period
	st.run(time.Minute).want(reading.Believed)
	st = fresh(t, usual())
	st.in.FlowAge = 0
	st.run(period)
	st.in.FlowOK = false
	st.run(3 * period).want(reading.Believed)
	st.run(period).want(reading.NoFlow)

	// Without a lead, water that stopped as soon as it had begun has stood for nothing.
	none := *usual()
	none.LeadML = 0
	st = fresh(t, &none)
	st.flow(0).run(time.Minute).flow(200).poll(period)
	st.flow(0).poll(0)
	if st.out.Stood != 0 {
		t.Errorf("stood %v", st.out.Stood)
	}

	// A lag of a day is no lag any more.
	slow := *usual()
	slow.LeadML, slow.FlowLow = 1440, 0.5
	st = begin(t, &slow).flow(1)
	if st.poll(period); st.out.LagKnown {
		t.Errorf("a lag of %v", st.out.Lag)
	}
	if st.flow(1.001).poll(period); !st.out.LagKnown {
		t.Error("a lag just below a day is not known")
	}

	// Minutes without a reading are no part of the slope, wherever they lie.
	oxygen := opened(t).run(5*time.Minute, 0)
	oxygen.in.Sampled = false
	oxygen.run(5*time.Minute, 0)
	oxygen.in.Sampled = true
	if oxygen.run(5*time.Minute, 0); oxygen.s.Owed {
		t.Error("five minutes without a reading spoiled the ten with one")
	}
}
