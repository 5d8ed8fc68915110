package config

import (
	"fmt"
	"slices"
	"strings"

	"rillwatch/internal/quantity"
	"rillwatch/internal/site"
)

// set is the limits that one document gives for one band and tap.
type set struct {
	t      table
	source site.Source
	stream string
	limits map[string]setLimit
}

// setLimit is one value of a set.
type setLimit struct {
	t          table
	ok         bool
	quantity   quantity.Quantity
	key        string // high or low
	basis      string
	memory     bool
	confidence string
	note       string
}

// aStart is said wherever a value of a set is used. None of them is a rule of this program.
const aStart = "a start, to be confirmed with the boiler maker, the water chemist and local codes"

var (
	streams     = []string{"feedwater", "boiler-water"}
	confidences = []string{"high", "medium", "low"}
)

// readSets reads the sets of limits. Nothing of them is judged until a limit of a panel takes one by name.
func (d *doc) readSets(top table) {
	for _, t := range top.named("limit_set", "[limit_set.NAME]") {
		t.check(shapeSet)
		if d.sets[t.name()] != nil {
			t.wrongHere("another file has a set of this name", "rename one of the two")
			continue
		}
		s := &set{t: t, limits: map[string]setLimit{}}
		d.sets[t.name()] = s
		need := func(key, do string) string {
			v, ok := t.text(key, do)
			if !ok && !t.has(key) {
				t.missing(key, do)
			}
			return v
		}
		s.source.Document = need("document", "write the document that gives these limits")
		s.source.Edition = need("edition", "write the edition and the table")
		s.source.Band = need("band", "write the pressure band they are for")
		s.source.Tap, _ = t.choice("tap", tapList)
		if !t.has("tap") {
			t.missing("tap", `write tap = "before-scavenger" or another, or "unknown" where the document does not say`)
		}
		if s.stream, _ = t.choice("stream", streams); !t.has("stream") {
			t.missing("stream", `write stream = "feedwater" or "boiler-water": most values hold for one of them only`)
		}
		for _, lt := range t.named("limit", "[limit_set.NAME.limit.NAME]") {
			s.limits[lt.name()] = readSetLimit(lt)
		}
		if len(s.limits) == 0 && !hasTable(t, "limit") {
			t.missing("limit", "write ["+written(t.under("limit"))+".NAME] for each value")
		}
	}
}

func readSetLimit(t table) setLimit {
	t.check(shapeSetLimit)
	before := len(t.d.mistakes)
	l := setLimit{t: t, key: "high"}
	var names []string
	for _, q := range quantity.Quantities() {
		names = append(names, q.String())
	}
	if name, ok := t.choice("quantity", names); ok {
		l.quantity = quantity.Quantities()[slices.Index(names, name)]
	} else if !t.has("quantity") {
		t.missing("quantity", `write quantity = "dissolved-oxygen" or another`)
	}
	switch {
	case t.has("high") && t.has("low"):
		t.wrongKey("low", "is a second side besides high", "write one value for each side")
	case t.has("low"):
		l.key = "low"
	case !t.has("high"):
		t.wrongHere("has no value", `write high = "20 ug/L" or low = "9.2 pH"`)
	}
	if text, ok := t.text(l.key, "write the value with its unit, in quotes, as the document gives it"); ok && l.quantity != 0 {
		if _, _, err := quantity.ParseValue(text, l.quantity); err != nil {
			t.wrong(l.key, oneLine(err.Error()), "write the value with its unit, as the document gives it")
		}
	}
	if l.quantity == quantity.Sulfite {
		if l.basis, _ = t.choice("basis", []string{"SO3", "Na2SO3"}); !t.has("basis") {
			t.missing("basis", `write basis = "SO3" or basis = "Na2SO3"; the two differ by 57 %`)
		}
	} else if t.has("basis") {
		t.wrongKey("basis", "is for sulfite only", "leave it out")
	}
	known, _ := t.choice("known", []string{"read", "memory"})
	if !t.has("known") {
		t.missing("known", `write known = "read" where the value was read in the document or a reproduction of it, or "memory"`)
	}
	l.memory = known == "memory"
	if l.confidence, _ = t.choice("confidence", confidences); l.memory && !t.has("confidence") {
		t.missing("confidence", `write confidence = "high", "medium" or "low": how far the memory goes`)
	}
	l.note, _ = t.text("note", "write where it was read, or what the document adds")
	l.ok = len(t.d.mistakes) == before
	return l
}

