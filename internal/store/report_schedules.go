package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"creepage/internal/timetable"
)

// ReportSchedule is a report that is made by a timetable. Times that are not
// there are zero.
type ReportSchedule struct {
	ID          uuid.UUID
	Title       string
	Report      string // name, such as "readings"
	Format      string
	Filter      string
	Columns     []string
	AsOf        int16 // of the contract's ReportSchedule.AsOf
	Span        int16 // of the contract's ReportSchedule.Span
	Frequency   int16 // of the contract's ReportSchedule.Frequency
	Weekday     int   // 1 (Monday) to 7
	MonthDay    int
	Hour        int
	TimeZone    string
	Destination string // name
	Folder      string
	NextAt      time.Time
	CreatedAt   time.Time
	DisabledAt  time.Time

	LastRun   uuid.UUID // the newest; its zero value: none
	LastError string    // of the newest run
}

// Times is when a schedule is due.
func (s *ReportSchedule) Times() (timetable.Table, error) {
	zone, err := timetable.Zone(s.TimeZone)
	return timetable.Table{Every: timetable.Every(s.Frequency), Weekday: time.Weekday(s.Weekday % 7), MonthDay: s.MonthDay, Hour: s.Hour, Zone: zone}, err
}

const scheduleColumns = `s.id, s.title, s.report, s.format, s.filter, s.columns, s.as_of, s.span, s.frequency, s.weekday, s.month_day, s.hour, s.time_zone, s.destination, s.folder,
	s.next_at, s.created_at, s.disabled_at`

func scheduleScan(s *ReportSchedule) nullable {
	var disabled *time.Time
	return nullable{
		targets: []any{&s.ID, &s.Title, &s.Report, &s.Format, &s.Filter, &s.Columns, &s.AsOf, &s.Span, &s.Frequency, &s.Weekday, &s.MonthDay, &s.Hour, &s.TimeZone, &s.Destination, &s.Folder,
			&s.NextAt, &s.CreatedAt, &disabled},
		finish: func() { s.DisabledAt = orZero(disabled) },
	}
}

// The newest run is looked up by its index.
const schedulesFrom = `report_schedules s LEFT JOIN LATERAL (SELECT r.id, r.last_error FROM report_runs r WHERE r.schedule_id = s.id ORDER BY r.created_at DESC, r.id DESC LIMIT 1) n ON true`

func scanSchedule(row pgx.CollectableRow) (ReportSchedule, error) {
	var s ReportSchedule
	var run *uuid.UUID
	scan := scheduleScan(&s)
	err := row.Scan(append(scan.targets, &run, &s.LastError)...)
	scan.finish()
	if run != nil {
		s.LastRun = *run
	}
	return s, err
}

// CreateReportSchedule keeps a schedule.
func (t *Tx) CreateReportSchedule(ctx context.Context, s *ReportSchedule) error {
	_, err := t.tx.Exec(ctx, `INSERT INTO report_schedules (id, organisation_id, title, report, format, filter, columns, as_of, span, frequency, weekday, month_day, hour, time_zone,
			destination, folder, next_at, created_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)`, s.ID, t.organisation, s.Title, s.Report, s.Format, s.Filter, textArray(s.Columns), s.AsOf, s.Span,
		s.Frequency, s.Weekday, s.MonthDay, s.Hour, s.TimeZone, s.Destination, s.Folder, s.NextAt, s.CreatedAt)
	return fail("create a report schedule", err)
}

// textArray is an array that is there even if it is empty.
func textArray(list []string) []string {
	if list == nil {
		return []string{}
	}
	return list
}

// CountReportSchedules returns how many schedules there are.
func (t *Tx) CountReportSchedules(ctx context.Context) (int, error) {
	var n int
	err := t.tx.QueryRow(ctx, `SELECT count(*) FROM report_schedules WHERE organisation_id = $1 AND deleted_at IS NULL`, t.organisation).Scan(&n)
	return n, fail("count report schedules", err)
}

// ReportSchedule returns a schedule, locked for what is done with it.
func (t *Tx) ReportSchedule(ctx context.Context, id uuid.UUID) (ReportSchedule, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+scheduleColumns+`, n.id, coalesce(n.last_error, '') FROM `+schedulesFrom+`
		WHERE s.organisation_id = $1 AND s.id = $2 AND s.deleted_at IS NULL FOR UPDATE OF s`, t.organisation, id)
	if err != nil {
		return ReportSchedule{}, fail("find a report schedule", err)
	}
	s, err := pgx.CollectExactlyOneRow(rows, scanSchedule)
	return s, fail("find a report schedule", err)
}

// ReportSchedules lists schedules, newest first.
func (t *Tx) ReportSchedules(ctx context.Context, last TimeCursor, limit int) ([]ReportSchedule, error) {
	args := arguments{t.organisation, limit}
	condition := "true"
	if !last.first() {
		condition = after([]sortKey{{"s.created_at", true}, {"s.id", true}}, []any{last.At, last.ID}, &args)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+scheduleColumns+`, n.id, coalesce(n.last_error, '') FROM `+schedulesFrom+`
		WHERE s.organisation_id = $1 AND s.deleted_at IS NULL AND `+condition+` ORDER BY s.created_at DESC, s.id DESC LIMIT $2`, args...)
	if err != nil {
		return nil, fail("list report schedules", err)
	}
	list, err := pgx.CollectRows(rows, scanSchedule)
	return list, fail("list report schedules", err)
}

// UpdateReportSchedule writes what callers may change of a schedule, and whether it is disabled.
func (t *Tx) UpdateReportSchedule(ctx context.Context, s *ReportSchedule) error {
	_, err := t.tx.Exec(ctx, `UPDATE report_schedules SET title = $3, report = $4, format = $5, filter = $6, columns = $7, as_of = $8, span = $9, frequency = $10, weekday = $11, month_day = $12,
			hour = $13, time_zone = $14, destination = $15, folder = $16, next_at = $17, disabled_at = $18
		WHERE organisation_id = $1 AND id = $2`, t.organisation, s.ID, s.Title, s.Report, s.Format, s.Filter, textArray(s.Columns), s.AsOf, s.Span, s.Frequency, s.Weekday, s.MonthDay,
		s.Hour, s.TimeZone, s.Destination, s.Folder, s.NextAt, orNull(s.DisabledAt))
	return fail("change a report schedule", err)
}

// DeleteReportSchedule takes a schedule off the list, its runs with it. The rows
// stay for as long as runs do, so that no later run takes the name of a file
// that is there.
func (t *Tx) DeleteReportSchedule(ctx context.Context, id uuid.UUID, now time.Time) error {
	_, err := t.tx.Exec(ctx, `UPDATE report_schedules SET deleted_at = $3 WHERE organisation_id = $1 AND id = $2`, t.organisation, id, now)
	return fail("delete a report schedule", err)
}

// OrganisationName returns the organisation's name.
func (t *Tx) OrganisationName(ctx context.Context) (string, error) {
	var name string
	err := t.tx.QueryRow(ctx, `SELECT name FROM organisations WHERE id = $1`, t.organisation).Scan(&name)
	return name, fail("find the organisation", err)
}

// OrganisationTitle returns what the organisation is called, its name if it has
// no title.
func (t *Tx) OrganisationTitle(ctx context.Context) (string, error) {
	var title string
	err := t.tx.QueryRow(ctx, `SELECT coalesce(nullif(title, ''), name) FROM organisations WHERE id = $1`, t.organisation).Scan(&title)
	return title, fail("find the organisation", err)
}
