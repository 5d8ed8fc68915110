package notify

import (
	"crypto/x509"
	"encoding/json"
	"errors"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	cloudevents "github.com/cloudevents/sdk-go/v2/event"
	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"rillwatch/internal/event"
	"rillwatch/internal/site"
)

// TestEveryMessageIsACloudEventToItsOwnLibrary: the CloudEvents SDK for Go (a test dependency only) reads and validates one of every kind.
func TestEveryMessageIsACloudEventToItsOwnLibrary(t *testing.T) {
	s := nightly(t)
	all := Specimens(s)
	for _, c := range tales() {
		all = append(all, Item{ID: c.name, Body: body(s, &c.e)})
	}
	for _, it := range all {
		var e cloudevents.Event
		if err := json.Unmarshal(it.Body, &e); err != nil {
			t.Fatalf("%s: %v", it.ID, err)
		}
		if err := e.Validate(); err != nil {
			t.Errorf("%s: %v", it.ID, err)
		}
		var data map[string]any
		if err := e.DataAs(&data); err != nil || data["headline"] == "" || data["text"] == "" {
			t.Errorf("%s: %v %v", it.ID, err, data)
		}
		if e.SpecVersion() != "1.0" || !strings.HasPrefix(e.Type(), "dev.rillwatch.") || e.DataContentType() != "application/json" || e.Time().IsZero() || len(it.Body) > bodyMax {
			t.Errorf("%s: %s %s %s %s", it.ID, e.SpecVersion(), e.Type(), e.DataContentType(), e.Time())
		}
	}
	var bad cloudevents.Event // the judge must be able to find something
	if err := json.Unmarshal([]byte(strings.Replace(string(all[0].Body), `"source":"urn:rillwatch:larkfield-mill"`, `"source":""`, 1)), &bad); err == nil && bad.Validate() == nil {
		t.Error("the library takes an event without a source")
	}
}

// TestWhileASecretIsExchangedBothSign, verified with the library of Standard Webhooks.
func TestWhileASecretIsExchangedBothSign(t *testing.T) {
	old, third := []byte("the-secret-before-of-32-bytes-..."), []byte("a-secret-that-nobody-has-given-us")
	var header http.Header
	var got []byte
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got, _ = io.ReadAll(r.Body)
		header = r.Header.Clone()
	}))
	defer server.Close()
	s := siteOf(site.Recipient{Name: "on-call", URL: server.URL})
	for _, c := range []struct {
		old    []byte
		valid  [][]byte
		counts int
	}{{nil, [][]byte{testSecret}, 1}, {old, [][]byte{testSecret, old}, 2}} {
		n := New(Config{Site: s, Secrets: secrets(s), Old: map[string][]byte{"on-call": c.old}, Now: clock()})
		if v, _, detail := n.couriers[0].try(t.Context(), "a-1", []byte(`{"a":1}`), ownKind); v != done {
			t.Fatal(detail)
		}
		if n := len(strings.Fields(header.Get("webhook-signature"))); n != c.counts {
			t.Errorf("%d signatures, want %d", n, c.counts)
		}
		for _, secret := range c.valid {
			w, err := standardwebhooks.NewWebhookRaw(secret)
			if err != nil {
				t.Fatal(err)
			}
			if err := w.Verify(got, header); err != nil {
				t.Errorf("with %d secrets: %v", c.counts, err)
			}
		}
		w, err := standardwebhooks.NewWebhookRaw(third)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Verify(got, header); err == nil {
			t.Error("a secret nobody gave us fits")
		}
	}
}

// TestARecipientWithAPrivateCertificateIsOnlyBelievedByItsAuthority.
func TestARecipientWithAPrivateCertificateIsOnlyBelievedByItsAuthority(t *testing.T) {
	hits := atomic.Int64{}
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { hits.Add(1) }))
	server.Config.ErrorLog = log.New(io.Discard, "", 0) // it is to fail once
	server.StartTLS()
	defer server.Close()
	pool := x509.NewCertPool()
	pool.AddCert(server.Certificate())
	s := siteOf(site.Recipient{Name: "on-call", URL: server.URL})
	try := func(roots *x509.CertPool) (verdict, string) {
		n := New(Config{Site: s, Secrets: secrets(s), Roots: map[string]*x509.CertPool{"on-call": roots}, Now: clock()})
		defer n.couriers[0].client.CloseIdleConnections()
		v, _, detail := n.couriers[0].try(t.Context(), "a-1", nil, ownKind)
		return v, detail
	}
	if v, detail := try(nil); v != again || hits.Load() != 0 || !strings.Contains(detail, "certificate") {
		t.Errorf("by the machine's own authorities: %v %s, %d arrived", v, detail, hits.Load())
	}
	if v, detail := try(pool); v != done || hits.Load() != 1 {
		t.Errorf("by its own: %v %s", v, detail)
	}
}

