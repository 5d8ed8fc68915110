// Package httpapi shows the View to programs and takes their commands.
//
// Owns: /metrics, /healthz, /readyz, /api/v1, their field names and problem types, and the check of the command token.
// Never: slows judging, judges anything itself, answers a command before it is durable, or gives a bad reading a value.
//
// Everything is read from one immutable View per request, so one answer never mixes two moments. What the View does not hold, the
// state of the disk and of the outbox, comes as Facts.
package httpapi

import (
	"context"
	"crypto/sha256"
	"fmt"
	"log/slog"
	"net/http"
	"strings"

	"rillwatch/internal/engine"
	"rillwatch/internal/history"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// Config is what the room needs from the house. Every field but Token, Version and Log must be set.
type Config struct {
	Site *site.Site
	// View gives the newest View. It may give nil before the first one exists. It is called from many goroutines.
	View func() *engine.View
	// Ask hands a command to the engine and returns its reply once the outcome is durable. An error, of ctx or another, means that
	// nobody knows yet whether the command was taken: the asker is told to ask again under the same id.
	Ask func(context.Context, engine.Command) (engine.Reply, error)
	// Token is what a command must bring, without the line end of the file it came from. Empty: commands are refused.
	Token   []byte
	Now     func() reading.Stamp
	Facts   func() Facts
	Drills  func() []DrillFacts // the last drill of each recipient; nil: none
	Version string
	// NewID makes an id for a command that came without one.
	NewID func() string
	Log   *slog.Logger // nil: nothing is logged
	// Past is where history is read; without its functions there is none to read.
	Past history.Source
}

// Facts is what the View does not hold. Counts are since the start of the process.
type Facts struct {
	Commits, CommitFailures uint64
	LastCommit              reading.Stamp // of the last one that succeeded; zero when none did
	SamplesDropped          uint64        // given up because the disk did not follow
	Outbox                  []OutboxFacts
	LogbookBytes            int64
	Restored                bool // the judge state of an earlier run was read back at this start
}

// OutboxFacts is the state of one recipient's messages.
type OutboxFacts struct {
	Recipient                                        string
	Waiting                                          int
	Delivered, Refused, Expired, InSummary, Attempts uint64
	Heartbeats, HeartbeatsFailed                     uint64
}

// commandsMax bounds the commands that wait for the disk at one time. Commands come from people; eight at once means that the disk is
// stuck or a script has gone wild, and each one more would hold a connection for nothing.
const commandsMax = 8

type server struct {
	Config
	metrics  http.Handler
	tokenSum [sha256.Size]byte
	commands chan struct{} // a place per command under way
	readers  chan struct{} // a place per reading of the logbook under way
}

// New gives the handler of everything that is served.
func New(c Config) http.Handler {
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	s := &server{Config: c, tokenSum: sha256.Sum256(c.Token), commands: make(chan struct{}, commandsMax), readers: make(chan struct{}, readersMax)}
	s.metrics = s.metricsHandler()
	return s
}

// index is what a person sees who opens the address in a browser.
const index = `rillwatch watches boiler feedwater sample panels

GET  /metrics                                what may be believed, for Prometheus
GET  /healthz                                200 while judgement moves
GET  /readyz                                 200 once every bus was asked and the logbook is written
GET  /api/v1/readings[?panel=P][&format=csv] every reading with its quality and reason
GET  /api/v1/alarms[?panel=P]                alarms and open excursions
GET  /api/v1/drills                          what each recipient answered to the last drill, and how long it took
GET  /api/v1/history[?points=b2&from=2h&to=now] what is recorded; every=raw|hour, format=json|jsonl|csv|openmetrics|text
GET  /api/v1/evidence?point=b2.rack.oxygen&time=2h what its panel saw half an hour before and after; format=json|text
GET  /api/v1/status                          buses, stations, sample lines, interlocks, logbook, outbox
POST /api/v1/alarms/{alarm}/acknowledge      {"who": "...", "why": "...", "id": "..."} with Authorization: Bearer TOKEN
POST /api/v1/points/{point}/enter            the same with "value": 100, "unit": "mg/L", "basis": "SO3", "taken": "2026-11-25T08:30:00Z"
POST /api/v1/commands/{command}              the same, and the command's own fields:
`

// ServeHTTP routes by hand: the paths are few, and every refusal, also of a path or a method, is a problem with a name.
func (s *server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Cache-Control", "no-store") // an answer is true for one moment
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")

	if name, ok := strings.CutPrefix(r.URL.Path, "/api/v1/commands/"); ok {
		if r.Method != http.MethodPost {
			h.Set("Allow", http.MethodPost)
			methodNotAllowed.write(w, "a command is asked for with POST", nil)
			return
		}
		s.command(w, r, name)
		return
	}
	switch r.URL.Path {
	case "/":
		s.get(w, r, func(w http.ResponseWriter, _ *http.Request) {
			h.Set("Content-Type", "text/plain; charset=utf-8")
			_, _ = w.Write([]byte(index)) // a reader that went away needs no answer
			for _, v := range verbs {
				_, _ = fmt.Fprintf(w, "     %-39s %s\n", v.name, strings.Join(v.fields, ", "))
			}
		})
	case "/metrics":
		s.get(w, r, s.metrics.ServeHTTP)
	case "/healthz":
		s.get(w, r, s.health)
	case "/readyz":
		s.get(w, r, s.ready)
	case "/api/v1/readings":
		s.get(w, r, s.readings)
	case "/api/v1/alarms":
		s.get(w, r, s.alarms)
	case "/api/v1/history":
		s.get(w, r, s.history)
	case "/api/v1/evidence":
		s.get(w, r, s.evidence)
	case "/api/v1/status":
		s.get(w, r, s.status)
	case "/api/v1/drills":
		s.get(w, r, s.drills)
	default:
		if point, ok := enterPath(r.URL.Path); ok {
			s.postOnly(w, r, "a value is entered with POST", func() { s.enter(w, r, point) })
			return
		}
		rest, isAlarm := strings.CutPrefix(r.URL.Path, "/api/v1/alarms/")
		name, isAck := strings.CutSuffix(rest, "/acknowledge")
		if !isAlarm || !isAck || name == "" || strings.Contains(name, "/") {
			notFound.write(w, "there is nothing here; / lists the paths", nil)
			return
		}
		if r.Method != http.MethodPost {
			h.Set("Allow", http.MethodPost)
			methodNotAllowed.write(w, "an alarm is acknowledged with POST", nil)
			return
		}
		s.acknowledge(w, r, name)
	}
}

func (s *server) get(w http.ResponseWriter, r *http.Request, then http.HandlerFunc) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		methodNotAllowed.write(w, "this path is only read", nil)
		return
	}
	then(w, r)
}
