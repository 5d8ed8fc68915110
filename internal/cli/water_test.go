package cli_test

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"rillwatch/internal/cli"
)

// waterCommands are the calculations, with the keys that their example answers: programs read them.
var waterCommands = map[string]string{
	"oxygen":       "dissolved_oxygen oxygen_as_gas oxygen_solubility partial_pressure percent_saturation pressure_of_the_air",
	"pure":         "conductivity impossible ion_product lowest_reading_linear lowest_reading_ultrapure lowest_reading_uncompensated neutral_ph reading reading_as_resistivity resistivity",
	"conductivity": "conductivity_25 resistivity",
	"ammonia":      "ammonia conductivity ph trusted",
	"cation":       "cation_conductivity chloride",
	"ph":           "buffer_borax buffer_carbonate buffer_phosphate buffer_phthalate nernst_slope neutral_ph",
	"orp":          "orp quinhydrone_phosphate quinhydrone_phthalate reference_offset zobell",
	"scavenger":    "demand feed other_basis ratio residual_loss",
	"cycles":       "blowdown blowdown_of_feedwater blowdown_of_steam cycles feedwater",
	"tracer":       "product tracer",
	"deaerator":    "absolute_pressure below_saturation gauge_share saturation_temperature within_one_kelvin",
	"steam":        "density_water enthalpy_evaporation enthalpy_steam enthalpy_water flash_share saturation_pressure saturation_temperature",
	"line":         "bore first_arrival flow_kind flush_time flush_volumes lead_time reynolds velocity volume",
}

// boundless are the sources that hold everywhere: what was said, and definitions.
var boundless = map[string]bool{"as given": true, "definition": true, "definition: outer diameter less twice the wall": true,
	"IUPAC atomic weights: 1 as SO3 is 1.5743 as Na2SO3": true, "UFC 3-240-13FN: within 1 K (2 degF) of saturation": true}

// further are command lines beside the examples, so that every kind of input is said once.
var further = [][]string{
	{"water", "conductivity", "--reading", "10 MOhm.cm", "--temperature", "20 degC", "--rule", "linear", "--slope", "2", "--back"},
	{"water", "scavenger", "--scavenger", "hydrazine", "--oxygen", "0.005 cc/L"},
	{"water", "cycles", "--of-feedwater", "8 %", "--to-of-feedwater", "6 %", "--steam", "100000 lb/h", "--pressure", "150 psig", "--barometer", "1 atm", "--make-up", "60 degF", "--efficiency", "80 %", "--hours", "8760 h", "--treatment", "10 ppm"},
	{"water", "cycles", "--boiler", "50 mg/L", "--feedwater", "2 mg/L", "--by", "chloride", "--steam", "10 t/h", "--condensate", "4 t/h", "--boiler-water", "20 t"},
	{"water", "tracer", "--tracer", "10 ppb", "--share", "0.1 %", "--ph", "7.2"},
	{"water", "ammonia", "--ph", "9.2"},
	{"water", "orp", "--temperature", "77 degF", "--against", "hydrogen", "--reading", "0.2 V", "--wanted", "calomel-sat"},
	{"water", "oxygen", "--reading", "0.005 cc/L"},
	{"water", "line", "--bore", "4 mm", "--length", "15 ft", "--flow", "0.25 L/min", "--cell", "50 cc", "--new", "99 %"},
}

// TestTheJSONOfASheetSaysAllThatWentIn: a program that feeds back what the answer says was given gets the same answer, to the byte.
func TestTheJSONOfASheetSaysAllThatWentIn(t *testing.T) {
	lines := slices.Clone(further)
	for name := range waterCommands {
		lines = append(lines, exampleOf(t, name))
	}
	for _, args := range lines {
		code, first, talk := ask(t, append(slices.Clone(args), "--json")...)
		var answer struct {
			Command string
			Given   map[string]struct {
				Value any
				Unit  string
			}
			Results map[string]map[string]any
		}
		if err := json.Unmarshal([]byte(first), &answer); err != nil || code != 0 {
			t.Errorf("%v: code %d, %v, %s", args, code, err, talk)
			continue
		}
		for key, r := range answer.Results {
			if source, _ := r["source"].(string); r["valid"] == nil && !boundless[source] {
				t.Errorf("%v: %s does not say where it holds: %v", args, key, r)
			}
		}
		again := append(strings.Fields(answer.Command), "--json")
		for key, g := range answer.Given {
			flag := "--" + strings.ReplaceAll(key, "_", "-")
			if b, isBool := g.Value.(bool); isBool {
				again = append(again, fmt.Sprintf("%s=%v", flag, b))
				continue
			}
			again = append(again, flag, strings.TrimSpace(fmt.Sprint(g.Value)+" "+bare(g.Unit)))
		}
		if _, second, talk := ask(t, again...); second != first {
			t.Errorf("%v\nagain as %v %s\n%s\n%s", args, again, talk, first, second)
		}
	}
}

// bare leaves out the unit of a flag that takes a plain number and says its unit itself.
func bare(unit string) string {
	if unit == "%/K" {
		return ""
	}
	return unit
}

