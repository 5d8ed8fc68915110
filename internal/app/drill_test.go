package app

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/config"
)

const drilledSite = `
[site]
name = "larkfield-mill"
[bus.net]
link = "tcp://%s"
direct = true
[map.rack.point]
temperature = { holding = 40001, type = "int16", scale = 0.1, unit = "degC" }
[panel.b2]
title = "Boiler 2 feedwater"
sensor.rack = { map = "rack", bus = "net", station = 1, period = "100ms" }
[recipient.on-call]
url = "%s/yes"
secret_file = "/nowhere/secret"
least_priority = "top"
[recipient.shift]
url = "%s/no"
secret_file = "/nowhere/secret"
kinds = ["valve"]
[http]
listen = "127.0.0.1:0"
[logbook]
dir = %q
`

// TestADrillTakesTheRealRouteAndIsInNoCounter runs the whole daemon: a command over HTTP, the logbook, the outbox, the signature, the recipients, and
// what they answered back over HTTP. Recipients whose route takes nothing of the kind get it all the same. Nothing is written to the panel.
func TestADrillTakesTheRealRouteAndIsInNoCounter(t *testing.T) {
	w := &wire{news: make(chan struct{}, 1)}
	arrived := make(chan []byte, 20)
	hook := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		raw, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		if r.URL.Path == "/no" {
			rw.WriteHeader(http.StatusInternalServerError)
			return
		}
		arrived <- raw
		rw.WriteHeader(http.StatusNoContent)
	}))
	defer hook.Close()
	s, _, err := config.Parse("drill.toml", fmt.Appendf(nil, drilledSite, w.serve(t), hook.URL, hook.URL, t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	done, ready := make(chan error, 1), make(chan string, 1)
	secret := []byte("larkfield-mill-test-secret-32-by")
	go func() {
		done <- Run(ctx, Config{Site: s, Version: "test", Log: slog.New(slog.DiscardHandler), Entropy: rand.Reader, Token: []byte("a-token-of-sixteen"),
			Secrets: map[string][]byte{"on-call": secret, "shift": secret}, Ready: func(api string) { ready <- api }})
	}()
	patience := time.After(30 * time.Second)
	api := ""
	select {
	case api = <-ready:
	case err := <-done:
		t.Fatal(err)
	case <-patience:
		t.Fatal("the daemon does not start")
	}
	ask := func(method, path, body string) string {
		t.Helper()
		req, err := http.NewRequestWithContext(ctx, method, api+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer a-token-of-sixteen")
		req.Header.Set("Content-Type", "application/json")
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		raw, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		return string(raw)
	}
	if got := ask("POST", "/api/v1/commands/drill", `{"who":"J. Marsh","why":"monthly","id":"d-1"}`); !strings.Contains(got, `"result":"obeyed"`) {
		t.Fatal(got)
	}
	var m struct {
		Data struct {
			Headline, Text, Kind, State string
			Test                        bool
		}
	}
	select {
	case raw := <-arrived:
		if err := json.Unmarshal(raw, &m); err != nil || m.Data.Kind != "drill" || !m.Data.Test || m.Data.State != "test" || !strings.Contains(m.Data.Headline, "TEST") || !strings.Contains(m.Data.Text, "This is a TEST. No valve moved") {
			t.Errorf("%v %s", err, raw)
		}
	case <-patience:
		t.Fatal("the drill does not arrive")
	}
	for {
		got := ask("GET", "/api/v1/drills?command=d-1", "")
		if strings.Contains(got, `"recipient":"on-call"`) && strings.Contains(got, `"result":"delivered","detail":"answered 204 No Content"`) &&
			strings.Contains(got, `"recipient":"shift"`) && strings.Contains(got, `"result":"waiting","detail":"answered 500 Internal Server Error"`) {
			break
		}
		select {
		case <-patience:
			t.Fatalf("what was answered is not told: %s", got)
		case <-time.After(20 * time.Millisecond):
		}
	}
	metrics := ask("GET", "/metrics", "")
	for _, want := range []string{`rillwatch_deliveries_total{recipient="on-call",result="delivered"} 0`, `rillwatch_delivery_attempts_total{recipient="on-call"} 0`, `rillwatch_delivery_attempts_total{recipient="shift"} 0`,
		`rillwatch_excursions_open{panel="b2"} 0`, `rillwatch_alarms_active{panel="b2"} 0`} {
		if !strings.Contains(metrics, want) {
			t.Errorf("the metrics lack %s", want)
		}
	}
	for _, f := range w.seen() {
		if f[1] > 4 {
			t.Errorf("a drill wrote to the panel: % x", f)
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}
