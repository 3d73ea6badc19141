package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"creepage/internal/backtest"
	"creepage/internal/trend"
)

func backtestCommand() *cobra.Command {
	var (
		files backtest.Files
		every time.Duration
		learn time.Duration
		out   string
	)
	c := &cobra.Command{
		Use:   "backtest --platforms F.json --readings F.csv --out DIR",
		Short: "Replay records in order of arrival: what would have been said, and when",
		Long: `Replays a fleet's records through the very code that the service runs, without
a server, and writes outlooks.csv, warnings.csv, rejects.csv, summary.txt,
summary.json, report.html and report.pdf. Given the dates at which isolation
codes set (--codes), the summary and the report say how early each was met,
which were missed, how many warnings were false, whether the probabilities are
worth their word, and how simpler methods do on the same records.

Records are replayed in order of arrival (column received_at, or the order of
the file). It never looks ahead: what is said at a time depends on nothing that
arrived later.`,
		Example: "  creepage backtest --platforms platforms.json --readings readings.csv --events events.csv --codes codes.csv --every 168h --out said",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if files.Platforms == "" || files.Readings == "" || out == "" {
				return wrongUsage(cmd, "--platforms, --readings and --out are needed")
			}
			if every < time.Hour {
				return wrongUsage(cmd, fmt.Sprintf("--every %s: want at least 1h", every))
			}
			return runBacktest(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr(), files, every, learn, out)
		},
	}
	f := c.Flags()
	f.StringVar(&files.Platforms, "platforms", "", "platforms.json")
	f.StringVar(&files.Readings, "readings", "", "readings.csv")
	f.StringVar(&files.Events, "events", "", "events.csv, if there is one")
	f.StringVar(&files.Codes, "codes", "", "codes.csv, if there is one")
	f.DurationVar(&every, "every", 7*24*time.Hour, "time between two outlooks of a vehicle")
	f.DurationVar(&learn, "learn", backtest.LearnEvery, "time between two lessons from the fleet's own records so far; 0: the default parameters throughout")
	f.StringVar(&out, "out", "", "folder to write to")
	return c
}

func runBacktest(ctx context.Context, out, messages io.Writer, files backtest.Files, every, learn time.Duration, dir string) error {
	records, err := backtest.Load(files)
	if err != nil {
		return err
	}
	model, err := trend.NewModel(trend.Default())
	if err != nil {
		return err
	}
	var (
		mu   sync.Mutex
		show *progress
	)
	result, err := backtest.Run(ctx, records, backtest.Config{Model: model, Policy: trend.DefaultPolicy(), Every: every, Learn: learn, Progress: func(done, of int) {
		mu.Lock()
		defer mu.Unlock()
		if show == nil {
			show = newProgress(messages, "vehicles", int64(of))
		}
		show.show(int64(done), int64(done))
	}})
	if show != nil {
		show.end(err == nil)
	}
	if err != nil {
		return err
	}
	if err := result.Compare(ctx, records); err != nil {
		return err
	}
	if err := result.Write(dir); err != nil {
		return err
	}
	fmt.Fprint(out, result.Summary)
	fmt.Fprintf(out, "written to %s: outlooks.csv, warnings.csv, rejects.csv, summary.txt, summary.json, report.html, report.pdf\n", filepath.Clean(dir))
	return nil
}
