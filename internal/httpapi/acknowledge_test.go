package httpapi

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"rillwatch/internal/engine"
)

const ackPath = "/api/v1/alarms/b2.oxygen-high/acknowledge"

// command is an acknowledge as it should be.
func command(body string) *http.Request {
	r := httptest.NewRequest("POST", ackPath, strings.NewReader(body))
	r.Header.Set("Authorization", "Bearer "+token)
	r.Header.Set("Content-Type", "application/json")
	return r
}

// asked is a house that keeps the commands that reached it.
func asked(t *testing.T, reply engine.Reply, err error) (http.Handler, *[]engine.Command) {
	c := newPlant(t).config()
	var got []engine.Command
	c.Ask = func(_ context.Context, cmd engine.Command) (engine.Reply, error) {
		got = append(got, cmd)
		reply.Command = cmd.ID
		return reply, err
	}
	return New(c), &got
}

func TestAcknowledgeReachesTheEngineWhole(t *testing.T) {
	h, got := asked(t, engine.Reply{Words: "acknowledged b2.oxygen-high; the condition itself is unchanged"}, nil)
	status, _, body := ask(t, h, command(`{"who":" J. Marsh ","why":"on my way","id":"ack-7"}`))
	if want := `{"id":"ack-7","alarm":"b2.oxygen-high","result":"acknowledged","words":"acknowledged b2.oxygen-high; the condition itself is unchanged"}` + "\n"; status != 200 || body != want {
		t.Errorf("%d %s", status, body)
	}
	if d := cmp.Diff([]engine.Command{{ID: "ack-7", Who: "J. Marsh", Why: "on my way", From: "api", At: moment(100.25), Do: engine.Acknowledge{Alarm: "b2.oxygen-high"}}}, *got); d != "" {
		t.Error(d)
	}
}

func TestACommandWithoutIdIsGivenOneAndToldIt(t *testing.T) {
	h, got := asked(t, engine.Reply{}, nil)
	_, _, body := ask(t, h, command(`{"who":"J. Marsh"}`))
	if len(*got) != 1 || (*got)[0].ID != "made-1" || parse(t, body)["id"] != "made-1" {
		t.Errorf("%v %s", *got, body)
	}
}

func TestCommandsNeedTheToken(t *testing.T) {
	for _, c := range []struct {
		what, token string
		header      []string
		status      int
		problem     string
	}{
		{"right", token, []string{"Bearer " + token}, 200, ""},
		{"the scheme in another case", token, []string{"bearer " + token}, 200, ""},
		{"none configured", "", []string{"Bearer " + token}, 403, "commands_off"},
		{"none configured and an empty one sent", "", []string{"Bearer "}, 403, "commands_off"},
		{"no header", token, nil, 401, "token_missing"},
		{"two headers", token, []string{"Bearer " + token, "Bearer x"}, 401, "token_missing"},
		{"another scheme", token, []string{"Basic " + token}, 401, "token_missing"},
		{"no scheme", token, []string{token}, 401, "token_missing"},
		{"empty", token, []string{"Bearer "}, 401, "token_wrong"},
		{"a beginning of it", token, []string{"Bearer " + token[:10]}, 401, "token_wrong"},
		{"more than it", token, []string{"Bearer " + token + "x"}, 401, "token_wrong"},
		{"a blank more", token, []string{"Bearer  " + token}, 401, "token_wrong"},
		{"its hash", token, []string{"Bearer " + string(func() []byte { s := sha256.Sum256([]byte(token)); return s[:] }())}, 401, "token_wrong"},
	} {
		conf := newPlant(t).config()
		conf.Token = []byte(c.token)
		reached := 0
		conf.Ask = func(context.Context, engine.Command) (engine.Reply, error) { reached++; return engine.Reply{}, nil }
		var log bytes.Buffer
		conf.Log = slog.New(slog.NewTextHandler(&log, nil))
		r := command(`{"who":"J. Marsh"}`)
		r.Header["Authorization"] = c.header
		status, header, body := ask(t, New(conf), r)
		if c.status == 200 {
			if status != 200 || reached != 1 {
				t.Errorf("%s: %d %s", c.what, status, body)
			}
			continue
		}
		wantProblem(t, c.what, status, header, body, c.status, c.problem)
		if reached != 0 {
			t.Errorf("%s: the command went through", c.what)
		}
		if (c.status == 401) != strings.HasPrefix(header.Get("WWW-Authenticate"), "Bearer ") {
			t.Errorf("%s: WWW-Authenticate %q", c.what, header.Get("WWW-Authenticate"))
		}
		if strings.Contains(log.String(), token[:10]) || strings.Contains(body, token[:10]) {
			t.Errorf("%s: the token was told: %s %s", c.what, log.String(), body)
		}
	}
}

