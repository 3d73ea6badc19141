package store

import (
	"context"
	"fmt"
	"path"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// ReportRunState is what became of a run: the numbers of the contract's ReportRun.State.
type ReportRunState int16

// States of a run.
const (
	ReportRunPending ReportRunState = 1
	ReportRunMade    ReportRunState = 2
	ReportRunFailed  ReportRunState = 3
)

// ReportRun is one file that a schedule ordered, with all that it takes to make
// it. Times that are not there are zero.
type ReportRun struct {
	ID, Schedule, Organisation uuid.UUID
	DueAt                      time.Time
	Asked                      bool
	AsOf, Start                time.Time
	Report, Format, Filter     string
	Columns                    []string
	Destination                string
	Path                       string // at the destination
	State                      ReportRunState
	Attempts                   int
	NextAttemptAt              time.Time
	LastError                  string
	CreatedAt, FinishedAt      time.Time
	Bytes, Rows                int64
	SHA256                     []byte // nil until it is made
}

const runColumns = `r.id, r.schedule_id, r.organisation_id, r.due_at, r.asked, r.as_of, r.start_at, r.report, r.format, r.filter, r.columns, r.destination, r.path, r.status, r.attempts,
	r.next_attempt_at, r.last_error, r.created_at, r.finished_at, r.bytes, r.rows, r.sha256`

func scanRun(row pgx.CollectableRow) (ReportRun, error) {
	var r ReportRun
	var start, finished *time.Time
	err := row.Scan(&r.ID, &r.Schedule, &r.Organisation, &r.DueAt, &r.Asked, &r.AsOf, &start, &r.Report, &r.Format, &r.Filter, &r.Columns, &r.Destination, &r.Path, &r.State, &r.Attempts,
		&r.NextAttemptAt, &r.LastError, &r.CreatedAt, &finished, &r.Bytes, &r.Rows, &r.SHA256)
	r.Start, r.FinishedAt = orZero(start).UTC(), orZero(finished)
	r.DueAt, r.AsOf = r.DueAt.UTC(), r.AsOf.UTC()
	return r, err
}

// orderRun keeps a run, under the first path that no other run of the
// organisation has: the one given or that with a number. A run of the same time
// of the same schedule that is there already stays as it is.
func orderRun(ctx context.Context, tx pgx.Tx, r *ReportRun) error {
	rows, err := tx.Query(ctx, `SELECT path FROM report_runs WHERE organisation_id = $1 AND destination = $2 AND starts_with(path, $3)`, r.Organisation, r.Destination, strings.TrimSuffix(r.Path, path.Ext(r.Path)))
	if err != nil {
		return fail("find a name for a report", err)
	}
	taken, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return fail("find a name for a report", err)
	}
	r.Path = untaken(r.Path, taken)
	_, err = tx.Exec(ctx, `INSERT INTO report_runs (id, organisation_id, schedule_id, due_at, asked, as_of, start_at, report, format, filter, columns, destination, path, next_attempt_at, created_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15) ON CONFLICT (schedule_id, due_at) WHERE NOT asked DO NOTHING`, r.ID, r.Organisation, r.Schedule, r.DueAt, r.Asked, r.AsOf,
		orNull(r.Start), r.Report, r.Format, r.Filter, textArray(r.Columns), r.Destination, r.Path, r.NextAttemptAt, r.CreatedAt)
	return fail("order a report", err)
}

// untaken returns the path, or its first variant with a number that is not taken.
func untaken(wanted string, taken []string) string {
	is := map[string]bool{}
	for _, p := range taken {
		is[p] = true
	}
	ending := path.Ext(wanted)
	stem := strings.TrimSuffix(wanted, ending)
	for n, p := 2, wanted; ; n++ {
		if !is[p] {
			return p
		}
		p = fmt.Sprintf("%s-%d%s", stem, n, ending)
	}
}

// OrderReport orders a run that was asked for.
func (t *Tx) OrderReport(ctx context.Context, r *ReportRun) error {
	r.Organisation = t.organisation
	return orderRun(ctx, t.tx, r)
}

const runsFrom = `report_runs r JOIN report_schedules s ON s.id = r.schedule_id AND s.deleted_at IS NULL`

// ReportRun returns a run of a schedule. It takes no lock: who asks again and
// again how far a run is would hide it from the worker that takes due runs.
func (t *Tx) ReportRun(ctx context.Context, schedule, id uuid.UUID) (ReportRun, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+runColumns+` FROM `+runsFrom+` WHERE r.organisation_id = $1 AND r.schedule_id = $2 AND r.id = $3`, t.organisation, schedule, id)
	if err != nil {
		return ReportRun{}, fail("find a report's run", err)
	}
	r, err := pgx.CollectExactlyOneRow(rows, scanRun)
	return r, fail("find a report's run", err)
}

