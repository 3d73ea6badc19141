package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// QuietBackfills returns the organisations whose old records are waiting for
// their history and the last of which came before a time.
func (w *WorkerTx) QuietBackfills(ctx context.Context, before time.Time) ([]uuid.UUID, error) {
	rows, err := w.tx.Query(ctx, `SELECT organisation_id FROM vehicle_states WHERE backfilled_at IS NOT NULL
		GROUP BY organisation_id HAVING max(backfilled_at) < $1 ORDER BY organisation_id`, before)
	if err != nil {
		return nil, fail("find old records", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	return found, fail("find old records", err)
}

// BackfillSpan returns when the first of an organisation's old readings was
// measured and when the last of them arrived.
func (w *WorkerTx) BackfillSpan(ctx context.Context, organisation uuid.UUID) (first, last time.Time, err error) {
	var from, to *time.Time
	err = w.tx.QueryRow(ctx, `SELECT (array_agg(measured_at ORDER BY received_at, measured_at))[1], max(received_at)
		FROM readings WHERE organisation_id = $1 AND backfill AND voided_at IS NULL`, organisation).Scan(&from, &to)
	if err != nil || from == nil || to == nil {
		return time.Time{}, time.Time{}, fail("find the span of old records", err)
	}
	return from.UTC(), to.UTC(), nil
}

// TakeBackfilled takes up to limit of an organisation's vehicles whose old
// records are waiting for their history, leaving out what others have taken.
func (w *WorkerTx) TakeBackfilled(ctx context.Context, organisation uuid.UUID, limit int) ([]Evaluable, error) {
	return w.take(ctx, `s.organisation_id = $1 AND s.backfilled_at IS NOT NULL ORDER BY s.vehicle_id LIMIT $2 FOR UPDATE OF s SKIP LOCKED`, organisation, limit)
}

// ForgetBackfilled removes what earlier passes found in the vehicles' old
// records. What was said at the time, and warnings that became news, stay.
func (w *WorkerTx) ForgetBackfilled(ctx context.Context, vehicles []int64) error {
	if _, err := w.tx.Exec(ctx, `DELETE FROM outlooks WHERE vehicle_id = ANY ($1) AND backfilled`, vehicles); err != nil {
		return fail("forget the outlooks of old records", err)
	}
	_, err := w.tx.Exec(ctx, `DELETE FROM warnings WHERE vehicle_id = ANY ($1) AND backfilled AND NOT news`, vehicles)
	return fail("forget the warnings of old records", err)
}
