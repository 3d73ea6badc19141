package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"creepage/internal/filter"
)

// Digest is who gets a summary of the warnings. Times that are not there are zero.
type Digest struct {
	ID        uuid.UUID
	Title     string
	Email     string
	Frequency int16 // of the contract's Digest.Frequency
	Hour      int
	TimeZone  string
	Filter    string
	NextAt    time.Time
	SentAt    time.Time
	LastError string
	CreatedAt time.Time
}

const digestColumns = `d.id, d.title, d.email, d.frequency, d.hour, d.time_zone, d.filter, d.next_at, d.sent_at, d.last_error, d.created_at`

func digestScan(d *Digest) nullable {
	var sent *time.Time
	return nullable{
		targets: []any{&d.ID, &d.Title, &d.Email, &d.Frequency, &d.Hour, &d.TimeZone, &d.Filter, &d.NextAt, &sent, &d.LastError, &d.CreatedAt},
		finish:  func() { d.SentAt = orZero(sent) },
	}
}

func scanDigest(row pgx.CollectableRow) (Digest, error) {
	var d Digest
	scan := digestScan(&d)
	err := row.Scan(scan.targets...)
	scan.finish()
	return d, err
}

// CreateDigest keeps a digest, which tells of the changes from now on.
func (t *Tx) CreateDigest(ctx context.Context, d *Digest) error {
	last, err := t.LastWarningChange(ctx)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, `INSERT INTO digests (id, organisation_id, title, email, frequency, hour, time_zone, filter, through_sequence, next_at, told_at, created_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $11)`, d.ID, t.organisation, d.Title, d.Email, d.Frequency, d.Hour, d.TimeZone, d.Filter, last, d.NextAt, d.CreatedAt)
	return fail("create a digest", err)
}

// CountDigests returns how many digests there are.
func (t *Tx) CountDigests(ctx context.Context) (int, error) {
	var n int
	err := t.tx.QueryRow(ctx, `SELECT count(*) FROM digests WHERE organisation_id = $1`, t.organisation).Scan(&n)
	return n, fail("count digests", err)
}

// Digest returns a digest, locked against other changes.
func (t *Tx) Digest(ctx context.Context, id uuid.UUID) (Digest, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+digestColumns+` FROM digests d WHERE d.organisation_id = $1 AND d.id = $2 FOR UPDATE`, t.organisation, id)
	if err != nil {
		return Digest{}, fail("find a digest", err)
	}
	d, err := pgx.CollectExactlyOneRow(rows, scanDigest)
	return d, fail("find a digest", err)
}

// Digests lists digests, newest first.
func (t *Tx) Digests(ctx context.Context, last TimeCursor, limit int) ([]Digest, error) {
	args := arguments{t.organisation, limit}
	condition := "true"
	if !last.first() {
		condition = after([]sortKey{{"d.created_at", true}, {"d.id", true}}, []any{last.At, last.ID}, &args)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+digestColumns+` FROM digests d WHERE d.organisation_id = $1 AND `+condition+` ORDER BY d.created_at DESC, d.id DESC LIMIT $2`, args...)
	if err != nil {
		return nil, fail("list digests", err)
	}
	list, err := pgx.CollectRows(rows, scanDigest)
	return list, fail("list digests", err)
}

// UpdateDigest writes what callers may change of a digest.
func (t *Tx) UpdateDigest(ctx context.Context, d *Digest) error {
	_, err := t.tx.Exec(ctx, `UPDATE digests SET title = $3, email = $4, frequency = $5, hour = $6, time_zone = $7, filter = $8, next_at = $9, last_error = ''
		WHERE organisation_id = $1 AND id = $2`, t.organisation, d.ID, d.Title, d.Email, d.Frequency, d.Hour, d.TimeZone, d.Filter, d.NextAt)
	return fail("change a digest", err)
}

// AskForDigest has a digest sent now.
func (t *Tx) AskForDigest(ctx context.Context, id uuid.UUID, now time.Time) error {
	_, err := t.tx.Exec(ctx, `UPDATE digests SET asked_at = $3 WHERE organisation_id = $1 AND id = $2`, t.organisation, id, now)
	return fail("ask for a digest", err)
}

// DeleteDigest deletes a digest with its address.
func (t *Tx) DeleteDigest(ctx context.Context, id uuid.UUID) error {
	_, err := t.tx.Exec(ctx, `DELETE FROM digests WHERE organisation_id = $1 AND id = $2`, t.organisation, id)
	return fail("delete a digest", err)
}

