package cli_test

import (
	"encoding/json"
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
