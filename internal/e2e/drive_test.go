package e2e

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// driven writes a site whose sample valve rillwatch may ask to close: by coil 1 of the simulated panel, below the panel's own shut-off, so that
// it is the request that closes.
func driven(t *testing.T, dir, link string) (file, api string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	api = l.Addr().String()
	_ = l.Close()
	token := filepath.Join(dir, "token")
	if err := os.WriteFile(token, []byte("a-token-of-this-test-0123456789\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf(`[site]
name = "larkfield-mill"
timezone = "Europe/London"
[bus.panel-net]
link = %q
[map.rack.point]
oxygen = { holding = 40001, type = "float32", order = "CDAB", quantity = "dissolved-oxygen", unit = "ppb", floor = 0.2, ceiling = 500 }
temperature = { holding = 40003, type = "int16", scale = 0.1, unit = "degC", no_value = [-32768] }
flow = { input = 30005, type = "uint16", unit = "mL/min" }
valve_closed = { discrete = 10001 }
[panel.b2]
title = "Boiler 2 feedwater"
sensor.rack = { map = "rack", bus = "panel-net", station = 1, period = "250ms" }
line = { length_m = 0.8, bore_mm = 4, coil_mL = 2, cell_mL = 5, flow = "rack.flow" }
[panel.b2.interlock]
temperature = "rack.temperature"
warn_above = "38 degC"
close_above = "42 degC"
valve_closed = "rack.valve_closed"
[panel.b2.interlock.drive]
bus = "panel-net"
station = 1
coil = 1
close_value = 1
valve_fails = "closed"
confirmed = { by = "J. Marsh", on = "2026-11-20", sole_writer = true, builder_agrees = true, shut_off_stays = true, opens_by_hand = true }
[http]
listen = %q
token_file = %q
[logbook]
dir = %q
flush = "1s"
`, link, api, token, filepath.Join(dir, "logbook"))
	file = filepath.Join(dir, "rillwatch.toml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file, "http://" + api
}

// interlock is what the API says of the panel's interlock.
type interlock struct {
	State   string `json:"state"`
	Mode    string `json:"mode"`
	Holding struct {
		Held    bool   `json:"held_closed"`
		Cause   string `json:"cause"`
		Request string `json:"request"`
	} `json:"drive"`
}

// standing waits until the API says of the panel what ok wants.
func standing(t *testing.T, api, what string, within time.Duration, ok func(i interlock, valve string, fit bool) bool) {
	t.Helper()
	var last string
	defer func() {
		if t.Failed() {
			t.Logf("last: %s", last)
		}
	}()
	eventually(t, within, what, func() bool {
		last = get(t, api+"/api/v1/status")
		var s struct {
			Panels []struct {
				Valve struct {
					State string `json:"state"`
				} `json:"valve"`
				Fit       bool      `json:"representative"`
				Interlock interlock `json:"interlock"`
			} `json:"panels"`
		}
		if json.Unmarshal([]byte(last), &s) != nil || len(s.Panels) != 1 {
			return false
		}
		return ok(s.Panels[0].Interlock, s.Panels[0].Valve.State, s.Panels[0].Fit)
	})
}

// A hot sample is asked to close, by a coil of a plant with physics of its own; it is held over a kill -9, though a person opened the valve
// meanwhile; a re-arming while it is not proven low is refused; after one the valve is opened by hand, stays open, and the sample is believed.
func TestAHotSampleIsClosedByRequestHeldOverAKillAndReArmedByCommand(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	plant, say := typed(t, "simulate", "--listen", "127.0.0.1:0", "--small")
	link := regexp.MustCompile(`tcp://[0-9.:]+`).FindString(plant.until("answers at", 10*time.Second).text)
	cfg, api := driven(t, dir, link)
	p := start(t, nil, "run", cfg)
	p.until("started", 20*time.Second)
	standing(t, api, "believed", 90*time.Second, func(i interlock, _ string, fit bool) bool { return fit && i.Mode == "drive" && !i.Holding.Held })

	say("cooler-lost")
	plant.until("another system asks for the sample valve to be closed", 60*time.Second)
	plant.until("the sample valve is closed", 60*time.Second)
	standing(t, api, "held, taken, closed and not representative", 20*time.Second, func(i interlock, valve string, fit bool) bool {
		return i.Holding.Held && i.Holding.Cause == "over_temperature" && i.Holding.Request == "taken" && valve == "closed" && !fit
	})

	if err := p.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	p.end(10 * time.Second)
	say("cooler-restored")
	say("opened-by-hand")
	plant.until("the sample valve is open", 60*time.Second)
	p = start(t, nil, "run", cfg)
	p.until("started", 20*time.Second)
	plant.until("another system asks for the sample valve to be closed", 30*time.Second) // by what was held before
	standing(t, api, "held over the kill", 60*time.Second, func(i interlock, valve string, _ bool) bool {
		return i.Holding.Held && i.Holding.Cause == "over_temperature" && i.Holding.Request == "taken" && valve == "closed"
	})

	command := func(args ...string) (string, int) {
		c := start(t, nil, append(args, "--config", cfg, "--who", "Kim")...)
		code := c.end(20 * time.Second)
		return strings.Join(c.said, "\n"), code
	}
	if said, code := command("rearm", "b2"); code == 0 || !strings.Contains(said, "say why") {
		t.Errorf("a re-arming without a reason: code %d, %s", code, said)
	}
	var said string
	eventually(t, 120*time.Second, "a re-arming that is obeyed", func() bool {
		var code int
		if said, code = command("rearm", "b2", "--why", "cooling water seen running"); code != 0 && !strings.Contains(said, "the close request stands") {
			t.Fatalf("code %d: %s", code, said)
		}
		return !strings.Contains(said, "the close request stands")
	})
	if !strings.Contains(said, "nothing was moved") {
		t.Errorf("it does not say that nothing was moved: %s", said)
	}
	standing(t, api, "withdrawn, and still closed: re-arming moves nothing", 20*time.Second, func(i interlock, valve string, _ bool) bool {
		return !i.Holding.Held && i.Holding.Request == "none" && valve == "closed"
	})
	say("opened-by-hand")
	plant.until("the sample valve is open", 60*time.Second)
	standing(t, api, "open, and believed again", 120*time.Second, func(i interlock, valve string, fit bool) bool {
		return !i.Holding.Held && valve == "open" && fit
	})
	for _, l := range plant.said {
		if strings.Contains(l, "thermal shut-off closes") {
			t.Errorf("it was the panel that closed: %s", l)
		}
	}
}

// typed starts the binary with a keyboard.
func typed(t *testing.T, args ...string) (*process, func(string)) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = w.Close() })
	p := startWith(t, func(c *exec.Cmd) { c.Stdin = r }, args...)
	_ = r.Close()
	return p, func(what string) {
		t.Helper()
		if _, err := io.WriteString(w, what+"\n"); err != nil {
			t.Fatal(err)
		}
	}
}
