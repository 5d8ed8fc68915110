package cli

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"rillwatch/internal/config"
	"rillwatch/internal/guess"
	"rillwatch/internal/site"
)

// What decode says.

type lineJSON struct {
	Map    string    `json:"map"` // the line to paste
	Table  string    `json:"table"`
	Wire   uint16    `json:"wire"`
	Number string    `json:"number"` // as a manual that counts from 1 prints it
	Type   string    `json:"type"`
	Order  string    `json:"order,omitempty"`
	Scale  float64   `json:"scale"`
	Values []float64 `json:"values"`
	Doubt  float64   `json:"doubt"`
	Apart  string    `json:"apart,omitempty"` // what tells it from the first
	// Numbering is "wire" where the map line's number is one of the wire: its map must say so too.
	Numbering string `json:"numbering,omitempty"`
}

func (d *decoder) lineJSON(l guess.Line, values []float64, cost int) lineJSON {
	j := lineJSON{Map: mapLine(d.name, l, d.wanted, d.wire), Table: l.Table.String(), Wire: l.Addr, Number: config.ManualNumber(l.Table, l.Addr), Type: l.Type.String(),
		Scale: l.Decode().Scale, Values: values, Doubt: float64(cost) / 10}
	if l.Type.Words() > 1 {
		j.Order = l.Order.String()
	}
	if d.wire {
		j.Numbering = "wire"
	}
	return j
}

var verdictWords = map[guess.Verdict]string{
	guess.NothingFits: "nothing_fits", guess.SeveralFit: "several_fit", guess.OneFits: "one_fits_one_look", guess.Narrowed: "one_fits",
	guess.PartlyRead: "one_fits_of_those_answered",
}

// judge prints what the looks leave over.
func (d *decoder) judge(w io.Writer) error {
	fits, refused := guess.Fits(d.looks, d.wanted)
	verdict := guess.Judge(d.looks, fits)
	var slips []string
	if len(fits) > 0 {
		slips = guess.Slips(fits[0].Line, d.wanted, config.ManualNumber)
	}
	if d.json {
		out := struct {
			Verdict string     `json:"verdict"`
			Looks   int        `json:"looks"`
			Lines   []lineJSON `json:"lines"`
			More    int        `json:"more"`
			Slips   []string   `json:"slips"`
			Unread  string     `json:"unread,omitempty"` // asked and not answered
		}{verdictWords[verdict], len(d.looks), []lineJSON{}, max(0, len(fits)-d.most(len(fits))), append([]string{}, slips...), d.unreadText()}
		for i, f := range fits[:d.most(len(fits))] {
			j := d.lineJSON(f.Line, f.Values, f.Cost)
			if i > 0 {
				j.Apart = guess.Apart(fits[0].Line, f.Line)
			}
			out.Lines = append(out.Lines, j)
		}
		if err := printJSON(w, out); err != nil {
			return err
		}
	} else if err := d.tell(w, fits, refused, verdict, slips); err != nil {
		return err
	}
	if verdict == guess.NothingFits {
		return exit{exitFailed, nil}
	}
	return nil
}

func (d *decoder) most(n int) int {
	if d.all {
		return n
	}
	return min(n, shownLines)
}