func ask(t *testing.T, args ...string) (code int, out, talk string) {
	t.Helper()
	var o, e strings.Builder
	code = cli.Main(args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

// exampleOf is the command line after "Example:" in the help of a command, as a shell would part it.
func exampleOf(t *testing.T, name string) []string {
	t.Helper()
	_, help, _ := ask(t, "water", name, "--help")
	text := strings.ReplaceAll(help, "\\\n", " ")
	m := regexp.MustCompile(`(?m)^Example:\n  rillwatch (.*)$`).FindAllStringSubmatch(text, -1)
	if len(m) != 1 {
		t.Fatalf("water %s has %d examples in its help:\n%s", name, len(m), help)
	}
	var args []string
	for _, w := range regexp.MustCompile(`"[^"]*"|\S+`).FindAllString(m[0][1], -1) {
		args = append(args, strings.Trim(w, `"`))
	}
	return args
}

// TestExampleOfEveryHelpAnswersWithUnitsAndSources: what stands in the help works, and for a program every figure has its
// value, unit and source under a stable key.
func TestExampleOfEveryHelpAnswersWithUnitsAndSources(t *testing.T) {
	snake := regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)
	for name, keys := range waterCommands {
		args := exampleOf(t, name)
		code, out, talk := ask(t, args...)
		if code != 0 || talk != "" || !strings.HasPrefix(out, "water "+name+": ") || !strings.Contains(out, "\n[1] ") {
			t.Errorf("%v: code %d, stderr %q:\n%s", args, code, talk, out)
		}
		code, out, talk = ask(t, append(args, "--json")...)
		var answer struct {
			Command string
			Given   map[string]map[string]any
			Results map[string]map[string]any
			Notes   []string
		}
		if err := json.Unmarshal([]byte(out), &answer); err != nil || code != 0 || talk != "" || answer.Command != "water "+name || answer.Notes == nil {
			t.Errorf("%v --json: code %d, %v, stderr %q:\n%s", args, code, err, talk, out)
			continue
		}
		var got []string
		for key, r := range answer.Results {
			got = append(got, key)
			_, hasUnit := r["unit"].(string)
			source, _ := r["source"].(string)
			if !snake.MatchString(key) || r["value"] == nil || !hasUnit || source == "" {
				t.Errorf("water %s: %s is %v", name, key, r)
			}
			if r["valid"] == nil && !boundless[source] {
				t.Errorf("water %s: %s does not say where it holds: %v", name, key, r)
			}
		}
		for key, g := range answer.Given {
			if _, hasUnit := g["unit"].(string); !snake.MatchString(key) || g["value"] == nil || !hasUnit {
				t.Errorf("water %s: given %s is %v", name, key, g)
			}
		}
		slices.Sort(got)
		if strings.Join(got, " ") != keys {
			t.Errorf("water %s answers %v; programs read %s", name, got, keys)
		}
	}
}

// TestNoWaterCommandAnswersWithoutItsInputs: nothing is assumed in silence, and what is missing is named.
func TestNoWaterCommandAnswersWithoutItsInputs(t *testing.T) {
	for name := range waterCommands {
		code, out, talk := ask(t, "water", name)
		if code != 64 || out != "" || !strings.Contains(talk, "--") || !strings.Contains(talk, "see rillwatch water "+name+" --help") {
			t.Errorf("water %s: code %d, stdout %q, stderr %q", name, code, out, talk)
		}
	}
}

// TestEveryFlagRefusesWhatIsNoValue: of every flag of every command, words, bare numbers and no numbers are wrong usage.
func TestEveryFlagRefusesWhatIsNoValue(t *testing.T) {
	flag := regexp.MustCompile(`(?m)^ +--([a-z0-9-]+) (VALUE|NUMBER|NAME) `)
	tried := 0
	for name := range waterCommands {
		_, help, _ := ask(t, "water", name, "--help")
		for _, f := range flag.FindAllStringSubmatch(help, -1) {
			bad := []string{"", "nonsense", "NaN", "Inf degC", "1e999 ug/L", "7", "7 furlong", "0x10 degC"}
			if f[2] == "NUMBER" {
				bad = []string{"", "nonsense", "NaN", "-Inf", "1e999", "0x10", "1_0", "2 %"}
			}
			for _, text := range bad {
				tried++
				if code, out, talk := ask(t, "water", name, "--"+f[1], text); code != 64 || out != "" || !strings.Contains(talk, "--"+f[1]) {
					t.Errorf("water %s --%s %q: code %d, stdout %q, stderr %q", name, f[1], text, code, out, talk)
				}
			}
		}
	}
	if tried < 300 {
		t.Errorf("only %d refusals were tried", tried)
	}
}

// TestHugeValuesAreRefusedWithTheirRange: a value beyond any plant, in the example's place of each amount, is a refusal and
// never a figure that is no number.
func TestHugeValuesAreRefusedWithTheirRange(t *testing.T) {
	value := regexp.MustCompile(`^-?[0-9.]+( .*)?$`)
	tried := 0
	for name := range waterCommands {
		args := exampleOf(t, name)
		for i, a := range args {
			m := value.FindStringSubmatch(a)
			if m == nil || args[i-1] == "--reading" && name == "pure" { // a broken cell shows anything
				continue
			}
			for _, number := range []string{"1e300", "-1e300", "1.7976931348623157e308", "5e-324"} {
				wild := slices.Clone(args)
				wild[i] = number + m[1]
				tried++
				code, out, talk := ask(t, append(wild, "--json")...)
				if number == "5e-324" { // 0 but for a hair: in many ranges
					if strings.Contains(out, "NaN") || strings.Contains(out, "Inf") || (code != 0) != (talk != "") {
						t.Errorf("%v: code %d, %s%s", wild, code, out, talk)
					}
				} else if code != 1 && code != 64 || out != "" || talk == "" {
					t.Errorf("%v: code %d, stdout %q, stderr %q", wild, code, out, talk)
				}
			}
		}
	}
	if tried < 80 {
		t.Errorf("only %d wild values were tried", tried)
	}
}
