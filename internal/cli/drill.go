package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
)

const (
	drillWait  = 45 * time.Second // three tries of a recipient that does not answer
	drillEvery = 200 * time.Millisecond
)

// drilled is what became of a drill at one recipient, as the daemon says it.
type drilled struct {
	Recipient string      `json:"recipient"`
	Result    string      `json:"result"`
	Detail    string      `json:"detail"`
	TookS     json.Number `json:"took_s"`
	Tries     int         `json:"tries"`
}

func drillCommand() *cobra.Command {
	a := &asker{}
	wait := drillWait
	c := a.flags(&cobra.Command{
		Use:   "drill [RECIPIENT]",
		Short: "Send a TEST along the real route of an alarm",
		Long: `Send a TEST along the real route of an alarm to one recipient, or to all, and
print what each of them answered and how long it took. TEST stands in the
headline, in the text and in a field of the message. No valve moves, no alarm
and no excursion is touched, and nothing is counted.

A receiver that says yes has the message; whether a telephone rang, only the
person beside it can say. Do it every month, also at night.` + asksDaemon + `
Exit code 1 also when a recipient has not taken it in time.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			fields := map[string]any{}
			if len(args) == 1 {
				fields["recipient"] = args[0]
			}
			if wait <= 0 {
				return exit{exitUsage, errors.New("--wait: write a time such as 45s")}
			}
			asJSON := a.json
			a.json = false // the answer that a program wants is the last one
			if err := a.ask(c, "drill", fields); err != nil {
				return err
			}
			return a.drilled(c, len(args) == 1, wait, asJSON)
		},
	})
	c.Flags().DurationVar(&wait, "wait", drillWait, "for how long to wait for the recipients")
	return c
}

// drilled watches what becomes of the drill until everybody has ended it or the time is over.
func (a *asker) drilled(c *cobra.Command, one bool, wait time.Duration, asJSON bool) error {
	ctx, cancel := context.WithTimeout(c.Context(), wait)
	defer cancel()
	var status struct {
		Outbox []struct {
			Recipient string `json:"recipient"`
		} `json:"outbox"`
	}
	if _, err := a.read(ctx, "/api/v1/status", &status); err != nil {
		return err
	}
	people := len(status.Outbox)
	if one {
		people = 1
	}
	var got struct {
		Drills []drilled `json:"drills"`
	}
	for {
		raw, err := a.read(ctx, "/api/v1/drills?command="+url.QueryEscape(a.id), &got)
		if err != nil && ctx.Err() == nil {
			return err
		}
		ended := 0
		for _, d := range got.Drills {
			if d.Result != "waiting" {
				ended++
			}
		}
		if ended >= people || ctx.Err() != nil {
			return tellDrilled(c, got.Drills, people, wait, raw, asJSON)
		}
		select {
		case <-ctx.Done():
		case <-time.After(drillEvery):
		}
	}
}

func tellDrilled(c *cobra.Command, drills []drilled, people int, wait time.Duration, raw []byte, asJSON bool) error {
	taken := 0
	out := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
	for _, d := range drills {
		if d.Result == "delivered" {
			taken++
		}
		if !asJSON {
			tries := "1 try"
			if d.Tries != 1 {
				tries = fmt.Sprintf("%d tries", d.Tries)
			}
			fmt.Fprintf(out, "%s\t%s\t%s\t%s s\t%s\n", d.Recipient, d.Result, d.Detail, d.TookS, tries)
		}
	}
	err := out.Flush()
	if asJSON {
		_, err = c.OutOrStdout().Write(raw)
	}
	if err != nil {
		return err
	}
	if taken < people {
		return fmt.Errorf("%d of %d recipients took the drill within %s", taken, people, wait)
	}
	return nil
}

// read asks the daemon for something that needs no token.
func (a *asker) read(ctx context.Context, path string, into any) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimRight(a.api, "/")+path, nil)
	if err != nil {
		return nil, err
	}
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("the daemon does not answer: %w", err)
	}
	defer res.Body.Close()
	raw, err := io.ReadAll(io.LimitReader(res.Body, 4<<20))
	if err != nil {
		return nil, fmt.Errorf("the daemon's answer broke off: %w", err)
	}
	if res.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s answers with status %d", a.api, res.StatusCode)
	}
	return raw, json.Unmarshal(raw, into)
}
