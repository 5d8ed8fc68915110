package config

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"

	"rillwatch/internal/quantity"
)

// table is one TOML table and the way to it.
type table struct {
	d    *doc
	path []string
	m    map[string]any
}

var namePattern = regexp.MustCompile(`^[a-z0-9_-]+$`)

// nameMax keeps paths short enough for a metrics label and a line of a message.
const nameMax = 64

// written is a path as a person would write it; a part that needs quotes has them.
func written(path []string) string {
	var b strings.Builder
	for i, part := range path {
		if strings.HasPrefix(part, "[") && strings.HasSuffix(part, "]") {
			b.WriteString(part)
			continue
		}
		if i > 0 {
			b.WriteByte('.')
		}
		if barePattern.MatchString(part) {
			b.WriteString(part)
		} else {
			b.WriteString(strconv.Quote(part))
		}
	}
	return b.String()
}

var barePattern = regexp.MustCompile(`^[A-Za-z0-9_-]+$`)

func (t table) under(key string) []string { return append(append([]string{}, t.path...), key) }

func (t table) has(key string) bool { _, ok := t.m[key]; return ok }

func (t table) name() string { return t.path[len(t.path)-1] }

// wrong tells a mistake in a value.
func (t table) wrong(key, what, do string) {
	p := t.under(key)
	t.d.add(&t.d.mistakes, t.d.at.value(p), written(p), what, do)
}

// wrongKey tells a mistake in a key itself.
func (t table) wrongKey(key, what, do string) {
	p := t.under(key)
	t.d.add(&t.d.mistakes, t.d.at.key(p), written(p), what, do)
}

// wrongHere tells a mistake of the table as a whole.
func (t table) wrongHere(what, do string) {
	t.d.add(&t.d.mistakes, t.d.at.key(t.path), written(t.path), what, do)
}

// slipped tells whether a key of the table was told to be a slip for one of these, so that their absence needs no second word.
func (t table) slipped(keys ...string) bool {
	for _, key := range keys {
		if t.d.slips[joined(t.under(key))] {
			return true
		}
	}
	return false
}

// missing tells that a key is not there; it stands at the table.
func (t table) missing(key, do string) {
	if t.slipped(key) {
		return
	}
	t.d.add(&t.d.mistakes, t.d.at.key(t.path), written(t.under(key)), "is missing", do)
}

func (t table) warn(key, what, do string) {
	p := t.under(key)
	t.d.add(&t.d.report.Warnings, t.d.at.value(p), written(p), what, do)
}

func (t table) warnHere(what, do string) {
	t.d.add(&t.d.report.Warnings, t.d.at.key(t.path), written(t.path), what, do)
}

func (t table) took(key, value, why string) { t.d.tookDefault(written(t.under(key)), value, why) }

func (t table) notePoint(key, what string) { t.d.note(written(t.under(key)), what) }

// kind names a decoded value for a person.
func kind(v any) string {
	switch v.(type) {
	case string:
		return "a text"
	case bool:
		return "true or false"
	case int64, float64:
		return "a number"
	case map[string]any:
		return "a table"
	case []any, []map[string]any:
		return "a list"
	}
	return "a date or time"
}

func (t table) notA(key, wanted, do string) {
	t.wrong(key, fmt.Sprintf("must be %s, and is %s", wanted, kind(t.m[key])), do)
}

// sub is a table within the table. A table that is not there is empty, and false.
func (t table) sub(key string) (table, bool) {
	s := table{d: t.d, path: t.under(key)}
	v, ok := t.m[key]
	if !ok {
		return s, false
	}
	if s.m, ok = v.(map[string]any); !ok {
		t.notA(key, "a table", fmt.Sprintf("write [%s] or %s = { ... }", written(s.path), key))
		return s, false
	}
	return s, true
}

// named gives the tables within t.key by name. Names that cannot be names are told, and read on, so that what
// refers to them is not told as well.
func (t table) named(key, example string) []table {
	v, ok := t.m[key]
	if !ok {
		return nil
	}
	s := table{d: t.d, path: t.under(key)}
	if s.m, ok = v.(map[string]any); !ok {
		t.notA(key, "one table for each name", "write "+example)
		return nil
	}
	var list []table
	for _, name := range sortedKeys(s.m) {
		s.checkName(name)
		one, ok := s.m[name].(map[string]any)
		if !ok {
			s.notA(name, "a table", "write "+example)
			continue
		}
		list = append(list, table{d: t.d, path: s.under(name), m: one})
	}
	return list
}

func (t table) checkName(name string) {
	switch {
	case !namePattern.MatchString(name):
		t.wrongKey(name, "is no name", "use small letters, digits, - and _ only")
	case len(name) > nameMax:
		t.wrongKey(name, fmt.Sprintf("is longer than %d characters", nameMax), "take a shorter name; titles may be long")
	}
}

// textMax bounds one text: it goes into messages a person reads at night.
const textMax = 500

// text is a text that is not empty.
func (t table) text(key, do string) (string, bool) {
	v, ok := t.m[key]
	if !ok {
		return "", false
	}
	s, ok := v.(string)
	switch {
	case !ok:
		t.notA(key, "a text in quotes", do)
	case strings.TrimSpace(s) == "":
		t.wrong(key, "is empty", do)
	case len(s) > textMax:
		t.wrong(key, fmt.Sprintf("is longer than %d bytes", textMax), "say it shorter")
	case strings.ContainsFunc(s, hidden):
		t.wrong(key, "holds a line break or control character", "write it on one line")
	default:
		return s, true
	}
	return "", false
}

