package cli

import (
	"bytes"
	"context"
	"crypto/hmac"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"rillwatch/internal/notify"
)

// told is what the recipient reads of a message.
type told struct {
	Type string `json:"type"`
	Data struct {
		Headline  string `json:"headline"`
		Text      string `json:"text"`
		Alarm     string `json:"alarm"`
		Excursion *struct {
			ID string `json:"id"`
		} `json:"excursion"`
	} `json:"data"`
}

// receiver is the recipient: it believes only what is signed, and prints it.
func (d *demo) receiver(secret []byte) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(io.LimitReader(r.Body, 64<<10))
		if err != nil {
			http.Error(w, "cut off", http.StatusBadRequest)
			return
		}
		if !signed(secret, r.Header, body) {
			http.Error(w, "the signature is not right", http.StatusUnauthorized)
			d.say("recipient refused a message that was not signed rightly")
			return
		}
		var m told
		if err := json.Unmarshal(body, &m); err != nil {
			http.Error(w, "not JSON", http.StatusBadRequest)
			return
		}
		w.WriteHeader(http.StatusNoContent)
		d.hear(m)
	})
}

// signed checks a message as any recipient would: over id, time and body, with the shared secret, and not older than five minutes.
func signed(secret []byte, h http.Header, body []byte) bool {
	sec, err := strconv.ParseInt(h.Get("webhook-timestamp"), 10, 64)
	at := time.Unix(sec, 0)
	if err != nil || time.Since(at).Abs() > 5*time.Minute {
		return false
	}
	return hmac.Equal([]byte(h.Get("webhook-signature")), []byte(notify.Sign(secret, h.Get("webhook-id"), at, body)))
}

func (d *demo) hear(m told) {
	if d.quiet {
		d.say("message  %s", m.Data.Headline)
	} else {
		d.say("message  %s\n%s", m.Data.Headline, indent(m.Data.Text))
	}
	oxygen := m.Data.Alarm == "b2.oxygen-high"
	switch kind := strings.TrimSuffix(strings.TrimPrefix(m.Type, "dev.rillwatch."), ".v1"); {
	case kind == "alarm.raised" && oxygen:
		d.tick("oxygen alarm raised", m.Data.Headline)
		go d.acknowledge()
	case kind == "alarm.returned" && oxygen:
		d.tick("oxygen alarm returned", m.Data.Headline)
	case kind == "sample.warm":
		d.tick("sample warm", m.Data.Headline)
	case kind == "sample.hot":
		d.tick("sample hot", m.Data.Headline)
	case kind == "valve.closed":
		d.tick("sample valve found closed", m.Data.Headline)
	case kind == "valve.opened":
		d.tick("sample valve found open", m.Data.Headline)
	case kind == "sample.hot_over":
		d.look(context.Background()) // the message may be quicker than the next look at the API
		d.tick("hot sample over", m.Data.Headline)
	}
}

func indent(s string) string {
	return "           | " + strings.ReplaceAll(strings.TrimSpace(s), "\n", "\n           | ")
}

// acknowledge takes notice of the oxygen alarm as a person would: with a name and a reason, through the API.
func (d *demo) acknowledge() {
	body := `{"who":"Kim at the panel","why":"ampoule test under way"}`
	req, err := http.NewRequest(http.MethodPost, d.api+"/api/v1/alarms/b2.oxygen-high/acknowledge", bytes.NewBufferString(body))
	if err != nil {
		d.say("api      %v", err)
		return
	}
	req.Header.Set("Authorization", "Bearer "+d.token)
	req.Header.Set("Content-Type", "application/json")
	res, err := (&http.Client{Timeout: 10 * time.Second}).Do(req)
	if err != nil {
		d.say("api      %v", err)
		return
	}
	answer, _ := io.ReadAll(io.LimitReader(res.Body, 4<<10)) // what came is shown; a cut answer shows as such
	_ = res.Body.Close()
	d.say("api      POST acknowledge: %s %s", res.Status, strings.TrimSpace(string(answer)))
	if res.StatusCode == http.StatusOK {
		d.tick("acknowledged through the API", "by Kim at the panel")
	}
}

// apiReading is a point as the API shows it.
type apiReading struct {
	Point  string   `json:"point"`
	Value  *float64 `json:"value"`
	Unit   string   `json:"unit"`
	Bound  string   `json:"bound"`
	Reason string   `json:"reason"`
}

// watch reads the API every half second and says when what is believed of the oxygen reading changes.
func (d *demo) watch(ctx context.Context) {
	t := time.NewTicker(500 * time.Millisecond)
	defer t.Stop()
	before, lastSaid := "", time.Time{}
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		reason, line := d.look(ctx)
		if line == "" {
			continue // the daemon may be stopping; the story's clock is the judge
		}
		if reason != before || time.Since(lastSaid) > 5*time.Second {
			d.say("readings %s", line)
			lastSaid = time.Now()
		}
		before = reason
	}
}

// look reads the API once and ticks off what it shows. line is empty when nothing could be read.
func (d *demo) look(ctx context.Context) (reason, line string) {
	all, err := d.readings(ctx)
	if err != nil {
		return "", ""
	}
	ox, ok := find(all, "oxygen")
	if !ok {
		return "", ""
	}
	line = readingsLine(all)
	switch ox.Reason {
	case "believed":
		if d.next("readings believed") {
			d.tick("readings believed", line)
		}
		d.tick("chemistry believed again", "without a command")
	case "valve_closed":
		d.tick("chemistry not representative", "oxygen: the sample valve is closed")
	case "flushing":
		d.tick("flushing", "oxygen waits for fresh water")
	}
	return ox.Reason, line
}

func (d *demo) readings(ctx context.Context) ([]apiReading, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, d.api+"/api/v1/readings", nil)
	if err != nil {
		return nil, err
	}
	res, err := (&http.Client{Timeout: 5 * time.Second}).Do(req)
	if err != nil {
		return nil, err
	}
	defer func() { _ = res.Body.Close() }()
	var out struct {
		Readings []apiReading `json:"readings"`
	}
	return out.Readings, json.NewDecoder(io.LimitReader(res.Body, 1<<20)).Decode(&out)
}

func find(all []apiReading, name string) (apiReading, bool) {
	for _, r := range all {
		if strings.HasSuffix(r.Point, "."+name) || r.Point == name {
			return r, true
		}
	}
	return apiReading{}, false
}

func readingsLine(all []apiReading) string {
	var parts []string
	for _, name := range []string{"oxygen", "temperature", "flow", "conductivity", "resistivity"} {
		r, ok := find(all, name)
		if !ok {
			continue
		}
		v := "no value"
		if r.Value != nil {
			v = fmt.Sprintf("%s%g %s", map[string]string{"above": "above ", "below": "below "}[r.Bound], *r.Value, r.Unit)
		}
		if r.Reason != "believed" {
			v += " (" + r.Reason + ")"
		}
		parts = append(parts, name+" "+v)
	}
	return strings.Join(parts, ", ")
}
