package notify

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// TestTheExampleTemplatesFitEveryKindOfMessage: those in configs/recipients, with the content type that stands in their first line.
func TestTheExampleTemplatesFitEveryKindOfMessage(t *testing.T) {
	s := nightly(t)
	files, err := filepath.Glob("../../configs/recipients/*.tmpl")
	if err != nil || len(files) < 2 {
		t.Fatalf("%v %v", files, err)
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		first, _, _ := strings.Cut(string(text), "\n")
		_, kind, ok := strings.Cut(first, "content_type = \"")
		kind, _, ok2 := strings.Cut(kind, "\"")
		if !ok || !ok2 {
			t.Fatalf("%s does not say its content type", f)
		}
		form, err := ParseForm(s, string(text), kind)
		if err != nil {
			t.Errorf("%s: %v", f, err)
			continue
		}
		e := limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), excursion(true), flowing("open"))
		e.At, e.Why = night, `a "quoted" word`
		made, got, err := form.render(body(s, &e))
		if err != nil || got != kind || !strings.Contains(string(made), "oxygen 31.4 ppb, limit 20 ppb") || strings.Contains(string(made), "<no value>") {
			t.Errorf("%s: %v %s\n%s", f, err, got, made)
		}
	}
}

func TestATemplateThatDoesNotFitEveryKindIsRefusedAtLoad(t *testing.T) {
	s := nightly(t)
	for _, c := range []struct {
		text, kind string
		want       error
		says       string
	}{
		{`{{.Headline}}`, "text/plain", nil, ""},
		{`{"text": {{json .Headline}}}`, "application/json", nil, ""},
		{`{{with .Limit}}{{.Value}}{{end}} {{.Headline}}`, "text/plain", nil, ""},
		{`{{.Headline`, "text/plain", ErrFormParse, "unclosed action"},
		{`{{.Headlin}}`, "text/plain", ErrFormFails, "Headlin"},
		{`{{.Limit.Value}}`, "text/plain", ErrFormFails, "nil pointer"}, // a message without a limit
		{`{{if eq .Kind "bus.lost"}}{{.Limit.Value}}{{end}}{{.Headline}}`, "text/plain", ErrFormFails, "bus.lost"},
		{`{{if eq .Kind "summary"}}{{.Limit.Value}}{{end}}{{.Headline}}`, "text/plain", ErrFormFails, "summary"},
		{`{{.Heartbeat.Sequence}}`, "text/plain", ErrFormFails, "nil pointer"},
		{`{{if .Limit}}{{.Headline}}{{end}}`, "text/plain", ErrFormEmpty, ""},
		{`{"text": "{{.Text}}"}`, "application/json", ErrFormJSON, ""}, // a line end within quotes
		{`{"why": "{{.Why}}"}`, "application/vnd.larkfield+json", ErrFormJSON, ""},
		{`{{printf "%70000s" .Text}}`, "text/plain", ErrFormLong, ""},
	} {
		_, err := ParseForm(s, c.text, c.kind)
		if !errors.Is(err, c.want) || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %v with %q", c.text, err, c.want, c.says)
		}
	}
}

// TestARecipientGetsWhatItsTemplateMakesSignedAsSent, heartbeats and summaries too.
func TestARecipientGetsWhatItsTemplateMakesSignedAsSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := nightly(t)
		s.Recipients = s.Recipients[1:]
		s.Recipients[0].URL, s.Recipients[0].Quiet = "http://a.example/", site.QuietHours{}
		form, err := ParseForm(s, `{"t":{{json (clip 30 .Headline)}},"id":{{json .ID}},"k":{{json .Kind}}}`, "application/json")
		if err != nil {
			t.Fatal(err)
		}
		b, now := newBox(), bubbleClock()
		e := limitEvent(event.AlarmRaised, oxygen(31.4, "=", reading.Believed), excursion(true), flowing("open"))
		e.At = now()
		b.put("shift", Item{Key: 1, ID: "7c1e0a55-1", Body: body(s, &e), Created: now().Wall})
		got := make(chan string, 9)
		n := New(Config{Site: s, Outbox: b, Secrets: secrets(s), Forms: map[string]*Form{"shift": form}, Now: now, Transport: trip(func(q *http.Request) (*http.Response, error) {
			raw, err := io.ReadAll(q.Body)
			if err != nil {
				t.Error(err)
			}
			if q.Header.Get("Content-Type") != "application/json" || !json.Valid(raw) || q.Header.Get("webhook-signature") != Sign(testSecret, q.Header.Get("webhook-id"), now().Wall.Time(), raw) {
				t.Errorf("%s %s", q.Header, raw)
			}
			got <- string(raw)
			return reply(200), nil
		})})
		stop := start(t, n, nil)
		if s := <-got; !strings.Contains(s, `"k":"alarm.raised"`) || strings.Contains(s, "specversion") {
			t.Error(s)
		}
		n.Beat(now(), func() Beat { return Beat{Boot: "7c1e0a55", At: now()} })
		if s := <-got; !strings.Contains(s, `"id":"7c1e0a55-h1","k":"heartbeat"`) {
			t.Error(s)
		}
		stop()
	})
}
