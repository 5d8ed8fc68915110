package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/app"
	"rillwatch/internal/config"
	"rillwatch/internal/history"
	"rillwatch/internal/logbook"
	"rillwatch/internal/site"
)

// fromWhere is said by every command that reads the past.
const fromWhere = `

It reads the logbook of the configuration named with --config, or that in --dir.
While a daemon has it that daemon is asked, at the address in the configuration
or at --api. A logbook that is being read keeps a daemon from starting.`

// past is where a command reads the past: a logbook that nobody has open, or the daemon that has it.
type past struct {
	api, config, dir string

	site *site.Site // of --config
	book *logbook.Book
}

func (p *past) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&p.config, "config", "", "take the logbook and the daemon's address from this configuration")
	f.StringVar(&p.dir, "dir", "", "directory of the logbook")
	f.StringVar(&p.api, "api", "", "address of the daemon (default "+apiDefault+")")
}

// open opens the logbook, or leaves it to the daemon.
func (p *past) open() error {
	if p.api != "" && p.dir != "" {
		return wrongUsage("--api asks the daemon and --dir reads a directory: give one of them")
	}
	if p.config != "" {
		var err error
		if p.site, _, err = config.Load(p.config); err != nil {
			return configError(err)
		}
	}
	dir := p.dir
	if dir == "" && p.site != nil && p.api == "" {
		dir = p.site.Logbook.Dir
	}
	if dir == "" {
		return p.address()
	}
	book, err := logbook.OpenForReading(dir, lockPatience)
	switch {
	case err == nil:
		p.book = book
		return nil
	case errors.Is(err, logbook.ErrInUse) && p.site != nil:
		return p.address()
	case errors.Is(err, logbook.ErrInUse):
		return fmt.Errorf("%w (name the daemon's configuration with --config, or its address with --api)", err)
	}
	return err
}

// address settles where the daemon is asked.
func (p *past) address() error {
	a := asker{api: p.api, config: p.config}
	if err := a.address(); err != nil {
		return err
	}
	p.api = strings.TrimRight(a.api, "/")
	return nil
}

// close lets the logbook go, so that a daemon may start.
func (p *past) close() {
	if p.book != nil {
		_ = p.book.Close() // it was opened for reading
	}
}

// write answers a question, from the logbook or from the daemon.
func (p *past) write(ctx context.Context, w io.Writer, words map[string]string) (history.Told, error) {
	if p.book == nil {
		return p.fetch(ctx, w, "/api/v1/history", words)
	}
	a, err := history.ParseAsk(words, time.Now())
	if err != nil {
		return history.Told{}, usageOf(err)
	}
	plan, err := history.Prepare(ctx, app.Past(p.book), a)
	if err != nil {
		return history.Told{}, usageOf(err)
	}
	return plan.Write(ctx, w, history.Zone(p.site))
}

// usageOf gives a question that cannot be understood the exit code of wrong usage.
func usageOf(err error) error {
	if w := (*history.Wrong)(nil); errors.As(err, &w) {
		return wrongUsage("%w", err)
	}
	return err
}

// fetch takes the daemon's answer as it comes. One that broke off is an error, however much of it came.
func (p *past) fetch(ctx context.Context, w io.Writer, path string, words map[string]string) (t history.Told, err error) {
	q := url.Values{}
	for k, v := range words {
		q.Set(k, v)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, p.api+path+"?"+q.Encode(), nil)
	if err != nil {
		return t, err
	}
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true, ResponseHeaderTimeout: askFor},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.Do(req)
	if err != nil {
		if ctx.Err() != nil {
			return t, ctx.Err()
		}
		return t, fmt.Errorf("the daemon does not answer: %w", err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		answer, _ := io.ReadAll(io.LimitReader(res.Body, answerMax)) // what is no problem is said so below
		var said struct{ Type, Detail string }
		if err := json.Unmarshal(answer, &said); err != nil || said.Type == "" {
			return t, fmt.Errorf("%s answers with status %d and is no rillwatch", p.api, res.StatusCode)
		}
		name := strings.TrimPrefix(said.Type, "urn:rillwatch:problem:")
		err := fmt.Errorf("refused (%s): %s", name, said.Detail)
		if name == "bad_parameter" {
			return t, exit{exitUsage, err}
		}
		return t, err
	}
	if _, err := io.Copy(w, res.Body); err != nil {
		if ctx.Err() != nil {
			return t, ctx.Err()
		}
		return t, fmt.Errorf("the daemon's answer broke off: %w", err)
	}
	for name, to := range map[string]*int{"Rillwatch-Rows": &t.Rows, "Rillwatch-Gaps": &t.Gaps, "Rillwatch-Left-Out": &t.LeftOut} {
		*to, _ = strconv.Atoi(res.Trailer.Get(name)) // an older daemon says nothing
	}
	return t, nil
}

// meter tells on stderr how much has been written, at most every two seconds, and nothing of what takes less.
type meter struct {
	w    io.Writer
	talk io.Writer
	n    int64
	last time.Time
}

const meterEvery = 2 * time.Second

func (m *meter) Write(b []byte) (int, error) {
	n, err := m.w.Write(b)
	m.n += int64(n)
	switch now := time.Now(); {
	case m.last.IsZero():
		m.last = now
	case now.Sub(m.last) >= meterEvery:
		m.last = now
		fmt.Fprintf(m.talk, "%.1f MB so far\n", float64(m.n)/1e6)
	}
	return n, err
}

// broken says of an answer that ended early that it is not whole.
func broken(err error) error {
	if errors.Is(err, context.Canceled) {
		return errors.New("interrupted: what was written is not whole")
	}
	return err
}
