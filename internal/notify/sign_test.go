package notify

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"flag"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"rillwatch/internal/event"
	"rillwatch/internal/reading"
)

// TestSignatureIsThePublishedOne uses the vector of the Standard Webhooks specification and its reference libraries.
func TestSignatureIsThePublishedOne(t *testing.T) {
	key, err := ParseSecret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	got := Sign(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test": 2432232314}`))
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// TestSignatureVerifiesWithTheReferenceLibrary: module github.com/standard-webhooks/standard-webhooks/libraries v0.0.1.
func TestSignatureVerifiesWithTheReferenceLibrary(t *testing.T) {
	hook, err := standardwebhooks.NewWebhookRaw(testSecret)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range tales() {
		s := larkfield(t, c.zone)
		for _, row := range Rows(s, &c.e) {
			at := time.Unix(1793000000, 0)
			h := http.Header{}
			h.Set(standardwebhooks.HeaderWebhookID, row.ID.String())
			h.Set(standardwebhooks.HeaderWebhookTimestamp, "1793000000")
			h.Set(standardwebhooks.HeaderWebhookSignature, Sign(testSecret, row.ID.String(), at, row.Body))
			if err := hook.VerifyIgnoringTimestamp(row.Body, h); err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
			changed := append([]byte(nil), row.Body...)
			changed[len(changed)/2] ^= 1
			if hook.VerifyIgnoringTimestamp(changed, h) == nil {
				t.Errorf("%s: a changed body verifies", c.name)
			}
		}
	}
}

func TestParseSecretRefusesWithANameAndWithoutTheSecret(t *testing.T) {
	b64 := func(n int) string {
		return base64.StdEncoding.EncodeToString([]byte(strings.Repeat("S3cr3t-", 20)[:n]))
	}
	for _, c := range []struct {
		in   string
		want error
	}{
		{"whsec_" + b64(24), nil}, {"  whsec_" + b64(64) + "\n", nil}, {"whsec_" + b64(23), ErrSecretLength}, {"whsec_" + b64(65), ErrSecretLength},
		{b64(32), ErrSecretPrefix}, {"", ErrSecretPrefix}, {"WHSEC_" + b64(32), ErrSecretPrefix}, {"whsec_", ErrSecretLength},
		{"whsec_S3cr3t-with-a-dash-and-more!", ErrSecretBase64}, {"whsec_" + b64(32)[:31], ErrSecretBase64},
	} {
		key, err := ParseSecret(c.in)
		if !errors.Is(err, c.want) || (err == nil) != (len(key) > 0) {
			t.Errorf("%q: %d bytes, %v", c.in, len(key), err)
		}
		if err != nil && (strings.Contains(err.Error(), "S3cr3t") || len(c.in) > 12 && strings.Contains(err.Error(), c.in[6:12])) {
			t.Errorf("the refusal prints the secret: %v", err)
		}
	}
}

func FuzzParseSecret(f *testing.F) {
	for _, s := range []string{"whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_", "", "whsec_AAAA", " whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw\n", "whsec_%%%%"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		key, err := ParseSecret(s)
		if err != nil {
			if key != nil {
				t.Error("a refused secret gives a key")
			}
			return
		}
		if len(key) < secretMin || len(key) > secretMax {
			t.Errorf("a key of %d bytes", len(key))
		}
		again, err := ParseSecret(secretPrefix + base64.StdEncoding.EncodeToString(key))
		if err != nil || string(again) != string(key) {
			t.Errorf("the key does not come back: %v", err)
		}
	})
}

func FuzzRetryAfter(f *testing.F) {
	for _, s := range [][2]string{{"90", ""}, {"-1", ""}, {"99999999999999999999999", ""}, {"Sun, 06 Nov 1994 08:49:37 GMT", "Sun, 06 Nov 1994 08:49:30 GMT"}, {"Sunday, 06-Nov-94 08:49:37 GMT", ""},
		{"Sun Nov  6 08:49:37 1994", "nonsense"}, {"soon", ""}, {"1.5", ""}, {"", ""}, {" 7 ", ""}} {
		f.Add(s[0], s[1])
	}
	now := time.Date(1994, 11, 6, 8, 49, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, after, date string) {
		h := http.Header{"Retry-After": {after}, "Date": {date}}
		if d := retryAfter(h, now); d < 0 || d > retryAfterMax {
			t.Errorf("%q at %q: %s", after, date, d)
		}
	})
}