// ReportRuns lists runs, newest first: of one schedule, or of all if it is
// zero; in one state, or in all if it is zero.
func (t *Tx) ReportRuns(ctx context.Context, schedule uuid.UUID, state ReportRunState, last TimeCursor, limit int) ([]ReportRun, error) {
	args := arguments{t.organisation, limit, state}
	condition := "true"
	if !last.first() {
		condition = after([]sortKey{{"r.created_at", true}, {"r.id", true}}, []any{last.At, last.ID}, &args)
	}
	if schedule != uuid.Nil {
		condition += ` AND r.schedule_id = ` + args.add(schedule)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+runColumns+` FROM `+runsFrom+` WHERE r.organisation_id = $1 AND ($3 = 0 OR r.status = $3) AND `+condition+`
		ORDER BY r.created_at DESC, r.id DESC LIMIT $2`, args...)
	if err != nil {
		return nil, fail("list the runs of reports", err)
	}
	list, err := pgx.CollectRows(rows, scanRun)
	return list, fail("list the runs of reports", err)
}

// RetryReportRun has a run that has failed tried again; ErrStands if it has not failed.
func (t *Tx) RetryReportRun(ctx context.Context, id uuid.UUID, now time.Time) error {
	tag, err := t.tx.Exec(ctx, `UPDATE report_runs SET status = 1, attempts = 0, next_attempt_at = $3, ordered_at = NULL, finished_at = NULL
		WHERE organisation_id = $1 AND id = $2 AND status = 3`, t.organisation, id, now)
	if err == nil && tag.RowsAffected() == 0 {
		return t.nothingChanged(ctx, "try a report again", `SELECT EXISTS (SELECT FROM report_runs WHERE organisation_id = $1 AND id = $2)`, id)
	}
	return fail("try a report again", err)
}

// DueReportSchedule is a schedule whose time has come.
type DueReportSchedule struct {
	ReportSchedule
	Organisation     uuid.UUID
	OrganisationName string
}

