package httpapi

import (
	"encoding/json"
	"maps"
	"net/http"

	"rillwatch/internal/engine"
)

// problemPrefix stands before a problem's name in its type. A urn, because a program switches on it and nobody fetches it.
const problemPrefix = "urn:rillwatch:problem:"

// problem is one kind of refusal as RFC 9457 describes it: type, title and status are the same each time, the detail is of the case.
type problem struct {
	name   string
	status int
	title  string
}

// The problems of this room. Those of the engine's refusals carry the refusal's own name.
var (
	notFound          = problem{"not_found", http.StatusNotFound, "There is nothing at this path"}
	methodNotAllowed  = problem{"method_not_allowed", http.StatusMethodNotAllowed, "This path does not take this method"}
	badParameter      = problem{"bad_parameter", http.StatusBadRequest, "A query parameter cannot be understood"}
	noSuchCommand     = problem{"no_such_command", http.StatusNotFound, "There is no such command"}
	noSuchPanel       = problem{"no_such_panel", http.StatusNotFound, "There is no such panel"}
	notStarted        = problem{"not_started", http.StatusServiceUnavailable, "The daemon is still starting"}
	judgementStands   = problem{"judgement_stands_still", http.StatusServiceUnavailable, "Readings are no longer judged"}
	notReady          = problem{"not_ready", http.StatusServiceUnavailable, "Not everything has been seen yet"}
	commandsOff       = problem{"commands_off", http.StatusForbidden, "Commands are not taken: no token is configured"}
	tokenMissing      = problem{"token_missing", http.StatusUnauthorized, "A command needs the token"}
	tokenWrong        = problem{"token_wrong", http.StatusUnauthorized, "The token is not the right one"}
	notJSON           = problem{"not_json", http.StatusUnsupportedMediaType, "The body must be application/json"}
	bodyTooLarge      = problem{"body_too_large", http.StatusRequestEntityTooLarge, "The body is larger than a command can be"}
	bodyMalformed     = problem{"body_malformed", http.StatusBadRequest, "The body is not one JSON object"}
	unknownField      = problem{"unknown_field", http.StatusUnprocessableEntity, "The body has a field that is not obeyed"}
	badField          = problem{"bad_field", http.StatusUnprocessableEntity, "A field of the body cannot be taken"}
	tooManyCommands   = problem{"too_many_commands", http.StatusServiceUnavailable, "Too many commands wait for the disk"}
	notDurable        = problem{"not_durable", http.StatusServiceUnavailable, "The command is not on disk yet"}
	tooManyReaders    = problem{"too_many_readers", http.StatusServiceUnavailable, "The logbook is being read by others"}
	noHistory         = problem{"no_history", http.StatusNotFound, "There is no logbook to read"}
	logbookFailed     = problem{"logbook_failed", http.StatusInternalServerError, "The logbook could not be read"}
	noSuchPoint       = problem{string(engine.NoSuchPoint), http.StatusNotFound, "There is no such point"}
	refusedOtherwise  = problem{"refused", http.StatusConflict, "The command was refused"}
	problemsOfRefusal = []problem{
		{string(engine.NoSuchAlarm), http.StatusNotFound, "There is no such alarm"},
		{string(engine.NothingToAck), http.StatusConflict, "There is nothing to acknowledge"},
		{string(engine.NoName), http.StatusUnprocessableEntity, "Nobody said who asks"},
		{string(engine.VerbNotObeyed), http.StatusUnprocessableEntity, "This version does not obey this command yet"},
		{string(engine.NotBooted), http.StatusServiceUnavailable, "The daemon is still starting"},
		{string(engine.NoSuchPoint), http.StatusNotFound, "There is no such point to enter a value for"},
		{string(engine.UnitNotTaken), http.StatusUnprocessableEntity, "The unit cannot be taken"},
		{string(engine.BasisNotTaken), http.StatusUnprocessableEntity, "The basis cannot be taken"},
		{string(engine.ValueNotPossible), http.StatusUnprocessableEntity, "No such value is possible"},
		{string(engine.NothingToCompare), http.StatusConflict, "There is no value to compare with"},
		{string(engine.TimeNotTaken), http.StatusUnprocessableEntity, "The time it was taken cannot be taken"},
		{string(engine.NoReason), http.StatusUnprocessableEntity, "Nobody said why"},
		{string(engine.NoSuchPanel), http.StatusNotFound, "There is no such panel"},
		{string(engine.CommandIDReused), http.StatusConflict, "The command id was used for something else"},
		{string(engine.NoSuchSensor), http.StatusNotFound, "There is no such sensor"},
		{string(engine.NoWhat), http.StatusUnprocessableEntity, "Nobody said what is done"},
		{string(engine.NoSuchLimit), http.StatusNotFound, "There is no such limit"},
		{string(engine.NothingToLearn), http.StatusUnprocessableEntity, "This limit hangs on no learned normal"},
		{string(engine.LimitInAlarm), http.StatusConflict, "A limit of this point is in alarm"},
		{string(engine.TooLittleData), http.StatusConflict, "There is too little to learn from"},
		{string(engine.TooUnsteady), http.StatusConflict, "The readings are too unsteady for this limit"},
		{string(engine.BeyondBound), http.StatusConflict, "The normal lies beyond the bound that always applies"},
		{string(engine.OutOfReach), http.StatusConflict, "The sensor cannot show a value beyond such a limit"},
		{string(engine.NoDistance), http.StatusConflict, "The limit would lie on its normal"},
		{string(engine.NoSuchRecipient), http.StatusNotFound, "There is no such recipient"},
		{string(engine.BadSpan), http.StatusUnprocessableEntity, "The time is too short or too long"},
		{string(engine.MustSpeak), http.StatusConflict, "This alarm must not be silenced"},
		{string(engine.NotShelved), http.StatusConflict, "The alarm is not shelved"},
		{string(engine.AlreadyOut), http.StatusConflict, "The alarm is out of service already"},
		{string(engine.NotOut), http.StatusConflict, "The alarm is in service"},
		{string(engine.Silenced), http.StatusConflict, "The alarm is silenced and calls nobody"},
	}
)

// problemOf finds the problem of a refusal. A refusal this room has not heard of keeps its name and is a conflict.
func problemOf(r engine.Refusal) problem {
	for _, p := range problemsOfRefusal {
		if p.name == string(r) {
			return p
		}
	}
	p := refusedOtherwise
	p.name = string(r)
	return p
}

// write sends the problem. more holds the members beyond those of RFC 9457.
func (p problem) write(w http.ResponseWriter, detail string, more map[string]any) {
	body := map[string]any{"type": problemPrefix + p.name, "title": p.title, "status": p.status, "detail": detail}
	maps.Copy(body, more)
	raw, err := json.Marshal(body)
	if err != nil {
		panic("a problem holds only strings and numbers: " + err.Error())
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.status)
	_, _ = w.Write(append(raw, '\n')) // a reader that went away needs no answer
}
