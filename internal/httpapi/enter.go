package httpapi

import (
	"net/http"
	"strings"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
)

// pointMax bounds the path of a point: a panel's and a point's name of 64 each, and a dot.
const pointMax = 129

// enterBody is the body of a value that a person enters.
type enterBody struct {
	askBody
	Value *float64 `json:"value"`
	Unit  string   `json:"unit"`  // always said: a bare number is wrong by a thousand half of the time
	Basis string   `json:"basis"` // of sulfite: SO3 or Na2SO3
	Taken string   `json:"taken"` // RFC 3339; empty: now
}

// enteredBody answers a value that was taken and is on disk.
type enteredBody struct {
	ID     string `json:"id"`
	Point  string `json:"point"`
	Result string `json:"result"` // "entered"
	Words  string `json:"words"`
}

// enterPath finds the point of /api/v1/points/{point}/enter.
func enterPath(path string) (point string, ok bool) {
	rest, isPoint := strings.CutPrefix(path, "/api/v1/points/")
	point, isEnter := strings.CutSuffix(rest, "/enter")
	return point, isPoint && isEnter && point != "" && !strings.Contains(point, "/")
}

func (s *server) postOnly(w http.ResponseWriter, r *http.Request, detail string, then func()) {
	if r.Method != http.MethodPost {
		w.Header().Set("Allow", http.MethodPost)
		methodNotAllowed.write(w, detail, nil)
		return
	}
	then()
}

// enter takes POST /api/v1/points/{point}/enter. 200 means that it is on disk.
func (s *server) enter(w http.ResponseWriter, r *http.Request, point string) {
	if !s.allowed(w, r) {
		return
	}
	var body enterBody
	if !readBody(w, r, &body, "who, why, id, value, unit, basis and taken") || !body.check(w) {
		return
	}
	if body.ID == "" {
		body.ID = s.NewID()
	}
	withID := map[string]any{"id": body.ID}
	do := engine.EnterValue{Point: point, Unit: strings.TrimSpace(body.Unit), Basis: strings.TrimSpace(body.Basis)}
	if body.Taken != "" {
		at, err := time.Parse(time.RFC3339, body.Taken)
		if err != nil || at.Year() < 2000 || at.Year() > 2200 { // beyond, nanoseconds do not fit 64 bits; before, it is no sample of this boiler
			badField.write(w, `taken: write a time as RFC 3339 has it, such as "2026-11-25T08:30:00Z", or leave it out for now`, withID)
			return
		}
		do.Taken = reading.WallOf(at)
	}
	switch {
	case !plainName(point, pointMax, "._-"): // no point can have this name; the logbook need not keep it
		problemOf(engine.NoSuchPoint).write(w, "there is no point of this name", withID)
	case body.Value == nil:
		badField.write(w, "value: write the number, without quotes", withID)
	case do.Unit == "" || !oneLine(do.Unit, idMax):
		problemOf(engine.UnitNotTaken).write(w, "say the unit with the value", withID)
	case do.Basis != "" && !plainName(do.Basis, idMax, "._-"):
		problemOf(engine.BasisNotTaken).write(w, "the basis is SO3 or Na2SO3, or left out", withID)
	default:
		do.Value = *body.Value
		s.put(w, r, body.askBody, do, withID, func(words string) any { return enteredBody{body.ID, point, "entered", words} })
	}
}
