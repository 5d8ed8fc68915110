package cli

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/config"
	"rillwatch/internal/engine"
	"rillwatch/internal/history"
	"rillwatch/internal/logbook"
	"rillwatch/internal/site"
)

// replayMax bounds what a capture unpacks to: a week of two panels at 1 Hz.
const replayMax = 2 << 30

func replayCommand() *cobra.Command {
	var other, book, since, until string
	var quiet, check bool
	c := &cobra.Command{
		Use:   "replay CAPTURE | --from DIR --config FILE",
		Short: "Judge recorded inputs again, with the same or another configuration",
		Long: `Judge the inputs of a capture again and print what is said of them: events, and
each reading whose quality or reason changes. What differs from what was judged
then comes at the end: "-" was said then, "+" is said now.

    rillwatch replay monday.txtar.gz --config new-limits.toml

tries limits on a recorded day before they are armed. Buses are found by their
names, so the other configuration must have those of the capture.

    rillwatch replay --from /var/lib/rillwatch --config new-limits.toml --since 90d

tries them on what a logbook holds, from the poll grid: it prints every event as
it would have been told, then how often each alarm would have been raised and
was raised, and each excursion. What people entered, acknowledged or had in hand
is not in it, and the flush of a first start is owed at the beginning. The
daemon must be stopped, or DIR be a copy.

It asks no device and calls nobody. Exit codes: 0 fine, 1 the file cannot be
replayed, or with --check that something differs, 64 wrong usage, 78 bad
configuration.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if book != "" {
				if len(args) > 0 || other == "" || quiet || check {
					return wrongUsage("--from needs --config, and no CAPTURE, --quiet or --check")
				}
				return replayFrom(c, book, other, since, until)
			}
			if len(args) == 0 || c.Flags().Changed("since") || c.Flags().Changed("until") {
				return wrongUsage("name a CAPTURE, or a logbook with --from; --since and --until are of a logbook")
			}
			text, inputs, cut, err := readCapture(args[0])
			if err != nil {
				return err
			}
			if cut {
				fmt.Fprintf(c.ErrOrStderr(), "%s is cut short: it ended without its end, and what is whole is replayed\n", args[0])
			}
			var s *site.Site
			if other != "" {
				s, _, err = config.Load(other)
				err = configError(err)
			} else {
				s, _, err = config.Parse("config.toml", []byte(text))
			}
			if err != nil {
				return err
			}
			differs, err := replay(c.OutOrStdout(), s, inputs, quiet)
			if err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			if check && differs > 0 {
				return exit{exitFailed, fmt.Errorf("%s what was judged then", count(differs, "input differs from", "inputs differ from"))}
			}
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&other, "config", "", "judge by this configuration instead of the captured one")
	f.StringVar(&book, "from", "", "judge what the logbook in this directory holds")
	f.StringVar(&since, "since", "begin", "of a logbook: from when, a moment or how long ago")
	f.StringVar(&until, "until", "now", "of a logbook: until when")
	f.BoolVar(&quiet, "quiet", false, "print only what differs")
	f.BoolVar(&check, "check", false, "exit code 1 when anything differs")
	return c
}

// replayFrom opens the logbook and the configuration, and judges the one by the other.
func replayFrom(c *cobra.Command, dir, file, since, until string) error {
	s, _, err := config.Load(file)
	if err != nil {
		return configError(err)
	}
	a, err := history.ParseAsk(map[string]string{"from": since, "to": until}, time.Now())
	if err != nil {
		return usageOf(err)
	}
	book, err := logbook.OpenForReading(dir, lockPatience)
	if err != nil {
		return err
	}
	defer book.Close()
	return replayBook(c.Context(), book, s, a.Span, c.OutOrStdout(), c.ErrOrStderr())
}

// readCapture gives the configuration and the inputs of a capture, compressed or not.
// cut: its end is missing, as after a power cut, and so is its last input, which may be half.
func readCapture(path string) (text, inputs string, cut bool, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", "", false, err
	}
	defer f.Close()
	in := bufio.NewReader(f)
	var r io.Reader = in
	if head, _ := in.Peek(2); bytes.Equal(head, []byte{0x1f, 0x8b}) { // RFC 1952, 2.3.1
		z, err := gzip.NewReader(in)
		if errors.Is(err, io.ErrUnexpectedEOF) {
			err = errors.New("no capture: it must hold config.toml and inputs")
		}
		if err != nil {
			return "", "", false, fmt.Errorf("%s: %w", path, err)
		}
		r = z
	}
	raw, err := io.ReadAll(io.LimitReader(r, replayMax+1))
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF): // the power went: what is whole is replayed
		cut = true
		if i := bytes.LastIndexByte(raw, '\n'); i >= 0 {
			raw = raw[:i+1]
		}
	case err != nil:
		return "", "", false, fmt.Errorf("%s: %w", path, err)
	case len(raw) > replayMax:
		return "", "", false, fmt.Errorf("%s: larger than %d bytes", path, replayMax)
	}
	_, rest, ok := strings.Cut("\n"+string(raw), "\n-- config.toml --\n")
	text, inputs, ok2 := strings.Cut(rest, "-- inputs --\n")
	if !ok || !ok2 {
		return "", "", false, fmt.Errorf("%s: no capture: it must hold config.toml and inputs", path)
	}
	if i := strings.Index(inputs, "\n-- "); i >= 0 { // a replay file may hold more
		inputs = inputs[:i+1]
	}
	if cut {
		inputs = withoutLast(inputs)
	}
	return text, inputs, cut, nil
}

// withoutLast leaves out the last input and what was said of it: of what it brought about some may not have come to the file.
func withoutLast(inputs string) string {
	lines := strings.SplitAfter(inputs, "\n")
	for i := len(lines) - 1; i > 0; i-- {
		if lines[i] != "" && !strings.HasPrefix(lines[i], engine.ThenMark) {
			return strings.Join(lines[:i], "")
		}
	}
	return inputs
}

// replay prints what is said of the inputs, and what differs from then. It counts the inputs of which something else is said.
func replay(w io.Writer, s *site.Site, text string, quiet bool) (differs int, err error) {
	inputs, err := engine.ParseInputs(s, text)
	if err != nil {
		return 0, err
	}
	if len(inputs) == 0 {
		return 0, errors.New("no inputs")
	}
	then, known := engine.SplitThen(text)
	out := bufio.NewWriter(w)
	e, told := engine.New(s), engine.NewTranscript(s)
	var apart []string
	for i, in := range inputs {
		o := e.Step(in)
		now := told.Lines(o)
		at := engine.FormatStamp(o.At)
		if !quiet {
			for _, l := range now {
				fmt.Fprintf(out, "%s %s\n", at, l)
			}
		}
		var was []string
		if i < len(then) {
			was = then[i]
		}
		if !known || slices.Equal(was, now) {
			continue
		}
		differs++
		for _, l := range was {
			if !slices.Contains(now, l) {
				apart = append(apart, "- "+at+" "+l)
			}
		}
		for _, l := range now {
			if !slices.Contains(was, l) {
				apart = append(apart, "+ "+at+" "+l)
			}
		}
	}
	switch {
	case !known:
		fmt.Fprintf(out, "\n%s; the file does not say what was judged then\n", count(len(inputs), "input", "inputs"))
	case differs == 0:
		fmt.Fprintf(out, "\n%s; nothing differs from what was judged then\n", count(len(inputs), "input", "inputs"))
	default:
		fmt.Fprintf(out, "\n%s; of %d something else is said than then:\n", count(len(inputs), "input", "inputs"), differs)
		for _, l := range apart {
			fmt.Fprintln(out, l)
		}
	}
	return differs, out.Flush()
}
