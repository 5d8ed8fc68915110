package httpapi

import (
	"context"
	"errors"
	"io"
	"net/http"
	"strconv"
	"time"

	"rillwatch/internal/history"
)

const (
	// readersMax bounds the readings of the logbook at one time: each takes the disk from the commits and up to a page of memory.
	readersMax = 2
	// takeFor is how long a reader may take for one page before it counts as gone: a whole answer may take longer than writeFor.
	takeFor = 30 * time.Second
)

// Trailers of a history, which say at its end what the text itself may not be able to say.
const (
	trailerRows    = "Rillwatch-Rows"
	trailerGaps    = "Rillwatch-Gaps"
	trailerLeftOut = "Rillwatch-Left-Out"
)

// history answers GET /api/v1/history. It streams: what is wrong with the question is a problem, and what goes wrong later cuts the answer off,
// so that nobody takes a part for the whole.
func (s *server) history(w http.ResponseWriter, r *http.Request) {
	given, ok := query(w, r, "points", "from", "to", "every", "format")
	if !ok {
		return
	}
	a, err := history.ParseAsk(given, s.Now().Wall.Time())
	if err != nil {
		s.pastProblem(w, err)
		return
	}
	leave, ok := s.enterPast(w)
	if !ok {
		return
	}
	defer leave()
	plan, err := history.Prepare(r.Context(), s.Past, a)
	if err != nil {
		s.pastProblem(w, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", history.MediaType(a.Format))
	if a.Format == history.CSV {
		h.Set("Content-Disposition", `attachment; filename="rillwatch-history.csv"`)
	}
	h["Trailer"] = []string{trailerRows, trailerGaps, trailerLeftOut}
	if r.Method == http.MethodHead {
		return
	}
	told, err := plan.Write(r.Context(), &patient{w, http.NewResponseController(w)}, history.Zone(s.Site))
	if err != nil {
		if !errors.Is(err, context.Canceled) {
			s.Log.Warn("a history broke off", "error", err)
		}
		panic(http.ErrAbortHandler) // net/http's way to cut an answer off (package net/http)
	}
	h.Set(trailerRows, strconv.Itoa(told.Rows))
	h.Set(trailerGaps, strconv.Itoa(told.Gaps))
	h.Set(trailerLeftOut, strconv.Itoa(told.LeftOut))
}

// enterPast takes a place to read the logbook.
func (s *server) enterPast(w http.ResponseWriter) (leave func(), ok bool) {
	if s.Past.Series == nil {
		noHistory.write(w, "this daemon keeps no logbook that can be read", nil)
		return nil, false
	}
	select {
	case s.readers <- struct{}{}:
		return func() { <-s.readers }, true
	default:
	}
	w.Header().Set("Retry-After", "5")
	tooManyReaders.write(w, strconv.Itoa(readersMax)+" are reading already; ask again in a moment", nil)
	return nil, false
}

// pastProblem says why the past could not be read.
func (s *server) pastProblem(w http.ResponseWriter, err error) {
	var wrong *history.Wrong
	switch {
	case errors.As(err, &wrong) && wrong.Part == "point":
		noSuchPoint.write(w, wrong.Detail, nil)
	case errors.As(err, &wrong):
		badParameter.write(w, wrong.Error(), map[string]any{"parameter": wrong.Part})
	case errors.Is(err, context.Canceled): // the asker went away; nobody reads this
	default:
		s.Log.Error("reading the logbook for the API", "error", err)
		logbookFailed.write(w, err.Error(), nil)
	}
}

// patient gives a reader time for each page and not for the whole. Where the connection knows no deadline there is none to move.
type patient struct {
	w http.ResponseWriter
	c *http.ResponseController
}

func (p *patient) Write(b []byte) (int, error) {
	if err := p.c.SetWriteDeadline(time.Now().Add(takeFor)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return p.w.Write(b)
}

// evidence answers GET /api/v1/evidence.
func (s *server) evidence(w http.ResponseWriter, r *http.Request) {
	given, ok := query(w, r, "point", "time", "format")
	if !ok {
		return
	}
	format := given["format"]
	if format == "" {
		format = history.JSON
	}
	if format != history.JSON && format != history.Text {
		badParameter.write(w, "format is json or text, not "+strconv.Quote(format), map[string]any{"parameter": "format"})
		return
	}
	if given["point"] == "" || given["time"] == "" {
		badParameter.write(w, "point and time must both be given", nil)
		return
	}
	at, err := history.ParseTime(given["time"], s.Now().Wall.Time())
	if err != nil {
		badParameter.write(w, "time: "+err.Error(), map[string]any{"parameter": "time"})
		return
	}
	leave, ok := s.enterPast(w)
	if !ok {
		return
	}
	defer leave()
	e, err := history.Evidence(r.Context(), s.Past, s.Site, given["point"], at)
	if err != nil {
		s.pastProblem(w, err)
		return
	}
	if format == history.Text {
		w.Header().Set("Content-Type", history.MediaType(format))
		_, _ = io.WriteString(w, e.Text()) // a reader that went away needs no answer
		return
	}
	writeJSON(w, e.Body())
}
