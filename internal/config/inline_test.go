package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rillwatch/internal/config"
)

// TestAnInlinedConfigurationMeansTheSameWithoutItsFiles, however the list of them is written.
func TestAnInlinedConfigurationMeansTheSameWithoutItsFiles(t *testing.T) {
	const rack = "[map.rack.point]\noxygen = { holding = 40001, type = \"float32\", quantity = \"dissolved-oxygen\", unit = \"ppb\" }\n"
	const rest = `
[site]
name = "larkfield-mill"
[bus.net]
link = "tcp://10.0.40.21:502"
direct = true
[panel.b2]
sensor.rack = { map = "rack", bus = "net", station = 1 }
[logbook]
dir = "/var/lib/rillwatch"
`
	for name, list := range map[string]string{
		"one line": `include = ["rack].toml"]`, "several": "include = [ # ] \n  \"rack].toml\", # a ] here\n]", "single quotes": `include = ['rack].toml']`, "a quoted key": `"include" = ["rack].toml"]`,
	} {
		dir := t.TempDir()
		at := filepath.Join(dir, "site.toml")
		for file, text := range map[string]string{at: "# include = [\n" + list + rest, filepath.Join(dir, "rack].toml"): "\xef\xbb\xbf" + rack} {
			if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		want, _, err := config.Load(at)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		text, err := config.Inline(at)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		got, _, err := config.Parse("config.toml", text)
		if err != nil || got.MapHash(0) != want.MapHash(0) || strings.Count(string(text), "# from rack].toml") != 1 {
			t.Errorf("%s: %v: %s", name, err, text)
		}
	}
}
