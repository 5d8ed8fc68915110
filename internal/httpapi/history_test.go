package httpapi

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"rillwatch/internal/history"
	"rillwatch/internal/reading"
)

// past is a logbook of one point with a reading a second from 10:00:00 to 10:01:39; at the moment of the plant it is 10:01:40.25.
func past(fails error) history.Source {
	return history.Source{
		Series: func() ([]history.Series, error) {
			return []history.Series{{Path: "b2.rack.oxygen", Quantity: "dissolved-oxygen", Unit: "ppb"}}, nil
		},
		Gaps: func(context.Context, history.Span) ([]history.Gap, error) {
			return []history.Gap{{From: moment(-60).Wall, To: moment(0).Wall, Certain: true, Cause: "not running"}}, nil
		},
		Readings: func(_ context.Context, in history.Span, _ []string, fn func(history.Row) error) error {
			for i := range 100 {
				at := moment(float64(i)).Wall
				if at.Time().Before(in.From) || !at.Time().Before(in.To) {
					continue
				}
				if err := fn(history.Row{Path: "b2.rack.oxygen", Quantity: "dissolved-oxygen", Unit: "ppb", Resolution: 0.1, Boot: 3, At: at, Certain: true, Value: float64(i) / 10,
					Reason: reading.Believed, Why: "believed", Fault: "answered"}); err != nil {
					return err
				}
				if fails != nil && i == 50 {
					return fails
				}
			}
			return nil
		}}
}

func TestHistoryGivesWhatIsRecordedInTheRange(t *testing.T) {
	p := newPlant(t)
	c := p.config()
	c.Past = past(nil)
	h := New(c)
	status, header, body := get(t, h, "/api/v1/history?from=2026-11-25T10:00:05Z&to=2026-11-25T10:00:07Z&points=b2")
	want := `{"from":"2026-11-25T10:00:05Z","to":"2026-11-25T10:00:07Z","every":"raw","gaps":[{"from":"2026-11-25T09:59:00.000Z","to":"2026-11-25T10:00:00.000Z","cause":"not running","clock_certain":true}],"readings":[
{"at":"2026-11-25T10:00:05.000Z","panel":"b2","point":"rack.oxygen","quantity":"dissolved-oxygen","value":0.5,"unit":"ppb","bound":"exact","quality":"good","reason":"believed","counts":true,"in_metrics":true,"fault":"answered","clock_certain":true,"start":3},
{"at":"2026-11-25T10:00:06.000Z","panel":"b2","point":"rack.oxygen","quantity":"dissolved-oxygen","value":0.6,"unit":"ppb","bound":"exact","quality":"good","reason":"believed","counts":true,"in_metrics":true,"fault":"answered","clock_certain":true,"start":3}
]}
`
	if status != http.StatusOK || header.Get("Content-Type") != "application/json" || body != want {
		t.Errorf("%d %v\n%s", status, header, body)
	}
	parse(t, body)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/history?from=2026-11-25T10:00:05Z&to=2026-11-25T10:00:07Z", nil))
	if end := w.Result().Trailer; end.Get(trailerRows) != "2" || end.Get(trailerGaps) != "1" || end.Get(trailerLeftOut) != "0" {
		t.Errorf("trailers %v", end)
	}
	for format, kind := range map[string]string{"csv": "text/csv", "jsonl": "application/x-ndjson", "openmetrics": "application/openmetrics-text", "text": "text/plain"} {
		status, header, body := get(t, h, "/api/v1/history?from=30s&format="+format)
		if status != http.StatusOK || !strings.HasPrefix(header.Get("Content-Type"), kind) || strings.Count(body, "\n") < 25 {
			t.Errorf("%s: %d %s\n%s", format, status, header.Get("Content-Type"), body)
		}
	}
}

