package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"creepage/internal/record"
	"creepage/internal/simulate"
)

func simulateCommand() *cobra.Command {
	var (
		physics, out, start string
		config              simulate.Config
	)
	about := make([]string, 0, 3)
	for _, p := range simulate.All() {
		about = append(about, fmt.Sprintf("  %-8s %s", p.Name, p.About))
	}
	c := &cobra.Command{
		Use:   "simulate --out DIR",
		Short: "Make a fleet with ground truth: records as shops and monitors would write them, and what really happened",
		Long: `Writes platforms.json, readings.csv, events.csv, codes.csv and truth.csv of a
simulated fleet. The same physics, size and seed give the same files.

Physics:
` + strings.Join(about, "\n"),
		Example: "  creepage simulate --physics mild --vehicles 600 --years 3 --seed 1 --out fleet",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if out == "" {
				return wrongUsage(cmd, "--out is missing: want a folder to write to")
			}
			p, err := simulate.ByName(physics)
			if err != nil {
				return fmt.Errorf("--physics: %w", err)
			}
			config.Physics = p
			if start != "" {
				if config.Start, err = time.Parse(time.DateOnly, start); err != nil {
					return fmt.Errorf("--start %q: want a date such as 2022-01-03", start)
				}
			}
			fleet, err := simulate.New(config)
			if err != nil {
				return err
			}
			if err := writeFleet(out, fleet); err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%d vehicles, %d readings, %d codes in %s\n", len(fleet.Truth), len(fleet.Readings), len(fleet.Codes), out)
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&physics, "physics", "mild", "name of the physics; drawn-1, drawn-2 ... have every setting drawn by the number")
	f.IntVar(&config.Vehicles, "vehicles", 600, "number of vehicles")
	f.Float64Var(&config.Years, "years", 3, "years of records")
	f.Uint64Var(&config.Seed, "seed", 1, "seed; below 100 for fitting, above for judging")
	f.StringVar(&start, "start", "", "first day of the records (default "+simulate.DefaultStart.Format(time.DateOnly)+")")
	f.StringVar(&out, "out", "", "folder to write to")
	return c
}

func writeFleet(dir string, fleet *simulate.Fleet) error {
	for _, file := range []struct {
		name  string
		write func(io.Writer) error
	}{
		{"platforms.json", func(w io.Writer) error { return record.WritePlatforms(w, fleet.Platforms) }},
		{"readings.csv", func(w io.Writer) error { return record.WriteReadings(w, fleet.Readings) }},
		{"events.csv", func(w io.Writer) error { return record.WriteEvents(w, fleet.Events) }},
		{"codes.csv", func(w io.Writer) error { return record.WriteCodes(w, fleet.Codes) }},
		{"truth.csv", func(w io.Writer) error { return record.WriteTruth(w, fleet.Truth) }},
	} {
		if err := writeFile(filepath.Join(dir, file.name), file.write); err != nil {
			return err
		}
	}
	return nil
}

// writeFile writes a file in full or leaves what was there before.
func writeFile(path string, write func(io.Writer) error) (err error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			_ = os.Remove(f.Name()) // what is left of it; the error before says why
		}
	}()
	if err := f.Chmod(0o644); err != nil {
		return err
	}
	if err := write(f); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return os.Rename(f.Name(), path)
}
