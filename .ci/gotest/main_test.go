package main

import (
	"slices"
	"strings"
	"testing"
)

// The events are as `go test -json` of Go 1.26 wrote them, cut down to the fields that are read.
const passing = `{"Action":"start","Package":"p"}
{"Action":"run","Package":"p","Test":"TestA"}
{"Action":"output","Package":"p","Test":"TestA","Output":"=== RUN   TestA\n"}
{"Action":"output","Package":"p","Test":"TestA","Output":"    a_test.go:5: figure: visited 4 states\n"}
{"Action":"output","Package":"p","Test":"TestA","Output":"    a_test.go:6: chatter\n"}
{"Action":"pass","Package":"p","Test":"TestA"}
{"Action":"output","Package":"p","Output":"PASS\n"}
{"Action":"output","Package":"p","Output":"ok  \tp\t0.01s\n"}
{"Action":"pass","Package":"p"}
`

const skipping = `{"Action":"output","Package":"p","Test":"TestB","Output":"    b_test.go:9: no peer here\n"}
{"Action":"skip","Package":"p","Test":"TestB"}
`

const failing = `{"Action":"output","Package":"q","Test":"TestC","Output":"    c_test.go:3: wrong\n"}
{"Action":"fail","Package":"q","Test":"TestC"}
{"Action":"output","Package":"q","Output":"FAIL\tq\t0.01s\n"}
{"Action":"fail","Package":"q"}
`

func TestAPassingRunShowsResultsAndFiguresOnly(t *testing.T) {
	t.Setenv("CI", "")
	var out strings.Builder
	ok, skips, err := summarise(strings.NewReader(passing), &out)
	if !ok || err != nil || len(skips) != 0 {
		t.Fatalf("ok %v, skips %v, err %v", ok, skips, err)
	}
	if want := "      TestA: visited 4 states\nok  \tp\t0.01s\n"; out.String() != want {
		t.Errorf("printed %q, want %q", out.String(), want)
	}
}

func TestASkipIsKeptWithItsReasonAndFailsInCI(t *testing.T) {
	for _, ci := range []string{"", "true"} {
		t.Setenv("CI", ci)
		var out strings.Builder
		ok, skips, _ := summarise(strings.NewReader(skipping+passing), &out)
		if want := []string{"skipped: p TestB: no peer here"}; !slices.Equal(skips, want) {
			t.Errorf("skips %q, want %q", skips, want)
		}
		if ok != (ci != "true") {
			t.Errorf("CI=%q: ok %v", ci, ok)
		}
	}
}

func TestAFailureShowsWhatTheTestSaid(t *testing.T) {
	var out strings.Builder
	ok, _, _ := summarise(strings.NewReader(passing+failing), &out)
	if ok {
		t.Error("a failing package passed")
	}
	if !strings.Contains(out.String(), "c_test.go:3: wrong\n") || !strings.Contains(out.String(), "FAIL\tq\t0.01s\n") {
		t.Errorf("printed %q", out.String())
	}
}

func TestARunOfNothingFails(t *testing.T) {
	var out strings.Builder
	if ok, _, _ := summarise(strings.NewReader("go: warning: \"./x/...\" matched no packages\n"), &out); ok {
		t.Error("a run that tested nothing passed")
	}
	if !strings.Contains(out.String(), "matched no packages") {
		t.Errorf("go's own word is lost: %q", out.String())
	}
}

func TestABrokenBuildIsShown(t *testing.T) {
	const events = `{"ImportPath":"p","Action":"build-output","Output":"./a.go:1:1: no\n"}
{"ImportPath":"p","Action":"build-fail"}
{"Action":"output","Package":"p","Output":"FAIL\tp [build failed]\n"}
{"Action":"fail","Package":"p","FailedBuild":"p"}
`
	var out strings.Builder
	if ok, _, _ := summarise(strings.NewReader(events), &out); ok || !strings.Contains(out.String(), "./a.go:1:1: no\n") {
		t.Errorf("ok %v, printed %q", ok, out.String())
	}
}
