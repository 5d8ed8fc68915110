package notify

import (
	"strings"
	"testing"
	"time"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// TestTheHourThatComesTwiceIsToldApart: on the last Sunday of October half past one comes twice at Larkfield, and a person who reads a message of
// that night must see which. Source of the moment: the EU's end of summer time, 01:00 UTC, which the United Kingdom keeps (Summer Time Act
// 1972, as amended 2002).
func TestTheHourThatComesTwiceIsToldApart(t *testing.T) {
	london, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	for up, want := range map[time.Duration]string{
		-30 * time.Minute: "01:30:00 BST on Sunday 25 October 2026",
		30 * time.Minute:  "01:30:00 GMT on Sunday 25 October 2026",
	} {
		e := event.Event{Kind: event.Started, At: reading.Stamp{Wall: reading.WallOf(time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC).Add(up))}}
		tell := &teller{s: &site.Site{}, e: &e, zone: london}
		if got := tell.moment(e.At.Wall); got != want {
			t.Errorf("%s from the change: %q, want %q", up, got, want)
		}
	}
}

// TestATimeOfAClockThatIsNotBelievedIsToldAsSuch: the date may look like any other.
func TestATimeOfAClockThatIsNotBelievedIsToldAsSuch(t *testing.T) {
	e := event.Event{Kind: event.BusLost, At: reading.Stamp{Wall: reading.WallOf(time.Date(2026, 3, 1, 2, 0, 0, 0, time.UTC))}, ClockUncertain: true}
	tell := &teller{s: &site.Site{}, e: &e, zone: time.UTC}
	if got := tell.moment(e.At.Wall); !strings.HasSuffix(got, "by a clock that is not to be trusted") {
		t.Errorf("%q does not say so", got)
	}
	if got := tell.hour(e.At.Wall); got != "" {
		t.Errorf("the headline gives %q for a time nobody knows", got)
	}
	if p := payloadOf(&e, message{}); !p.TimeUncertain {
		t.Error("the payload does not say that the time is uncertain")
	}
}
