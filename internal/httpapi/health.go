package httpapi

import (
	"net/http"
	"strings"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
)

// commitLate is what is added to three flushes before the logbook counts as not written: samples come in silence too, so that every
// flush has something to commit, and an SD card may take seconds for one.
const commitLate = 10 * time.Second

type healthBody struct {
	Status       string `json:"status"` // "ok"
	JudgedAt     any    `json:"judged_at"`
	JudgedAgeS   any    `json:"judged_age_s"`
	JudgedRounds uint64 `json:"judged_rounds"`
}

// health says whether the process does its work: it answers, and judgement moved lately.
func (s *server) health(w http.ResponseWriter, r *http.Request) {
	if _, ok := query(w, r); !ok {
		return
	}
	v, now := s.View(), s.Now()
	if v == nil {
		notStarted.write(w, "nothing has been judged yet", nil)
		return
	}
	if age := now.Since(v.At); age > judgedFor {
		judgementStands.write(w, "the last judgement is "+age.Round(time.Second).String()+" old; do not rely on this daemon's silence", nil)
		return
	}
	writeJSON(w, healthBody{"ok", instant(v.At), seconds(max(0, now.Since(v.At))), v.Judged})
}

// ready says whether what is shown can be whole: booted, every bus asked once, evidence being written.
func (s *server) ready(w http.ResponseWriter, r *http.Request) {
	if _, ok := query(w, r); !ok {
		return
	}
	waiting := s.waitsFor(s.View(), s.Now())
	if len(waiting) > 0 {
		notReady.write(w, "still waiting: "+strings.Join(waiting, "; "), map[string]any{"waiting": waiting})
		return
	}
	writeJSON(w, map[string]string{"status": "ok"})
}

func (s *server) waitsFor(v *engine.View, now reading.Stamp) []string {
	if v == nil || v.Boot == "" {
		return []string{"the logbook is being read"}
	}
	var waiting []string
	for b := range s.Site.Buses {
		if b >= len(v.Buses) || v.Buses[b].Rounds == 0 {
			waiting = append(waiting, "bus "+s.Site.Buses[b].Name+" has not made its first round")
		}
	}
	switch f := s.Facts(); {
	case f.LastCommit.IsZero():
		waiting = append(waiting, "nothing has been committed to the logbook yet")
	case now.Since(f.LastCommit) > 3*s.Site.Logbook.Flush+commitLate:
		waiting = append(waiting, "the last commit to the logbook is "+now.Since(f.LastCommit).Round(time.Second).String()+" old")
	}
	return waiting
}
