package cli

import (
	"fmt"

	"rillwatch/internal/site"
)

// offered refuses what the daemon can do and is not given to anybody yet: asking for a sample valve to be closed. It is built and tested; a
// hostile reading of it found troubles that are not all mended, and a valve is no place to learn of them.
func offered(file string, s *site.Site) error {
	for i := range s.Panels {
		if p := &s.Panels[i]; p.Interlock.Configured && p.Interlock.Drive.Configured {
			return exit{exitConfig, fmt.Errorf("%s: panel.%s.interlock.drive: is not obeyed yet (leave it out: rillwatch observes, and the panel's own controller closes the valve)", file, p.Name)}
		}
	}
	return nil
}
