package rig

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"sync"
	"time"

	"github.com/simonvetter/modbus"
)

const (
	// The physics are stepped on a fixed grid of plant time, whatever the ticker does, so that a run is the script and the seed.
	gridStep = 50 * time.Millisecond
	tick     = 50 * time.Millisecond
	// A laptop that slept must not live through the night in one gulp: real time beyond this is dropped.
	catchUpMax = 2 * time.Second
	// SpeedMax keeps one tick's work (50 s of plant time, 1000 steps) well within a tick.
	SpeedMax = 1000
)

// Server serves panels over Modbus TCP and lets their time pass.
type Server struct {
	gate   *gate
	modbus *modbus.ModbusServer

	// One mutex and no channel: requests, the ticker and a person at the keyboard all want a few microseconds of the same panels,
	// and no one of them waits for another's answer.
	mu     sync.Mutex
	panels []*Panel

	stop    sync.Once
	stopErr error
}

// Listen starts serving at addr (host:port, port 0 for any) and answers at once; time stands still until Run. At least one panel, no
// station twice.
func Listen(addr string, panels ...*Panel) (*Server, error) {
	if len(panels) == 0 {
		return nil, errors.New("rig: no panel to serve")
	}
	seen := make(map[uint8]bool)
	for _, p := range panels {
		if seen[p.Station()] {
			return nil, fmt.Errorf("rig: station %d twice", p.Station())
		}
		seen[p.Station()] = true
	}
	s := &Server{panels: panels}
	inner, innerAddr, err := startInner(&handler{s})
	if err != nil {
		return nil, fmt.Errorf("rig: %w", err)
	}
	s.modbus = inner
	s.gate, err = openGate(addr, innerAddr, s.silent)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("rig: listen at %s: %w", addr, err), inner.Stop())
	}
	return s, nil
}

// startTries bounds the search for a free port: between finding one and the library taking it another process may be faster.
const startTries = 20

// startInner starts the library's server on loopback, behind the gate. The library cannot say which port ":0" became, so a port is
// found first and let go again.
func startInner(h modbus.RequestHandler) (*modbus.ModbusServer, string, error) {
	var last error
	for range startTries {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return nil, "", err
		}
		addr := l.Addr().String()
		if err := l.Close(); err != nil {
			return nil, "", err
		}
		m, err := modbus.NewServer(&modbus.ServerConfiguration{
			URL:        "tcp://" + addr,
			MaxClients: 2 * clientsMax, // the gate counts; the library is slower to notice that one has gone
			// Longer than any silence of a script: requests swallowed at the gate are not traffic in here, and an idle close would
			// turn a silent station into a hang-up.
			Timeout: 24 * time.Hour,
			Logger:  log.New(io.Discard, "", 0), // the default writes to stdout, which is data
		}, h)
		if err != nil {
			return nil, "", err
		}
		if last = m.Start(); last == nil {
			return m, addr, nil
		}
	}
	return nil, "", fmt.Errorf("no free port in %d tries: %w", startTries, last)
}

// Addr is where the server listens, host:port.
func (s *Server) Addr() string { return s.gate.listener.Addr().String() }

// URL is Addr as a configuration's link.
func (s *Server) URL() string { return "tcp://" + s.Addr() }

// Stop hangs up on everyone and stops listening. It does not end Run; end its ctx first. Later calls return what the first did.
func (s *Server) Stop() error {
	s.stop.Do(func() {
		s.stopErr = errors.Join(s.gate.close(), s.modbus.Stop())
	})
	return s.stopErr
}

