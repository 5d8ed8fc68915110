package cli

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"sync"
)

// journalHandler writes one record a line with the syslog priority in front, as the systemd journal reads it from stderr (sd-daemon(3)).
type journalHandler struct {
	mu   sync.Mutex // records of several goroutines must not mix; slog offers no channel
	w    io.Writer
	with []slog.Attr
	root *journalHandler // whose mutex and writer are used; nil for the first
}

func (h *journalHandler) Enabled(_ context.Context, l slog.Level) bool { return l >= slog.LevelInfo }

func (h *journalHandler) Handle(ctx context.Context, r slog.Record) error {
	prefix := "<6>"
	switch {
	case r.Level >= slog.LevelError:
		prefix = "<3>"
	case r.Level >= slog.LevelWarn:
		prefix = "<4>"
	case r.Level < slog.LevelInfo:
		prefix = "<7>"
	}
	var b bytes.Buffer
	b.WriteString(prefix)
	text := slog.NewTextHandler(&b, &slog.HandlerOptions{ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
		if len(groups) == 0 && (a.Key == slog.TimeKey || a.Key == slog.LevelKey) {
			return slog.Attr{}
		}
		return a
	}}).WithAttrs(h.with)
	if err := text.Handle(ctx, r); err != nil {
		return err
	}
	top := h
	if h.root != nil {
		top = h.root
	}
	top.mu.Lock()
	defer top.mu.Unlock()
	_, err := top.w.Write(b.Bytes())
	return err
}

func (h *journalHandler) WithAttrs(a []slog.Attr) slog.Handler {
	top := h
	if h.root != nil {
		top = h.root
	}
	return &journalHandler{with: append(append([]slog.Attr(nil), h.with...), a...), root: top}
}

// WithGroup is not used in this program; a group's attributes stand beside the others.
func (h *journalHandler) WithGroup(string) slog.Handler { return h }
