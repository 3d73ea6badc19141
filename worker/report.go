package worker

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"path"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/riverqueue/river"
	"google.golang.org/grpc/codes"

	"creepage/internal/destination"
	"creepage/internal/problem"
	"creepage/internal/store"
)

// Reports is how reports are made ahead; its zero value makes none.
type Reports struct {
	Destinations *destination.Set
	// Make writes the file of a run and returns its rows.
	Make func(ctx context.Context, run *store.ReportRun, to io.Writer) (rows int64, err error)
	// Describe returns the description that belongs beside a run's file and the
	// ending of its name; nil where the file describes itself.
	Describe func(run *store.ReportRun) (text []byte, ending string, err error)
	// Order returns the run of a schedule that is due at a time.
	Order func(s *store.ReportSchedule, organisation string, due time.Time) (*store.ReportRun, error)
}

// DueReports is the job that looks which schedules are due and which runs want a job.
type DueReports struct{}

// Kind names the job in the database.
func (DueReports) Kind() string { return "due_reports" }

// ReportRun is the job of one attempt at a file. The run itself, in its table,
// says whether there is anything to do: a job too many does nothing, and for one
// that is lost another is made.
type ReportRun struct {
	Run uuid.UUID `json:"run"`
}

// Kind names the job in the database.
func (ReportRun) Kind() string { return "report_run" }

// ForgetParts is the job that removes what was left half written for ever.
type ForgetParts struct{}

// Kind names the job in the database.
func (ForgetParts) Kind() string { return "forget_report_parts" }

const (
	partsEvery = 24 * time.Hour
	// partsKept is longer than any attempt lasts, by the clocks of two machines.
	partsKept = 24 * time.Hour

	reportsEvery  = 20 * time.Second
	reportGroup   = 50 // taken in one transaction
	reportWorkers = 2  // each holds a connection for as long as a file takes
	reportQueue   = "reports"

	reportHeld  = 2 * time.Minute // without a sign of life the run is another's
	reportSign  = 30 * time.Second
	reportLimit = 6 * time.Hour // for one file

	// reportsMissed is how far back runs are made up that were missed while no
	// worker was running.
	reportsMissed = 31 * 24 * time.Hour
	// reportRunsKept is how long runs stay in the list.
	reportRunsKept = 90 * 24 * time.Hour
)

// reportWaits are the waits after an attempt failed; after the last one a run is
// given up, most of a day after it was due.
var reportWaits = []time.Duration{time.Minute, 5 * time.Minute, 15 * time.Minute, time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour}

// dueReports orders what schedules are due and makes jobs of the runs that want one.
func (w *Worker) dueReports(ctx context.Context, _ *river.Job[DueReports]) error {
	for {
		n := 0
		err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
			due, err := tx.TakeDueReportSchedules(ctx, w.clock(), reportGroup)
			n = len(due)
			for i := range due {
				if err := w.orderReport(ctx, tx, &due[i]); err != nil {
					return err
				}
			}
			return err
		})
		if err != nil {
			return err
		}
		if n < reportGroup {
			break
		}
	}
	return w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
		if err := tx.ForgetReportRuns(ctx, w.clock().Add(-reportRunsKept)); err != nil {
			return err
		}
		runs, err := tx.TakeDueReportRuns(ctx, w.clock(), reportGroup)
		for _, run := range runs {
			if _, err := w.jobs.InsertTx(ctx, tx.Raw(), ReportRun{Run: run}, &river.InsertOpts{Queue: reportQueue, MaxAttempts: 1}); err != nil {
				return fmt.Errorf("enqueue report %s: %w", run, err)
			}
		}
		return err
	})
}

// forgetParts removes what attempts that were killed have left behind and no
// later one of their run has.
func (w *Worker) forgetParts(ctx context.Context, _ *river.Job[ForgetParts]) error {
	if w.reports.Destinations == nil {
		return nil
	}
	return w.reports.Destinations.Forget(ctx, w.clock().Add(-partsKept))
}

// orderReport orders every run of a schedule that is due, those missed while no
// worker was running too.
func (w *Worker) orderReport(ctx context.Context, tx *store.WorkerTx, s *store.DueReportSchedule) error {
	now := w.clock()
	times, err := s.Times()
	if err != nil {
		return fmt.Errorf("report schedule %s: %w", s.ID, err)
	}
	due := s.NextAt.UTC()
	if missed := now.Add(-reportsMissed); due.Before(missed) {
		due = times.Next(missed)
	}
	for ; !due.After(now); due = times.Next(due) {
		run, err := w.reports.Order(&s.ReportSchedule, s.OrganisationName, due)
		if err != nil {
			return fmt.Errorf("report schedule %s: %w", s.ID, err)
		}
		run.Organisation, run.CreatedAt, run.NextAttemptAt = s.Organisation, now, now
		if err := tx.AdvanceReportSchedule(ctx, s.ID, times.Next(due), run); err != nil {
			return err
		}
	}
	return tx.AdvanceReportSchedule(ctx, s.ID, due, nil)
}

// reportWorker makes files; they may take longer than other jobs.
type reportWorker struct {
	river.WorkerDefaults[ReportRun]

	w *Worker
}

// Timeout bounds one file.
func (*reportWorker) Timeout(*river.Job[ReportRun]) time.Duration { return reportLimit }

// Work makes one attempt at a run's file.
func (r *reportWorker) Work(ctx context.Context, job *river.Job[ReportRun]) error {
	return r.w.makeReport(ctx, job.Args.Run)
}

