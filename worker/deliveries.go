package worker

import (
	"context"
	"fmt"
	"log/slog"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"

	"creepage/internal/store"
)

// WarningChanged is the job of one change of a warning. The database makes it
// with the change, in the same transaction and whoever changed it: there is one
// if and only if the change is on record. Changes found in old records make none.
type WarningChanged struct {
	Organisation uuid.UUID `json:"organisation"`
	Sequence     int64     `json:"sequence"`
}

// Kind names the job in the database.
func (WarningChanged) Kind() string { return "warning_changed" }

// Delivery is what a job has to show when it is done.
type Delivery struct {
	Endpoints int `json:"endpoints"` // the organisation had, to which the change was sent
}

// deliverer works on WarningChanged jobs. As long as an organisation cannot
// name endpoints it records that there were none.
type deliverer struct {
	river.WorkerDefaults[WarningChanged]
}

// Work records the delivery with the job.
func (d *deliverer) Work(ctx context.Context, job *river.Job[WarningChanged]) error {
	if err := river.RecordOutput(ctx, Delivery{Endpoints: 0}); err != nil {
		return fmt.Errorf("record the delivery of change %d: %w", job.Args.Sequence, err)
	}
	return nil
}

const deliveryWorkers = 4

func newJobs(s *store.Store, log *slog.Logger) (*river.Client[pgx.Tx], error) {
	workers := river.NewWorkers()
	if err := river.AddWorkerSafely(workers, &deliverer{}); err != nil {
		return nil, fmt.Errorf("set up the job worker: %w", err)
	}
	client, err := river.NewClient(riverpgxv5.New(s.Pool()), &river.Config{
		Queues:  map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: deliveryWorkers}},
		Workers: workers,
		Logger:  log,
	})
	if err != nil {
		return nil, fmt.Errorf("set up the job worker: %w", err)
	}
	return client, nil
}