func TestABodyThatIsNotACommandIsRefusedByName(t *testing.T) {
	for _, c := range []struct {
		what, kind, body string
		status           int
		problem          string
	}{
		{"a form", "application/x-www-form-urlencoded", `who=x`, 415, "not_json"},
		{"no type", "", `{"who":"x"}`, 415, "not_json"},
		{"empty", "application/json", ``, 400, "body_malformed"},
		{"half", "application/json", `{"who":"x"`, 400, "body_malformed"},
		{"a list", "application/json", `["x"]`, 400, "body_malformed"},
		{"two objects", "application/json", `{"who":"x"}{"who":"y"}`, 400, "body_malformed"},
		{"rubbish after it", "application/json", `{"who":"x"} x`, 400, "body_malformed"},
		{"null", "application/json", `null`, 422, "who_is_missing"},
		{"no one", "application/json", `{}`, 422, "who_is_missing"},
		{"blank", "application/json", `{"who":"  "}`, 422, "who_is_missing"},
		{"an unknown field", "application/json", `{"who":"x","until":"tomorrow"}`, 422, "unknown_field"},
		{"a number", "application/json", `{"who":7}`, 422, "bad_field"},
		{"a long name", "application/json", `{"who":"` + strings.Repeat("x", 65) + `"}`, 422, "bad_field"},
		{"two lines", "application/json", `{"who":"x\ny"}`, 422, "bad_field"},
		{"a right-to-left mark", "application/json", `{"who":"x\u202ey"}`, 422, "bad_field"},
		{"a long reason", "application/json", `{"who":"x","why":"` + strings.Repeat("y", 501) + `"}`, 422, "bad_field"},
		{"an id with blanks", "application/json", `{"who":"x","id":"a b"}`, 422, "bad_field"},
		{"a long id", "application/json", `{"who":"x","id":"` + strings.Repeat("a", 65) + `"}`, 422, "bad_field"},
		{"5 kB", "application/json", `{"who":"x","why":"` + strings.Repeat("y", 5000) + `"}`, 413, "body_too_large"},
		{"5 kB of blanks after it", "application/json", `{"who":"x"}` + strings.Repeat(" ", 5000), 413, "body_too_large"},
	} {
		h, got := asked(t, engine.Reply{}, nil)
		r := command(c.body)
		r.Header.Set("Content-Type", c.kind)
		status, header, body := ask(t, h, r)
		wantProblem(t, c.what, status, header, body, c.status, c.problem)
		if len(*got) != 0 {
			t.Errorf("%s: reached the engine and used up its id", c.what)
		}
	}
	h, got := asked(t, engine.Reply{}, nil)
	r := command(`{"who":"Zoë Marsh","why":"` + strings.Repeat("ä", 500) + `"}`)
	r.Header.Set("Content-Type", "Application/JSON; charset=utf-8")
	if status, _, body := ask(t, h, r); status != 200 || len(*got) != 1 {
		t.Errorf("letters beyond ASCII: %d %s", status, body)
	}
}

func TestRefusalsOfTheEngineKeepTheirName(t *testing.T) {
	for refusal, want := range map[engine.Refusal]int{engine.NoSuchAlarm: 404, engine.NothingToAck: 409, engine.NoName: 422, engine.VerbNotObeyed: 422, engine.NotBooted: 503,
		engine.CommandIDReused: 409, "heard_of_later": 409} {
		h, _ := asked(t, engine.Reply{Refusal: refusal, Words: "because"}, nil)
		status, header, body := ask(t, h, command(`{"who":"J. Marsh","id":"ack-7"}`))
		m := wantProblem(t, string(refusal), status, header, body, want, string(refusal))
		if m["detail"] != "because" || m["id"] != "ack-7" {
			t.Errorf("%s: %v", refusal, m)
		}
	}
}