// Run lets time pass, speed times as fast as the clock on the wall (0 < speed <= SpeedMax), until ctx ends, and then returns nil. tell,
// if not nil, is called for each notice, in order, from this goroutine.
func (s *Server) Run(ctx context.Context, speed float64, tell func(Notice)) error {
	if !(speed > 0 && speed <= SpeedMax) {
		return fmt.Errorf("rig: speed %v: want more than 0 and at most %d", speed, SpeedMax)
	}
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	var owed time.Duration // plant time
	for last := time.Now(); ; {
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
		now := time.Now()
		owed += time.Duration(float64(min(now.Sub(last), catchUpMax)) * speed)
		last = now
		for ; owed >= gridStep && ctx.Err() == nil; owed -= gridStep {
			for _, n := range s.step(gridStep) {
				if tell != nil {
					tell(n)
				}
			}
		}
	}
}

func (s *Server) step(dt time.Duration) []Notice {
	s.mu.Lock()
	defer s.mu.Unlock()
	var told []Notice
	for _, p := range s.panels {
		told = append(told, p.Step(dt)...)
	}
	return told
}

// Snapshots reads every panel, in the order given to Listen.
func (s *Server) Snapshots() []Snapshot {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := make([]Snapshot, len(s.panels))
	for i, p := range s.panels {
		all[i] = p.Snapshot()
	}
	return all
}

// Do applies an upset to one station now, as a person at the rig would.
func (s *Server) Do(station uint8, word string) ([]Notice, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.panels {
		if p.Station() == station {
			return p.Do(word)
		}
	}
	return nil, fmt.Errorf("rig: no station %d", station)
}

// request is a write of a panel's coil.
func (s *Server) request(station uint8, set bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.panels {
		if p.Station() == station {
			p.plant.Request(set)
		}
	}
}

func (s *Server) silent(station uint8) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.panels {
		if p.Station() == station {
			return p.plant.silent
		}
	}
	return false
}

// words answers for one station. A station nobody has gets exception 0B, as a gateway gives for a device that is not there.
func (s *Server) words(station uint8) (Words, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.panels {
		if p.Station() == station {
			return p.Snapshot().Words(), nil
		}
	}
	return Words{}, modbus.ErrGWTargetFailedToRespond
}

// handler is the wall to the library.
type handler struct{ s *Server }

// HandleCoils answers coil 1 and takes a single write of it.
func (h *handler) HandleCoils(r *modbus.CoilsRequest) ([]bool, error) {
	w, err := h.s.words(r.UnitId)
	if err != nil {
		return nil, err
	}
	if _, err := cut(w.Coil[:], 0, r.Addr, r.Quantity); err != nil || !r.IsWrite {
		return cut(w.Coil[:], 0, r.Addr, r.Quantity)
	}
	h.s.request(r.UnitId, r.Args[0])
	return r.Args, nil
}

// HandleDiscreteInputs answers 10001 and 10002.
func (h *handler) HandleDiscreteInputs(r *modbus.DiscreteInputsRequest) ([]bool, error) {
	w, err := h.s.words(r.UnitId)
	if err != nil {
		return nil, err
	}
	return cut(w.Discrete[:], 0, r.Addr, r.Quantity)
}

// HandleHoldingRegisters answers 40001 to 40006, read only.
func (h *handler) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) ([]uint16, error) {
	w, err := h.s.words(r.UnitId)
	if err != nil {
		return nil, err
	}
	if r.IsWrite {
		return nil, modbus.ErrIllegalFunction
	}
	return cut(w.Holding[:], 0, r.Addr, r.Quantity)
}

// HandleInputRegisters answers 30005.
func (h *handler) HandleInputRegisters(r *modbus.InputRegistersRequest) ([]uint16, error) {
	w, err := h.s.words(r.UnitId)
	if err != nil {
		return nil, err
	}
	return cut(w.Input[:], inputFirst, r.Addr, r.Quantity)
}

// cut takes quantity entries from wire address addr of a table that begins at first; one step outside is exception 02.
func cut[T any](table []T, first int, addr, quantity uint16) ([]T, error) {
	from := int(addr) - first
	if from < 0 || from+int(quantity) > len(table) {
		return nil, modbus.ErrIllegalDataAddress
	}
	return append([]T(nil), table[from:from+int(quantity)]...), nil
}
