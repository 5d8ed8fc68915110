package config

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

const (
	day = 24 * time.Hour

	keepDefault      = 400 * day  // judgement: the same month of last year beside this one
	keepLongDefault  = 3650 * day // judgement: the life of a set of sensors; ten years of hours of 30 points are 130 MB
	keepMin, keepMax = 7 * day, 36500 * day

	diskDefault      = 4_000_000_000 // bytes: four years of 30 points at 1 Hz, measured, and half of a small card
	diskMin, diskMax = 100_000_000, 1_000_000_000_000
)

// readKeeping reads how long what is kept, and how much room it may take.
func (d *doc) readKeeping(t table) {
	l := &d.out.Logbook
	l.Keep, l.KeepHours, l.KeepEvents, l.Disk = keepDefault, keepLongDefault, keepLongDefault, diskDefault
	if keep, ok := t.days("keep"); ok {
		l.Keep = keep
		l.KeepHours, l.KeepEvents = max(l.KeepHours, keep), max(l.KeepEvents, keep)
	} else if !t.has("keep") {
		t.took("keep", inDays(keepDefault), "readings older than that go, a week at a time")
	}
	for _, longer := range [...]struct {
		key, what, why string
		into           *time.Duration
	}{
		{"keep_hours", "hourly values", "hourly minimum, mean and maximum outlive the readings", &l.KeepHours},
		{"keep_events", "events", "events and excursions outlive the readings", &l.KeepEvents},
	} {
		keep, ok := t.days(longer.key)
		switch {
		case ok && keep < l.Keep:
			t.wrong(longer.key, fmt.Sprintf("%s is shorter than the %s the readings are kept", inDays(keep), inDays(l.Keep)),
				"keep "+longer.what+" at least as long: without them old readings explain nothing")
		case ok:
			*longer.into = keep
		case !t.has(longer.key):
			t.took(longer.key, inDays(*longer.into), longer.why)
		}
	}
	if disk, ok := t.bytes("disk"); ok {
		l.Disk = disk
	} else if !t.has("disk") {
		t.took("disk", inBytes(diskDefault), "beyond it the oldest readings go, whatever their age, and the gap is recorded")
	}
}

// days reads a time in days.
func (t table) days(key string) (time.Duration, bool) {
	do := fmt.Sprintf(`write a whole number of days in quotes, such as "400d", from %s to %s`, inDays(keepMin), inDays(keepMax))
	v, ok := t.m[key]
	if !ok {
		return 0, false
	}
	s, ok := v.(string)
	if !ok {
		t.notA(key, "a time in days", do)
		return 0, false
	}
	digits, unit := strings.CutSuffix(s, "d")
	n, err := strconv.ParseUint(digits, 10, 32)
	switch {
	case !unit || err != nil:
		t.wrong(key, fmt.Sprintf("%q is not a number of days", s), do)
	case n < uint64(keepMin/day) || n > uint64(keepMax/day):
		t.wrong(key, fmt.Sprintf("%s is outside %s to %s", s, inDays(keepMin), inDays(keepMax)), do)
	default:
		return time.Duration(n) * day, true
	}
	return 0, false
}

func inDays(d time.Duration) string { return strconv.FormatInt(int64(d/day), 10) + "d" }

// bytes reads an amount of room on a disk, in powers of ten as disks are sold.
func (t table) bytes(key string) (int64, bool) {
	do := fmt.Sprintf(`write a number and MB or GB in quotes, such as "4 GB", from %s to %s`, inBytes(diskMin), inBytes(diskMax))
	v, ok := t.m[key]
	if !ok {
		return 0, false
	}
	s, ok := v.(string)
	if !ok {
		t.notA(key, "an amount of bytes with its unit", do)
		return 0, false
	}
	number, unit, _ := strings.Cut(s, " ")
	size, known := map[string]float64{"MB": 1e6, "GB": 1e9}[unit]
	n, err := strconv.ParseFloat(number, 64)
	switch {
	case !known || err != nil || math.IsNaN(n):
		t.wrong(key, fmt.Sprintf("%q is not an amount of bytes", s), do)
	case n*size < diskMin || n*size > diskMax:
		t.wrong(key, fmt.Sprintf("%s is outside %s to %s", s, inBytes(diskMin), inBytes(diskMax)), do)
	default:
		return int64(n * size), true
	}
	return 0, false
}

func inBytes(n int64) string {
	if n >= 1e9 {
		return strconv.FormatFloat(float64(n)/1e9, 'g', -1, 64) + " GB"
	}
	return strconv.FormatFloat(float64(n)/1e6, 'g', -1, 64) + " MB"
}
