package httpapi

import (
	"encoding/json"
	"net/http"
	"time"
)

// DrillFacts is what became of the last drill at one recipient.
type DrillFacts struct {
	Recipient string
	ID        string        // of the message
	Command   string        // the command that asked for it
	Result    string        // waiting, delivered, refused, expired
	Detail    string        // what the recipient answered last
	Took      time.Duration // of the last request
	Tries     int
}

type drillBody struct {
	Recipient string      `json:"recipient"`
	ID        string      `json:"id"`
	Command   string      `json:"command"`
	Result    string      `json:"result"`
	Detail    string      `json:"detail"`
	TookS     json.Number `json:"took_s"`
	Tries     int         `json:"tries"`
}

// drills answers GET /api/v1/drills.
func (s *server) drills(w http.ResponseWriter, r *http.Request) {
	given, ok := query(w, r, "command")
	if !ok {
		return
	}
	var all []DrillFacts
	if s.Drills != nil {
		all = s.Drills()
	}
	body := struct {
		Drills []drillBody `json:"drills"`
	}{[]drillBody{}}
	for _, d := range all {
		if want := given["command"]; want == "" || want == d.Command {
			body.Drills = append(body.Drills, drillBody{d.Recipient, d.ID, d.Command, d.Result, d.Detail, seconds(d.Took), d.Tries})
		}
	}
	writeJSON(w, body)
}