// TakeDueReportSchedules returns schedules that are due and that no other
// worker has taken, locked. AdvanceReportSchedule moves each on.
func (w *WorkerTx) TakeDueReportSchedules(ctx context.Context, now time.Time, limit int) ([]DueReportSchedule, error) {
	rows, err := w.tx.Query(ctx, `SELECT `+scheduleColumns+`, s.organisation_id, o.name FROM report_schedules s JOIN organisations o ON o.id = s.organisation_id
		WHERE s.next_at <= $1 AND s.disabled_at IS NULL AND s.deleted_at IS NULL ORDER BY s.next_at LIMIT $2 FOR UPDATE OF s SKIP LOCKED`, now, limit)
	if err != nil {
		return nil, fail("take due report schedules", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (DueReportSchedule, error) {
		var s DueReportSchedule
		scan := scheduleScan(&s.ReportSchedule)
		err := row.Scan(append(scan.targets, &s.Organisation, &s.OrganisationName)...)
		scan.finish()
		return s, err
	})
	return list, fail("take due report schedules", err)
}

// AdvanceReportSchedule orders what is due of a schedule, if anything, and moves
// it on to when the next is due.
func (w *WorkerTx) AdvanceReportSchedule(ctx context.Context, id uuid.UUID, next time.Time, run *ReportRun) error {
	if run != nil {
		if err := orderRun(ctx, w.tx, run); err != nil {
			return err
		}
	}
	_, err := w.tx.Exec(ctx, `UPDATE report_schedules SET next_at = $2 WHERE id = $1`, id, next)
	return fail("move a report schedule on", err)
}

// lostAfter is how long the job of a run may not have begun before another is
// made: the queue keeps jobs, so only one whose worker was killed between
// fetching it and beginning is ever missing.
const lostAfter = time.Hour

// TakeDueReportRuns returns the runs that want a job: those that are due and
// have none, or whose worker is gone. They are marked as having one.
func (w *WorkerTx) TakeDueReportRuns(ctx context.Context, now time.Time, limit int) ([]uuid.UUID, error) {
	rows, err := w.tx.Query(ctx, `UPDATE report_runs r SET ordered_at = $1, held_until = NULL WHERE r.id IN (
			SELECT id FROM report_runs WHERE status = 1 AND next_attempt_at <= $1 AND CASE WHEN held_until IS NULL THEN ordered_at IS NULL OR ordered_at < $2 ELSE held_until < $1 END
			ORDER BY next_attempt_at LIMIT $3 FOR UPDATE SKIP LOCKED)
		RETURNING r.id`, now, now.Add(-lostAfter), limit)
	if err != nil {
		return nil, fail("take due reports", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	return list, fail("take due reports", err)
}

// BeginReportRun takes a run that is due for one attempt and holds it until a
// time; ErrNotFound if there is nothing to be done, or another holds it.
func (w *WorkerTx) BeginReportRun(ctx context.Context, id uuid.UUID, now, until time.Time) (ReportRun, error) {
	rows, err := w.tx.Query(ctx, `UPDATE report_runs r SET attempts = r.attempts + 1, held_until = $3
		WHERE r.id = $1 AND r.status = 1 AND r.next_attempt_at <= $2 AND (r.held_until IS NULL OR r.held_until < $2) RETURNING `+runColumns, id, now, until)
	if err != nil {
		return ReportRun{}, fail("begin a report", err)
	}
	r, err := pgx.CollectExactlyOneRow(rows, scanRun)
	return r, fail("begin a report", err)
}

// HoldReportRun goes on holding a run; ErrNotFound if another attempt has begun.
func (w *WorkerTx) HoldReportRun(ctx context.Context, r *ReportRun, until time.Time) error {
	return w.changeHeld(ctx, "hold a report", r, `held_until = $3`, until)
}

// FinishReportRun records that the file of a run is there; ErrNotFound if
// another attempt has begun.
func (w *WorkerTx) FinishReportRun(ctx context.Context, r *ReportRun, now time.Time) error {
	return w.changeHeld(ctx, "finish a report", r, `status = 2, held_until = NULL, last_error = '', finished_at = $3, bytes = $4, rows = $5, sha256 = $6`, now, r.Bytes, r.Rows, r.SHA256)
}

// FailReportRun records what went wrong with an attempt and when the next is
// due; zero: it is given up.
func (w *WorkerTx) FailReportRun(ctx context.Context, r *ReportRun, wrong string, now, next time.Time) error {
	if next.IsZero() {
		return w.changeHeld(ctx, "give a report up", r, `status = 3, held_until = NULL, last_error = $3, finished_at = $4`, wrong, now)
	}
	return w.changeHeld(ctx, "put a report off", r, `held_until = NULL, ordered_at = NULL, last_error = $3, next_attempt_at = $4`, wrong, next)
}

// ReleaseReportRun gives a run back of which nothing can be said: its worker stops.
func (w *WorkerTx) ReleaseReportRun(ctx context.Context, r *ReportRun) error {
	return w.changeHeld(ctx, "give a report back", r, `held_until = NULL, ordered_at = NULL, attempts = attempts - 1`)
}

func (w *WorkerTx) changeHeld(ctx context.Context, what string, r *ReportRun, set string, values ...any) error {
	tag, err := w.tx.Exec(ctx, `UPDATE report_runs SET `+set+` WHERE id = $1 AND attempts = $2 AND status = 1`, append([]any{r.ID, r.Attempts}, values...)...)
	if err == nil && tag.RowsAffected() == 0 {
		return fail(what, ErrNotFound)
	}
	return fail(what, err)
}

// ForgetReportRuns deletes runs that ended and were ordered before a time, and
// the deleted schedules that have none left.
func (w *WorkerTx) ForgetReportRuns(ctx context.Context, before time.Time) error {
	if _, err := w.tx.Exec(ctx, `DELETE FROM report_runs WHERE created_at < $1 AND status <> 1`, before); err != nil {
		return fail("forget old runs of reports", err)
	}
	_, err := w.tx.Exec(ctx, `DELETE FROM report_schedules s WHERE s.deleted_at IS NOT NULL AND NOT EXISTS (SELECT FROM report_runs r WHERE r.schedule_id = s.id)`)
	return fail("forget deleted report schedules", err)
}

// ReportAs runs f in one read-only transaction of the worker's that sees the
// rows of one organisation and no others, all of one moment: the role of
// reports is bound by row-level security as the api's is.
func (s *Store) ReportAs(ctx context.Context, organisation uuid.UUID, f func(*Tx) error) error {
	return s.beginWith(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SET LOCAL ROLE creepage_report`); err != nil {
			return fail("take the role of reports", err)
		}
		if _, err := tx.Exec(ctx, `SELECT set_config('creepage.organisation', $1, true)`, organisation.String()); err != nil {
			return fail("set the tenant", err)
		}
		return f(&Tx{tx: tx, organisation: organisation})
	})
}

// OrganisationName returns an organisation's name.
func (w *WorkerTx) OrganisationName(ctx context.Context, id uuid.UUID) (string, error) {
	var name string
	err := w.tx.QueryRow(ctx, `SELECT name FROM organisations WHERE id = $1`, id).Scan(&name)
	return name, fail("find an organisation", err)
}
