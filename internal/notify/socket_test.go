package notify

import (
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"rillwatch/internal/site"
)

// TestRecipientsThatLie uses real sockets: 500s, a hang, a cut connection, a redirect, a huge body, then the truth.
func TestRecipientsThatLie(t *testing.T) {
	var elsewhere, hits atomic.Int64
	other := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { elsewhere.Add(1) }))
	defer other.Close()
	verify, err := standardwebhooks.NewWebhookRaw(testSecret)
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]bool{}
	var stampsMu sync.Mutex
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		if err := verify.Verify(body, r.Header); err != nil {
			t.Errorf("the signature does not hold on try %d: %v", hits.Load()+1, err)
		}
		if got := r.Header.Get("Content-Type"); got != "application/cloudevents+json; charset=utf-8" || r.Method != http.MethodPost || r.Header.Get("User-Agent") != "rillwatch" {
			t.Errorf("%s, %q, %q", r.Method, got, r.Header.Get("User-Agent"))
		}
		stampsMu.Lock()
		ids[r.Header.Get("webhook-id")] = true
		stampsMu.Unlock()
		switch hits.Add(1) {
		case 1:
			w.WriteHeader(http.StatusInternalServerError)
		case 2:
			<-r.Context().Done() // until the client gives up
		case 3:
			conn, _, err := w.(http.Hijacker).Hijack()
			if err != nil {
				t.Error(err)
				return
			}
			_ = conn.Close()
		case 4:
			http.Redirect(w, r, other.URL, http.StatusTemporaryRedirect)
		case 5:
			w.WriteHeader(http.StatusBadGateway)
			junk := make([]byte, 1<<20)
			for range 64 {
				if _, err := w.Write(junk); err != nil {
					return // the client has read enough
				}
			}
			t.Error("64 MB of an answer were read")
		default:
			w.WriteHeader(http.StatusAccepted)
		}
	}))
	defer server.Close()
	s := siteOf(site.Recipient{Name: "liar", URL: server.URL})
	b := newBox()
	now := clock()
	b.put("liar", Item{Key: 1, ID: "7c1e0a55-1", Body: []byte(`{"specversion":"1.0"}`), Created: now().Wall})
	n := New(Config{Site: s, Outbox: b, Secrets: secrets(s), Now: now})
	n.timeout = 300 * time.Millisecond
	n.pauses = []time.Duration{time.Millisecond} // the schedule has its own test, without sockets
	stop := start(t, n, nil)
	e := b.wait(t)
	stop()
	if e.result != Delivered || hits.Load() != 6 || elsewhere.Load() != 0 || len(ids) != 1 {
		t.Errorf("%+v after %d tries; %d went elsewhere; ids %v", e, hits.Load(), elsewhere.Load(), ids)
	}
}

// TestACutAnswerAfterTheYesIsDelivered: the status decides; what is cut off after it says nothing more.
func TestACutAnswerAfterTheYesIsDelivered(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = ln.Close() }()
	go func() {
		conn, err := ln.Accept()
		if err != nil {
			return
		}
		req := make([]byte, 4096)
		_, _ = conn.Read(req)
		_, _ = io.WriteString(conn, "HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\ncut")
		_ = conn.Close()
	}()
	s := siteOf(site.Recipient{Name: "cut", URL: "http://" + ln.Addr().String()})
	b, now := newBox(), clock()
	b.put("cut", Item{Key: 1, ID: "a-1", Body: []byte("{}"), Created: now().Wall})
	stop := start(t, New(Config{Site: s, Outbox: b, Secrets: secrets(s), Now: now}), nil)
	e := b.wait(t)
	stop()
	if e.result != Delivered || !strings.Contains(e.detail, "broke") {
		t.Errorf("%+v", e)
	}
}

func TestGuardRefusesAddressesNoRecipientHas(t *testing.T) {
	for address, ok := range map[string]bool{
		"127.0.0.1:80": true, "[::1]:80": true, "10.0.40.21:443": true, "192.168.1.2:80": true, "172.16.0.9:80": true, "[fd00::1]:80": true, "203.0.113.9:443": true,
		"169.254.169.254:80": false, "[fe80::1%eth0]:80": false, "[::ffff:169.254.169.254]:80": false, "224.0.0.1:80": false, "[ff02::1]:80": false,
		"0.0.0.0:80": false, "[::]:80": false, "255.255.255.255:80": false, "name.example:80": false, "": false,
	} {
		if err := guard("tcp", address, nil); (err == nil) != ok || err != nil && !errors.Is(err, ErrGuarded) {
			t.Errorf("%s: %v", address, err)
		}
	}
	// and the transport asks it: the address is never dialled, so this needs no network
	s := siteOf(site.Recipient{Name: "keys", URL: "http://169.254.169.254/latest"})
	n := New(Config{Site: s, Secrets: secrets(s), Now: clock()})
	_, _, detail := n.couriers[0].try(t.Context(), "a-1", nil, ownKind)
	if !strings.Contains(detail, "link-local") {
		t.Errorf("a link-local recipient: %q", detail)
	}
	t.Setenv("HTTP_PROXY", "http://127.0.0.1:9") // would be dialled in place of the recipient
	if guardedTransport(&s.Recipients[0], nil, nil).Proxy != nil {
		t.Error("a proxy of the environment is used")
	}
}

func TestNobodyIsToldUnsigned(t *testing.T) {
	s := siteOf(site.Recipient{Name: "on-call", URL: "http://127.0.0.1:1/"})
	err := New(Config{Site: s, Outbox: newBox(), Now: clock()}).Run(t.Context(), nil)
	if !errors.Is(err, ErrNoSecret) {
		t.Errorf("Run: %v", err)
	}
}
