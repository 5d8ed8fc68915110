package cli

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"

	"rillwatch/internal/app"
	"rillwatch/internal/site"
)

// reloader runs the daemon, and anew with what its file says now each time it is asked to. A reload is a restart within the process: what is judged
// goes on from the logbook, as after any other start. A file that is wrong changes nothing.
type reloader struct {
	hup    <-chan os.Signal
	load   func() (*site.Site, error)                                                             // reads the file, with everything that can be known to be wrong beforehand
	run    func(ctx context.Context, s *site.Site, ready func(), notify func(state string)) error // the daemon, until ctx ends
	notify func(state string)                                                                     // the supervisor; nil when there is none
	log    *slog.Logger
}

// watch runs until ctx ends or the daemon cannot go on.
func (r *reloader) watch(ctx context.Context, s *site.Site) error {
	var before *site.Site // what ran before a reload, to go back to
	for {
		next, ready, err := r.until(ctx, s)
		switch {
		case ctx.Err() != nil, next == nil && err == nil:
			return err
		case next != nil:
			if err != nil {
				r.log.Error("stopping for the reload", "error", err)
			}
			before, s = s, next
		case before != nil && (!ready || errors.Is(err, app.ErrConfig)):
			r.log.Error("the daemon does not run on the new configuration; it goes back to the one before", "error", err)
			r.tell("STATUS=the new configuration was given up: " + oneLine(err) + "; watching " + before.Name + " as before")
			s, before = before, nil
		default:
			return err
		}
	}
}

// until runs the daemon on one configuration until it ends or a file that is right asks for its end.
func (r *reloader) until(ctx context.Context, s *site.Site) (next *site.Site, ready bool, err error) {
	run, stop := context.WithCancel(ctx)
	defer stop()
	began, ended := make(chan struct{}, 1), make(chan error, 1)
	leaving := make(chan struct{})
	go func() {
		ended <- r.run(run, s, func() { began <- struct{}{} }, func(state string) {
			select {
			case <-leaving:
				if strings.HasPrefix(state, "STOPPING=1") {
					return // the supervisor must not take this for the end
				}
			default:
			}
			r.tell(state)
		})
	}()
	for {
		select {
		case <-began:
			ready = true
		case err := <-ended:
			return nil, ready || len(began) > 0, err
		case <-r.hup:
			n, err := r.load()
			if err != nil {
				r.log.Error("the configuration cannot be taken; nothing has changed", "error", err)
				r.tell("STATUS=reload refused: " + oneLine(err) + "; watching " + s.Name + " as before")
				continue
			}
			r.log.Info("reloading", "config", n.Hash, "before", s.Hash)
			r.tell("RELOADING=1\nSTATUS=reloading")
			close(leaving)
			stop()
			return n, ready, <-ended
		}
	}
}

func (r *reloader) tell(state string) {
	if r.notify != nil {
		r.notify(state)
	}
}

// oneLine is the first of what may be many mistakes: a status has one line.
func oneLine(err error) string {
	first, rest, more := strings.Cut(strings.TrimSpace(err.Error()), "\n")
	if more {
		return fmt.Sprintf("%s (and %s)", first, count(strings.Count(strings.TrimSpace(rest), "\n")+1, "line more", "lines more"))
	}
	return first
}
