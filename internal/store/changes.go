package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"creepage/internal/filter"
)

// WarningEvent is what happened to a warning: the numbers of the contract's
// WarningChange.Event.
type WarningEvent int16

// Events.
const (
	WarningRaised  WarningEvent = 1
	WarningChanged WarningEvent = 2 // acknowledged, or a finding recorded
	WarningEnded   WarningEvent = 3
)

// NewWarningChange is a change of a warning that has just been written in the
// same transaction.
type NewWarningChange struct {
	Organisation uuid.UUID
	Warning      uuid.UUID
	Event        WarningEvent
	At           time.Time // when it happened
}

// WarningChange is a change with the warning as it was after it.
type WarningChange struct {
	Sequence int64
	Event    WarningEvent
	At       time.Time
	Warning  Warning
}

// RecordWarningChanges numbers and records changes. It locks their
// organisations' counters until the commit, so it comes last in a transaction.
func (w *WorkerTx) RecordWarningChanges(ctx context.Context, changes []NewWarningChange, now time.Time) error {
	return recordWarningChanges(ctx, w.tx, changes, now)
}

// recordWarningChanges takes the counters in the order of their organisations,
// so that two transactions with several in common do not wait for each other.
func recordWarningChanges(ctx context.Context, tx pgx.Tx, changes []NewWarningChange, now time.Time) error {
	if len(changes) == 0 {
		return nil
	}
	n := len(changes)
	organisations, ids, events, at := make([]uuid.UUID, n), make([]uuid.UUID, n), make([]int16, n), make([]time.Time, n)
	for i, c := range changes {
		organisations[i], ids[i], events[i], at[i] = c.Organisation, c.Warning, int16(c.Event), c.At
	}
	tag, err := tx.Exec(ctx, `
WITH given AS (
    SELECT organisation_id, warning_id, event, changed_at, place
    FROM unnest($1::uuid[], $2::uuid[], $3::smallint[], $4::timestamptz[]) WITH ORDINALITY AS u (organisation_id, warning_id, event, changed_at, place)
), counted AS (
    SELECT organisation_id, count(*) AS n FROM given GROUP BY organisation_id
), moved AS (
    INSERT INTO warning_change_counters AS c (organisation_id, last)
    SELECT organisation_id, n FROM counted ORDER BY organisation_id
    ON CONFLICT (organisation_id) DO UPDATE SET last = c.last + excluded.last
    RETURNING organisation_id, last
)
INSERT INTO warning_changes (organisation_id, sequence, warning_id, event, changed_at, recorded_at, acknowledged, ended, finding)
SELECT g.organisation_id, m.last - k.n + row_number() OVER (PARTITION BY g.organisation_id ORDER BY g.place), g.warning_id, g.event, g.changed_at, $5,
    w.acknowledged_at IS NOT NULL, w.ended_at IS NOT NULL, w.finding
FROM given g JOIN counted k USING (organisation_id) JOIN moved m USING (organisation_id)
JOIN warnings w ON w.id = g.warning_id AND w.organisation_id = g.organisation_id`, organisations, ids, events, at, now)
	if err != nil {
		return fail("record changes of warnings", err)
	}
	if tag.RowsAffected() != int64(n) {
		return fmt.Errorf("record changes of warnings: %d of %d warnings are not there", int64(n)-tag.RowsAffected(), n)
	}
	return nil
}

// recordWarningChange records a change of one of the tenant's warnings.
func (t *Tx) recordWarningChange(ctx context.Context, id uuid.UUID, event WarningEvent, now time.Time) error {
	return recordWarningChanges(ctx, t.tx, []NewWarningChange{{t.organisation, id, event, now}}, now)
}

// LastWarningChange is the number of the latest change; 0: there is none.
func (t *Tx) LastWarningChange(ctx context.Context) (int64, error) {
	var last int64
	err := t.tx.QueryRow(ctx, `SELECT last FROM warning_change_counters WHERE organisation_id = $1`, t.organisation).Scan(&last)
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, nil
	}
	return last, fail("find the latest change", err)
}

// WarningChangesBefore is the number of the change before the first that was
// recorded at a time or later.
func (t *Tx) WarningChangesBefore(ctx context.Context, at time.Time) (int64, error) {
	last, err := t.LastWarningChange(ctx)
	if err != nil {
		return 0, err
	}
	err = t.tx.QueryRow(ctx, `SELECT coalesce(min(sequence) - 1, $2) FROM warning_changes WHERE organisation_id = $1 AND recorded_at >= $3`,
		t.organisation, last, at).Scan(&last)
	return last, fail("find the first change since a time", err)
}

