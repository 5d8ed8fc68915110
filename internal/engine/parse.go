package engine

import (
	"encoding/base64"
	"fmt"
	"strconv"
	"strings"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// ParseInputs reads a file of inputs. Errors name the line. Empty lines and lines that begin with # are passed over.
func ParseInputs(s *site.Site, text string) ([]Input, error) {
	var out []Input
	var batch *Batch
	flush := func() {
		if batch != nil {
			out = append(out, *batch)
			batch = nil
		}
	}
	headed := false
	for n, line := range strings.Split(text, "\n") {
		fail := func(err error) error { return fmt.Errorf("line %d: %w", n+1, err) }
		if len(line) > textMaxLine {
			return nil, fail(fmt.Errorf("longer than %d bytes", textMaxLine))
		}
		trimmed := strings.TrimSpace(line)
		if trimmed == "" || trimmed[0] == '#' {
			continue
		}
		if !headed {
			if trimmed != TextVersion {
				return nil, fail(fmt.Errorf("%q: the file must begin with %q", trimmed, TextVersion))
			}
			headed = true
			continue
		}
		if line[0] == ' ' {
			if batch == nil {
				return nil, fail(fmt.Errorf("a read without a batch above it"))
			}
			r, err := parseRead(trimmed)
			if err != nil {
				return nil, fail(err)
			}
			batch.Reads = append(batch.Reads, r)
			continue
		}
		flush()
		in, err := parseInput(s, trimmed)
		if err != nil {
			return nil, fail(err)
		}
		if b, ok := in.(Batch); ok {
			batch = &b
			continue
		}
		out = append(out, in)
	}
	flush()
	return out, nil
}

func parseRead(text string) (reading.Read, error) {
	var r reading.Read
	f := strings.Fields(text)
	if len(f) < 6 {
		return r, fmt.Errorf("read %q: want STATION TABLE ADDR+COUNT sent= took= FAULT [WORDS]", text)
	}
	p := parser{}
	r.Station = uint8(p.uint(f[0], 8))
	var ok bool
	if r.Table, ok = reading.ParseTable(f[1]); !ok {
		p.failf("table %q is not one of coil, discrete, holding, input", f[1])
	}
	addr, count, _ := strings.Cut(f[2], "+")
	r.Addr, r.Count = uint16(p.uint(addr, 16)), uint16(p.uint(count, 16))
	r.Sent = p.stamp(p.after(f[3], "sent="))
	r.Took = p.duration(p.after(f[4], "took="))
	if r.Fault, ok = reading.ParseFault(f[5]); !ok {
		p.failf("fault %q is not known", f[5])
	}
	for _, w := range f[6:] {
		v, err := strconv.ParseUint(w, 16, 16)
		if err != nil {
			p.failf("word %q is not four hex digits", w)
		}
		r.Words = append(r.Words, uint16(v))
	}
	if want := int(r.Count); r.Fault == reading.Answered && len(r.Words) != want {
		p.failf("%d words where %d were asked", len(r.Words), want)
	} else if r.Fault != reading.Answered && len(r.Words) != 0 {
		p.failf("words with fault %s", r.Fault)
	}
	return r, p.err
}

func parseInput(s *site.Site, line string) (Input, error) {
	f, err := splitQuoted(line)
	if err != nil {
		return nil, err
	}
	p := parser{words: f[1:]}
	switch f[0] {
	case "boot":
		in := Boot{Nonce: p.bare(), At: p.stamp(p.key("at")), WallCertain: p.bool(p.key("certain")), Hash: p.plain("hash")}
		in.Before.Nonce = p.plain("before")
		in.Before.Last = p.stamp(p.key("last")).Wall
		in.Before.WallCertain = p.bool(p.key("before_certain"))
		in.Before.Hash = p.plain("before_hash")
		for _, w := range p.rest("state:") {
			name, data, _ := strings.Cut(strings.TrimPrefix(w, "state:"), "=")
			raw, err := base64.RawURLEncoding.DecodeString(data)
			if err != nil {
				p.failf("state of %q: %v", name, err)
			}
			in.States = append(in.States, StateRow{Name: name, Data: raw})
		}
		return in, p.done()
	case "batch":
		in := Batch{}
		in.Bus = site.None
		name := p.bare()
		for i := range s.Buses {
			if s.Buses[i].Name == name {
				in.Bus = i
			}
		}
		if in.Bus == site.None {
			p.failf("there is no bus named %q", name)
		}
		in.Slot, in.Segment = p.uint(p.key("slot"), 64), int(p.uint(p.key("segment"), 16))
		in.Last, in.At = p.bool(p.key("last")), p.stamp(p.key("at"))
		return in, p.done()
	case "tick":
		in := Tick{At: p.stamp(p.key("at"))}
		return in, p.done()
	case "command":
		in := Command{ID: p.bare(), At: p.stamp(p.key("at")), Who: p.key("who"), Why: p.key("why"), From: p.key("from")}
		in.Do = p.do(p.key("do"))
		return in, p.done()
	case "committed":
		in := Committed{Seq: p.uint(p.bare(), 64), At: p.stamp(p.key("at")), Dropped: int(p.uint(p.key("dropped"), 32))}
		return in, p.done()
	case "commit_failed":
		in := CommitFailed{Seq: p.uint(p.bare(), 64), At: p.stamp(p.key("at")), Dropped: int(p.uint(p.key("dropped"), 32)), Why: p.key("why")}
		return in, p.done()
	case "delivered":
		in := Delivered{}
		if err := in.ID.UnmarshalText([]byte(p.bare())); err != nil {
			p.failf("%v", err)
		}
		in.At, in.Recipient, in.Result = p.stamp(p.key("at")), p.plain("recipient"), p.plain("result")
		return in, p.done()
	case "clock":
		in := ClockState{At: p.stamp(p.key("at")), Certain: p.bool(p.key("certain")), Stepped: p.duration(p.key("stepped"))}
		return in, p.done()
	case "stop":
		in := Stop{At: p.stamp(p.key("at"))}
		return in, p.done()
	case "order_done":
		in := OrderDone{}
		in.ID, in.At, in.Panel = p.uint(p.bare(), 64), p.stamp(p.key("at")), int(p.uint(p.key("panel"), 16))
		fault, ok := reading.ParseFault(p.key("fault"))
		if !ok {
			p.failf("fault is not known")
		}
		in.Fault, in.Known, in.ReadBack = fault, p.bool(p.key("known")), uint16(p.uint(p.key("read_back"), 16))
		return in, p.done()
	}
	return nil, fmt.Errorf("%q is not a kind of input", f[0])
}

func (p *parser) do(verb string) Do {
	switch verb {
	case "acknowledge":
		return Acknowledge{p.key("alarm")}
	case "shelve":
		return Shelve{p.key("alarm"), p.duration(p.key("for"))}
	case "unshelve":
		return Unshelve{p.key("alarm")}
	case "out_of_service":
		return OutOfService{p.key("alarm"), p.bool(p.key("out"))}
	case "check_in_hand":
		return CheckInHand{p.key("sensor"), p.key("what"), p.duration(p.key("for")), p.bool(p.key("back"))}
	case "set_on_line":
		return SetOnLine{p.key("panel"), p.bool(p.key("on_line")), p.duration(p.key("for"))}
	case "enter_value":
		d := EnterValue{Point: p.key("point")}
		v, err := strconv.ParseFloat(p.key("value"), 64)
		if err != nil || v != v || v-v != 0 {
			p.failf("value is not a finite number")
		}
		d.Value, d.Unit, d.Basis, d.Taken = v, p.key("unit"), p.key("basis"), p.stamp(p.key("taken")).Wall
		return d
	case "learn_baseline":
		return LearnBaseline{p.key("limit")}
	case "override":
		return Override{p.key("panel"), p.duration(p.key("for"))}
	case "rearm":
		return Rearm{p.key("panel")}
	case "valve_by_hand":
		return ValveByHand{p.key("panel")}
	case "prove":
		d := Prove{Point: p.key("point")}
		d.Shown, d.Step, d.Tolerance = p.number("shown"), p.number("step"), p.number("tolerance")
		return d
	case "drill":
		return Drill{p.key("recipient")}
	}
	p.failf("%q is not a verb", verb)
	return Acknowledge{}
}

// parser takes the words of a line in order and keeps the first thing that was wrong.
type parser struct {
	words []string
	err   error
}

func (p *parser) failf(format string, args ...any) {
	if p.err == nil {
		p.err = fmt.Errorf(format, args...)
	}
}

func (p *parser) bare() string {
	if len(p.words) == 0 {
		p.failf("the line ends too early")
		return ""
	}
	w := p.words[0]
	p.words = p.words[1:]
	return w
}

func (p *parser) key(name string) string {
	w := p.bare()
	v, ok := strings.CutPrefix(w, name+"=")
	if !ok {
		p.failf("%q: want %s=", w, name)
	}
	return v
}

// plain is a key whose "-" means empty.
func (p *parser) plain(name string) string {
	if v := p.key(name); v != "-" {
		return v
	}
	return ""
}

func (p *parser) after(w, prefix string) string {
	v, ok := strings.CutPrefix(w, prefix)
	if !ok {
		p.failf("%q: want %s", w, prefix)
	}
	return v
}

func (p *parser) rest(prefix string) []string {
	var out []string
	for len(p.words) > 0 && strings.HasPrefix(p.words[0], prefix) {
		out = append(out, p.bare())
	}
	return out
}

func (p *parser) done() error {
	if p.err == nil && len(p.words) > 0 {
		p.failf("%q is more than this line may hold", p.words[0])
	}
	return p.err
}

// number is a finite number under a key.
func (p *parser) number(name string) float64 {
	v, err := strconv.ParseFloat(p.key(name), 64)
	if err != nil || v != v || v-v != 0 {
		p.failf("%s is not a finite number", name)
	}
	return v
}

func (p *parser) uint(s string, bits int) uint64 {
	v, err := strconv.ParseUint(s, 10, bits)
	if err != nil {
		p.failf("%q is not a whole number of at most %d bits", s, bits)
	}
	return v
}

func (p *parser) bool(s string) bool {
	if s != "true" && s != "false" {
		p.failf("%q: want true or false", s)
	}
	return s == "true"
}

func (p *parser) duration(s string) time.Duration {
	d, err := time.ParseDuration(s)
	if err != nil {
		p.failf("%q is not a duration such as 1.5s", s)
	}
	return d
}

func (p *parser) stamp(s string) reading.Stamp {
	st, err := ParseStamp(s)
	if err != nil {
		p.failf("%v", err)
	}
	return st
}

// splitQuoted splits a line at spaces; a part in Go quotes may hold spaces, as a word or after key=.
func splitQuoted(line string) ([]string, error) {
	var out []string
	for rest := strings.TrimSpace(line); rest != ""; rest = strings.TrimLeft(rest, " ") {
		end := strings.IndexAny(rest, " \"")
		if end < 0 {
			return append(out, rest), nil
		}
		if rest[end] == ' ' {
			out, rest = append(out, rest[:end]), rest[end:]
			continue
		}
		quoted, err := strconv.QuotedPrefix(rest[end:])
		if err != nil {
			return nil, fmt.Errorf("%q: a quote is not closed", rest)
		}
		v, err := strconv.Unquote(quoted)
		if err != nil {
			return nil, err
		}
		out, rest = append(out, rest[:end]+v), rest[end+len(quoted):]
	}
	return out, nil
}
