package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/site"
)

const (
	// daemonFor is how long a daemon on this machine is waited for: it answers from memory.
	daemonFor = 2 * time.Second
	viewMax   = 8 << 20 // bytes of a daemon's view; twenty thousand points take 6 MB
	// relisten is the silence heard before a line is asked again within the same command: it was heard out a moment ago.
	relisten = time.Second
)

// liveMost bounds one call at the panel: the listening, and rounds in which everything is silent.
func liveMost(b site.Bus) time.Duration { return b.Listen + 2*time.Minute }

// daemonView asks a daemon for a page of its API; nil where none answers, or another program does.
func daemonView(ctx context.Context, s *site.Site, path string) []byte {
	return viewAt(ctx, "http://"+reachable(s.HTTP.Listen), s.Name, path)
}

func viewAt(ctx context.Context, base, name, path string) []byte {
	ctx, cancel := context.WithTimeout(ctx, daemonFor)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, base+path, nil)
	if err != nil {
		return nil
	}
	req.Header.Set("Accept", "application/json")
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.Do(req)
	if err != nil {
		return nil
	}
	defer res.Body.Close()
	body, err := io.ReadAll(io.LimitReader(res.Body, viewMax))
	if err != nil || res.StatusCode != http.StatusOK && res.StatusCode != http.StatusServiceUnavailable {
		return nil
	}
	var said struct{ Site, Type string }
	if json.Unmarshal(body, &said) != nil || said.Site != name && said.Type != "urn:rillwatch:problem:not_started" {
		return nil
	}
	return body
}

// mindDaemon refuses to ask a bus that the daemon of its configuration asks already: a serial line takes one master, and an endpoint may serve
// one connection only.
func mindDaemon(c *cobra.Command, s *site.Site, b site.Bus, instead string) error {
	if s == nil || daemonView(c.Context(), s, "/api/v1/readings") == nil {
		return nil
	}
	return exit{exitFailed, errors.Join(fmt.Errorf("the daemon of this site runs and asks on bus %s: a second one beside it may take its answers or its connection", b.Name),
		fmt.Errorf("stop it for the time, or use %s", instead))}
}

// daemonReading is a reading as the daemon's API gives it.
type daemonReading struct {
	Panel, Point, Unit, Quality, Reason string
	Value                               *json.Number
	Proof                               *struct {
		Standing, By, At string
		With             string `json:"proven_with"`
	}
}

type daemonReadings struct {
	Site, Definition string
	Readings         []daemonReading
}

func parseReadings(body []byte) (daemonReadings, error) {
	var all daemonReadings
	if err := json.Unmarshal(body, &all); err != nil {
		return all, fmt.Errorf("the daemon's answer: %w", err)
	}
	if all.Site == "" {
		return all, errors.New("the daemon has judged nothing yet; ask again in a moment")
	}
	return all, nil
}

func printJSONLine(w io.Writer, v any) error { return json.NewEncoder(w).Encode(v) }
