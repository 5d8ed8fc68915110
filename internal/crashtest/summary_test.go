package crashtest

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"rillwatch/internal/event"
	"rillwatch/internal/logbook"
)

// summary is the kind of a message that tells several together. Its id is none of an event; those of the events are in it.
const summary = "summary"

// ledger holds what arrived against what the logbook says of it.
type ledger struct {
	came    map[string]word // by the id a message goes by, a summary's too
	times   map[string]int
	listed  map[string]bool   // told within a summary that came, and named by it
	waiting map[string]bool   // not told yet, by the logbook
	ended   map[string]string // told, by the logbook: the summary it was told in, "" by itself
}

// toldOf reads a logbook's queue and its records of what was told.
func toldOf(b *logbook.Book, words []word) (*ledger, error) {
	l := &ledger{came: map[string]word{}, times: map[string]int{}, listed: map[string]bool{}, waiting: map[string]bool{}, ended: map[string]string{}}
	for _, w := range words {
		l.came[w.id] = w
		l.times[w.id]++
		for _, m := range w.in {
			l.listed[m.ID] = true
		}
	}
	for after := uint64(0); ; {
		row, ok, err := b.NextAfter("on-call", after)
		if err != nil {
			return nil, err
		}
		if !ok {
			break
		}
		l.waiting[row.ID.String()], after = true, row.Number
	}
	for after := uint64(0); ; {
		ds, err := b.Deliveries("on-call", after, 0)
		if err != nil {
			return nil, err
		}
		if len(ds) == 0 {
			return l, nil
		}
		for _, d := range ds {
			after = d.Number
			switch d.Result {
			case "delivered":
				l.ended[d.ID.String()] = ""
			case "in_summary":
				rest, ok := strings.CutPrefix(d.Detail, "in summary ")
				id, _, colon := strings.Cut(rest, ":")
				if !ok || !colon {
					return nil, fmt.Errorf("the record of %s does not say in which summary it was told: %q", d.ID, d.Detail)
				}
				l.ended[d.ID.String()] = id
			default:
				return nil, fmt.Errorf("%s ended as %s: %s", d.ID, d.Result, d.Detail)
			}
		}
	}
}

// wrong says which event people are called for was neither told nor waits, and what the logbook has as told that was not. What came and is not yet
// on record as told waits, and is told again: a message arrives at least once.
func (l *ledger) wrong(events []event.Event) (wrong []string) {
	say := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	there := map[string]bool{}
	claims := map[string]int{}
	for i := range events {
		e := &events[i]
		id := e.ID.String()
		there[id] = true
		if !e.Told() {
			continue
		}
		sum, ended := l.ended[id]
		switch {
		case !ended && !l.waiting[id]:
			say("%s (%s) is in the logbook, is not on record as told and does not wait", id, e.Kind)
		case ended && sum == "" && l.times[id] == 0:
			say("%s (%s) is on record as told and did not arrive", id, e.Kind)
		case ended && sum != "":
			claims[sum]++
			w := l.came[sum]
			named := slices.ContainsFunc(w.in, func(m inside) bool { return m.ID == id })
			if l.times[sum] == 0 {
				say("%s (%s) is on record as told in summary %s, which did not arrive", id, e.Kind, sum)
			} else if !named && w.count == len(w.in) {
				say("%s (%s) is on record as told in summary %s, which does not tell it", id, e.Kind, sum)
			}
		}
	}
	for id, w := range l.came {
		switch {
		case w.kind != summary && !there[id]:
			say("%s (%s of %s) arrived and is not in the logbook", id, w.kind, w.alarm)
		case w.kind == summary && claims[id] > w.count:
			say("%d events are on record as told in summary %s, which is of %d", claims[id], id, w.count)
		}
		for _, m := range w.in {
			if !there[m.ID] {
				say("%s (%s of %s) arrived in summary %s and is not in the logbook", m.ID, m.Kind, m.Alarm, id)
			}
		}
	}
	return wrong
}

