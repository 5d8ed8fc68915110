package rig

import (
	"context"
	"errors"
	"io"
	"log"
	"math"
	"net"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/simonvetter/modbus"
)

// patience is how long a test waits for what must come; only a broken run ever waits it out.
const patience = 20 * time.Second

func newPanel(t *testing.T, station uint8) *Panel {
	t.Helper()
	p, err := NewPanel(station, DemoConstants(), 1, nil)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func listen(t *testing.T, panels ...*Panel) *Server {
	t.Helper()
	s, err := Listen("127.0.0.1:0", panels...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Stop(); err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	return s
}

func dial(t *testing.T, s *Server, timeout time.Duration) *modbus.ModbusClient {
	t.Helper()
	c, err := modbus.NewClient(&modbus.ClientConfiguration{URL: s.URL(), Timeout: timeout, Logger: log.New(io.Discard, "", 0)})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Open(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func TestEveryRegisterReadsAsItsTableSays(t *testing.T) {
	s := listen(t, newPanel(t, 1))
	s.step(3 * time.Second)
	c := dial(t, s, patience)
	truth := s.Snapshots()[0]

	// The library decodes; the rig composed by hand. LOW_WORD_FIRST with BIG_ENDIAN is CDAB, HIGH_WORD_FIRST is ABCD.
	c.SetEncoding(modbus.BIG_ENDIAN, modbus.LOW_WORD_FIRST)
	oxygen, err := c.ReadFloat32(0, modbus.HOLDING_REGISTER)
	if err != nil || oxygen != float32(truth.Oxygen) || math.Abs(float64(oxygen)-5) > 0.1 {
		t.Errorf("oxygen %v, %v; truth %v", oxygen, err, truth.Oxygen)
	}
	temperature, err := c.ReadRegister(2, modbus.HOLDING_REGISTER)
	if got := float64(int16(temperature)) / 10; err != nil || math.Abs(got-truth.Temperature) > 0.051 {
		t.Errorf("temperature %v, %v; truth %v", got, err, truth.Temperature)
	}
	c.SetEncoding(modbus.BIG_ENDIAN, modbus.HIGH_WORD_FIRST)
	conductivity, err := c.ReadUint32(3, modbus.HOLDING_REGISTER)
	if got := float64(conductivity) / 1000; err != nil || math.Abs(got-truth.Conductivity) > 0.00051 {
		t.Errorf("conductivity %v, %v; truth %v", got, err, truth.Conductivity)
	}
	alive, err := c.ReadRegister(5, modbus.HOLDING_REGISTER)
	if err != nil || alive != 3 {
		t.Errorf("alive %v, %v; want 3 after 3 s", alive, err)
	}
	flow, err := c.ReadRegister(4, modbus.INPUT_REGISTER)
	if err != nil || math.Abs(float64(flow)-200) > 1 {
		t.Errorf("flow %v, %v", flow, err)
	}
	bits, err := c.ReadDiscreteInputs(0, 2)
	if err != nil || !slices.Equal(bits, []bool{false, true}) {
		t.Errorf("valve closed, feed on: %v, %v", bits, err)
	}
	all, err := c.ReadRegisters(0, 6, modbus.HOLDING_REGISTER)
	if w := truth.Words(); err != nil || !slices.Equal(all, w.Holding[:]) {
		t.Errorf("all holding registers at once: %v, %v", all, err)
	}
}

func TestColdTemperatureAndBigOxygenKeepTheirWords(t *testing.T) {
	w := Snapshot{Temperature: -3.26, Oxygen: 8260, Conductivity: 70.0005}.Words()
	// 8260 = 1.00830078125 x 2^13: sign 0, exponent 140, IEEE 754 single 0x46011000 (worked by hand).
	if w.Holding[0] != 0x1000 || w.Holding[1] != 0x4601 {
		t.Errorf("oxygen words %04x %04x", w.Holding[0], w.Holding[1])
	}
	if int16(w.Holding[2]) != -33 {
		t.Errorf("temperature word %d", int16(w.Holding[2]))
	}
	if w.Holding[3] != 1 || w.Holding[4] != 70001-65536 { // 70.0005 rounds away from zero
		t.Errorf("conductivity words %d %d", w.Holding[3], w.Holding[4])
	}
}

func TestUnlistedAddressesGetException02(t *testing.T) {
	c := dial(t, listen(t, newPanel(t, 1)), patience)
	for name, read := range map[string]func() error{
		"holding 40007":            func() error { _, err := c.ReadRegister(6, modbus.HOLDING_REGISTER); return err },
		"holding 40006 and beyond": func() error { _, err := c.ReadRegisters(5, 2, modbus.HOLDING_REGISTER); return err },
		"input 30004":              func() error { _, err := c.ReadRegister(3, modbus.INPUT_REGISTER); return err },
		"input 30004 to 30005":     func() error { _, err := c.ReadRegisters(3, 2, modbus.INPUT_REGISTER); return err },
		"input 30006":              func() error { _, err := c.ReadRegister(5, modbus.INPUT_REGISTER); return err },
		"discrete 10003":           func() error { _, err := c.ReadDiscreteInput(2); return err },
		"coil 2":                   func() error { _, err := c.ReadCoil(1); return err },
		"writing coil 2":           func() error { return c.WriteCoil(1, true) },
	} {
		if err := read(); err != modbus.ErrIllegalDataAddress {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := c.WriteRegister(0, 1); err != modbus.ErrIllegalFunction {
		t.Errorf("writing a holding register: %v", err)
	}
	if err := c.SetUnitId(9); err != nil {
		t.Fatal(err)
	}
	if _, err := c.ReadRegister(2, modbus.HOLDING_REGISTER); err != modbus.ErrGWTargetFailedToRespond {
		t.Errorf("a station nobody has: %v", err)
	}
}

func TestAWrittenCoilClosesTheValveAndNoValueOpensIt(t *testing.T) {
	s := listen(t, newPanel(t, 1))
	c := dial(t, s, patience)
	write := func(v, want bool) {
		t.Helper()
		if err := c.WriteCoil(0, v); err != nil {
			t.Fatal(err)
		}
		if got, err := c.ReadCoil(0); err != nil || got != want {
			t.Errorf("written %v, read back %v, %v", v, got, err)
		}
	}
	var told []string
	pass := func() Snapshot {
		for _, n := range s.step(DefaultConstants().ValveStroke + time.Second) {
			told = append(told, n.Text)
		}
		return s.Snapshots()[0]
	}
	write(true, true)
	if n := pass(); !n.ValveClosed || n.ClosedBy != ByRequest {
		t.Errorf("asked to close: closed %v, by %v", n.ValveClosed, n.ClosedBy)
	}
	write(false, false)
	if n := pass(); !n.ValveClosed {
		t.Error("a cleared coil opens the valve")
	}
	write(true, true)
	if _, err := s.Do(1, "opened-by-hand"); err != nil {
		t.Fatal(err)
	}
	if n := pass(); n.ValveClosed || n.Request {
		t.Errorf("opened by hand: closed %v, coil %v", n.ValveClosed, n.Request)
	}
	write(true, true)
	if n := pass(); !n.ValveClosed {
		t.Error("asked again, and it stays open")
	}
	if asked := strings.Count(strings.Join(told, "\n"), "another system asks for the sample valve to be closed"); asked != 2 {
		t.Errorf("told %d times, want 2: %q", asked, told)
	}
}

func TestASilentStationTimesOutWhileItsNeighbourAnswersOnTheSameConnection(t *testing.T) {
	s := listen(t, newPanel(t, 1), newPanel(t, 2))
	c := dial(t, s, 250*time.Millisecond)
	read := func(station uint8) error {
		if err := c.SetUnitId(station); err != nil {
			t.Fatal(err)
		}
		_, err := c.ReadRegister(2, modbus.HOLDING_REGISTER)
		return err
	}
	// A busy machine may take longer than the client's patience; an answer that is owed comes within a few tries.
	answers := func(station uint8) {
		t.Helper()
		var err error
		for range 20 {
			if err = read(station); err != modbus.ErrRequestTimedOut {
				break
			}
		}
		if err != nil {
			t.Errorf("station %d: %v", station, err)
		}
	}
	do := func(word string) {
		t.Helper()
		if _, err := s.Do(1, word); err != nil {
			t.Fatal(err)
		}
	}
	answers(1)
	do("station-silent")
	for range 3 {
		if err := read(1); err != modbus.ErrRequestTimedOut {
			t.Errorf("silent station: %v", err)
		}
		answers(2)
	}
	do("station-answering")
	answers(1)
}

func TestAFrameThatMakesNoSenseIsHungUpOn(t *testing.T) {
	s := listen(t, newPanel(t, 1))
	for _, frame := range [][]byte{
		{0, 1, 0, 0, 0xFF, 0xFF, 1, 3, 0, 0, 0, 1},
		{0, 1, 0, 0, 0, 1, 1},
		{0, 1, 0, 0, 0, 0, 1},
	} {
		conn, err := net.Dial("tcp", s.Addr())
		if err != nil {
			t.Fatal(err)
		}
		if err := conn.SetDeadline(time.Now().Add(patience)); err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Write(frame); err != nil {
			t.Fatal(err)
		}
		n, err := conn.Read(make([]byte, 10))
		if n != 0 || err == nil || errors.Is(err, context.DeadlineExceeded) || isTimeout(err) {
			t.Errorf("% x: %d bytes, %v", frame, n, err)
		}
		conn.Close()
	}
}

func isTimeout(err error) bool {
	var n net.Error
	return errors.As(err, &n) && n.Timeout()
}

func TestTwentyClientsReadWhileTimeRuns(t *testing.T) {
	s := listen(t, newPanel(t, 1))
	ctx, cancel := context.WithCancel(t.Context())
	ran := make(chan error, 1)
	go func() { ran <- s.Run(ctx, 50, nil) }()
	var wg sync.WaitGroup
	errs := make(chan error, 20)
	for range 20 {
		c := dial(t, s, patience)
		wg.Go(func() {
			for range 50 {
				if _, err := c.ReadRegisters(0, 6, modbus.HOLDING_REGISTER); err != nil {
					errs <- err
					return
				}
			}
		})
	}
	wg.Wait()
	cancel()
	if err := <-ran; err != nil {
		t.Error(err)
	}
	close(errs)
	for err := range errs {
		t.Error(err)
	}
}

func TestStopHangsUpFreesThePortAndLeavesNoGoroutine(t *testing.T) {
	s, err := Listen("127.0.0.1:0", newPanel(t, 1))
	if err != nil {
		t.Fatal(err)
	}
	addr := s.Addr()
	busy, idle := dial(t, s, patience), dial(t, s, patience)
	_ = idle
	if _, err := busy.ReadRegister(2, modbus.HOLDING_REGISTER); err != nil {
		t.Fatal(err)
	}
	for range 2 { // twice is the same as once
		if err := s.Stop(); err != nil {
			t.Errorf("stop: %v", err)
		}
	}
	if _, err := busy.ReadRegister(2, modbus.HOLDING_REGISTER); err == nil {
		t.Error("still answering after Stop")
	}
	again, err := Listen(addr, newPanel(t, 1))
	if err != nil {
		t.Fatalf("the port is not free: %v", err)
	}
	if err := again.Stop(); err != nil {
		t.Error(err)
	}
	deadline := time.After(patience)
	for {
		buf := make([]byte, 1<<20)
		stacks := string(buf[:runtime.Stack(buf, true)])
		if !strings.Contains(stacks, "rig.(*gate)") && !strings.Contains(stacks, "modbus.(*ModbusServer)") {
			return
		}
		select {
		case <-deadline:
			t.Fatalf("goroutines left:\n%s", stacks)
		case <-time.After(10 * time.Millisecond):
		}
	}
}

func TestListenRefusesWhatCannotBeServed(t *testing.T) {
	if _, err := Listen("127.0.0.1:0"); !contains(err, "no panel") {
		t.Errorf("no panels: %v", err)
	}
	if _, err := Listen("127.0.0.1:0", newPanel(t, 1), newPanel(t, 1)); !contains(err, "station 1 twice") {
		t.Errorf("one station twice: %v", err)
	}
	s := listen(t, newPanel(t, 1))
	if _, err := Listen(s.Addr(), newPanel(t, 1)); !contains(err, "listen at "+s.Addr()) {
		t.Errorf("a port in use: %v", err)
	}
	if _, err := s.Do(2, "cooler-lost"); !contains(err, "no station 2") {
		t.Errorf("unknown station: %v", err)
	}
	if _, err := s.Do(1, "kettle-boils"); !contains(err, "unknown upset") {
		t.Errorf("unknown upset: %v", err)
	}
	for _, speed := range []float64{0, -1, math.NaN(), math.Inf(1), SpeedMax + 1} {
		if err := s.Run(t.Context(), speed, nil); !contains(err, "speed") {
			t.Errorf("speed %v: %v", speed, err)
		}
	}
}

// TestRunLivesTheScriptAtTheSpeedAsked needs no socket: the ticker runs on the bubble's clock.
func TestRunLivesTheScriptAtTheSpeedAsked(t *testing.T) {
	for _, speed := range []float64{0.5, 1, 10} {
		synctest.Test(t, func(t *testing.T) {
			script, err := ParseScript(DemoScript)
			if err != nil {
				t.Fatal(err)
			}
			p, err := NewPanel(1, DemoConstants(), 1, script)
			if err != nil {
				t.Fatal(err)
			}
			s := &Server{panels: []*Panel{p}}
			wall := time.Duration(100 / speed * float64(time.Second))
			ctx, cancel := context.WithTimeout(t.Context(), wall+tick/2)
			defer cancel()
			var told []Notice
			if err := s.Run(ctx, speed, func(n Notice) { told = append(told, n) }); err != nil {
				t.Fatal(err)
			}
			if at := s.Snapshots()[0].At; at < 100*time.Second-gridStep || at > 100*time.Second+time.Duration(speed*float64(tick)) {
				t.Errorf("speed %v: %v of plant time in %v", speed, at, wall)
			}
			if len(told) != 8 || told[0].At != script[0].At || told[4].Text != "the sample valve is closed" {
				t.Errorf("speed %v: told %v", speed, told)
			}
		})
	}
}

// TestThePastedMapIsWhatIsServed reads each address the map names.
func TestThePastedMapIsWhatIsServed(t *testing.T) {
	c := dial(t, listen(t, newPanel(t, 1)), patience)
	text := MapTOML()
	head, body, _ := strings.Cut(text, "\n")
	if head != "[map.rack-output.point]" || !strings.HasSuffix(Describe(), text) {
		t.Errorf("map:\n%s", text)
	}
	names := ""
	for line := range strings.Lines(body) {
		name, rest, ok := strings.Cut(line, " = { ")
		if !ok {
			t.Fatalf("line %q", line)
		}
		names += strings.TrimSpace(name) + " "
		table, rest, _ := strings.Cut(rest, " = ")
		digits, _, _ := strings.Cut(strings.TrimSuffix(strings.TrimSpace(rest), " }"), ",")
		number, err := strconv.Atoi(digits)
		if err != nil {
			t.Fatalf("line %q: %v", line, err)
		}
		count := uint16(1)
		if strings.Contains(rest, "32\"") {
			count = 2
		}
		switch table {
		case "holding":
			_, err = c.ReadRegisters(uint16(number-40001), count, modbus.HOLDING_REGISTER)
		case "input":
			_, err = c.ReadRegisters(uint16(number-30001), count, modbus.INPUT_REGISTER)
		case "discrete":
			_, err = c.ReadDiscreteInputs(uint16(number-10001), count)
		default:
			t.Fatalf("line %q: table %q", line, table)
		}
		if err != nil {
			t.Errorf("%s: %v", strings.TrimSpace(line), err)
		}
	}
	if names != "oxygen temperature conductivity flow valve_closed feed_on " {
		t.Errorf("points: %s", names)
	}
	if !strings.Contains(text, "floor = 0.2, ceiling = 500") {
		t.Error("oxygen without its floor and ceiling")
	}
	if got, want := DemoConstants().LineTOML(), `line = { length_m = 0.8, bore_mm = 4, coil_mL = 2, cell_mL = 5, flow = "rack.flow" }`; got != want {
		t.Errorf("line: %s", got)
	}
}