func TestABadHistoryQuestionIsAProblemThatNamesThePart(t *testing.T) {
	p := newPlant(t)
	c := p.config()
	c.Past = past(nil)
	h := New(c)
	for path, part := range map[string]string{
		"/api/v1/history?from=yesterday":                                             "from",
		"/api/v1/history?from=2026-11-25":                                            "from",
		"/api/v1/history?from=2026-11-25T11:00:00Z&to=2026-11-25T10:00:00Z":          "from",
		"/api/v1/history?to=begin":                                                   "to",
		"/api/v1/history?every=minute":                                               "every",
		"/api/v1/history?format=xml":                                                 "format",
		"/api/v1/history?points=b3":                                                  "points",
		"/api/v1/history?points=" + url.QueryEscape("b2.["):                          "points",
		"/api/v1/evidence?point=b2.rack.oxygen&time=noon":                            "time",
		"/api/v1/evidence?point=b2.rack.oxygen&time=2026-11-25T10:00:00Z&format=csv": "format",
	} {
		status, header, body := get(t, h, path)
		m := wantProblem(t, path, status, header, body, http.StatusBadRequest, "bad_parameter")
		if m["parameter"] != part {
			t.Errorf("%s: names %v, want %s", path, m["parameter"], part)
		}
	}
	status, header, body := get(t, h, "/api/v1/history?panel=b2")
	wantProblem(t, "an unknown parameter", status, header, body, http.StatusBadRequest, "bad_parameter")
	status, header, body = get(t, h, "/api/v1/evidence?point=b2.rack.oxygne&time=1h")
	wantProblem(t, "an unknown point", status, header, body, http.StatusNotFound, "no_such_point")
	status, header, body = get(t, h, "/api/v1/evidence?point=b2.rack.oxygen")
	wantProblem(t, "without a time", status, header, body, http.StatusBadRequest, "bad_parameter")
	c.Past = history.Source{}
	status, header, body = get(t, New(c), "/api/v1/history")
	wantProblem(t, "without a logbook", status, header, body, http.StatusNotFound, "no_history")
}

// TestOnlySoManyReadTheLogbookAtOnce: each takes the disk from the commits.
func TestOnlySoManyReadTheLogbookAtOnce(t *testing.T) {
	p := newPlant(t)
	c := p.config()
	c.Past = past(nil)
	begun, goOn := make(chan struct{}), make(chan struct{})
	inner := c.Past.Readings
	c.Past.Readings = func(ctx context.Context, in history.Span, paths []string, fn func(history.Row) error) error {
		begun <- struct{}{}
		<-goOn
		return inner(ctx, in, paths, fn)
	}
	h := New(c)
	done := make(chan int, readersMax)
	for range readersMax {
		go func() {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/history", nil))
			done <- w.Code
		}()
		<-begun
	}
	status, header, body := get(t, h, "/api/v1/history")
	wantProblem(t, "one more", status, header, body, http.StatusServiceUnavailable, "too_many_readers")
	if header.Get("Retry-After") == "" {
		t.Error("nobody says when to ask again")
	}
	close(goOn)
	for range readersMax {
		if code := <-done; code != http.StatusOK {
			t.Errorf("a reader got %d", code)
		}
	}
	go func() { <-begun }()
	if status, _, _ := get(t, h, "/api/v1/history"); status != http.StatusOK {
		t.Errorf("when they had left: %d", status)
	}
}

// TestAHistoryThatBreaksOffIsNoWholeAnswer: whatever the format, over a real connection the reader sees an error and not an end.
func TestAHistoryThatBreaksOffIsNoWholeAnswer(t *testing.T) {
	p := newPlant(t)
	c := p.config()
	c.Past = past(errors.New("a page is rotten"))
	ctx, stop := context.WithCancel(t.Context())
	ln, err := listen()
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- Serve(ctx, ln, New(c)) }()
	client := &http.Client{Timeout: 20 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	for _, format := range history.Formats {
		res, err := client.Get("http://" + ln.Addr().String() + "/api/v1/history?format=" + format)
		if err != nil {
			continue // cut before its first byte
		}
		if body, err := io.ReadAll(res.Body); err == nil {
			t.Errorf("%s: %d, and an answer that looks whole: %s", format, res.StatusCode, body)
		}
		_ = res.Body.Close()
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

func listen() (net.Listener, error) { return net.Listen("tcp", "127.0.0.1:0") }