// TestRetryAfterReadsTheThreeFormsOfADate: RFC 9110, 5.6.7 and 10.2.3, with the examples of the former.
func TestRetryAfterReadsTheThreeFormsOfADate(t *testing.T) {
	now := time.Date(1994, 11, 6, 8, 49, 30, 0, time.UTC)
	for in, want := range map[string]time.Duration{
		"Sun, 06 Nov 1994 08:49:37 GMT": 7 * time.Second, "Sunday, 06-Nov-94 08:49:37 GMT": 7 * time.Second, "Sun Nov  6 08:49:37 1994": 7 * time.Second,
		"120": 2 * time.Minute, "0": 0, "-5": 0, "1e3": 0, "3600": time.Hour, "3601": time.Hour, "": 0, "Sun, 06 Nov 1994 08:00:00 GMT": 0,
	} {
		if got := retryAfter(http.Header{"Retry-After": {in}}, now); got != want {
			t.Errorf("%q: %s, want %s", in, got, want)
		}
	}
}

// TestBodyIsACloudEvent holds every body to CloudEvents 1.0 (the specification's required attributes and the JSON event format).
func TestBodyIsACloudEvent(t *testing.T) {
	for _, c := range tales() {
		s := larkfield(t, c.zone)
		s.Name = "larkfield mill/nord #2"
		c.e.To = "" // which is for one of them
		rows := Rows(s, &c.e)
		if len(rows) != 2 || rows[0].Recipient != "on-call" || rows[1].Recipient != "shift" || string(rows[0].Body) != string(rows[1].Body) || rows[0].ID != c.e.ID {
			t.Fatalf("%s: %d rows", c.name, len(rows))
		}
		var ce map[string]any
		if err := json.Unmarshal(rows[0].Body, &ce); err != nil {
			t.Fatal(err)
		}
		data, _ := ce["data"].(map[string]any)
		for key, want := range map[string]any{"specversion": "1.0", "id": c.e.ID.String(), "source": "urn:rillwatch:larkfield%20mill%2Fnord%20%232", "type": "dev.rillwatch." + c.e.Kind.String() + ".v1", "datacontenttype": "application/json"} {
			if ce[key] != want {
				t.Errorf("%s: %s is %v, want %v", c.name, key, ce[key], want)
			}
		}
		for key := range ce {
			if strings.Trim(key, "abcdefghijklmnopqrstuvwxyz0123456789") != "" {
				t.Errorf("%s: the attribute %q has a letter it may not have", c.name, key)
			}
		}
		if ts, err := time.Parse(time.RFC3339, ce["time"].(string)); err != nil || !ts.Equal(c.e.At.Wall.Time()) {
			t.Errorf("%s: time %v", c.name, ce["time"])
		}
		if data["headline"] == "" || data["text"] == "" || data["kind"] != c.e.Kind.String() || data["priority"] != c.e.Priority.String() {
			t.Errorf("%s: %v", c.name, data)
		}
		if test := c.e.Test || c.e.Kind == event.DrillTold; data["test"] != test || (data["state"] == "test") != test {
			t.Errorf("%s: test is %v, state %v", c.name, data["test"], data["state"])
		}
		read, _ := data["reading"].(map[string]any)
		if why, ok := believed(c.e.Value); !ok && c.e.Value != nil && why.Quality() == reading.Bad && (read == nil || read["value"] != nil) {
			t.Errorf("%s: a bad reading has the value %v", c.name, data["reading"])
		}
		if c.e.Value != nil && read["quality"] == "good" && read["value"] == nil {
			t.Errorf("%s: a good reading has no value: %v", c.name, read)
		}
		if len(rows[0].Body) > bodyMax {
			t.Errorf("%s: %d bytes", c.name, len(rows[0].Body))
		}
	}
}

var updateBodies = flag.Bool("update-bodies", false, "write testdata/bodies anew; read the difference before you commit it")

