package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// shape is the keys one kind of table may hold.
type shape struct {
	of    string // what the table describes, for a person
	known []string
	later map[string]string // keys of the design that this version does not obey: what to do instead
}

// The tables of the file. A key under later belongs to the design and will mean something; until it does it is refused, because
// a key that is silently ignored is believed to work.
var (
	shapeTop      = shape{"the file", []string{"site", "bus", "map", "panel", "recipient", "messages", "http", "logbook", "include", "limit_set"}, nil}
	shapeIncluded = shape{"an included file", []string{"map", "limit_set"}, map[string]string{"include": "include it in the file of the site itself"}}
	shapeSet      = shape{"a limit set", []string{"document", "edition", "band", "tap", "stream", "limit"}, nil}
	shapeSetLimit = shape{"a limit of a set", []string{"quantity", "high", "low", "basis", "known", "confidence", "note"}, nil}
	shapeSite     = shape{"the site", []string{"name", "timezone", "altitude_m", "sensor"},
		map[string]string{"barometer": "give altitude_m"}}
	shapeBus = shape{"a bus", []string{"link", "timeout", "direct", "baud", "parity", "stop_bits", "sole_master", "listen", "ca_file", "cert_file", "key_file", "server_name"},
		map[string]string{"data_bits": "remove it; Modbus RTU has eight", "turnaround": "say it in the register map of the device that needs it"}}
	shapeMap    = shape{"a register map", []string{"numbering", "longest_read", "turnaround", "also_readable", "status", "alive", "identity", "point"}, nil}
	shapeStatus = shape{"a status", []string{"holding", "input", "coil", "discrete", "mask", "good", "hold"},
		map[string]string{"type": "remove it; a status is one register, or one bit"}}
	shapeAlive    = shape{"an alive register", []string{"holding", "input", "coil", "discrete", "type"}, nil}
	shapeIdentity = shape{"an identity", []string{"serial"}, map[string]string{"model": "remove it; only the serial number tells one device from another", "firmware": "remove it; only the serial number is watched"}}
	shapeSerial   = shape{"a serial number", []string{"holding", "input", "type", "registers", "order"}, nil}
	shapePoint    = shape{"a point", []string{"holding", "input", "coil", "discrete", "type", "order", "scale", "offset", "invert", "no_value",
		"quantity", "unit", "resolution", "floor", "ceiling", "fault_below", "fault_above", "frozen_after", "jump", "compensation", "slope_percent_per_K", "temperature", "basis"}, map[string]string{
		"mask":         "remove it; one bit of a register cannot be taken yet",
		"registers":    "remove it; a point is a number, and its type says its registers",
		"rate":         "write jump, the most that water usually moves in a minute",
		"max_rate":     "write jump, the most that water usually moves in a minute",
		"rate_per_min": "write jump, the most that water usually moves in a minute",
		"status":       "write it in the map, beside its points"}}
	shapeSensor = shape{"a sensor", []string{"map", "bus", "station", "period", "refresh", "fitted"},
		map[string]string{"turnaround": "say it in the register map of the sensor"}}
	shapePanel = shape{"a panel", []string{"title", "tap", "sensor", "line", "on_line", "start_up", "interlock", "limit", "derive", "entered", "cross_check"},
		map[string]string{"baseline": "remove it"}}
	shapeLine = shape{"a sample line", []string{"length_m", "bore_mm", "coil_mL", "cell_mL", "flow", "flow_low", "flow_high"}, nil}
	shapeLock = shape{"an interlock", []string{"temperature", "warn_above", "close_above", "valve_closed", "travel",
		"second_temperature", "rise_per_min", "cooling_water", "approach_above", "drive"}, map[string]string{
		"temperatures": "name one temperature, and a second one as second_temperature",
		"valve_fails":  "say it in the drive"}}
	shapeDrive     = shape{"a drive", []string{"bus", "station", "coil", "holding", "numbering", "close_value", "valve_fails", "confirmed"}, nil}
	shapeConfirmed = shape{"what was confirmed", append([]string{"by", "on"}, confirmKeys()...), nil}
	shapeLimit     = shape{"a limit", []string{"point", "high", "low", "deadband", "on_delay", "off_delay", "priority", "source", "basis", "action",
		"cause", "consequence", "applies", "rises", "falls", "window", "above_normal", "below_normal", "learn_over", "learn_least", "from"},
		map[string]string{"rate": "write rises or falls", "baseline": "write above_normal or below_normal"}}
	shapeSource    = shape{"the source of a limit", []string{"document", "edition", "band", "tap"}, nil}
	shapeEntered   = shape{"a value entered by a person", []string{"quantity", "unit", "max_age", "resolution", "basis", "fault_below", "fault_above"}, nil}
	shapeCross     = shape{"the cross-checks", []string{"ph", "oxygen"}, nil}
	shapeCrossPH   = shape{"the cross-check of pH", []string{"ph", "conductivity", "temperature", "fed", "band"}, nil}
	shapeCrossO2   = shape{"the cross-check of oxygen", []string{"oxygen", "oxygen_above", "sulfite", "sulfite_above"}, nil}
	shapeRecipient = shape{"a recipient", []string{"url", "secret_file", "old_secret_file", "ca_file", "proxy", "least_priority", "panels", "kinds", "quiet", "heartbeat",
		"template_file", "content_type"}, map[string]string{
		"secret_credential": "give secret_file",
		"escalate_after":    "remove it; who is called next is for the paging service behind the hook",
		"escalation":        "remove it; who is called next is for the paging service behind the hook"}}
	shapeQuiet    = shape{"quiet hours", []string{"from", "to", "least"}, nil}
	shapeMessages = shape{"the messages", []string{"reminders", "allowed"}, map[string]string{"escalation": "remove it; who is called next is for the paging service behind the hook"}}
	shapeRemind   = shape{"the reminders", priorityList, nil}
	shapeHTTP     = shape{"the http table", []string{"listen", "token_file"}, map[string]string{"token_credential": "give token_file", "tls": "put a reverse proxy in front"}}
	shapeLogbook  = shape{"the logbook", []string{"dir", "flush", "keep", "keep_hours", "keep_events", "disk"}, map[string]string{"retention": "say it as keep, and as disk"}}
)

