package interlock

import (
	"testing"
	"time"
)

// One spike before a stop and one spike after an hour's absence are not two updates within five seconds.
func TestTwoHotUpdatesAnHourApartAcrossARestartAreNoPair(t *testing.T) {
	st := driven(t).temp(25).temp(55)
	if st.out.Hot {
		t.Fatal("one is enough")
	}
	st.now += time.Hour // nobody watched; the first step of a process has no elapsed time
	st.restart()
	st.s, _ = Restart(st.cfg, st.s)
	if st.temp(55); st.out.Hot || st.out.Ask {
		t.Errorf("hot and asked by two single updates an hour apart: %+v", st.out.Holding)
	}
}

// The same for who closed it.
func TestAClosingFoundAnHourAfterARestartIsNotCalledByPanel(t *testing.T) {
	st := begin(t).temp(55).temp(55) // observing
	st.now += time.Hour
	st.restart()
	st.closed().flow(0).temp(25)
	if st.out.ValveBy == ByPanel {
		t.Errorf("closed some time within an hour nobody watched, and told as %q", st.out.ValveBy)
	}
}