// TestTheBodyIsFitToBeParsedForYears holds the payload of three kinds, field by field: programs of others read it. No number carries more
// digits than its resolution, and nothing of the process's own clocks or indices is in it.
func TestTheBodyIsFitToBeParsedForYears(t *testing.T) {
	held := 0
	for _, c := range tales() {
		if c.name != "alarm.raised-plain" && c.name != "alarm.returned-plain" && c.name != "sample.hot-limit-in-degF" {
			continue
		}
		held++
		e := c.e
		v := *e.Value
		v.Value += 1.0 / 3 // a float32 of a device is never a round number
		e.Value = &v
		var got bytes.Buffer
		if err := json.Indent(&got, body(larkfield(t, c.zone), &e), "", "  "); err != nil {
			t.Fatal(err)
		}
		got.WriteByte('\n')
		file := filepath.Join("testdata", "bodies", c.name+".json")
		if *updateBodies {
			if err := os.WriteFile(file, got.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got.String() != string(want) {
			t.Errorf("%s is now\n%s", file, got.String())
		}
		if dust := regexp.MustCompile(`[0-9]\.[0-9]{7,}|[0-9]\.[0-9]*(0000|9999)`).FindString(got.String()); dust != "" {
			t.Errorf("%s: float dust %s", c.name, dust)
		}
		for _, inner := range []string{`"Wall"`, `"Up"`, `"up"`, `"wall"`} {
			if strings.Contains(got.String(), inner) {
				t.Errorf("%s shows %s", c.name, inner)
			}
		}
	}
	if held != 3 {
		t.Errorf("held %d bodies, want 3", held)
	}
}

func TestWhatIsToldFromMemorySaysSo(t *testing.T) {
	c := tales()[0]
	e := c.e
	e.Volatile = true
	b := body(larkfield(t, c.zone), &e)
	if !bytes.Contains(b, []byte(`"durable":false`)) || !bytes.Contains(b, []byte("not yet on disk")) {
		t.Errorf("%s", b)
	}
	if b = body(larkfield(t, c.zone), &c.e); !bytes.Contains(b, []byte(`"durable":true`)) || bytes.Contains(b, []byte("not yet on disk")) {
		t.Errorf("%s", b)
	}
}

// TestBodyStaysSmallWhateverPeopleWrite: names and notes of any length, in letters that JSON makes longer.
func TestBodyStaysSmallWhateverPeopleWrite(t *testing.T) {
	for _, junk := range []string{strings.Repeat("wort ", 600), strings.Repeat("\x01", 3000), strings.Repeat("\U0001F525", 3000), strings.Repeat("\"", 3000), "\xff\xfe" + strings.Repeat("\x80", 3000)} {
		kinds := map[event.Kind]bool{}
		for _, c := range tales() {
			if kinds[c.e.Kind] {
				continue
			}
			kinds[c.e.Kind] = true
			s := larkfield(t, c.zone)
			s.Name, s.Panels[0].Title, s.Panels[1].Title, s.Sensors[0].Name = junk, junk, junk, junk
			e := c.e
			e.Who, e.Why, e.Cause, e.Raised, e.Trust.Silenced = junk, junk, junk, junk, junk
			if e.Limit != nil {
				l := *e.Limit
				l.Action, l.Source.Document, l.Source.Edition, l.Source.Band, l.Basis = junk, junk, junk, junk, junk
				e.Limit = &l
			}
			b := body(s, &e)
			var back cloudEvent
			if err := json.Unmarshal(b, &back); err != nil || len(b) > bodyMax {
				t.Fatalf("%s: %d bytes, %v", c.name, len(b), err)
			}
			if n := len([]rune(back.Data.Headline)); n == 0 || n > headlineMax || back.Data.Text == "" {
				t.Fatalf("%s: headline of %d characters", c.name, n)
			}
		}
	}
}

func TestOnlyToldKindsMakeRows(t *testing.T) {
	s := larkfield(t, "UTC")
	for k := range event.Kind(event.KindCount) {
		rows := Rows(s, &event.Event{Kind: k, At: night})
		if (len(rows) > 0) != k.Told() {
			t.Errorf("%s makes %d rows", k, len(rows))
		}
	}
	s.Recipients = nil
	if rows := Rows(s, &event.Event{Kind: event.AlarmRaised}); rows != nil {
		t.Errorf("rows for nobody: %v", rows)
	}
}
