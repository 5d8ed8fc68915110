package app

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"rillwatch/internal/config"
)

// flip is a device of one register that answers every read with what stands in it.
type flip struct{ word atomic.Uint32 }

func (f *flip) serve(b *testing.B) string { return accepting(b, f.talk) }

func (f *flip) talk(c net.Conn) {
	defer c.Close()
	q := make([]byte, 12)
	for {
		if _, err := io.ReadFull(c, q); err != nil {
			return
		}
		a := append(append([]byte{}, q[:4]...), 0, 5, q[6], q[7], 2)
		if _, err := c.Write(binary.BigEndian.AppendUint16(a, uint16(f.word.Load()))); err != nil {
			return
		}
	}
}

const (
	benchPeriod = 100 * time.Millisecond // the shortest there is
	benchDelay  = 200 * time.Millisecond
)

const benchSite = `
[site]
name = "larkfield-mill"
[bus.net]
link = "tcp://%s"
direct = true
[map.rack.point]
oxygen = { holding = 40001, type = "uint16", quantity = "dissolved-oxygen", unit = "ppb", jump = 0 }
[panel.b2]
sensor.rack = { map = "rack", bus = "net", station = 1, period = %q }
[panel.b2.limit.oxygen-high]
point = "rack.oxygen"
high = "20 ppb"
on_delay = %q
off_delay = "100ms"
priority = "high"
source = { document = "Larkfield feedwater specification" }
[recipient.on-call]
url = "%s"
secret_file = "/nowhere/secret"
kinds = ["alarm"]
[http]
listen = "127.0.0.1:0"
[logbook]
dir = %q
`

// BenchmarkFromARegisterToTheRequest is the whole way of an alarm over real sockets and a real disk: from the moment at which a register of the
// device changes to the moment at which the signed request reaches the recipient. It goes through the poll, the judgement, the on-delay, the commit and
// the outbox. The floor is what cannot be had faster: one poll and the configured delay. over_ms is what the 99th of a hundred alarms took beyond it.
func BenchmarkFromARegisterToTheRequest(b *testing.B) {
	f := &flip{}
	f.word.Store(10)
	arrived := make(chan time.Time, 100)
	kinds := make(chan string, 100)
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		at := time.Now()
		raw, err := io.ReadAll(r.Body)
		if err != nil {
			b.Error(err)
		}
		switch {
		case strings.Contains(string(raw), `"kind":"alarm.raised"`):
			arrived <- at
			kinds <- "raised"
		case strings.Contains(string(raw), `"kind":"alarm.returned"`):
			kinds <- "returned"
		}
	}))
	defer hook.Close()
	s, _, err := config.Parse("bench.toml", fmt.Appendf(nil, benchSite, f.serve(b), benchPeriod, benchDelay, hook.URL, b.TempDir()))
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	done, ready := make(chan error, 1), make(chan string, 1)
	go func() {
		done <- Run(ctx, Config{Site: s, Version: "bench", Log: slog.New(slog.DiscardHandler), Entropy: rand.Reader,
			Secrets: map[string][]byte{"on-call": []byte("larkfield-mill-test-secret-32-by")}, Ready: func(api string) { ready <- api }})
	}()
	<-ready
	wait := func(kind string) {
		select {
		case got := <-kinds:
			if got != kind {
				b.Fatalf("%s came, and %s was waited for", got, kind)
			}
		case err := <-done:
			b.Fatal(err)
		case <-time.After(30 * time.Second):
			b.Fatalf("nothing of %s", kind)
		}
	}
	<-time.After(time.Second) // the first round, and the start on disk
	var over []float64
	for b.Loop() { // once, for any benchtime of some seconds
		for n := range 100 {
			<-time.After(time.Duration(n%10) * benchPeriod / 10) // anywhere between two polls
			changed := time.Now()
			f.word.Store(40)
			wait("raised")
			over = append(over, float64((<-arrived).Sub(changed)-benchPeriod-benchDelay)/1e6)
			f.word.Store(10)
			wait("returned")
		}
	}
	cancel()
	<-done
	slices.Sort(over)
	b.ReportMetric(over[min(len(over)-1, len(over)*99/100)], "p99_over_ms")
	b.ReportMetric(over[len(over)/2], "p50_over_ms")
}
