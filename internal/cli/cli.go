// Package cli is the command line: one file per command.
//
// Owns: arguments, exit codes, what goes to stdout (data) and stderr (talk).
// Never: needs a running daemon to check a file or a logbook, or gives the token to any other address than the one named.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"rillwatch/internal/app"
	"rillwatch/internal/config"
)

// Version is set when a release is built.
var Version = "0.1.0-dev"

// Exit codes. 2 is left to the Go runtime, whose panics and watchdog aborts end with it: a supervisor must restart after those
// and must not restart after bad configuration (78, EX_CONFIG of sysexits.h).
const (
	exitFine   = 0
	exitFailed = 1
	exitUsage  = 64 // EX_USAGE
	exitConfig = 78 // EX_CONFIG
)

// exit is an error that already knows its code. A nil err means that everything was said.
type exit struct {
	code int
	err  error
}

func (e exit) Error() string {
	if e.err == nil {
		return fmt.Sprintf("exit code %d", e.code)
	}
	return e.err.Error()
}

func (e exit) Unwrap() error { return e.err }

// Main runs the command line and gives the exit code. It is the one place where errors become codes.
func Main(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	// the first interrupt stops in order; a second one ends at once, because a person who asks twice means it
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)

	root := rootCommand(stdin, stdout, stderr)
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitFine
	}
	var e exit
	var mistakes config.Mistakes
	switch {
	case errors.As(err, &e):
		if e.err != nil {
			fmt.Fprintln(stderr, "rillwatch: "+e.err.Error())
		}
		return e.code
	case errors.As(err, &mistakes):
		fmt.Fprintln(stderr, err)
		return exitConfig
	case errors.Is(err, app.ErrConfig):
		fmt.Fprintln(stderr, "rillwatch: "+err.Error())
		return exitConfig
	}
	fmt.Fprintln(stderr, "rillwatch: "+err.Error())
	return exitFailed
}

func rootCommand(stdin io.Reader, stdout, stderr io.Writer) *cobra.Command {
	root := &cobra.Command{
		Use:   "rillwatch",
		Short: "Watch a boiler-feedwater sample panel",
		Long: `rillwatch polls the sensors of a boiler-feedwater sample panel over Modbus,
says of each reading whether it may be believed, watches the sample
temperature, judges oxygen and conductivity against the limits you wrote,
keeps the evidence and calls people.

It observes, unless the file names the coil by which it may ask for the sample
valve to be closed. It never opens one.
The panel's own thermal shut-off stays the primary protection; rillwatch
claims no safety integrity level.

Exit codes: 0 fine, 1 failed, 64 wrong usage, 78 bad configuration.`,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.NoArgs,
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	root.CompletionOptions.HiddenDefaultCmd = true
	usage := func(c *cobra.Command, err error) error {
		return exit{exitUsage, fmt.Errorf("%w (see %s --help)", err, c.CommandPath())}
	}
	root.SetFlagErrorFunc(usage)
	for _, c := range []*cobra.Command{runCommand(), demoCommand(), configCommand(), logbookCommand(), simulateCommand(), waterCommand(), versionCommand(),
		surveyCommand(), readCommand(), decodeCommand(), proveCommand(), captureCommand(), replayCommand(),
		ackCommand(), alarmsCommand(), shelveCommand(), serviceCommand(), checkCommand(), onlineCommand(), rearmCommand(), overrideCommand(), closedCommand(), learnCommand(), drillCommand(),
		historyCommand(), exportCommand(), reportCommand()} {
		root.AddCommand(c)
	}
	mindArguments(root, usage)
	return root
}

// mindArguments gives a wrong number of arguments the exit code of wrong usage.
func mindArguments(c *cobra.Command, usage func(*cobra.Command, error) error) {
	if check := c.Args; check != nil {
		c.Args = func(c *cobra.Command, args []string) error {
			if err := check(c, args); err != nil {
				return usage(c, err)
			}
			return nil
		}
	}
	for _, sub := range c.Commands() {
		mindArguments(sub, usage)
	}
}

func versionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print the version",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := fmt.Fprintln(c.OutOrStdout(), "rillwatch "+Version)
			return err
		},
	}
}
