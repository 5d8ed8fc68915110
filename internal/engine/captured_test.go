package engine_test

import (
	"bytes"
	"compress/gzip"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"rillwatch/internal/config"
	"rillwatch/internal/engine"
)

// TestCapturesAreJudgedAsTheyWere runs every capture in testdata/replay, as the capture command and the daemon write them: the same inputs
// must bring about what the lines beside them say. A capture of a trouble becomes a test by being put there. With -update the lines are
// written anew; read the difference before you commit it.
func TestCapturesAreJudgedAsTheyWere(t *testing.T) {
	files, err := filepath.Glob("../../testdata/replay/*.txtar.gz")
	if err != nil || len(files) == 0 {
		t.Fatalf("no capture found: %v", err)
	}
	for _, f := range files {
		t.Run(strings.TrimSuffix(filepath.Base(f), ".txtar.gz"), func(t *testing.T) { captured(t, f) })
	}
}

func captured(t *testing.T, file string) {
	packed, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		t.Fatal(err)
	}
	raw, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	ar := txtar.Parse(raw)
	if len(ar.Files) != 2 || ar.Files[0].Name != "config.toml" || ar.Files[1].Name != "inputs" {
		t.Fatalf("%d parts, want config.toml and inputs", len(ar.Files))
	}
	s, _, err := config.Parse("config.toml", ar.Files[0].Data)
	if err != nil {
		t.Fatal(err)
	}
	text := string(ar.Files[1].Data)
	inputs, err := engine.ParseInputs(s, text)
	if err != nil {
		t.Fatal(err)
	}
	then, known := engine.SplitThen(text)
	if !known || len(then) != len(inputs) {
		t.Fatalf("%d inputs and what was said of %d", len(inputs), len(then))
	}
	e, told := engine.New(s), engine.NewTranscript(s)
	anew := engine.TextVersion + "\n"
	for i, in := range inputs {
		now := told.Lines(e.Step(in))
		if d := cmp.Diff(then[i], now); d != "" && !*update {
			t.Errorf("input %d, %s (-then +now):\n%s", i+1, strings.SplitN(engine.FormatInput(s, in), "\n", 2)[0], d)
		}
		anew += engine.FormatInput(s, in) + "\n"
		for _, l := range now {
			anew += engine.ThenMark + l + "\n"
		}
	}
	if anew != text && !*update {
		t.Error("the text form of the inputs is not what was captured")
	}
	if *update {
		ar.Files[1].Data = []byte(anew)
		var b bytes.Buffer
		w := gzip.NewWriter(&b)
		if _, err := w.Write(txtar.Format(ar)); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
