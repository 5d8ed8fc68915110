package notify

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"rillwatch/internal/site"
)

const (
	// headlineMax is in characters: what a telephone shows of a message without opening it.
	headlineMax = 80
	// titleLeast is how much of the panel's title a headline keeps before a shorter fact is taken: enough for "Boiler 2 feedwater".
	titleLeast = 20
)

// mark says the priority first.
func mark(p site.Priority) string {
	switch p {
	case site.TopPriority:
		return "[TOP] "
	case site.HighPriority:
		return "[HIGH] "
	case site.MediumPriority:
		return "[MED] "
	}
	return "[LOW] "
}

// headline puts the mark, where, and the longest of the facts that fits into the length of a headline. Facts go from the longest to the
// shortest; the last must fit beside the mark in any case. Where is shortened at a word, a fact never is; spare, a shorter name for
// where, is only taken when not one word of where fits.
func headline(mark, where, spare string, facts []string) string {
	room := headlineMax - utf8.RuneCountInString(mark)
	least := min(utf8.RuneCountInString(where), titleLeast)
	last := facts[len(facts)-1]
	if where == "" {
		for _, f := range facts {
			if utf8.RuneCountInString(f) <= room {
				return mark + f
			}
		}
		return mark + shorten(last, room)
	}
	left := func(fact string) int { return room - utf8.RuneCountInString(": "+fact) }
	for _, f := range facts {
		if w := shorten(where, left(f)); w != "" && utf8.RuneCountInString(w) >= least {
			return mark + w + ": " + f
		}
	}
	for _, w := range []string{shorten(where, left(last)), shorten(spare, left(last))} {
		if w != "" {
			return mark + w + ": " + last
		}
	}
	return mark + shorten(last, room)
}

// shorten keeps whole words within n characters and says that there was more; empty when not even one word fits.
func shorten(s string, n int) string {
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	const more = " ..."
	words := strings.Fields(s)
	kept := ""
	for _, w := range words {
		next := w
		if kept != "" {
			next = kept + " " + w
		}
		if utf8.RuneCountInString(next)+len(more) > n {
			break
		}
		kept = next
	}
	kept = strings.TrimRight(kept, " ,;:(-")
	if kept == "" {
		return ""
	}
	return kept + more
}

// clean makes one line of what a person wrote: a line break or a control character in a name must not make a second
// headline, and a mark that turns the direction of writing must not turn a number round.
func clean(s string) string {
	if !utf8.ValidString(s) {
		s = strings.ToValidUTF8(s, "?")
	}
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool {
		return unicode.IsSpace(r) || unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r)
	}), " ")
}

// sentence makes a sentence of what a person wrote: a capital at the start and one full stop at the end.
func sentence(s string) string {
	s = strings.TrimRight(clean(s), ". ")
	if s == "" {
		return ""
	}
	if last, _ := utf8.DecodeLastRuneInString(s); last != '!' && last != '?' {
		s += "."
	}
	return capital(s)
}

func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}
