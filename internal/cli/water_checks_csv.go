package cli

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"time"
)

const (
	// A check an hour for ten years is 88 000.
	checksMax = 100_000
	// Of the text: some 160 bytes a check.
	checksBytesMax = 16 << 20
	// So many mistakes of a file are told at once; a file of another kind would have one a line.
	checkMistakesMax = 10
)

// pairs are the checks of a file, in its order.
type pairs struct {
	shown, standard []float64
	at              []time.Time // empty where the file has no times
	lines           []int       // of the file, from 1
	unread          []string    // columns that are not looked at
}

// readPairs reads a CSV with the columns shown, standard and, if it has one, time. Every mistake is told with its line, up to a bound.
func readPairs(path string) (pairs, error) {
	f, err := os.Open(path)
	if err != nil {
		return pairs{}, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, checksBytesMax+1))
	if err != nil {
		return pairs{}, fmt.Errorf("%s: %w", path, err)
	}
	if len(text) > checksBytesMax {
		return pairs{}, fmt.Errorf("%s: longer than %d MB: no list of checks", path, checksBytesMax>>20)
	}
	return parsePairs(path, strings.TrimPrefix(string(text), "\ufeff"))
}

func parsePairs(path, text string) (pairs, error) {
	r := csv.NewReader(strings.NewReader(text))
	r.Comment, r.TrimLeadingSpace, r.FieldsPerRecord = '#', true, -1
	var p pairs
	head, err := r.Read()
	if errors.Is(err, io.EOF) {
		return p, fmt.Errorf("%s: empty; the first line names the columns: time,shown,standard", path)
	}
	if err != nil {
		return p, fmt.Errorf("%s: %w", path, err)
	}
	column, err := columnsOf(head, &p)
	if err != nil {
		line, _ := r.FieldPos(0)
		return p, fmt.Errorf("%s:%d: %w", path, line, err)
	}
	var wrong []error
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil { // what follows a broken quotation cannot be told apart
			wrong = append(wrong, fmt.Errorf("%s: %w", path, err))
			break
		}
		line, _ := r.FieldPos(0)
		if err := p.take(row, line, len(head), column); err != nil {
			wrong = append(wrong, fmt.Errorf("%s:%d: %w", path, line, err))
		}
		if len(wrong) == checkMistakesMax {
			wrong = append(wrong, fmt.Errorf("%s: and perhaps more: the first %d mistakes are told", path, checkMistakesMax))
			break
		}
		if len(p.lines) > checksMax {
			return p, fmt.Errorf("%s:%d: more than %d checks", path, line, checksMax)
		}
	}
	if len(wrong) == 0 && len(p.lines) == 0 {
		return p, fmt.Errorf("%s: no check stands under the names of the columns", path)
	}
	return p, errors.Join(wrong...)
}

// columnsOf finds the three columns by name: a place would be mistaken.
func columnsOf(head []string, p *pairs) (map[string]int, error) {
	column := map[string]int{}
	for i, name := range head {
		name = strings.TrimSpace(name)
		switch name {
		case "time", "shown", "standard":
			if _, twice := column[name]; twice {
				return nil, fmt.Errorf("the column %s stands twice", name)
			}
			column[name] = i
		default:
			p.unread = append(p.unread, strconv.Quote(name))
		}
	}
	for _, name := range []string{"shown", "standard"} {
		if _, ok := column[name]; !ok {
			hint := ""
			if len(head) == 1 && strings.ContainsAny(head[0], ";\t") {
				hint = ": columns are parted by commas, and the decimal sign is a point"
			}
			return nil, fmt.Errorf("no column %s: the first line names the columns, such as time,shown,standard%s", name, hint)
		}
	}
	return column, nil
}

func (p *pairs) take(row []string, line, wide int, column map[string]int) error {
	if len(row) != wide {
		return fmt.Errorf("%d fields, and the first line names %d columns", len(row), wide)
	}
	shown, err1 := decimalField("shown", row[column["shown"]])
	standard, err2 := decimalField("standard", row[column["standard"]])
	if err := errors.Join(err1, err2); err != nil {
		return errors.New(strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	if i, ok := column["time"]; ok {
		at, err := momentField(row[i])
		if err != nil {
			return err
		}
		if n := len(p.at); n > 0 && at.Before(p.at[n-1]) {
			return fmt.Errorf("time %s is before that of line %d: a chart is in the order of time", strings.TrimSpace(row[i]), p.lines[n-1])
		}
		p.at = append(p.at, at)
	}
	p.shown, p.standard, p.lines = append(p.shown, shown), append(p.standard, standard), append(p.lines, line)
	return nil
}

// decimalField is as strict as a value of a flag: "NaN", "0x10" and "1,5" are no readings.
func decimalField(name, text string) (float64, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return 0, fmt.Errorf("%s is empty: leave the line out", name)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || strings.ContainsAny(text, "xX_") {
		return 0, fmt.Errorf("%s: %.24q is no decimal number", name, text)
	}
	return v, nil
}

// momentField takes a time with its zone, or a day or minute in UTC.
func momentField(text string) (time.Time, error) {
	text = strings.TrimSpace(text)
	for _, form := range []string{time.RFC3339, "2006-01-02 15:04", "2006-01-02T15:04", "2006-01-02"} {
		if at, err := time.Parse(form, text); err == nil && at.Year() >= 1900 && at.Year() <= 2200 {
			return at, nil
		}
	}
	return time.Time{}, fmt.Errorf("time: %.32q is none: write 2026-11-25T08:30:00Z, or 2026-11-25 08:30 or 2026-11-25 in UTC", text)
}
