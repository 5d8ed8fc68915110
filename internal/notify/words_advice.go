package notify

import (
	"strings"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// adviceMost bounds what one message says of arithmetic and questions: who is woken reads it standing.
const adviceMost = 8

// advice says what the numbers amount to and what to ask next. It stands after the first action, which is the plant's own, and it is never
// an order: its last line says who decides.
func (t *teller) advice() []string {
	var said []string
	for _, line := range t.e.Advice {
		if line = clean(line); line != "" && len(said) < adviceMost {
			said = append(said, capital(ended(line)))
		}
	}
	if len(said) > 0 {
		said[0] = "What the numbers say, and what to ask, in this order: " + said[0]
	}
	return said
}

// contradicted says that a value which is judged all the same is doubted by another sensor.
func contradicted(v *event.Value) string {
	if why, ok := believed(v); !ok || why != reading.CrossCheck {
		return ""
	}
	return sentence("this reading is doubted, because " + reading.CrossCheck.Row().Words + "; it is judged all the same")
}

// ended puts a stop to a line that has none; a question has its own.
func ended(line string) string {
	if strings.HasSuffix(line, "?") {
		return line
	}
	return sentence(line)
}

// computed is what a derived point is called; empty for one that is called as its quantity. Two of one kind carry the names the user gave.
func (t *teller) computed(p *site.Point) string {
	kind := p.Derive.By.Kind()
	words := kind.Words
	if words == "" {
		return ""
	}
	if p.Derive.By == site.ScavengerDemandOf || p.Derive.By == site.ScavengerFeedOf {
		words += " as " + p.Derive.Choice // SO3 and Na2SO3 differ by 57 %
	}
	same := 0
	for i := range t.s.Points {
		if q := &t.s.Points[i]; q.Panel == p.Panel && q.Derive.By.Kind().Words == kind.Words {
			same++
		}
	}
	if same > 1 {
		words += " (" + spaced(p.Name) + ")"
	}
	return words
}

// elsewhere tells whether the event's value comes from outside the sample: a sensor of the site, a laboratory, or what is computed from them.
func (t *teller) elsewhere() bool {
	for i := range t.s.Points {
		if t.s.Points[i].Path != t.e.Point {
			continue
		}
		of := t.index(t.s.MovesWith(i))
		return of != nil && (of.Panel == site.None || of.Entered.Configured)
	}
	return false
}
