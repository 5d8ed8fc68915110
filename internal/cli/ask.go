package cli

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/config"
)

const (
	apiDefault = "http://127.0.0.1:9618" // as the daemon's own default
	// askFor is longer than the ten seconds for which the daemon itself waits for its disk, so that its own answer comes through.
	askFor    = 15 * time.Second
	answerMax = 64 << 10 // bytes; the longest answer is a few hundred
	tokenMax  = 4 << 10  // bytes of a token file
)

// asker is what every command to the running daemon needs.
type asker struct {
	api, config, tokenFile, who, why, id string
	json                                 bool
}

// flags gives a command the flags of an asker.
func (a *asker) flags(c *cobra.Command) *cobra.Command {
	f := c.Flags()
	f.StringVar(&a.api, "api", "", "address of the daemon (default "+apiDefault+")")
	f.StringVar(&a.config, "config", "", "take address and token file from this configuration")
	f.StringVar(&a.tokenFile, "token-file", "", "file that holds the command token")
	f.StringVar(&a.who, "who", os.Getenv("USER"), "your name, for the logbook")
	f.StringVar(&a.why, "why", "", "why, for the logbook")
	f.StringVar(&a.id, "id", "", "id of this command; the same id is answered as the first time")
	f.BoolVar(&a.json, "json", false, "print the daemon's answer as it came")
	return c
}

// settle takes what the configuration says where no flag does.
func (a *asker) settle() error {
	if err := a.address(); err != nil {
		return err
	}
	switch {
	case a.tokenFile == "":
		return exit{exitUsage, errors.New("a command needs the token: name its file with --token-file, or the configuration with --config")}
	case strings.TrimSpace(a.who) == "":
		return exit{exitUsage, errors.New("say who you are with --who: the logbook keeps who did what")}
	}
	return nil
}

// address settles where the daemon is asked.
func (a *asker) address() error {
	if a.config != "" {
		s, _, err := config.Load(a.config)
		if err != nil {
			return configError(err)
		}
		if a.api == "" {
			a.api = "http://" + reachable(s.HTTP.Listen)
		}
		if a.tokenFile == "" {
			a.tokenFile = s.HTTP.TokenFile
		}
	}
	if a.api == "" {
		a.api = apiDefault
	}
	u, err := url.Parse(a.api)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https":
		return exit{exitUsage, fmt.Errorf("--api %q: write http://HOST:PORT or https://HOST", a.api)}
	case u.User != nil || u.RawQuery != "" || u.Fragment != "":
		return exit{exitUsage, errors.New("--api takes an address only, without a user or a query")}
	}
	return nil
}

// reachable is the address at which what listens there can be asked: one that listens everywhere is asked on this machine.
func reachable(listen string) string {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return listen
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return net.JoinHostPort(host, port)
}

// needWhy refuses a command that silences something without a reason, before anything is sent.
func (a *asker) needWhy() error {
	if strings.TrimSpace(a.why) == "" {
		return exit{exitUsage, errors.New("say why with --why: this silences something, and the logbook keeps why")}
	}
	return nil
}

// token reads the token. It is not taken from the command line, where every user of the machine could see it.
func (a *asker) token() (string, error) {
	f, err := os.Open(a.tokenFile)
	if err != nil {
		return "", fmt.Errorf("the command token: %w", err)
	}
	defer f.Close()
	raw, err := io.ReadAll(io.LimitReader(f, tokenMax))
	if err != nil {
		return "", fmt.Errorf("the command token: %w", err)
	}
	token := strings.TrimRight(string(raw), "\r\n")
	if token == "" || strings.ContainsAny(token, "\r\n") {
		return "", fmt.Errorf("the command token: %s does not hold one line", a.tokenFile)
	}
	return token, nil
}

// ask sends a command of the daemon and prints what it says.
func (a *asker) ask(c *cobra.Command, verb string, fields map[string]any) error {
	if err := a.settle(); err != nil {
		return err
	}
	token, err := a.token()
	if err != nil {
		return err
	}
	if a.id == "" {
		var b [8]byte
		_, _ = rand.Read(b[:]) // never fails (package crypto/rand)
		a.id = "cli-" + hex.EncodeToString(b[:])
	}
	body := map[string]any{"who": a.who, "why": a.why, "id": a.id}
	for k, v := range fields {
		body[k] = v
	}
	raw, err := json.Marshal(body)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(c.Context(), askFor)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, strings.TrimRight(a.api, "/")+"/api/v1/commands/"+verb, bytes.NewReader(raw))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+token)
	// No proxy and no redirect: the token goes to the address that was named, and nowhere else.
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("the daemon does not answer; it is not known whether this was taken (ask again with --id %s): %w", a.id, err)
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(res.Body, answerMax))
	if err != nil {
		return fmt.Errorf("the daemon's answer broke off; it is not known whether this was taken (ask again with --id %s): %w", a.id, err)
	}
	return a.tell(c, res.StatusCode, answer)
}

// tell prints an answer: the words of one that was obeyed to stdout, a refusal to stderr.
func (a *asker) tell(c *cobra.Command, status int, answer []byte) error {
	var said struct{ Words, Type, Title, Detail, Result string }
	if err := json.Unmarshal(answer, &said); err != nil || said.Result == "" && said.Type == "" {
		return fmt.Errorf("%s answers with status %d and is no rillwatch", a.api, status)
	}
	if a.json {
		if _, err := c.OutOrStdout().Write(answer); err != nil {
			return err
		}
	}
	if status != http.StatusOK || said.Result == "" {
		if a.json {
			return exit{exitFailed, nil}
		}
		return fmt.Errorf("refused (%s): %s", strings.TrimPrefix(said.Type, "urn:rillwatch:problem:"), said.Detail)
	}
	if a.json {
		return nil
	}
	_, err := fmt.Fprintln(c.OutOrStdout(), said.Words)
	return err
}