// together is how many summaries came, and how many messages are on record as told in one.
func (l *ledger) together() (summaries, messages int) {
	for _, w := range l.came {
		if w.kind == summary {
			summaries++
		}
	}
	for _, sum := range l.ended {
		if sum != "" {
			messages++
		}
	}
	return summaries, messages
}

// length finds how long the body of a request is.
var length = regexp.MustCompile(`(?i)\r\ncontent-length: ([0-9]+)\r\n`)

// spoken gives what listens to the recipient's socket: each message as its id and its body, for spokenWords. A long one is written in pieces; it is
// told with the last.
func spoken() func(fd int, text []byte) []string {
	begun := map[int][]byte{}
	return func(fd int, text []byte) []string {
		if bytes.HasPrefix(text, []byte("POST ")) {
			begun[fd] = nil
		} else if begun[fd] == nil {
			return nil
		}
		begun[fd] = append(begun[fd], text...)
		head, body, ok := bytes.Cut(begun[fd], []byte("\r\n\r\n"))
		head = append(bytes.Clone(head), "\r\n"...)
		id, n := webhookID.FindSubmatch(head), length.FindSubmatch(head)
		if !ok || id == nil || n == nil {
			return nil
		}
		if most, err := strconv.Atoi(string(n[1])); err != nil || len(body) < most {
			return nil
		}
		delete(begun, fd)
		return []string{string(id[1]) + " " + string(body)}
	}
}

// spokenWords takes them apart.
func spokenWords(told []string) (words []word, err error) {
	for _, s := range told {
		id, body, _ := strings.Cut(s, " ")
		w, err := readWord(id, []byte(body))
		if err != nil {
			return nil, fmt.Errorf("told %s: %w", id, err)
		}
		words = append(words, w)
	}
	return words, nil
}

// TestTheLedgerFindsWhatWasNotTold: a check that finds nothing proves nothing.
func TestTheLedgerFindsWhatWasNotTold(t *testing.T) {
	events := make([]event.Event, 4)
	for i := range events {
		events[i] = event.Event{ID: event.ID{Boot: "4f2a91c0", Seq: uint64(i + 1)}, Kind: event.AlarmRaised}
	}
	id := func(n int) string { return events[n-1].ID.String() }
	sound := func() *ledger {
		return &ledger{
			came:    map[string]word{id(1): {id: id(1)}, "s": {id: "s", kind: summary, count: 2, in: []inside{{ID: id(2)}, {ID: id(3)}}}},
			times:   map[string]int{id(1): 1, "s": 2},
			ended:   map[string]string{id(1): "", id(2): "s", id(3): "s"},
			waiting: map[string]bool{id(4): true},
		}
	}
	if w := sound().wrong(events); len(w) > 0 {
		t.Fatalf("of a sound one: %q", w)
	}
	for want, harm := range map[string]func(*ledger){
		"is not on record as told and does not wait":  func(l *ledger) { delete(l.waiting, id(4)) },
		"is on record as told and did not arrive":     func(l *ledger) { l.ended[id(4)] = "" },
		"which did not arrive":                        func(l *ledger) { l.ended[id(4)] = "s2" },
		"which does not tell it":                      func(l *ledger) { l.ended[id(4)] = "s" },
		"(summary-less of ) arrived and is not in":    func(l *ledger) { l.came["x"] = word{id: "x", kind: "summary-less"} },
		"arrived in summary s and is not in the logb": func(l *ledger) { l.came["s"].in[0].ID = "x" },
		"2 events are on record as told in summary s, which is of 1": func(l *ledger) {
			w := l.came["s"]
			w.count = 1
			l.came["s"] = w
		},
	} {
		l := sound()
		harm(l)
		if got := strings.Join(l.wrong(events), "; "); !strings.Contains(got, want) {
			t.Errorf("%q is not found: %q", want, got)
		}
	}
}
