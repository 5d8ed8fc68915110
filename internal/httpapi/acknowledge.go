package httpapi

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"reflect"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rillwatch/internal/engine"
)

const (
	bodyMax  = 4 << 10 // bytes; a name, a reason and an id need a tenth of it
	whoMax   = 64      // characters; it stands in messages of one line
	whyMax   = 500     // characters; a sentence or two
	idMax    = 64      // characters; a UUID has 36
	alarmMax = nameMax

	// durableFor is how long a command may wait for the disk. An alarm is told from memory after the same time: a disk that takes longer
	// is in trouble, and the person who asks should hear it.
	durableFor = 10 * time.Second
	// retryAfter is what a refused asker is told to wait, in seconds: one flush of the logbook.
	retryAfter = "5"
)

// askBody is the body of a command.
type askBody struct {
	Who string `json:"who"`
	Why string `json:"why"`
	ID  string `json:"id"` // under the same id the same command is answered as the first time
}

// ackBody answers a command that was obeyed and is on disk.
type ackBody struct {
	ID     string `json:"id"`
	Alarm  string `json:"alarm"`
	Result string `json:"result"` // "acknowledged"
	Words  string `json:"words"`
}

// acknowledge takes POST /api/v1/alarms/{alarm}/acknowledge. 200 means that it is on disk.
func (s *server) acknowledge(w http.ResponseWriter, r *http.Request, alarm string) {
	if !s.allowed(w, r) {
		return
	}
	ask, ok := readAsk(w, r)
	if !ok {
		return
	}
	if ask.ID == "" {
		ask.ID = s.NewID()
	}
	withID := map[string]any{"id": ask.ID}
	if !plainName(alarm, alarmMax, "._-") { // no alarm can have this name; the logbook need not keep it
		problemOf(engine.NoSuchAlarm).write(w, "there is no alarm of this name", withID)
		return
	}
	s.put(w, r, ask, engine.Acknowledge{Alarm: alarm}, withID, func(words string) any { return ackBody{ask.ID, alarm, "acknowledged", words} })
}

// put hands a command to the engine and answers when it is on disk. answer makes the body of a command that was obeyed.
func (s *server) put(w http.ResponseWriter, r *http.Request, ask askBody, do engine.Do, withID map[string]any, answer func(words string) any) {
	select {
	case s.commands <- struct{}{}:
		defer func() { <-s.commands }()
	default:
		w.Header().Set("Retry-After", retryAfter)
		tooManyCommands.write(w, "nothing was done; ask again with the same id", withID)
		return
	}

	ctx, cancel := context.WithTimeout(r.Context(), durableFor)
	defer cancel()
	reply, err := s.Ask(ctx, engine.Command{ID: ask.ID, Who: ask.Who, Why: ask.Why, From: "api", At: s.Now(), Do: do})
	switch {
	case err != nil:
		s.Log.Warn("a command is not known to be on disk", "command", ask.ID, "path", r.URL.Path, "error", err)
		w.Header().Set("Retry-After", retryAfter)
		notDurable.write(w, "it is not known whether this command was taken; ask again with the same id "+ask.ID+
			": if it was taken, the answer is the one of the first time and nothing is done twice", withID)
	case reply.Refusal != engine.NotRefused:
		problemOf(reply.Refusal).write(w, reply.Words, withID)
	default:
		writeJSON(w, answer(reply.Words))
	}
}

