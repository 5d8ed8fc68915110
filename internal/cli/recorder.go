package cli

import (
	"compress/gzip"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"time"

	"rillwatch/internal/engine"
	"rillwatch/internal/site"
)

const (
	// recordAhead is how many inputs may wait for the file: a minute of a site of 20 buses at 1 Hz, about 1 MB. The judging never waits for a
	// file; where this is not enough the capture ends, and says so.
	recordAhead   = 2048
	recordForMost = 7 * 24 * time.Hour
	recordSizeMB  = 64 // of the compressed file; one panel at 1 Hz makes about 1 MB an hour
	recordSizeMax = 1024
	recordFlush   = time.Second // so much of a capture may be lost with the process; a flush costs five bytes (RFC 1951, 3.2.4)
)

// recorder writes inputs, and what they brought about, to a compressed file in the form of the replay files. Its record may be called from one
// goroutine; it never waits.
type recorder struct {
	in   chan recorded
	done chan error
	end  string // why it ended before it was told to; read after done
}

type recorded struct {
	in engine.Input
	o  engine.Outcome
}

// record takes one input with what it brought about.
func (r *recorder) record(in engine.Input, o engine.Outcome) {
	select {
	case r.in <- recorded{in, o}:
	default: // full, or its end: what follows would have a gap, so it ends here
		select {
		case r.in <- recorded{}:
		default:
		}
	}
}

// bounded counts what goes to the file.
type bounded struct {
	w io.Writer
	n int64
}

func (b *bounded) Write(p []byte) (int, error) {
	n, err := b.w.Write(p)
	b.n += int64(n)
	return n, err
}

// startRecorder makes a new file; one that is there already is not written over. text is the configuration's.
func startRecorder(path, text string, s *site.Site, long time.Duration, sizeMB int, log *slog.Logger) (*recorder, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return nil, fmt.Errorf("the capture: %w", err)
	}
	r := &recorder{in: make(chan recorded, recordAhead), done: make(chan error, 1)}
	out := &bounded{w: f}
	z := gzip.NewWriter(out)
	if !strings.HasSuffix(text, "\n") {
		text += "\n"
	}
	if _, err := fmt.Fprintf(z, "# captured by rillwatch %s; replay it with: rillwatch replay FILE\n-- config.toml --\n%s-- inputs --\n%s\n", Version, text, engine.TextVersion); err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("the capture: %w", err)
	}
	go func() {
		err := r.write(z, out, s, long, int64(sizeMB)<<20)
		if e := z.Close(); err == nil {
			err = e
		}
		if e := f.Close(); err == nil {
			err = e
		}
		if err != nil {
			log.Error("the capture has ended", "file", path, "error", err)
		} else if r.end != "" {
			log.Warn("the capture has ended", "file", path, "because", r.end)
		}
		r.done <- err
	}()
	return r, nil
}

func (r *recorder) write(z *gzip.Writer, out *bounded, s *site.Site, long time.Duration, most int64) error {
	over := time.NewTimer(long)
	defer over.Stop()
	flush := time.NewTicker(recordFlush)
	defer flush.Stop()
	told := engine.NewTranscript(s)
	if err := z.Flush(); err != nil { // the configuration is there at once
		return err
	}
	for {
		select {
		case <-over.C:
			r.end = "its time is over"
			return nil
		case <-flush.C:
			if err := z.Flush(); err != nil {
				return err
			}
			if out.n > most {
				r.end = "the file has reached its size"
				return nil
			}
		case k, ok := <-r.in:
			switch {
			case !ok:
				return nil
			case k.in == nil:
				r.end = "the file did not follow"
				return nil
			}
			var b strings.Builder
			b.WriteString(engine.FormatInput(s, k.in) + "\n")
			for _, l := range told.Lines(k.o) {
				b.WriteString(engine.ThenMark + l + "\n")
			}
			if _, err := io.WriteString(z, b.String()); err != nil {
				return err
			}
		}
	}
}

// stop ends the file. Nothing may be recorded after it.
func (r *recorder) stop() error {
	close(r.in)
	return <-r.done
}