// warningChangeColumns are those of a change and, by the names of
// warningColumns, of its warning as it was after the change.
const warningChangeColumns = `c.sequence, c.event, c.changed_at,
	w.id, v.name, w.kind, w.component, w.raised_at, w.probability, w.days_p50, w.reason, w.backfilled, w.ended_at, w.end_reason,
	w.acknowledged_at, w.acknowledge_note, w.finding, w.finding_component, w.finding_note, w.finding_at`

// warningChangesFrom gives the warnings of changes as they were after each.
const warningChangesFrom = `warning_changes c
	JOIN LATERAL (SELECT o.id, o.vehicle_id, o.kind, o.component, o.raised_at, o.probability, o.days_p50, o.reason, o.backfilled,
		CASE WHEN c.ended THEN o.ended_at END AS ended_at, CASE WHEN c.ended THEN o.end_reason ELSE '' END AS end_reason,
		CASE WHEN c.acknowledged THEN o.acknowledged_at END AS acknowledged_at, CASE WHEN c.acknowledged THEN o.acknowledge_note ELSE '' END AS acknowledge_note,
		c.finding AS finding, CASE WHEN c.finding > 0 THEN o.finding_component ELSE 0 END AS finding_component,
		CASE WHEN c.finding > 0 THEN o.finding_note ELSE '' END AS finding_note, CASE WHEN c.finding > 0 THEN o.finding_at END AS finding_at
		FROM warnings o WHERE o.id = c.warning_id) w ON true
	JOIN vehicles v ON v.id = w.vehicle_id`

func scanWarningChange(row pgx.CollectableRow) (WarningChange, error) {
	var c WarningChange
	scan := warningScan(&c.Warning)
	err := row.Scan(append([]any{&c.Sequence, &c.Event, &c.At}, scan.targets...)...)
	scan.finish()
	return c, err
}

// WarningChanges returns changes after a number that a filter lets through, in
// order, and the number up to which there are no others.
func (t *Tx) WarningChanges(ctx context.Context, where *filter.Expression, after int64, limit int) ([]WarningChange, int64, error) {
	// First how far the changes go: those up to here are committed, so the list sees them all.
	last, err := t.LastWarningChange(ctx)
	if err != nil || last <= after {
		return nil, after, err
	}
	list, err := warningChanges(ctx, t.tx, t.organisation, where, after, last, limit)
	if err != nil {
		return nil, after, err
	}
	if len(list) == limit {
		last = list[limit-1].Sequence
	}
	return list, last, nil
}

// warningChanges returns changes after one number up to another.
func warningChanges(ctx context.Context, tx pgx.Tx, organisation uuid.UUID, where *filter.Expression, after, last int64, limit int) ([]WarningChange, error) {
	args := arguments{organisation, limit, after, last}
	condition, err := warningListColumns().where(where, &args)
	if err != nil {
		return nil, err
	}
	rows, err := tx.Query(ctx, `SELECT `+warningChangeColumns+` FROM `+warningChangesFrom+`
		WHERE c.organisation_id = $1 AND c.sequence > $3 AND c.sequence <= $4 AND `+condition+` ORDER BY c.sequence LIMIT $2`, args...)
	if err != nil {
		return nil, fail("list changes of warnings", err)
	}
	list, err := pgx.CollectRows(rows, scanWarningChange)
	return list, fail("list changes of warnings", err)
}

// ListenForWarningChanges tells, on a connection of its own, whose warnings
// changed, until the context ends or the connection breaks. It calls ready when
// from now on nothing is missed.
func (s *Store) ListenForWarningChanges(ctx context.Context, ready func(), changed func(organisation uuid.UUID)) error {
	conn, err := pgx.ConnectConfig(ctx, s.pool.Config().ConnConfig)
	if err != nil {
		return fail("connect to listen", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	if _, err := conn.Exec(ctx, `LISTEN creepage_warning_changes`); err != nil {
		return fail("listen", err)
	}
	ready()
	for {
		n, err := conn.WaitForNotification(ctx)
		if err != nil {
			return fail("wait for changes", err)
		}
		if organisation, err := uuid.Parse(n.Payload); err == nil {
			changed(organisation)
		}
	}
}
