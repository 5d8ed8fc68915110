package event

import (
	"encoding/json"
	"regexp"
	"testing"
)

func TestKindsHaveNamesOfTheirOwnThatAWebhookTypeMayHold(t *testing.T) {
	shape := regexp.MustCompile(`^[a-z0-9_]+(\.[a-z0-9_]+)*$`) // event types of Standard Webhooks: dotted [a-zA-Z0-9_]
	seen := map[string]bool{}
	for i := range KindCount {
		k := Kind(i)
		if !shape.MatchString(k.String()) || seen[k.String()] {
			t.Errorf("kind %d is named %q", i, k)
		}
		seen[k.String()] = true
		if back, ok := ParseKind(k.String()); !ok || back != k {
			t.Errorf("%s does not read back", k)
		}
	}
	if NoKind.Told() {
		t.Error("the zero kind is told")
	}
}

func TestAnIDReadsBackAndHoldsNoDot(t *testing.T) {
	id := ID{"4f2a91c0", 18446744073709551615}
	if s := id.String(); regexp.MustCompile(`\.`).MatchString(s) {
		t.Errorf("%q holds a dot, which separates the parts of what is signed", s)
	}
	var back ID
	if err := back.UnmarshalText([]byte(id.String())); err != nil || back != id {
		t.Errorf("%v, %v", back, err)
	}
	for _, bad := range []string{"x", "-3", "4f2a91c0-", "4f2a91c0-x", "4f2a91c0--1"} {
		if err := back.UnmarshalText([]byte(bad)); err == nil {
			t.Errorf("%q was taken for an id", bad)
		}
	}
}

func TestAnEventSurvivesJSON(t *testing.T) {
	e := Event{ID: ID{"4f2a91c0", 7}, Kind: AlarmRaised, Panel: "b2", Value: &Value{Point: "b2.rack.oxygen", Value: 31.4, Bound: "="}, Excursion: &Excursion{ID: "4f2a91c0-7"}}
	raw, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	var back Event
	if err := json.Unmarshal(raw, &back); err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(back)
	if err != nil || string(again) != string(raw) {
		t.Errorf("%v\n%s\n%s", err, raw, again)
	}
}
