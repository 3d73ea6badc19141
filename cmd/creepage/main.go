// Command creepage keeps the isolation-resistance trend of a fleet and warns
// before the vehicles' own isolation codes set. Each subcommand has a file of
// its own; this one puts them together.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"
)

// Exit codes, as `creepage --help` lists them.
const (
	exitFailed      = 1
	exitUsage       = 2
	exitRejects     = 3
	exitInterrupted = 130 // 128 + SIGINT, as shells have it
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the process at once
	err := rootCommand().ExecuteContext(ctx)
	interrupted := ctx.Err() != nil
	stop()
	if err == nil {
		return
	}
	fmt.Fprintln(os.Stderr, "creepage:", err)
	var coded *exitError
	switch {
	case errors.As(err, &coded):
		os.Exit(coded.code)
	case interrupted:
		os.Exit(exitInterrupted)
	}
	os.Exit(exitFailed)
}

// exitError is an error with an exit code of its own.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string { return e.err.Error() }
func (e *exitError) Unwrap() error { return e.err }

func rootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:   "creepage",
		Short: "Insulation readings in, warnings out, before the isolation code sets",
		Long: `creepage takes high-voltage insulation readings from workshops, keeps the
isolation-resistance trend of every vehicle, and warns before the vehicle's own
fault code would set.

High voltage kills. Testing is for qualified people who follow the vehicle
maker's procedure and local codes and prove zero volts first. creepage advises;
it never declares a vehicle safe.

Exit codes: 0 done; 1 failed; 2 wrong usage; 3 imported, but with rows that were
refused; 130 interrupted.`,
		Example: `  creepage up --data data --demo
  creepage import readings.csv --server http://127.0.0.1:8080 --key-file data/admin.key`,
		SilenceUsage:               true,
		SilenceErrors:              true,
		SuggestionsMinimumDistance: 2,
		Args:                       cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Help()
			}
			return unknownCommand(cmd, args[0])
		},
	}
	root.SetFlagErrorFunc(unknownFlag)
	root.AddCommand(benchCommand(), upCommand(), serveCommand(), workCommand(), migrateCommand(), organisationCommand(), importCommand(), exportCommand(), backtestCommand(), simulateCommand(), judgeCommand())
	for _, c := range root.Commands() {
		usageErrors(c)
	}
	return root
}
