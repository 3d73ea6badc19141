package app

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"creepage/internal/destination"
	"creepage/internal/store"
	"creepage/internal/trend"
	"creepage/services/report"
	"creepage/worker"
)

// localReports is the destination of `up` that is told of none.
const localReports = "local"

// destinations opens where reports made ahead go.
func (p *Process) destinations(text string) (*destination.Set, error) {
	set, err := destination.Read(text)
	if err != nil {
		return nil, err
	}
	p.stack.push("destinations of reports", func(context.Context) error { return set.Close() })
	return set, nil
}

// localDestinations are those of `up`.
func (p *Process) localDestinations(c UpConfig) (*destination.Set, error) {
	set, err := p.destinations(c.Destinations)
	if err != nil || c.Destinations != "" {
		return set, err
	}
	folder, err := filepath.Abs(filepath.Join(c.Data, reportsFolder))
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return nil, fmt.Errorf("folder of reports: %w", err)
	}
	return set, set.AddFolder(localReports, folder)
}

// madeAhead is how a worker makes reports.
func madeAhead(db *store.Store, model *trend.Model, destinations *destination.Set, now func() time.Time) worker.Reports {
	reports := report.New(db, store.NewModels(model), software(), now)
	return worker.Reports{Destinations: destinations, Make: reports.Make, Describe: reports.Describe, Order: func(s *store.ReportSchedule, organisation string, due time.Time) (*store.ReportRun, error) {
		return report.Order(s, organisation, due, false)
	}}
}