// allowed checks the token. Both sides are hashed first, so that the comparison takes the same time whatever the length.
func (s *server) allowed(w http.ResponseWriter, r *http.Request) bool {
	if len(s.Token) == 0 {
		commandsOff.write(w, "set http.token_file to a file that holds a long random token, and start again", nil)
		return false
	}
	given := r.Header.Values("Authorization")
	if len(given) != 1 {
		w.Header().Set("WWW-Authenticate", `Bearer realm="rillwatch"`)
		tokenMissing.write(w, "send the header Authorization: Bearer TOKEN, once", nil)
		return false
	}
	scheme, token, _ := strings.Cut(given[0], " ")
	if !strings.EqualFold(scheme, "Bearer") {
		w.Header().Set("WWW-Authenticate", `Bearer realm="rillwatch"`)
		tokenMissing.write(w, "only the scheme Bearer is taken", nil)
		return false
	}
	sum := sha256.Sum256([]byte(token))
	if subtle.ConstantTimeCompare(sum[:], s.tokenSum[:]) != 1 {
		s.Log.Warn("a command came with a wrong token", "from", r.RemoteAddr)
		w.Header().Set("WWW-Authenticate", `Bearer realm="rillwatch", error="invalid_token"`)
		tokenWrong.write(w, "the token is not the one in http.token_file", nil)
		return false
	}
	return true
}

// readAsk reads and checks the body. What is wrong is refused here, before the command's id is used up in the engine.
func readAsk(w http.ResponseWriter, r *http.Request) (askBody, bool) {
	var ask askBody
	if !readBody(w, r, &ask, "who, why and id") {
		return ask, false
	}
	return ask, ask.check(w)
}

// readBody reads one JSON object of known fields.
func readBody(w http.ResponseWriter, r *http.Request, into any, fields string) bool {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		notJSON.write(w, "send the header Content-Type: application/json", nil)
		return false
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, bodyMax))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if err == nil {
		if _, more := d.Token(); more != io.EOF {
			err = errors.New("something follows the object")
			if tooLarge := new(http.MaxBytesError); errors.As(more, &tooLarge) {
				err = more
			}
		}
	}
	wrongType, tooLarge := new(json.UnmarshalTypeError), new(http.MaxBytesError)
	switch {
	case err == nil:
	case errors.As(err, &tooLarge):
		bodyTooLarge.write(w, fmt.Sprintf("at most %d bytes", bodyMax), nil)
		return false
	case errors.As(err, &wrongType) && wrongType.Field != "":
		badField.write(w, wrongType.Field+" must be "+wanted(wrongType.Type.Kind()), nil)
		return false
	case strings.HasPrefix(err.Error(), "json: unknown field "): // the library has no type for it
		unknownField.write(w, strings.TrimPrefix(err.Error(), "json: unknown field ")+" is not known; this command has "+fields, nil)
		return false
	default:
		bodyMalformed.write(w, err.Error(), nil)
		return false
	}
	return true
}

// wanted says what a field must be.
func wanted(kind reflect.Kind) string {
	if kind == reflect.Float64 {
		return "a number"
	}
	return "a text"
}

// check holds what every command has against its bounds.
func (ask *askBody) check(w http.ResponseWriter) bool {
	ask.Who, ask.Why = strings.TrimSpace(ask.Who), strings.TrimSpace(ask.Why)
	switch {
	case ask.Who == "":
		problemOf(engine.NoName).write(w, "say who you are: the logbook keeps who did what", nil)
	case !oneLine(ask.Who, whoMax):
		badField.write(w, fmt.Sprintf("who: one line of at most %d characters", whoMax), nil)
	case !oneLine(ask.Why, whyMax):
		badField.write(w, fmt.Sprintf("why: one line of at most %d characters", whyMax), nil)
	case ask.ID != "" && !plainName(ask.ID, idMax, "._:-"):
		badField.write(w, fmt.Sprintf("id: at most %d of the characters A-Z a-z 0-9 . _ : -", idMax), nil)
	default:
		return true
	}
	return false
}

// oneLine tells whether a text can stand in one line of a message.
func oneLine(text string, longest int) bool {
	return utf8.RuneCountInString(text) <= longest && !strings.ContainsFunc(text, func(c rune) bool { return !unicode.IsPrint(c) })
}

// plainName tells whether a text is made of ASCII letters, digits and the marks.
func plainName(text string, longest int, marks string) bool {
	if text == "" || len(text) > longest {
		return false
	}
	return !strings.ContainsFunc(text, func(c rune) bool {
		return (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && !strings.ContainsRune(marks, c)
	})
}
