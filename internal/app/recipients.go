package app

import (
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"os"

	"rillwatch/internal/httpapi"
	"rillwatch/internal/notify"
	"rillwatch/internal/site"
)

// Bounds of the files that a recipient names: a bundle of certificates, and a template nobody would read further.
const (
	bundleMax   = 1 << 20
	templateMax = 64 << 10
)

// means is what the files of the recipients hold, by recipient.
type means struct {
	old   map[string][]byte
	roots map[string]*x509.CertPool
	forms map[string]*notify.Form
}

// Recipients reads and tries the certificates and templates that the recipients name and that are there: a file may be checked on another
// machine than the one it is for. The error is ErrConfig and names all that is wrong.
func Recipients(s *site.Site) error {
	_, err := meansOf(s, true)
	return err
}

// meansOf reads the files. Where they are only tried, secrets are left out, which whoever checks need not be able to read, and so is what is not there.
func meansOf(s *site.Site, onlyTried bool) (means, error) {
	m := means{old: map[string][]byte{}, roots: map[string]*x509.CertPool{}, forms: map[string]*notify.Form{}}
	var errs []error
	for i := range s.Recipients {
		r := &s.Recipients[i]
		add := func(err error) {
			if err != nil && !(onlyTried && errors.Is(err, os.ErrNotExist)) {
				errs = append(errs, fmt.Errorf("recipient %s: %w", r.Name, err))
			}
		}
		if r.OldSecretFile != "" && !onlyTried {
			raw, err := readSecret(r.OldSecretFile)
			if err == nil {
				m.old[r.Name], err = notify.ParseSecret(string(raw))
			}
			add(err)
		}
		if r.CAFile != "" {
			raw, err := readUpTo(r.CAFile, bundleMax)
			if err == nil {
				pool := x509.NewCertPool()
				if !pool.AppendCertsFromPEM(raw) {
					err = fmt.Errorf("%s holds no certificate in PEM form", r.CAFile)
				}
				m.roots[r.Name] = pool
			}
			add(err)
		}
		if r.Template != "" {
			raw, err := readUpTo(r.Template, templateMax)
			if err == nil {
				if m.forms[r.Name], err = notify.ParseForm(s, string(raw), r.ContentType); err != nil {
					err = fmt.Errorf("%s: %w", r.Template, err)
				}
			}
			add(err)
		}
	}
	if len(errs) > 0 {
		return means{}, fmt.Errorf("%w: %w", ErrConfig, errors.Join(errs...))
	}
	return m, nil
}

// drills are the last drills as the API shows them.
func drills(sender *notify.Notifier) func() []httpapi.DrillFacts {
	return func() []httpapi.DrillFacts {
		var all []httpapi.DrillFacts
		for _, d := range sender.Drills() {
			all = append(all, httpapi.DrillFacts(d))
		}
		return all
	}
}

func readUpTo(file string, most int64) ([]byte, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	raw, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(raw)) > most {
		err = fmt.Errorf("%s is longer than %d bytes", file, most)
	}
	return raw, err
}