// TestOnlyAllowedHostsAreDialled: by name, or by the address that the name turned out to have.
func TestOnlyAllowedHostsAreDialled(t *testing.T) {
	hits := atomic.Int64{}
	server := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { hits.Add(1) }))
	defer server.Close()
	_, port, err := net.SplitHostPort(server.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		host    string
		allowed []string
		want    bool
	}{
		{"127.0.0.1", nil, true}, {"127.0.0.1", []string{"10.0.40.0/24"}, false}, {"127.0.0.1", []string{"10.0.40.0/24", "127.0.0.0/8"}, true}, {"127.0.0.1", []string{"127.0.0.1"}, true},
		{"127.0.0.1", []string{"alarms.larkfield.example"}, false}, {"localhost", []string{"localhost"}, true}, {"localhost", []string{"10.0.40.0/24"}, false}, {"LOCALHOST", []string{"localhost"}, true},
	} {
		s := siteOf(site.Recipient{Name: "on-call", URL: "http://" + c.host + ":" + port})
		s.Messages.Allowed = c.allowed
		n := New(Config{Site: s, Secrets: secrets(s), Now: clock()})
		before := hits.Load()
		v, _, detail := n.couriers[0].try(t.Context(), "a-1", nil, ownKind)
		n.couriers[0].client.CloseIdleConnections()
		if (v == done) != c.want || (hits.Load() > before) != c.want || !c.want && !strings.Contains(detail, "refused") {
			t.Errorf("%s with %v: %v %s", c.host, c.allowed, v, detail)
		}
	}
	if err := inRange([]string{"10.0.40.0/24"}, "[::ffff:10.0.40.7]:80"); err != nil {
		t.Errorf("an address of the range in its other form: %v", err)
	}
	if err := inRange([]string{"10.0.40.0/24"}, "nonsense"); !errors.Is(err, ErrGuarded) {
		t.Errorf("nonsense: %v", err)
	}
}

// TestAProxyIsUsedWhereItIsNamedAndNowhereElse.
func TestAProxyIsUsedWhereItIsNamedAndNowhereElse(t *testing.T) {
	asked := ""
	proxy := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { asked = r.URL.String() }))
	defer proxy.Close()
	t.Setenv("HTTP_PROXY", "http://127.0.0.1:9")
	s := siteOf(site.Recipient{Name: "on-call", URL: "http://alarms.larkfield.example/hook", Proxy: proxy.URL})
	n := New(Config{Site: s, Secrets: secrets(s), Now: clock()})
	defer n.couriers[0].client.CloseIdleConnections()
	if v, _, detail := n.couriers[0].try(t.Context(), "a-1", nil, ownKind); v != done || asked != "http://alarms.larkfield.example/hook" {
		t.Errorf("%v %s, the proxy was asked for %q", v, detail, asked)
	}
	s.Recipients[0].Proxy = "http://169.254.169.254:80" // the guard holds for it too
	n = New(Config{Site: s, Secrets: secrets(s), Now: clock()})
	if _, _, detail := n.couriers[0].try(t.Context(), "a-1", nil, ownKind); !strings.Contains(detail, "link-local") {
		t.Errorf("a link-local proxy: %s", detail)
	}
}

// TestEachRecipientIsToldWhatItsRouteTakes.
func TestEachRecipientIsToldWhatItsRouteTakes(t *testing.T) {
	s := nightly(t)
	s.Recipients = []site.Recipient{{Name: "all"}, {Name: "urgent", Route: site.Route{LeastSet: true, Least: site.HighPriority}}, {Name: "b3", Route: site.Route{Panels: []string{"b3"}}},
		{Name: "valves", Route: site.Route{Kinds: []string{"valve", "sample.hot"}}}}
	names := func(e event.Event) string {
		var all []string
		for _, r := range Rows(s, &e) {
			all = append(all, r.Recipient)
		}
		return strings.Join(all, " ")
	}
	for _, c := range []struct {
		e    event.Event
		want string
	}{
		{event.Event{Kind: event.AlarmRaised, Priority: site.MediumPriority, Panel: "b2"}, "all"},
		{event.Event{Kind: event.AlarmRaised, Priority: site.HighPriority, Panel: "b3"}, "all urgent b3"},
		{event.Event{Kind: event.ValveFailedToClose, Priority: site.TopPriority, Panel: "b2"}, "all urgent valves"},
		{event.Event{Kind: event.SampleHot, Priority: site.HighPriority, Panel: "b3"}, "all urgent b3 valves"},
		{event.Event{Kind: event.SampleWarm, Priority: site.MediumPriority, Panel: "b3"}, "all b3"},
		{event.Event{Kind: event.BusLost, Priority: site.HighPriority, Bus: "panel-net"}, "all urgent b3"}, // of no panel: of every panel
		{event.Event{Kind: event.DrillTold, Priority: site.HighPriority}, "all urgent b3 valves"},
		{event.Event{Kind: event.DrillTold, Priority: site.HighPriority, To: "valves"}, "valves"},
		{event.Event{Kind: event.SampleRepresentative, Panel: "b2"}, ""},
	} {
		if got := names(c.e); got != c.want {
			t.Errorf("%s of %s, %s: %q, want %q", c.e.Kind, c.e.Panel, c.e.Priority, got, c.want)
		}
	}
}
