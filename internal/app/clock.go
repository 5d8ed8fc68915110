package app

import (
	"os"
	"syscall"
	"time"

	"rillwatch/internal/logbook"
	"rillwatch/internal/reading"
)

// certainAfter is a date this program cannot be older than: a clock before it has not been set. Boxes without a battery clock
// start in 1970, or at the date of their firmware.
var certainAfter = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// plausible tells whether a wall clock may be right at all.
func plausible(at reading.Stamp) bool { return at.Wall.Time().After(certainAfter) }

// Why a wall clock is not believed.
const (
	clockNotSet    = "not set"
	clockBehind    = "before the last start"
	clockNotSynced = "not synchronised"
)

// clock says whether the wall clock is believed. It is not when it was never set; when it stands before a time the logbook knows to have
// been; or when this box has had its clock synchronised in an earlier start and the system says that it has not yet since it was switched
// on, because what such a box shows after a power failure is the time of the failure. It is believed from the first moment at which the
// system says synchronised, somebody sets it, or it has become later than what is known; and then until it is set to a time that
// cannot be.
type clock struct {
	system  func() (synced, known bool)
	floor   reading.Wall // the latest wall clock an earlier start was certain of; 0 when there is none
	expects bool         // an earlier start was synchronised
	synced  bool         // the system has said so in this start
	certain bool
	why     string // it is not
	asked   bool
}

func newClock(r logbook.Restored, system func() (synced, known bool)) *clock {
	return &clock{system: system, floor: r.Floor, expects: r.Synced}
}

// look judges the clock at a moment, and tells whether its being believed has changed. stepped says that it was set since the last look.
func (c *clock) look(at reading.Stamp, stepped bool) (changed bool) {
	synced, known := false, false
	if c.system != nil {
		synced, known = c.system()
	}
	c.synced = c.synced || synced
	was, first := c.certain, !c.asked
	c.asked = true
	switch {
	case !plausible(at):
		c.certain, c.why = false, clockNotSet
	case synced, c.certain, stepped && !first:
		c.certain, c.why = true, ""
	case at.Wall < c.floor:
		c.certain, c.why = false, clockBehind
	case c.expects && known:
		c.certain, c.why = false, clockNotSynced
	default:
		c.certain, c.why = true, ""
	}
	return first || was != c.certain
}

// unsynchronised is the kernel's mark of a clock that nobody keeps (STA_UNSYNC, linux/timex.h).
const unsynchronised = 0x40

// systemClock asks whether the clock is synchronised: the kernel, and where a sandbox does not let us ask it, the mark systemd-timesyncd
// leaves when it has set the clock since the box was switched on.
func systemClock() (synced, known bool) {
	var x syscall.Timex
	if _, err := syscall.Adjtimex(&x); err == nil {
		return x.Status&unsynchronised == 0, true
	}
	if _, err := os.Stat("/run/systemd/timesync"); err != nil {
		return false, false
	}
	_, err := os.Stat("/run/systemd/timesync/synchronized")
	return err == nil, true
}
