package httpapi

import (
	"testing"
	"time"
)

func TestADrillIsShownWithWhatWasAnsweredAndHowLongItTook(t *testing.T) {
	c := newPlant(t).config()
	c.Drills = func() []DrillFacts {
		return []DrillFacts{{Recipient: "on-call", ID: "0badcafe-7", Command: "cli-1", Result: "delivered", Detail: "answered 204 No Content", Took: 38 * time.Millisecond, Tries: 1},
			{Recipient: "shift", ID: "0badcafe-3", Command: "cli-0", Result: "waiting", Detail: "no answer within 15s", Took: 15 * time.Second, Tries: 2}}
	}
	h := New(c)
	status, _, body := get(t, h, "/api/v1/drills?command=cli-1")
	want := `{"drills":[{"recipient":"on-call","id":"0badcafe-7","command":"cli-1","result":"delivered","detail":"answered 204 No Content","took_s":0.038,"tries":1}]}` + "\n"
	if status != 200 || body != want {
		t.Errorf("%d %s\nwant %s", status, body, want)
	}
	if status, _, _ := get(t, h, "/api/v1/drills?comand=cli-1"); status != 400 {
		t.Errorf("a slip of the pen: %d", status)
	}
	if _, _, body := get(t, New(newPlant(t).config()), "/api/v1/drills"); body != `{"drills":[]}`+"\n" {
		t.Errorf("before any: %s", body)
	}
}
