package peertest

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync"
	"testing"
)

// vectorSecret is the secret of the example in the Standard Webhooks specification; the test's recipient uses it too, so that the
// published vector and the daemon's own messages are checked with one key.
const vectorSecret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

// try is one request the recipient got.
type try struct {
	header   http.Header
	body     []byte
	method   string
	answered int
}

// message is what a program reads of a message: the attributes CloudEvents 1.0 requires and the part of data that these tests use.
type message struct {
	SpecVersion string `json:"specversion"`
	ID          string `json:"id"`
	Source      string `json:"source"`
	Type        string `json:"type"`
	Data        struct {
		Headline  string `json:"headline"`
		Text      string `json:"text"`
		Kind      string `json:"kind"`
		Alarm     string `json:"alarm"`
		Excursion struct {
			ID string `json:"id"`
		} `json:"excursion"`
	} `json:"data"`
}

// hook is a recipient: a real HTTP server that keeps every request.
type hook struct {
	t     *testing.T
	url   string
	mu    sync.Mutex // requests come on the server's goroutines
	tries []try
	sick  int // so many requests are still answered with 500
}

// started is told of every start, before any trouble: it says that the way to the recipient works, and is counted by no test of a trouble.
const started = "daemon.started"

// startHook starts a recipient that answers its first sick requests with 500; what tells of a start is taken at once and is none of them.
func startHook(t *testing.T, sick int) *hook {
	t.Helper()
	h := &hook{t: t, sick: sick}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(io.LimitReader(r.Body, 1<<20))
		if err != nil {
			http.Error(w, "cut off", http.StatusBadRequest)
			return
		}
		h.mu.Lock()
		defer h.mu.Unlock()
		code := http.StatusNoContent
		if h.sick > 0 && kindOf(body) != started {
			h.sick--
			code = http.StatusInternalServerError
		}
		h.tries = append(h.tries, try{r.Header.Clone(), body, r.Method, code})
		w.WriteHeader(code)
	}))
	t.Cleanup(srv.Close)
	h.url = srv.URL + "/hook"
	return h
}

func (h *hook) all() []try {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]try(nil), h.tries...)
}

// troubles gives every request but those that tell of a start.
func (h *hook) troubles() []try {
	h.t.Helper()
	return slices.DeleteFunc(h.all(), func(x try) bool { return kindOf(x.body) == started })
}

// kindOf gives what a message is about; "" of one that cannot be read, which counts as a trouble.
func kindOf(body []byte) string {
	var m message
	_ = json.Unmarshal(body, &m) // taken says so
	return m.Data.Kind
}

// taken gives the messages the recipient took, each id once, in the order of their first arrival: delivery is at least once.
func (h *hook) taken() []message {
	h.t.Helper()
	seen := map[string]bool{}
	var out []message
	for _, x := range h.all() {
		id := x.header.Get("webhook-id")
		if x.answered >= 300 || seen[id] {
			continue
		}
		seen[id] = true
		var m message
		if err := json.Unmarshal(x.body, &m); err != nil {
			h.t.Fatalf("a message that is no JSON: %v: %.300s", err, x.body)
		}
		out = append(out, m)
	}
	return out
}

// kinds gives what the taken messages are about, in order.
func (h *hook) kinds() []string {
	h.t.Helper()
	var out []string
	for _, m := range h.taken() {
		out = append(out, m.Data.Kind)
	}
	return out
}

// of gives the taken messages of one kind.
func (h *hook) of(kind string) []message {
	h.t.Helper()
	var out []message
	for _, m := range h.taken() {
		if m.Data.Kind == kind {
			out = append(out, m)
		}
	}
	return out
}
