package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"

	"github.com/spf13/cobra"
)

// listMax bounds what is read of a list: a site of a thousand alarms has less than a megabyte.
const listMax = 8 << 20

// get asks the daemon for what it shows to everybody.
func (a *asker) get(c *cobra.Command, path string) ([]byte, error) {
	if err := a.address(); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(c.Context(), askFor)
	defer cancel()
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
	answer, err := io.ReadAll(io.LimitReader(res.Body, listMax))
	if err != nil {
		return nil, fmt.Errorf("the daemon's answer broke off: %w", err)
	}
	if res.StatusCode != http.StatusOK {
		var said struct{ Type, Detail string }
		if err := json.Unmarshal(answer, &said); err != nil || said.Type == "" {
			return nil, fmt.Errorf("%s answers with status %d and is no rillwatch", a.api, res.StatusCode)
		}
		return nil, fmt.Errorf("refused (%s): %s", strings.TrimPrefix(said.Type, "urn:rillwatch:problem:"), said.Detail)
	}
	return answer, nil
}

// unmarshal reads an answer of the daemon.
func unmarshal(answer []byte, into any) error {
	if err := json.Unmarshal(answer, into); err != nil {
		return fmt.Errorf("the daemon's answer cannot be read: %w", err)
	}
	return nil
}
