package site

import (
	"testing"
	"time"

	"rillwatch/internal/reading"
)

// By hand: at 9600 baud a character of 11 bits takes 1.1458 ms; 10 registers are 8 characters out and 25 back, and 3.5 before them.
func TestOneReadTakesWhatItsCharactersTake(t *testing.T) {
	for _, c := range []struct {
		baud  int
		turn  time.Duration
		table reading.Table
		count int
		want  time.Duration
	}{
		{9600, 0, reading.Holding, 10, 41823 * time.Microsecond}, // 36.5 x 11/9600
		{9600, 100 * time.Millisecond, reading.Input, 10, 141823 * time.Microsecond},
		{19200, 0, reading.Holding, 10, 20911 * time.Microsecond}, // the reference's 22.4 ms less its 1.5 ms of turnaround
		{38400, 0, reading.Holding, 1, 6047 * time.Microsecond},   // 1.75 ms + 15 x 11/38400
		{1200, 0, reading.Holding, 125, 2443 * time.Millisecond},  // 266.5 x 11/1200
		{9600, 0, reading.Discrete, 9, 21198 * time.Microsecond},  // 8 + 5 + 2 + 3.5 characters
		{9600, 0, reading.Coil, 8, 20052 * time.Microsecond},
	} {
		got := ReadTime(c.baud, c.turn, c.table, c.count)
		if off := got - c.want; off < -time.Millisecond/2 || off > time.Millisecond/2 {
			t.Errorf("%d %s at %d baud: %v, want %v", c.count, c.table, c.baud, got, c.want)
		}
	}
	if Char(0) != 0 || Char(-1) != 0 {
		t.Error("a rate of nothing has a time")
	}
}

func TestTheSlowestDeviceOnABusSetsItsTurnaround(t *testing.T) {
	s := Site{Buses: []Bus{{Sensors: []int{0, 1}}, {Sensors: []int{2}}, {}}, Sensors: []Sensor{{Turnaround: 20 * time.Millisecond}, {Turnaround: 300 * time.Millisecond}, {}}}
	for bus, want := range []time.Duration{300 * time.Millisecond, TurnaroundUsual, TurnaroundUsual} {
		if got := s.Turnaround(bus); got != want {
			t.Errorf("bus %d: %v, want %v", bus, got, want)
		}
	}
}
