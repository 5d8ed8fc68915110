package notify

import (
	"encoding/json"
	"testing"
)

func decoded(tb testing.TB, body []byte) cloudEvent {
	tb.Helper()
	var e cloudEvent
	if err := json.Unmarshal(body, &e); err != nil {
		tb.Fatal(err)
	}
	return e
}
