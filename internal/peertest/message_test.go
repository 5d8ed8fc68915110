package peertest

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
)

// The example of the Standard Webhooks specification and of its libraries' tests.
const (
	vectorID        = "msg_p5jXN8AQM9LWM0D4loKWxJek"
	vectorTime      = 1614265330
	vectorBody      = `{"test": 2432232314}`
	vectorSignature = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
)

// signature is the specification's scheme by hand: HMAC-SHA256 over "id.timestamp.body", in base64 behind "v1,".
func signature(t *testing.T, id, timestamp string, body []byte) string {
	t.Helper()
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(vectorSecret, "whsec_"))
	if err != nil {
		t.Fatal(err)
	}
	mac := hmac.New(sha256.New, key)
	fmt.Fprintf(mac, "%s.%s.%s", id, timestamp, body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}

// verifier gives the published library, after it and the code above have given the published signature for the published message.
func verifier(t *testing.T) *standardwebhooks.Webhook {
	t.Helper()
	wh, err := standardwebhooks.NewWebhook(vectorSecret)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := wh.Sign(vectorID, time.Unix(vectorTime, 0), []byte(vectorBody)); err != nil || got != vectorSignature {
		t.Fatalf("the library signs the published vector with %s (%v), want %s", got, err, vectorSignature)
	}
	if got := signature(t, vectorID, strconv.Itoa(vectorTime), []byte(vectorBody)); got != vectorSignature {
		t.Fatalf("this test signs the published vector with %s, want %s", got, vectorSignature)
	}
	return wh
}

func TestOneSignedMessageForOneExcursion(t *testing.T) {
	binary, program := tools(t)
	t.Parallel()
	wh := verifier(t)
	p := startPlant(t, program)
	h := startHook(t, 2) // the first two tries are answered with 500
	file, _ := site(t, p.port, h.url, fmt.Sprintf(plantSite, period, timeout, delay))
	d := startDaemon(t, binary, file)
	d.believed()

	p.oxygen("31.5") // beyond 20 ppb, and stays there
	m := h.told("alarm.raised", 1)
	// Three times the on-delay: time enough for a second message, were there one.
	d.roundsMore(float64(3 * delay / period))
	if waiting, ok := d.metrics().one("rillwatch_outbox_waiting", map[string]string{"recipient": "on-call"}); !ok || waiting != 0 {
		t.Errorf("messages waiting: %v, %t; want 0", waiting, ok)
	}
	if got := slices.DeleteFunc(h.kinds(), func(k string) bool { return k == started }); len(got) != 1 {
		t.Errorf("one trouble, and beside the start the recipient took %v", got)
	}

	tries := h.troubles()
	if len(tries) != 3 {
		t.Fatalf("%d tries, want 3: two answered with 500, one taken", len(tries))
	}
	id := tries[0].header.Get("webhook-id")
	for i, x := range tries {
		if err := wh.Verify(x.body, x.header); err != nil {
			t.Errorf("try %d: the standard-webhooks library: %v", i, err)
		}
		at := x.header.Get("webhook-timestamp")
		if want := signature(t, id, at, x.body); x.header.Get("webhook-signature") != want {
			t.Errorf("try %d: signature %q, want %q", i, x.header.Get("webhook-signature"), want)
		}
		if got := x.header.Get("webhook-id"); got != id || got == "" || strings.Contains(got, ".") {
			t.Errorf("try %d: webhook-id %q, the first try had %q; a dot would make the signed text ambiguous", i, got, id)
		}
		if string(x.body) != string(tries[0].body) {
			t.Errorf("try %d: another body than the first", i)
		}
		if x.method != http.MethodPost {
			t.Errorf("try %d: %s", i, x.method)
		}
		forged := append([]byte(nil), x.body...)
		forged[len(forged)/2] ^= 1
		if wh.Verify(forged, x.header) == nil {
			t.Errorf("try %d: a body with one bit changed verifies; then so does anything", i)
		}
	}
	// Timestamps are whole seconds. The pauses before the second and third try are at least 0.8 s and 1.6 s, so the first and the third
	// cannot share a second, and none goes back.
	var stamps [3]int64
	for i, x := range tries {
		n, err := strconv.ParseInt(x.header.Get("webhook-timestamp"), 10, 64)
		if err != nil {
			t.Fatalf("try %d: webhook-timestamp: %v", i, err)
		}
		stamps[i] = n
	}
	if stamps[1] < stamps[0] || stamps[2] < stamps[1] || stamps[2] == stamps[0] {
		t.Errorf("timestamps %v: want a new one for each try", stamps)
	}

	cloudEvent(t, tries[2])
	if m.ID != id {
		t.Errorf("the event's id is %q, the message's %q", m.ID, id)
	}
	if m.Data.Alarm != "b2.oxygen-high" {
		t.Errorf("alarm %q", m.Data.Alarm)
	}
	if n := utf8.RuneCountInString(m.Data.Headline); n == 0 || n > 80 {
		t.Errorf("headline of %d characters: %q", n, m.Data.Headline)
	}
	for _, want := range []string{"31.5", "20", "Boiler 2 feedwater", "confirm by an ampoule test"} {
		if !strings.Contains(strings.ToLower(m.Data.Text), strings.ToLower(want)) {
			t.Errorf("the text does not say %q:\n%s", want, m.Data.Text)
		}
	}
	for _, never := range []string{"register", "modbus", "CDAB", "holding"} {
		if strings.Contains(strings.ToLower(m.Data.Headline+m.Data.Text), strings.ToLower(never)) {
			t.Errorf("nobody reads registers at three in the morning; the words say %q:\n%s\n%s", never, m.Data.Headline, m.Data.Text)
		}
	}
	open := d.excursions()
	if len(open) != 1 || open[0].ID != m.Data.Excursion.ID || open[0].ID == "" {
		t.Errorf("the API has %+v open, the message tells of %q", open, m.Data.Excursion.ID)
	}
	t.Logf("figure: 1 message in %d tries, %d bytes, signed as published: %s", len(tries), len(tries[2].body), m.Data.Headline)
}

// cloudEvent checks a request against CloudEvents 1.0: the required attributes (section "Context Attributes") and the structured mode of
// its HTTP binding (media type application/cloudevents+json).
func cloudEvent(t *testing.T, x try) {
	t.Helper()
	if media, _, err := mime.ParseMediaType(x.header.Get("Content-Type")); err != nil || media != "application/cloudevents+json" {
		t.Errorf("content type %q (%v)", x.header.Get("Content-Type"), err)
	}
	var all map[string]any
	if err := json.Unmarshal(x.body, &all); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"id", "source", "specversion", "type"} {
		if s, ok := all[name].(string); !ok || s == "" {
			t.Errorf("CloudEvents requires %s as a text; it is %v", name, all[name])
		}
	}
	if all["specversion"] != "1.0" {
		t.Errorf("specversion %v", all["specversion"])
	}
	if s, _ := all["source"].(string); s != "" {
		if _, err := url.Parse(s); err != nil {
			t.Errorf("source must be a URI reference: %v", err)
		}
	}
	if at, ok := all["time"]; ok {
		s, _ := at.(string)
		if _, err := time.Parse(time.RFC3339, s); err != nil {
			t.Errorf("time must be as in RFC 3339: %v", err)
		}
	}
	for name := range all {
		// "MUST consist of lower-case letters ('a' to 'z') or digits ('0' to '9')" (section "Naming Conventions")
		if strings.Trim(name, "abcdefghijklmnopqrstuvwxyz0123456789") != "" {
			t.Errorf("%q is no name of an attribute", name)
		}
	}
}