// DueDigest is a digest whose time has come, with the span it tells of.
type DueDigest struct {
	Digest
	Organisation      uuid.UUID
	OrganisationTitle string
	After, Through    int64     // it tells of the changes after one number up to the other
	Since             time.Time // when the last one told
	Asked             bool      // it is sent even if nothing changed
}

// TakeDueDigests returns digests that are due and that no other worker has
// taken, locked. AdvanceDigest moves each on.
func (w *WorkerTx) TakeDueDigests(ctx context.Context, now time.Time, limit int) ([]DueDigest, error) {
	rows, err := w.tx.Query(ctx, `SELECT `+digestColumns+`, d.organisation_id, coalesce(nullif(o.title, ''), o.name), d.through_sequence, coalesce(c.last, 0), coalesce(d.told_at, d.created_at), d.asked_at IS NOT NULL
		FROM digests d JOIN organisations o ON o.id = d.organisation_id LEFT JOIN warning_change_counters c ON c.organisation_id = d.organisation_id
		WHERE d.next_at <= $1 OR d.asked_at IS NOT NULL ORDER BY d.next_at LIMIT $2 FOR UPDATE OF d SKIP LOCKED`, now, limit)
	if err != nil {
		return nil, fail("take due digests", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (DueDigest, error) {
		var d DueDigest
		scan := digestScan(&d.Digest)
		err := row.Scan(append(scan.targets, &d.Organisation, &d.OrganisationTitle, &d.After, &d.Through, &d.Since, &d.Asked)...)
		scan.finish()
		return d, err
	})
	return list, fail("take due digests", err)
}

// AdvanceDigest moves a digest past what is now being told, to when the next is due.
func (w *WorkerTx) AdvanceDigest(ctx context.Context, d *DueDigest, next, now time.Time) error {
	_, err := w.tx.Exec(ctx, `UPDATE digests SET through_sequence = $2, next_at = $3, told_at = $4, asked_at = NULL WHERE id = $1`, d.ID, d.Through, next, now)
	return fail("move a digest on", err)
}

// DigestOf returns a digest as it is now, and its organisation's title;
// ErrNotFound if it was deleted.
func (w *WorkerTx) DigestOf(ctx context.Context, id uuid.UUID) (Digest, string, error) {
	var d Digest
	var title string
	scan := digestScan(&d)
	err := w.tx.QueryRow(ctx, `SELECT `+digestColumns+`, coalesce(nullif(o.title, ''), o.name) FROM digests d JOIN organisations o ON o.id = d.organisation_id WHERE d.id = $1`, id).
		Scan(append(scan.targets, &title)...)
	scan.finish()
	return d, title, fail("find a digest", err)
}

// RecordDigest records that a digest was sent at a time, or what went wrong.
func (w *WorkerTx) RecordDigest(ctx context.Context, id uuid.UUID, at time.Time, problem string) error {
	_, err := w.tx.Exec(ctx, `UPDATE digests SET sent_at = CASE WHEN $3 = '' THEN $2 ELSE sent_at END, last_error = $3 WHERE id = $1`, id, at, problem)
	return fail("record a digest", err)
}

// WarningChangesOf returns an organisation's changes after one number up to another.
func (w *WorkerTx) WarningChangesOf(ctx context.Context, organisation uuid.UUID, where *filter.Expression, after, through int64, limit int) ([]WarningChange, error) {
	return warningChanges(ctx, w.tx, organisation, where, after, through, limit)
}

// StandingWarnings returns an organisation's standing warnings, the most urgent
// first, and how many there are.
func (w *WorkerTx) StandingWarnings(ctx context.Context, organisation uuid.UUID, where *filter.Expression, limit int) ([]Warning, int, error) {
	args := arguments{organisation, limit}
	condition, err := warningListColumns().where(where, &args)
	if err != nil {
		return nil, 0, err
	}
	// Below the code limit now comes before what is expected.
	rows, err := w.tx.Query(ctx, `SELECT `+warningColumns+`, count(*) OVER () FROM warnings w JOIN vehicles v ON v.id = w.vehicle_id
		WHERE w.organisation_id = $1 AND w.ended_at IS NULL AND `+condition+` ORDER BY w.kind = 2 DESC, w.probability DESC, w.raised_at, w.id LIMIT $2`, args...)
	if err != nil {
		return nil, 0, fail("list standing warnings", err)
	}
	n := 0
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Warning, error) {
		var v Warning
		scan := warningScan(&v)
		err := row.Scan(append(scan.targets, &n)...)
		scan.finish()
		return v, err
	})
	return list, n, fail("list standing warnings", err)
}
