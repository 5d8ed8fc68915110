package cli

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"rillwatch/internal/bus"
	"rillwatch/internal/config"
	"rillwatch/internal/engine"
	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// recordFlags are those of a capture.
type recordFlags struct {
	long time.Duration
	size int
}

func (r *recordFlags) check() error {
	if r.long <= 0 || r.long > recordForMost {
		return wrongUsage("a capture lasts from 1s to %s", recordForMost)
	}
	if r.size < 1 || r.size > recordSizeMax {
		return wrongUsage("a capture's file is 1 to %d MB", recordSizeMax)
	}
	return nil
}

func captureCommand() *cobra.Command {
	var r recordFlags
	var out string
	var verbose bool
	c := &cobra.Command{
		Use:   "capture FILE --out CAPTURE",
		Short: "Record what the devices say, to replay it later",
		Long: `Poll the buses of a configuration as the daemon does, judge what comes, and
write every input and what it brought about to a compressed file, together with
the configuration. Nothing is kept in the logbook and nobody is called.

    rillwatch capture site.toml --out trouble.txtar.gz --for 30m
    rillwatch replay trouble.txtar.gz

While the daemon runs it holds the line; start it with "run --capture" instead.
A capture that is put into testdata/replay of the source is a test.

It ends by --for, by --size or by Ctrl-C, and reads only: it writes to no
device. Exit codes: 0 fine, 1 failed, 64 wrong usage, 78 bad configuration.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := r.check(); err != nil {
				return err
			}
			if out == "" {
				return wrongUsage("say where to with --out, such as trouble.txtar.gz")
			}
			text, err := config.Inline(args[0])
			if err != nil {
				return configError(err)
			}
			s, _, err := config.Load(args[0])
			if err != nil {
				return configError(err)
			}
			if err := mindDaemon(c, s, s.Buses[0], "rillwatch run --capture"); err != nil {
				return err
			}
			log := (&lineFlags{verbose: verbose}).log(c)
			rec, err := startRecorder(out, string(text), s, r.long+time.Minute, r.size, log) // it ends by ctx, with the last input
			if err != nil {
				return err
			}
			ctx, cancel := context.WithTimeout(c.Context(), r.long)
			defer cancel()
			n, err := captureInputs(ctx, s, rec, func(i int, now func() reading.Stamp, to chan<- reading.Batch) error {
				return bus.Run(ctx, s, i, now, nil, to, log)
			})
			if e := rec.stop(); err == nil {
				err = e
			}
			if err != nil {
				return err
			}
			if rec.end != "" && rec.end != "its time is over" {
				return exit{exitFailed, errors.New("the capture has ended early: " + rec.end)}
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s: %s\n", out, count(n, "input", "inputs"))
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&out, "out", "", "file to write; one that is there is not written over")
	f.DurationVar(&r.long, "for", time.Hour, "how long")
	f.IntVar(&r.size, "size", recordSizeMB, "most MB of the file")
	f.BoolVarP(&verbose, "verbose", "v", false, "say on stderr what becomes of the links")
	return c
}

// captureInputs runs buses and an engine in memory until ctx ends, and gives every input to rec.
func captureInputs(ctx context.Context, s *site.Site, rec *recorder, run func(i int, now func() reading.Stamp, to chan<- reading.Batch) error) (n int, err error) {
	now := clock()
	e := engine.New(s)
	step := func(in engine.Input) {
		n++
		rec.record(in, e.Step(in))
	}
	var nonce [4]byte
	_, _ = rand.Read(nonce[:]) // never fails (package crypto/rand)
	step(engine.Boot{Nonce: hex.EncodeToString(nonce[:]), At: now(), WallCertain: true, Hash: s.Hash})
	batches, ended := make(chan reading.Batch), make(chan error, len(s.Buses))
	for i := range s.Buses {
		go func() { ended <- run(i, now, batches) }()
	}
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for left := len(s.Buses); left > 0; {
		select {
		case b := <-batches:
			step(engine.Batch{Batch: b})
		case <-tick.C:
			step(engine.Tick{At: now()})
		case e := <-ended:
			left--
			err = errors.Join(err, e)
		}
	}
	step(engine.Stop{At: now()})
	return n, err
}
