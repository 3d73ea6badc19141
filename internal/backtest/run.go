package backtest

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"creepage/internal/insulation"
	"creepage/internal/record"
	"creepage/internal/trend"
)

// Config says what is replayed with.
type Config struct {
	Model    *trend.Model
	Policy   trend.Policy
	Every    time.Duration          // between two outlooks
	Learn    time.Duration          // between two lessons from what has arrived so far; 0: the model stays as it is
	Leave    trend.Subjects         // what lessons leave out
	Progress func(vehicles, of int) // told after every vehicle, from several goroutines; may be nil
}

// Result is what would have been said of a fleet.
type Result struct {
	Outlooks []record.Outlook // by time, then vehicle
	Warnings []record.Warning // by vehicle, then time
	Rejects  []record.Reject
	Summary  Summary

	truth []record.Truth
}

// Run replays every vehicle.
func Run(ctx context.Context, records *Records, c Config) (*Result, error) {
	players := make([]*player, len(records.vehicles))
	for i, h := range records.vehicles {
		r := &Replay{Model: c.Model, Policy: c.Policy, Origin: startOfDay(records.first), Every: c.Every, Last: h.lastRow, Until: records.last, Rows: true}
		players[i] = r.begin(h.id, func(time.Time) *insulation.Platform { return h.platform }, h.arrivals())
	}
	if c.Learn > 0 {
		learner := trend.NewLearner(c.Model.Params())
		learner.Leave(c.Leave)
		if _, err := learnOnTheWay(ctx, startOfDay(records.first), records.last, c.Learn, learner, players); err != nil {
			return nil, err
		}
	}
	var done atomic.Int64
	err := each(ctx, players, func(p *player) error {
		err := p.finish()
		if c.Progress != nil {
			c.Progress(int(done.Add(1)), len(players))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	said := make([]Said, len(players))
	for i, p := range players {
		said[i] = p.said
	}
	return collect(records, said), nil
}

// each does something with every player, on every processor.
func each(ctx context.Context, players []*player, do func(*player) error) error {
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for _, p := range players {
		g.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			return do(p)
		})
	}
	return g.Wait()
}

func (h *history) arrivals() []Arrival {
	out := make([]Arrival, len(h.entries))
	for i, e := range h.entries {
		out[i] = Arrival{Entry: e.Entry, At: e.at}
	}
	return out
}

func collect(records *Records, said []Said) *Result {
	out := &Result{Rejects: records.Rejects}
	for i, h := range records.vehicles {
		for j := range said[i].Outlooks {
			out.Outlooks = append(out.Outlooks, OutlookRow(h.id, &said[i].Outlooks[j]))
		}
		out.Warnings = append(out.Warnings, WarningRows(h.id, said[i].Changes)...)
	}
	slices.SortStableFunc(out.Outlooks, func(a, b record.Outlook) int { return a.AsOf.Compare(b.AsOf) })
	out.truth = records.truth()
	out.Summary = summarise(records, out.truth, out)
	return out
}

// OutlookRow is an outlook as outlooks.csv has it.
func OutlookRow(vehicle string, o *trend.Outlook) record.Outlook {
	return record.Outlook{AsOf: o.EvaluatedAt, Vehicle: vehicle, State: o.State.String(), P30: o.P30, P90: o.P90,
		DaysP10: o.DaysP10, DaysP50: o.DaysP50, DaysP90: o.DaysP90, Component: o.Limiting}
}

// WarningRows pairs what was raised with what ended it.
func WarningRows(vehicle string, changes []trend.Change) []record.Warning {
	var rows []record.Warning
	for _, c := range changes {
		if c.Raised {
			rows = append(rows, record.Warning{Vehicle: vehicle, RaisedAt: c.At, Kind: c.Kind.String(), Component: c.Component,
				Probability: c.Probability, DaysP50: c.DaysP50, Reason: c.Reason})
			continue
		}
		for i := len(rows) - 1; i >= 0; i-- {
			if w := &rows[i]; w.EndedAt.IsZero() && w.Kind == c.Kind.String() && w.Component == c.Component {
				w.EndedAt = c.At
				break
			}
		}
	}
	return rows
}

// Write writes outlooks.csv, warnings.csv, rejects.csv, summary.txt, summary.json, report.html and
// report.pdf into a folder.
func (r *Result) Write(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	report := r.Report()
	for _, f := range []struct {
		name  string
		write func(io.Writer) error
	}{
		{"outlooks.csv", func(w io.Writer) error { return record.WriteOutlooks(w, r.Outlooks) }},
		{"warnings.csv", func(w io.Writer) error { return record.WriteWarnings(w, r.Warnings) }},
		{"rejects.csv", func(w io.Writer) error { return record.WriteRejects(w, r.Rejects) }},
		{"summary.json", r.Summary.writeJSON},
		{"report.html", func(w io.Writer) error { return writeBytes(w, report.HTML) }},
		{"report.pdf", func(w io.Writer) error { return writeBytes(w, report.PDF) }},
		{"summary.txt", func(w io.Writer) error { _, err := io.WriteString(w, r.Summary.String()); return err }},
	} {
		if err := writeFile(filepath.Join(dir, f.name), f.write); err != nil {
			return fmt.Errorf("write %s: %w", f.name, err)
		}
	}
	return nil
}

func writeBytes(w io.Writer, make func() ([]byte, error)) error {
	b, err := make()
	if err != nil {
		return err
	}
	_, err = w.Write(b)
	return err
}

func writeFile(path string, write func(io.Writer) error) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	if err := write(f); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}