func (d *decoder) tell(w io.Writer, fits []guess.Fit, refused int, verdict guess.Verdict, slips []string) error {
	var b strings.Builder
	n := 0
	for _, s := range d.looks[0].Spans {
		n += len(s.Words)
	}
	fmt.Fprintf(&b, "%s at %s.\n\n", count(len(d.looks), "look", "looks"), count(n, "register", "registers"))
	switch verdict {
	case guess.NothingFits:
		b.WriteString("Nothing fits. The value may stand in other registers or another table, may\nhave moved between display and reading (--within), or needs an offset or a\nscale that is no power of ten.\n")
	case guess.SeveralFit:
		fmt.Fprintf(&b, "%d lines fit, so none of them is certain. The most plausible is\n\n", len(fits))
	case guess.OneFits:
		b.WriteString("One line fits. One look may be chance: look again at another value.\n\n")
	case guess.Narrowed:
		b.WriteString("One line fits every look:\n\n")
	case guess.PartlyRead:
		b.WriteString("One line fits of what was answered, so it is not certain.\n\n")
	}
	if len(fits) > 0 {
		if d.wire {
			b.WriteString("# in a map with numbering = \"wire\"\n")
		}
		fmt.Fprintf(&b, "%s\n\n", mapLine(d.name, fits[0].Line, d.wanted, d.wire))
		for _, s := range slips {
			b.WriteString(wrap("- "+s, "  ", 78))
		}
		if len(slips) > 0 {
			b.WriteString("\n")
		}
		d.table(&b, fits)
	}
	if refused > 0 {
		fmt.Fprintf(&b, "\n%s left out: too narrow for a range up to %s.\n", count(refused, "line", "lines"), d.top)
	}
	b.WriteString(d.unreadNote())
	switch verdict {
	case guess.SeveralFit:
		b.WriteString("\nLook again when the display shows something else.\n")
	case guess.Narrowed:
		b.WriteString("\nPaste it, and prove it with rillwatch prove.\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// unreadText names what was asked in any look and not answered; empty where all was.
func (d *decoder) unreadText() string {
	var all []site.Span
	for a := range 65536 {
		for _, k := range d.looks {
			if i := slices.IndexFunc(k.Unread, func(s site.Span) bool { return a >= int(s.Addr) && a < int(s.Addr)+s.Count }); i >= 0 {
				all = behind(all, k.Unread[i].Table, a)
				break
			}
		}
	}
	if len(all) == 0 {
		return ""
	}
	parts := make([]string, len(all))
	for i, s := range all {
		parts[i] = config.ManualNumber(s.Table, s.Addr)
		last := config.ManualNumber(s.Table, s.Addr+uint16(s.Count)-1)
		if d.wire {
			parts[i], last = strconv.Itoa(int(s.Addr)), strconv.Itoa(int(s.Addr)+s.Count-1)
		}
		if s.Count > 1 {
			parts[i] += "-" + last
		}
	}
	word := all[0].Table.String() + " "
	if d.wire {
		word += "wire "
	}
	return word + strings.Join(parts, ", ")
}

func (d *decoder) unreadNote() string {
	text := d.unreadText()
	if text == "" {
		return ""
	}
	return "\n" + wrap("Asked and not answered: "+text+".", "  ", 78) + "What was looked for may stand there. Ask again, or leave them out of --read,\nand begin a new file of looks.\n"
}

// table lists the lines that fit with what they read, within 80 columns.
func (d *decoder) table(b *strings.Builder, fits []guess.Fit) {
	looks := d.looks[max(0, len(d.looks)-3):] // the last three
	head := fmt.Sprintf("%-8s  %5s  %-7s  %-5s  %-7s", "number", "wire", "type", "order", "scale")
	for _, k := range looks {
		head += fmt.Sprintf("  %-11s", k.Shown.Text)
	}
	b.WriteString(strings.TrimRight(head, " ") + "\n")
	for i, f := range fits[:d.most(len(fits))] {
		row := fmt.Sprintf("%-8s  %5d  %-7s  %-5s  %-7s", config.ManualNumber(f.Line.Table, f.Line.Addr), f.Line.Addr, f.Line.Type, orderText(f.Line), scaleText(f.Line))
		for _, v := range f.Values[len(f.Values)-len(looks):] {
			row += fmt.Sprintf("  %-11s", strconv.FormatFloat(v, 'g', 7, 64))
		}
		b.WriteString(strings.TrimRight(row, " ") + "\n")
		if i > 0 {
			b.WriteString(wrap("    "+guess.Apart(fits[0].Line, f.Line), "    ", 78))
		}
	}
	if more := len(fits) - d.most(len(fits)); more > 0 {
		fmt.Fprintf(b, "and %d more (--all)\n", more)
	}
}

func orderText(l guess.Line) string {
	if l.Type.Words() == 1 {
		return ""
	}
	return l.Order.String()
}

func scaleText(l guess.Line) string {
	if t := l.ScaleText(); t != "" {
		return t
	}
	return "1"
}

// wrap breaks a text at spaces; the lines after the first begin with indent.
func wrap(s, indent string, width int) string {
	var b strings.Builder
	line := ""
	for i, word := range strings.SplitAfter(s, " ") {
		if i > 0 && len(line)+len(strings.TrimRight(word, " ")) > width {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line = indent
		}
		line += word
	}
	return b.String() + strings.TrimRight(line, " ") + "\n"
}

// list prints the sensible readings of one look without a display.
func (d *decoder) list(w io.Writer) error {
	all, aside := guess.All(d.looks[0].Spans, d.wanted)
	if d.json {
		type asideJSON struct {
			Wire  uint16 `json:"wire"`
			Type  string `json:"type"`
			Order string `json:"order,omitempty"`
			Why   string `json:"why"`
		}
		out := struct {
			Lines []lineJSON  `json:"lines"`
			More  int         `json:"more"`
			Aside []asideJSON `json:"set_aside"`

			Unread string `json:"unread,omitempty"`
		}{[]lineJSON{}, len(all) - d.most(len(all)), []asideJSON{}, d.unreadText()}
		for _, r := range all[:d.most(len(all))] {
			out.Lines = append(out.Lines, d.lineJSON(r.Line, []float64{r.Value}, r.Cost))
		}
		for _, a := range aside {
			out.Aside = append(out.Aside, asideJSON{a.Line.Addr, a.Line.Type.String(), orderText(a.Line), a.Why})
		}
		return printJSON(w, out)
	}
	var b strings.Builder
	what := "a value"
	if d.quantity != "" || d.unit != "" {
		what = d.wanted.Quantity.String() + " in " + d.wanted.Unit.Name()
	}
	fmt.Fprintf(&b, "Readings as %s, the most plausible first.\nNothing here is certain: compare with the display (--shown).\n\n", what)
	fmt.Fprintf(&b, "%-8s  %5s  %-7s  %-5s  %-7s  %s\n", "number", "wire", "type", "order", "scale", "value")
	for _, r := range all[:d.most(len(all))] {
		fmt.Fprintf(&b, "%-8s  %5d  %-7s  %-5s  %-7s  %s\n", config.ManualNumber(r.Line.Table, r.Line.Addr), r.Line.Addr, r.Line.Type, orderText(r.Line), scaleText(r.Line), strconv.FormatFloat(r.Value, 'g', 7, 64))
	}
	if more := len(all) - d.most(len(all)); more > 0 {
		fmt.Fprintf(&b, "and %d more (--all)\n", more)
	}
	if len(aside) > 0 {
		b.WriteString("\nSet aside:\n")
		if d.all {
			for _, a := range aside {
				fmt.Fprintf(&b, "%-8s  %5d  %-7s  %-5s  %s\n", config.ManualNumber(a.Line.Table, a.Line.Addr), a.Line.Addr, a.Line.Type, orderText(a.Line), a.Why)
			}
		} else {
			reasons := map[string]int{}
			for _, a := range aside {
				reasons[a.Why]++
			}
			names := make([]string, 0, len(reasons))
			for why := range reasons {
				names = append(names, why)
			}
			slices.Sort(names)
			for _, why := range names {
				fmt.Fprintf(&b, "%5d  %s\n", reasons[why], why)
			}
		}
	}
	b.WriteString(d.unreadNote())
	_, err := io.WriteString(w, b.String())
	return err
}
