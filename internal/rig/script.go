package rig

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Upset is one thing that happens to the plant, at the plant's own time. Do is one of the words of Upsets.
type Upset struct {
	At time.Duration
	Do string
}

// DemoScript is the story DemoConstants are made for, about 85 s. It begins after the long flush that a watcher's first start owes (three
// leads and ten cells, 26 s); then oxygen rises and recovers; the cooler is lost, the panel closes the valve, cooling comes back, a person
// opens.
const DemoScript = `31s deaerator-upset
42s deaerator-recovered
50s cooler-lost
71s cooler-restored
76s opened-by-hand
`

// upsetsMax bounds a script: one upset a minute for a week is 10080. More is a mistake in whatever wrote it.
const upsetsMax = 20000

type upsetWord struct {
	word string
	text string
	do   func(*Plant)
}

// upsetWords in the order a person would want them listed.
var upsetWords = []upsetWord{
	{"cooler-lost", "cooling water is lost", (*Plant).CoolerLost},
	{"cooler-restored", "cooling water is back", (*Plant).CoolerRestored},
	{"deaerator-upset", "the deaerator is upset: oxygen rises at the tap", (*Plant).DeaeratorUpset},
	{"deaerator-recovered", "the deaerator has recovered", (*Plant).DeaeratorRecovered},
	{"condensate-leak", "raw water leaks into the condensate: conductivity rises", (*Plant).CondensateLeak},
	{"condensate-clean", "the condensate is clean again", (*Plant).CondensateClean},
	{"flow-lost", "the sample stops flowing", (*Plant).FlowLost},
	{"flow-restored", "the sample flows again", (*Plant).FlowRestored},
	{"station-silent", "the station stops answering", (*Plant).StationSilent},
	{"station-answering", "the station answers again", (*Plant).StationAnswering},
	{"sensor-pulled", "a person pulls the sensors into air", (*Plant).SensorPulled},
	{"sensor-back", "the sensors are back in the cell", (*Plant).SensorBack},
	{"temperature-lost", "the temperature output gives its no-value word", (*Plant).TemperatureLost},
	{"temperature-back", "the temperature output is back", (*Plant).TemperatureBack},
	{"opened-by-hand", "a person opens the sample valve", (*Plant).OpenByHand},
	{"closed-by-hand", "a person closes the sample valve", (*Plant).CloseByHand},
	{"boiler-off-line", "the boiler goes off line", (*Plant).BoilerOffLine},
	{"boiler-on-line", "the boiler is on line", (*Plant).BoilerOnLine},
}

func findUpset(word string) (upsetWord, error) {
	for _, u := range upsetWords {
		if u.word == word {
			return u, nil
		}
	}
	return upsetWord{}, fmt.Errorf("unknown upset %q (known: %s)", word, strings.Join(Upsets(), ", "))
}

// Upsets lists the words a script may use.
func Upsets() []string {
	words := make([]string, len(upsetWords))
	for i, u := range upsetWords {
		words[i] = u.word
	}
	return words
}

// Do applies one upset by its word, now. The error lists the known words.
func (p *Plant) Do(word string) error {
	u, err := findUpset(word)
	if err != nil {
		return err
	}
	u.do(p)
	return nil
}

// ParseScript reads one upset a line, "8s deaerator-upset": a time as Go writes durations, space, a word of Upsets. Blank lines and what
// follows a # are ignored. Times never go back. The error names every bad line.
func ParseScript(text string) ([]Upset, error) {
	var script []Upset
	var errs []error
	number, previous := 0, 0 // previous: the line the last time stood on
	for line := range strings.Lines(text) {
		number++
		line, _, _ = strings.Cut(line, "#")
		fields := strings.Fields(line)
		if len(fields) == 0 {
			continue
		}
		if len(script) == upsetsMax {
			errs = append(errs, fmt.Errorf("line %d: more than %d upsets", number, upsetsMax))
			break
		}
		u, err := parseUpset(fields)
		if err == nil && len(script) > 0 && u.At < script[len(script)-1].At {
			err = fmt.Errorf("%v comes before the %v of line %d", u.At, script[len(script)-1].At, previous)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("line %d: %w", number, err))
			continue
		}
		script, previous = append(script, u), number
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return script, nil
}

func parseUpset(fields []string) (Upset, error) {
	if len(fields) != 2 {
		return Upset{}, fmt.Errorf("want a time and one word such as \"8s deaerator-upset\", got %q", strings.Join(fields, " "))
	}
	at, err := time.ParseDuration(fields[0])
	if err != nil {
		return Upset{}, fmt.Errorf("%q is not a time (write 8s, 1m30s, 2h)", fields[0])
	}
	if at < 0 {
		return Upset{}, fmt.Errorf("%q lies before the start", fields[0])
	}
	if _, err := findUpset(fields[1]); err != nil {
		return Upset{}, err
	}
	return Upset{At: at, Do: fields[1]}, nil
}
