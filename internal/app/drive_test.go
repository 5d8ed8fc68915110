package app

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"net"
	"sync"
	"testing"
	"time"

	"rillwatch/internal/config"
)

// wire is a panel's control on a real socket that keeps every frame it gets: hot from the start, with its valve open until a coil is set.
type wire struct {
	mu     sync.Mutex
	frames [][]byte
	coil   bool
	news   chan struct{} // a frame came
}

func (w *wire) serve(t *testing.T) string { return accepting(t, w.talk) }

// accepting listens on loopback until the test ends, and gives each connection to talk.
func accepting(t testing.TB, talk func(net.Conn)) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go talk(c)
		}
	}()
	return l.Addr().String()
}

func (w *wire) talk(c net.Conn) {
	defer c.Close()
	for {
		head := make([]byte, 7)
		if _, err := io.ReadFull(c, head); err != nil {
			return
		}
		n := int(binary.BigEndian.Uint16(head[4:]))
		if n < 2 || n > 260 {
			return
		}
		pdu := make([]byte, n-1)
		if _, err := io.ReadFull(c, pdu); err != nil {
			return
		}
		w.mu.Lock()
		w.frames = append(w.frames, append(head[6:7:7], pdu...))
		var answer []byte
		switch pdu[0] {
		case 1, 2: // the coil, and the end switch that follows it
			b := byte(0)
			if w.coil {
				b = 1
			}
			answer = []byte{pdu[0], 1, b}
		case 3, 4:
			count := int(binary.BigEndian.Uint16(pdu[3:]))
			answer = []byte{3, byte(2 * count)}
			for range count {
				answer = binary.BigEndian.AppendUint16(answer, 600) // 60.0 degC, 600 mL/min
			}
		case 5:
			w.coil = pdu[3] == 0xFF
			answer = pdu
		default:
			answer = []byte{pdu[0] | 0x80, 1}
		}
		w.mu.Unlock()
		select {
		case w.news <- struct{}{}:
		default:
		}
		binary.BigEndian.PutUint16(head[4:], uint16(len(answer)+1))
		if _, err := c.Write(append(head, answer...)); err != nil {
			return
		}
	}
}

func (w *wire) seen() [][]byte {
	w.mu.Lock()
	defer w.mu.Unlock()
	return append([][]byte(nil), w.frames...)
}

const hotPanel = `
[site]
name = "larkfield-mill"
[bus.net]
link = "tcp://%s"
direct = true
[map.rack.point]
temperature = { holding = 40001, type = "int16", scale = 0.1, unit = "degC" }
valve_closed = { discrete = 10001 }
flow = { input = 30001, type = "uint16", unit = "mL/min" }
[panel.b2]
sensor.rack = { map = "rack", bus = "net", station = 1, period = "100ms" }
line = { length_m = 1, bore_mm = 4, coil_mL = 1, cell_mL = 1, flow = "rack.flow" }
interlock = { temperature = "rack.temperature", valve_closed = "rack.valve_closed"%s }
[http]
listen = "127.0.0.1:0"
[logbook]
dir = %q
`

// runHot runs the whole daemon over a hot panel until enough frames came, and gives them.
func runHot(t *testing.T, drive string, enough func(frames [][]byte) bool) [][]byte {
	t.Helper()
	w := &wire{news: make(chan struct{}, 1)}
	s, _, err := config.Parse("hot.toml", fmt.Appendf(nil, hotPanel, w.serve(t), drive, t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- Run(ctx, Config{Site: s, Version: "test", Log: slog.New(slog.DiscardHandler), Entropy: rand.Reader})
	}()
	patience := time.After(30 * time.Second)
	for !enough(w.seen()) {
		select {
		case <-w.news:
		case err := <-done:
			t.Fatalf("the daemon ended: %v", err)
		case <-patience:
			t.Fatalf("not enough came in time: %d frames", len(w.seen()))
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	return w.seen()
}

// TestWithoutADriveNoWriteLeavesTheProcess counts bytes on the socket: a hot panel that only observes sends the functions that read, and no other.
func TestWithoutADriveNoWriteLeavesTheProcess(t *testing.T) {
	frames := runHot(t, "", func(f [][]byte) bool { return len(f) >= 60 })
	for _, f := range frames {
		if fc := f[1]; fc < 1 || fc > 4 {
			t.Errorf("function %02x left the process: % x", fc, f)
		}
	}
}

// TestWithADriveOnlyTheCloseRequestIsWrittenAndItIsReadBack: the coil, its one value, again and again, each followed by its read-back.
func TestWithADriveOnlyTheCloseRequestIsWrittenAndItIsReadBack(t *testing.T) {
	writes := func(frames [][]byte) (n int) {
		for _, f := range frames {
			if f[1] > 4 {
				n++
			}
		}
		return n
	}
	frames := runHot(t, `, drive = { bus = "net", station = 7, coil = 5, close_value = 1, valve_fails = "closed", confirmed = { by = "J. Marsh", on = "2026-11-20", sole_writer = true, builder_agrees = true, shut_off_stays = true, opens_by_hand = true } }`, func(f [][]byte) bool { return writes(f) >= 3 && f[len(f)-1][1] <= 4 })
	for i, f := range frames {
		switch {
		case f[1] <= 4:
		case string(f) != "\x07\x05\x00\x04\xff\x00":
			t.Errorf("written: % x", f)
		case i+1 < len(frames) && string(frames[i+1]) != "\x07\x01\x00\x04\x00\x01":
			t.Errorf("after the order comes % x and not its read-back", frames[i+1])
		}
	}
}