func (w *Worker) makeReport(ctx context.Context, id uuid.UUID) error {
	var run store.ReportRun
	var organisation string
	err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) (err error) {
		now := w.clock()
		if run, err = tx.BeginReportRun(ctx, id, now, now.Add(reportHeld)); err != nil {
			return err
		}
		organisation, err = tx.OrganisationName(ctx, run.Organisation)
		return err
	})
	if errors.Is(err, store.ErrNotFound) {
		return nil // made, given up, put off or in another's hands
	}
	if err != nil {
		return err
	}
	making, end := context.WithCancelCause(ctx)
	defer end(nil)
	defer context.AfterFunc(w.stopping, func() { end(errStopping) })()
	go w.keepHolding(making, end, &run)
	begun := time.Now()
	made := w.putReport(making, organisation, &run)
	if made != nil && context.Cause(making) != nil {
		made = context.Cause(making)
	}
	return w.recordReport(context.WithoutCancel(ctx), &run, made, time.Since(begun))
}

var errStopping = errors.New("the worker is stopping")

// keepHolding gives signs of life until the file is made, and ends it if the
// run is another's by now.
func (w *Worker) keepHolding(ctx context.Context, end context.CancelCauseFunc, run *store.ReportRun) {
	for pause(ctx, reportSign) == nil {
		err := w.hold(ctx, run)
		if errors.Is(err, store.ErrNotFound) {
			end(err)
		}
	}
}

func (w *Worker) hold(ctx context.Context, run *store.ReportRun) error {
	return w.store.AsWorker(ctx, func(tx *store.WorkerTx) error { return tx.HoldReportRun(ctx, run, w.clock().Add(reportHeld)) })
}

// putReport puts the file where it is to go, and its description beside it first:
// who sees the file finds what explains it.
func (w *Worker) putReport(ctx context.Context, organisation string, run *store.ReportRun) error {
	if w.reports.Destinations == nil {
		return destination.ErrUnknown
	}
	place, err := w.reports.Destinations.For(organisation, run.Destination)
	if err != nil {
		return err
	}
	tag := strconv.Itoa(run.Attempts)
	sure := func() error { return w.hold(ctx, run) }
	text, ending, err := w.reports.Describe(run)
	if err != nil {
		return &notMade{err}
	}
	if text != nil {
		write := func(to io.Writer) error { _, err := to.Write(text); return err }
		if err := place.Put(ctx, run.Path+ending, run.ID.String(), tag, write, sure); err != nil {
			return fmt.Errorf("put %s: %w", path.Base(run.Path)+ending, err)
		}
	}
	err = place.Put(ctx, run.Path, run.ID.String(), tag, func(to io.Writer) (err error) {
		sum := sha256.New()
		counted := &counting{to: io.MultiWriter(to, sum)}
		if run.Rows, err = w.reports.Make(ctx, run, counted); err != nil {
			if counted.failed != nil {
				return counted.failed // the place is to blame
			}
			return &notMade{err}
		}
		run.Bytes, run.SHA256 = counted.n, sum.Sum(nil)
		return ctx.Err()
	}, sure)
	if err == nil && w.afterReport != nil {
		err = w.afterReport()
	}
	return err
}

type counting struct {
	to     io.Writer
	n      int64
	failed error
}

func (c *counting) Write(b []byte) (int, error) {
	n, err := c.to.Write(b)
	c.n += int64(n)
	c.failed = err
	return n, err
}

// notMade says that the rows could not be had, rather than put where they go.
type notMade struct{ error }

// Unwrap returns the reason.
func (n *notMade) Unwrap() error { return n.error }

// recordReport records what came of an attempt.
func (w *Worker) recordReport(ctx context.Context, run *store.ReportRun, made error, took time.Duration) error {
	outcome := "made"
	err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
		now := w.clock()
		var next time.Time
		switch {
		case made == nil:
			return tx.FinishReportRun(ctx, run, now)
		case errors.Is(made, errStopping):
			outcome = "stopped"
			return tx.ReleaseReportRun(ctx, run)
		case !hopeless(made) && run.Attempts <= len(reportWaits):
			outcome, next = "tried", now.Add(reportWaits[run.Attempts-1])
		default:
			outcome = "given_up"
		}
		return tx.FailReportRun(ctx, run, shortened(whatWentWrong(made)), now, next)
	})
	if errors.Is(err, store.ErrNotFound) {
		return nil // another attempt has begun; what came of it is on record
	}
	if err != nil {
		return err
	}
	w.metrics.reports.WithLabelValues(outcome).Inc()
	if outcome == "given_up" {
		w.log.Warn("a report was given up", "organisation", run.Organisation, "run", run.ID, "error", made)
	}
	if outcome == "made" {
		w.metrics.reportSeconds.Observe(took.Seconds())
	}
	return nil
}

// hopeless says whether another attempt would fail the same way: what was asked
// for cannot be had.
func hopeless(err error) bool {
	var rows *notMade
	return errors.As(err, &rows) && problem.Of(rows.error).Code == codes.InvalidArgument
}

// whatWentWrong says it without what only the log is for.
func whatWentWrong(err error) string {
	var rows *notMade
	if !errors.As(err, &rows) {
		return err.Error()
	}
	p := problem.Of(rows.error)
	if len(p.Fields) > 0 {
		return p.Fields[0].Path + ": " + p.Fields[0].Description
	}
	return p.Message
}