func TestANameThatNoAlarmCanHaveDoesNotReachTheLogbook(t *testing.T) {
	h, got := asked(t, engine.Reply{}, nil)
	for _, name := range []string{"b2%0aoxygen", "%F0%9F%94%A5", strings.Repeat("x", 2000), "b2%20oxygen"} {
		r := command(`{"who":"J. Marsh"}`)
		r.URL = httptest.NewRequest("POST", "/api/v1/alarms/"+name+"/acknowledge", nil).URL
		status, header, body := ask(t, h, r)
		wantProblem(t, name, status, header, body, 404, "no_such_alarm")
	}
	if len(*got) != 0 {
		t.Errorf("%d commands reached the engine", len(*got))
	}
}

func TestWhatIsNotKnownToBeOnDiskIsNoSuccess(t *testing.T) {
	h, _ := asked(t, engine.Reply{}, errors.New("the logbook stands"))
	status, header, body := ask(t, h, command(`{"who":"J. Marsh"}`))
	m := wantProblem(t, "not durable", status, header, body, 503, "not_durable")
	if m["id"] != "made-1" || !strings.Contains(m["detail"].(string), "same id made-1") || header.Get("Retry-After") != "5" {
		t.Errorf("%v %v", m, header)
	}
}

// A disk that does not answer holds a command for ten seconds; meanwhile eight may wait, and the ninth is told at once.
func TestACommandWaitsForTheDiskButNotForEver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		conf := newPlant(t).config()
		conf.Ask = func(ctx context.Context, _ engine.Command) (engine.Reply, error) {
			<-ctx.Done()
			return engine.Reply{}, ctx.Err()
		}
		h := New(conf)
		start := time.Now()
		answered := make(chan *httptest.ResponseRecorder)
		for range commandsMax {
			go func() {
				w := httptest.NewRecorder()
				h.ServeHTTP(w, command(`{"who":"J. Marsh"}`))
				answered <- w
			}()
		}
		synctest.Wait()
		status, header, body := ask(t, h, command(`{"who":"J. Marsh","id":"ninth"}`))
		if m := wantProblem(t, "the ninth", status, header, body, 503, "too_many_commands"); m["id"] != "ninth" || time.Since(start) != 0 {
			t.Errorf("%v after %v", m, time.Since(start))
		}
		for range commandsMax {
			w := <-answered
			raw, _ := io.ReadAll(w.Body)
			wantProblem(t, "held", w.Code, w.Result().Header, string(raw), 503, "not_durable")
		}
		if d := time.Since(start); d != 10*time.Second {
			t.Errorf("answered after %v, want 10 s", d)
		}
		// the places are free again
		conf.Ask = nil
		go func() {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, command(`{"who":"J. Marsh"}`))
			answered <- w
		}()
		if w := <-answered; !strings.Contains(w.Body.String(), "not_durable") {
			t.Errorf("%s", w.Body)
		}
	})
}

func FuzzCommandBody(f *testing.F) {
	for _, s := range []string{`{"who":"J. Marsh","why":"on my way","id":"ack-7"}`, `{}`, `null`, `{"who":7}`, `{"who":"x"}{`, `{"WHO":"x"}`, `{"who":"x","who":"y"}`, "\xff", `{"who":"\u0000"}`} {
		f.Add(s)
	}
	c := newPlant(f).config()
	reached := 0
	c.Ask = func(_ context.Context, cmd engine.Command) (engine.Reply, error) {
		reached++
		if strings.TrimSpace(cmd.Who) == "" || len(cmd.Who) > 4*whoMax || len(cmd.Why) > 4*whyMax || cmd.ID == "" || len(cmd.ID) > idMax || strings.ContainsAny(cmd.Who+cmd.Why, "\r\n\x00") {
			panic("a command that should have been refused: " + cmd.Who)
		}
		return engine.Reply{}, nil
	}
	h := New(c)
	f.Fuzz(func(t *testing.T, body string) {
		before := reached
		w := httptest.NewRecorder()
		h.ServeHTTP(w, command(body))
		if (w.Code == 200) != (reached == before+1) || (w.Code != 200 && w.Header().Get("Content-Type") != "application/problem+json") {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	})
}
