package config

import (
	"fmt"
	"io"
	"time"

	"rillwatch/internal/site"
)

// Round is what the full round of a bus costs: one in which everything is due, with its closing checks.
type Round struct {
	Bus       string
	Requests  int
	Checks    int // closing checks of a serial line, at their longest
	Addresses int // registers and bits asked
	Bytes     int // both ways
	Wire      time.Duration
	Mean      time.Duration // of a round on average, with what is asked less often
	Period    time.Duration
	Known     bool // Wire and Mean are: on a serial line
}

const (
	// Bytes of a question and of an answer's frame over a network: the header of 7, function, address and count; and the header, function and
	// byte count before the data (Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3; Application Protocol V1.1b3, 6.1 to 6.4). Those of TCP
	// itself are not counted.
	tcpAsk, tcpAnswer = 12, 9
	// Of a serial line: station, function, address, count, check; ReplyBytes says the answer.
	rtuAsk = 8
)

// round says what a bus's full round costs.
func (w *wire) round(b *bus) Round {
	r := Round{Bus: b.t.name(), Requests: len(w.plan.Requests), Period: b.b.Period}
	for _, q := range w.plan.Requests {
		n := int(q.Count)
		r.Addresses += n
		if b.b.Serial() {
			r.Bytes += rtuAsk + site.ReplyBytes(q.Table, n)
		} else {
			r.Bytes += tcpAsk + tcpAnswer + site.ReplyBytes(q.Table, n) - site.ReplyBytes(q.Table, 0)
		}
	}
	if b.b.Serial() {
		r.Checks, r.Wire, r.Mean, r.Known = w.checks, w.full, w.mean, true
		r.Bytes += w.checks * w.checkBytes()
	}
	return r
}

// checkBytes is the most bytes of a closing check; none where a silence stands for it.
func (w *wire) checkBytes() int {
	if w.onlyShape() {
		return 0
	}
	most := 0
	for _, q := range w.plan.Requests {
		most = max(most, rtuAsk+site.ReplyBytes(q.Table, widestCheck(w.plan.Rooms[q])))
	}
	return most
}

// sum is the arithmetic of a round on a serial line, for a refusal.
func (w *wire) sum(b *bus) string {
	r := w.round(b)
	return fmt.Sprintf("a full one is %s and %s, %d characters of 11 bits at %d baud", count(r.Requests, "request", "requests"), count(r.Checks, "closing check", "closing checks"), r.Bytes, b.b.Baud)
}

// writeRounds prints what the rounds cost, within 80 columns.
func writeRounds(w io.Writer, rounds []Round) {
	if len(rounds) == 0 {
		return
	}
	fmt.Fprintf(w, "a full round of each bus:\n  %-20s %8s %6s %9s %6s %9s %7s %6s\n", "bus", "requests", "checks", "registers", "bytes", "wire", "period", "share")
	for _, r := range rounds {
		wire, share := "", ""
		if r.Known {
			wire, share = rough(r.Wire), fmt.Sprintf("%.0f %%", 100*float64(r.Mean)/float64(r.Period))
		}
		name := r.Bus
		if len(name) > 20 {
			fmt.Fprintf(w, "  %s\n", name)
			name = ""
		}
		fmt.Fprintf(w, "  %-20s %8d %6d %9d %6d %9s %7s %6s\n", name, r.Requests, r.Checks, r.Addresses, r.Bytes, wire, short(r.Period), share)
	}
	fmt.Fprintln(w, "  (wire and share are of serial lines; the share is that of a round on average)")
}
