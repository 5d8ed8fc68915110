package cli_test

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
)

// stub is a daemon of a script: it writes what it was asked to the file asked, a line each, and answers with the file answer of the script,
// whose first line is the status. Its address is $API, and the file token holds its token.
func stub(env *testscript.Env) error {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		raw, err := io.ReadAll(r.Body)
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		var line bytes.Buffer
		line.WriteString(r.Method + " " + r.URL.Path + " " + r.Header.Get("Authorization") + " " + r.Header.Get("Content-Type") + " ")
		_ = json.Compact(&line, raw) // what is no JSON is missing in the line, and the script says so
		line.WriteString("\n")
		f, err := os.OpenFile(filepath.Join(env.WorkDir, "asked"), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
		if err == nil {
			_, err = f.Write(line.Bytes())
			err = firstError(err, f.Close())
		}
		answer, readErr := os.ReadFile(filepath.Join(env.WorkDir, "answer"))
		if err = firstError(err, readErr); err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		status, body, _ := strings.Cut(string(answer), "\n")
		if to, ok := strings.CutPrefix(status, "to "); ok {
			http.Redirect(w, r, to, http.StatusTemporaryRedirect)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		switch status {
		case "409":
			w.WriteHeader(http.StatusConflict)
		case "502":
			w.WriteHeader(http.StatusBadGateway)
		}
		_, _ = io.WriteString(w, body)
	}))
	env.Defer(srv.Close)
	env.Setenv("API", srv.URL)
	env.Setenv("LISTEN", strings.TrimPrefix(srv.URL, "http://"))
	env.Setenv("USER", "kim")
	return os.WriteFile(filepath.Join(env.WorkDir, "token"), []byte("0123456789abcdef-token\n"), 0o600)
}

func firstError(a, b error) error {
	if a != nil {
		return a
	}
	return b
}