// takeFrom gives a limit the value, the source and the basis of one that a set holds. It gives the key of the value within the set's table; the
// third is false where nothing can be taken, and that is told.
func (p *panel) takeFrom(t table, l *site.Limit) (table, string, bool) {
	const do = `write from = "SET.LIMIT", of a file that the configuration includes`
	text, ok := t.text("from", do)
	if !ok {
		return table{}, "", false
	}
	for _, key := range []string{"high", "low", "rises", "falls", "above_normal", "below_normal", "source", "basis"} {
		if t.has(key) {
			t.wrongKey(key, "is given by the limit set that from names", "remove it, or remove from; a value beside the document's own would bear the document's name")
			return table{}, "", false
		}
	}
	name, of, _ := strings.Cut(text, ".")
	s := p.t.d.sets[name]
	if s == nil && p.t.d.partial {
		return table{}, "", false // what could not be read is told
	}
	if s == nil {
		t.wrong("from", fmt.Sprintf("there is no limit set %q%s", name, maybe(name, sortedKeys(p.t.d.sets))), do)
		return table{}, "", false
	}
	v, found := s.limits[of]
	switch {
	case !found:
		t.wrong("from", fmt.Sprintf("the limit set %q has no limit %q%s", name, of, maybe(of, sortedKeys(s.limits))), "it has "+quotedList(sortedKeys(s.limits)))
		return table{}, "", false
	case !v.ok:
		return table{}, "", false // told where it stands
	}
	l.Source, l.Basis, l.Side = s.source, v.basis, site.High
	if v.key == "low" {
		l.Side = site.Low
	}
	value, _ := v.t.m[v.key].(string)
	how := "read, in the document or a reproduction of it"
	if v.memory {
		l.Source.Memory = true
		how = "from memory"
		t.warn("from", fmt.Sprintf("%s is known from memory only, with %s confidence, and was not read in %s", value, v.confidence, s.source.Document), "look it up in the document before anybody acts on it")
	}
	if v.note != "" {
		how += "; " + v.note
	}
	t.notePoint("from", fmt.Sprintf("%s %s, %s, %s, %s (%s); %s", v.key, value, s.source.Document, s.source.Edition, s.source.Band, how, aStart))
	if s.stream == "boiler-water" {
		t.warn("from", "the value is one of boiler water, and this panel draws a sample stream of its own", "see that the point is one of boiler water: feedwater carries the dose, not the residual")
	}
	p.matchTap(t, "from", l)
	return v.t, v.key, true
}

// setLimit is the value that a limit's from names; the zero one where there is none.
func (d *doc) setLimit(t table) setLimit {
	text, _ := t.m["from"].(string)
	name, of, _ := strings.Cut(text, ".")
	if s := d.sets[name]; s != nil {
		return s.limits[of]
	}
	return setLimit{}
}

// matchTap tells a limit that is for another tap than the panel's.
func (p *panel) matchTap(t table, key string, l *site.Limit) {
	if tap, ok := site.ParseTap(l.Source.Tap); ok && tap != p.p.Tap && tap != site.TapUnknown && p.p.Tap != site.TapUnknown {
		t.warn(key, fmt.Sprintf("the limit is for %s, and the panel's tap is %s", tap, p.p.Tap), "check that the limit is meant for this sample")
	}
}