// hidden are characters that nobody sees and that turn what stands beside them: controls, line ends, and the marks that change the direction
// of writing, behind which "above 20" reads as "02 evoba".
func hidden(r rune) bool {
	return unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || unicode.In(r, unicode.Zl, unicode.Zp)
}

// choice is a text out of a list.
func (t table) choice(key string, from []string) (string, bool) {
	do := "write one of " + quotedList(from)
	s, ok := t.text(key, do)
	if !ok {
		return "", false
	}
	for _, f := range from {
		if s == f {
			return s, true
		}
	}
	t.wrong(key, fmt.Sprintf("%q is not known here%s", s, maybe(s, from)), do)
	return "", false
}

func (t table) flag(key string) (value, ok bool) {
	v, ok := t.m[key]
	if !ok {
		return false, false
	}
	b, ok := v.(bool)
	if !ok {
		t.notA(key, "true or false", "write true or false, without quotes")
	}
	return b, ok
}

// whole is a whole number within bounds.
func (t table) whole(key string, low, high int64, do string) (int64, bool) {
	v, ok := t.m[key]
	if !ok {
		return 0, false
	}
	n, ok := v.(int64)
	if !ok {
		t.notA(key, "a whole number without quotes", do)
		return 0, false
	}
	if n < low || n > high {
		t.wrong(key, fmt.Sprintf("%d is outside %d to %d", n, low, high), do)
		return 0, false
	}
	return n, true
}

// finite is any number that is one.
func (t table) finite(key, do string) (float64, bool) {
	v, ok := t.m[key]
	if !ok {
		return 0, false
	}
	f := 0.0
	switch n := v.(type) {
	case int64:
		f = float64(n)
	case float64:
		f = n
	default:
		t.notA(key, "a number without quotes", do)
		return 0, false
	}
	if math.IsNaN(f) || math.IsInf(f, 0) {
		t.wrong(key, fmt.Sprintf("%v is not a finite number", f), do)
		return 0, false
	}
	return f, true
}

// number is a finite number within bounds.
func (t table) number(key string, low, high float64, do string) (float64, bool) {
	f, ok := t.finite(key, do)
	if ok && (f < low || f > high) {
		t.wrong(key, fmt.Sprintf("%s is outside %s to %s", num(f), num(low), num(high)), do)
		return 0, false
	}
	return f, ok
}

// span is a length of time, such as "5m", within bounds.
func (t table) span(key string, low, high time.Duration) (time.Duration, bool) {
	do := fmt.Sprintf(`write a number and ms, s, m or h in quotes, such as "90s", from %s to %s`, short(low), short(high))
	v, ok := t.m[key]
	if !ok {
		return 0, false
	}
	s, ok := v.(string)
	if !ok {
		t.notA(key, "a time with its unit", do)
		return 0, false
	}
	span, err := time.ParseDuration(s)
	switch {
	case err != nil:
		t.wrong(key, fmt.Sprintf("%q is not a length of time", s), do)
	case span < low || span > high:
		t.wrong(key, fmt.Sprintf("%s is outside %s to %s", short(span), short(low), short(high)), do)
	case span%time.Millisecond != 0:
		t.wrong(key, fmt.Sprintf("%q is not a whole number of milliseconds", s), do)
	default:
		return span, true
	}
	return 0, false
}

// amount is a value with the unit it was written in.
type amount struct {
	value   float64 // in the unit that was asked for
	written float64
	unit    quantity.Unit // as written
}

func (a amount) text() string { return withUnit(a.written, a.unit) }

// amount reads a number in unit, or a text with its own unit. difference is set for deadbands and the like, which have no
// zero point: 2 degF of deadband are 1.1 K.
func (t table) amount(key string, unit quantity.Unit, difference bool) (amount, bool) {
	do := fmt.Sprintf("write a number in %s, or a text with its own unit, such as %q", unit.Name(), withUnit(20, unit))
	s, isText := t.m[key].(string)
	if !isText {
		f, ok := t.finite(key, do)
		return amount{f, f, unit}, ok
	}
	v, u, err := quantity.ParseValue(s, unit.Quantity())
	if err != nil {
		t.wrong(key, oneLine(err.Error()), do)
		return amount{}, false
	}
	convert := quantity.Convert
	if difference {
		convert = quantity.ConvertDifference
	}
	value, assumed, err := convert(v, u, unit)
	if err != nil {
		t.wrong(key, oneLine(err.Error()), do)
		return amount{}, false
	}
	if assumed != "" {
		t.notePoint(key, fmt.Sprintf("%s is %s, %s", withUnit(v, u), withUnit(value, unit), assumed))
	}
	return amount{value, v, u}, true
}

// num writes a number without an exponent as far as a person would.
func num(f float64) string {
	if short, err := strconv.ParseFloat(strconv.FormatFloat(f, 'g', 12, 64), 64); err == nil {
		f = short // the dust of a conversion stands in the last digits; no instrument gives twelve
	}
	if a := math.Abs(f); a >= 1e-6 && a < 1e9 {
		return strconv.FormatFloat(f, 'f', -1, 64)
	}
	return strconv.FormatFloat(f, 'g', -1, 64)
}

func withUnit(f float64, u quantity.Unit) string { return num(f) + " " + u.Name() }

// short is a length of time without the zeros at its end: "5m", not "5m0s".
func short(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}
