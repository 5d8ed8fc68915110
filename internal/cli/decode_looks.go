package cli

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"

	"rillwatch/internal/guess"
	"rillwatch/internal/quantity"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// The file of looks that decode keeps.

const looksBytes = 1 << 20 // of a file of looks; a look at 250 registers is 1.3 kB

// keepLooks puts the looks of this call behind those in the file, and takes all of them.
func (d *decoder) keepLooks() error {
	f, err := os.OpenFile(d.keep, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return err
	}
	defer f.Close()
	raw, err := io.ReadAll(io.LimitReader(f, looksBytes+1))
	if err != nil {
		return err
	}
	if len(raw) > looksBytes {
		return fmt.Errorf("%s is larger than %d bytes and no file of looks", d.keep, looksBytes)
	}
	kept, of, err := parseLooks(string(raw))
	if err != nil {
		return fmt.Errorf("%s: %w", d.keep, err)
	}
	now := d.looksOf()
	if err := of.with(now); err != nil {
		return fmt.Errorf("%s holds looks %w", d.keep, err)
	}
	if len(kept)+len(d.looks) > guess.LooksMax {
		return fmt.Errorf("%s holds %d looks, and %d are taken: begin a new file", d.keep, len(kept), guess.LooksMax)
	}
	if len(kept)+len(d.looks) == 0 {
		return fmt.Errorf("%s holds no look yet", d.keep)
	}
	if len(kept) > 0 && len(d.looks) > 0 && kept[0].Spans[0].Table != d.looks[0].Spans[0].Table {
		return fmt.Errorf("%s holds looks at %s registers", d.keep, kept[0].Spans[0].Table)
	}
	var b strings.Builder
	for _, k := range d.looks {
		b.WriteString(lookText(k, now))
	}
	if _, err := f.WriteString(b.String()); err != nil {
		return err
	}
	d.looks = append(kept, d.looks...)
	if d.number >= 0 {
		return d.place(d.looks[0].Spans[0].Table)
	}
	return nil
}

// looksOf is what looks of one file have in common: another station or unit would be another display. The zero looksOf says neither.
type looksOf struct {
	station int
	unit    string
}

func (d *decoder) looksOf() (now looksOf) {
	if d.wanted.Quantity != quantity.None {
		now.unit = d.wanted.Unit.Name()
	}
	if len(d.read) > 0 {
		now.station = d.station
	}
	return now
}

// mindKept refuses a file of other looks before anything is asked.
func (d *decoder) mindKept() error {
	f, err := os.Open(d.keep)
	if err != nil {
		return nil // there is none yet; what else is wrong is told when it is written
	}
	defer f.Close()
	raw, err := io.ReadAll(io.LimitReader(f, looksBytes))
	if err != nil {
		return err
	}
	_, of, err := parseLooks(string(raw))
	if err == nil {
		if err = of.with(d.looksOf()); err != nil {
			err = fmt.Errorf("%s holds looks %w", d.keep, err)
		}
		return err
	}
	return fmt.Errorf("%s: %w", d.keep, err)
}

// with refuses looks of something else.
func (l looksOf) with(now looksOf) error {
	switch {
	case l.station != 0 && now.station != 0 && l.station != now.station:
		return fmt.Errorf("at station %d, and this one is at station %d: begin a new file", l.station, now.station)
	case l.unit != "" && now.unit != "" && l.unit != now.unit:
		return fmt.Errorf("in %s, and this one is in %s: begin a new file", l.unit, now.unit)
	}
	return nil
}

// lookText is a look as a line of a file: "look 18.4 within 0 station 1 unit ppb holding 0 3333 4193 holding 7 0001 unread 2 5".
func lookText(k guess.Look, of looksOf) string {
	var b strings.Builder
	base, _ := guess.ParseShown(k.Shown.Text)
	fmt.Fprintf(&b, "look %s within %s", k.Shown.Text, strconv.FormatFloat(k.Shown.Half-base.Half, 'g', -1, 64))
	if of.station != 0 {
		fmt.Fprintf(&b, " station %d", of.station)
	}
	if of.unit != "" {
		fmt.Fprintf(&b, " unit %s", of.unit)
	}
	for _, s := range k.Spans {
		fmt.Fprintf(&b, " %s %d", s.Table, s.Addr)
		for _, w := range s.Words {
			fmt.Fprintf(&b, " %04x", w)
		}
	}
	for _, s := range k.Unread {
		fmt.Fprintf(&b, " unread %d %d", s.Addr, s.Count)
	}
	return b.String() + "\n"
}

func parseLooks(text string) (out []guess.Look, of looksOf, err error) {
	lines := strings.Split(text, "\n")
	if n := len(lines); strings.TrimSpace(lines[n-1]) != "" { // a word of which half is there would be another word
		return nil, of, fmt.Errorf("line %d is cut short: remove it", n)
	}
	for i, l := range lines {
		f := strings.Fields(l)
		if len(f) == 0 {
			continue
		}
		bad := fmt.Errorf("line %d is no look", i+1)
		if len(f) < 7 || f[0] != "look" || f[2] != "within" {
			return nil, of, bad
		}
		shown, err := guess.ParseShown(f[1])
		within, err2 := strconv.ParseFloat(f[3], 64)
		if err != nil || err2 != nil || !(within >= 0) || math.IsInf(within, 0) {
			return nil, of, bad
		}
		shown.Half += within
		k, words := guess.Look{Shown: shown}, 0
		mine := looksOf{}
		for j := 4; j < len(f); j++ {
			if j+1 < len(f) && f[j] == "unit" {
				mine.unit = f[j+1]
				j++
				continue
			}
			if j+1 < len(f) && f[j] == "station" {
				if mine.station, err = strconv.Atoi(f[j+1]); err != nil {
					return nil, of, bad
				}
				j++
				continue
			}
			if j+2 < len(f) && f[j] == "unread" && len(k.Spans) > 0 {
				from, err := strconv.ParseUint(f[j+1], 10, 16)
				n, err2 := strconv.ParseUint(f[j+2], 10, 16)
				if err != nil || err2 != nil || n == 0 || from+n > 65536 {
					return nil, of, bad
				}
				k.Unread = append(k.Unread, site.Span{Table: k.Spans[0].Table, Addr: uint16(from), Count: int(n)})
				j += 2
				continue
			}
			if t, ok := reading.ParseTable(f[j]); ok && j+1 < len(f) && !t.Bits() {
				n, err := strconv.ParseUint(f[j+1], 10, 16)
				if err != nil {
					return nil, of, bad
				}
				k.Spans = append(k.Spans, guess.Span{Table: t, Addr: uint16(n)})
				j++
				continue
			}
			n, err := strconv.ParseUint(f[j], 16, 16)
			if words++; err != nil || len(k.Spans) == 0 || words > guess.WordsMax {
				return nil, of, bad
			}
			last := &k.Spans[len(k.Spans)-1]
			if last.Words = append(last.Words, uint16(n)); int(last.Addr)+len(last.Words) > 65536 {
				return nil, of, bad
			}
		}
		if words == 0 {
			return nil, of, bad
		}
		if err := of.with(mine); err != nil {
			return nil, of, fmt.Errorf("line %d: the lines before it are %w", i+1, err)
		}
		of = looksOf{cmp.Or(of.station, mine.station), cmp.Or(of.unit, mine.unit)}
		if out = append(out, k); len(out) > guess.LooksMax {
			return nil, of, fmt.Errorf("more than %d looks", guess.LooksMax)
		}
	}
	return out, of, nil
}