const ()

// check tells every key that does not belong.
func (t table) check(s shape) {
	for _, key := range sortedKeys(t.m) {
		if slices.Contains(s.known, key) {
			continue
		}
		if do, ok := s.later[key]; ok {
			t.wrongKey(key, "is not obeyed yet", do)
			continue
		}
		all := append(slices.Clone(s.known), sortedKeys(s.later)...)
		if i := slices.IndexFunc(all, func(k string) bool { return strings.EqualFold(k, key) }); i >= 0 {
			t.d.slips[joined(t.under(all[i]))] = true
			t.wrongKey(key, "is in the wrong case", "keys are written exactly so: "+all[i])
			continue
		}
		if near := nearest(key, s.known); near != "" {
			t.d.slips[joined(t.under(near))] = true
			t.wrongKey(key, "is no key of "+s.of, "did you mean "+near+"?")
			continue
		}
		t.wrongKey(key, "is no key of "+s.of, "it takes "+strings.Join(s.known, ", "))
	}
}

// nearest is the name of the list that a slip of the pen away from s; empty when none is near. Of equals the first in order.
func nearest(s string, names []string) string {
	best, bestAt := "", 1+max(1, len(s)/3) // a third of the letters wrong is still a slip; more is another word
	for _, n := range names {
		if len(n) > nameMax || len(s) > nameMax {
			continue // distance costs the product of the lengths
		}
		if d := distance(s, n); d < bestAt || d == bestAt && best != "" && n < best {
			best, bestAt = n, d
		}
	}
	return best
}

// maybe is the end of "is not known": a guess, for a person only.
func maybe(s string, names []string) string {
	if near := nearest(s, names); near != "" {
		return fmt.Sprintf(": did you mean %q?", near)
	}
	return ""
}

// distance is the number of letters to insert, drop, change or swap with the next (the restricted form of Damerau 1964).
func distance(a, b string) int {
	var before []int
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		next := make([]int, len(b)+1)
		next[0] = i + 1
		for j := range len(b) {
			change := row[j]
			if a[i] != b[j] {
				change++
			}
			next[j+1] = min(change, row[j+1]+1, next[j]+1)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				next[j+1] = min(next[j+1], before[j-1]+1)
			}
		}
		before, row = row, next
	}
	return row[len(b)]
}

// hintsMax bounds the mistakes for which a name is guessed: a guess compares with every name of the site.
const hintsMax = 100

// listMax bounds the names a hint shows.
const listMax = 12

func quotedList(names []string) string {
	more := ""
	if len(names) > listMax {
		more = fmt.Sprintf(" and %d more", len(names)-listMax)
		names = names[:listMax]
	}
	q := make([]string, len(names))
	for i, n := range names {
		q[i] = strconv.Quote(n)
	}
	return strings.Join(q, ", ") + more
}
