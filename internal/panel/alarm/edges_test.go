package alarm

import (
	"testing"
	"time"

	"rillwatch/internal/site"
)

func TestWhatIsRefusedIsNoTelling(t *testing.T) {
	for tell := TellNothing; tell < tellCount; tell++ {
		refused := tell == RefuseNothingToAck || tell == RefuseSilenced || tell == RefuseNotShelved || tell == RefuseAlreadyOut || tell == RefuseNotOut
		if tell.Refusal() != refused {
			t.Errorf("%v: refusal %v", tell, tell.Refusal())
		}
	}
}

// What has come and gone is kept, and so is that it was called unsteady.
func TestSwingsAreKeptWhileThereAreAny(t *testing.T) {
	if !(Swings{}).IsZero() || (Swings{Count: 1}).IsZero() || (Swings{Unsteady: true}).IsZero() {
		t.Error("a count is something to keep, and nothing is not")
	}
}

// A window that is shorter than twenty nanoseconds has no parts; it makes no rate, and it breaks nothing.
func TestAWindowWithoutPartsMakesNoRate(t *testing.T) {
	l := &site.Limit{}
	var s Rate
	for i := range 10 {
		s = s.turn(l)
		s.now += time.Second
		s.open.n++
		if s.known {
			t.Fatalf("a rate after %d s", i)
		}
	}
}
