package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"creepage/internal/filter"
)

// ReportOutlook is what was said of a vehicle last, up to a time.
type ReportOutlook struct {
	Vehicle, Platform, LastShop string
	LastMeasuredAt              time.Time // zero: it has been measured since, or never
	EvaluatedAt                 time.Time
	Backfilled                  bool
	Details                     []byte // the message Outlook in JSON
}

// saidLast is, for the vehicle v, the last that was said up to an instant ($2):
// the latest where that had been said already, else the last of those kept.
const saidLast = `(SELECT * FROM (
		SELECT evaluated_at, state, p30, p90, days_p10, days_p50, days_p90, limiting, details, measure_again_by, false AS backfilled FROM latest_outlooks
		WHERE vehicle_id = v.id AND evaluated_at <= $2
		UNION ALL (SELECT evaluated_at, state, p30, p90, days_p10, days_p50, days_p90, limiting, details, details ->> 'measureAgainBy', backfilled FROM outlooks
		WHERE vehicle_id = v.id AND evaluated_at <= $2 ORDER BY evaluated_at DESC LIMIT 1)) said
	ORDER BY evaluated_at DESC, backfilled DESC LIMIT 1)`

// ReportOutlooks hands over what was said last of every vehicle that was not
// retired at a time, most urgent first, as the list does.
func (t *Tx) ReportOutlooks(ctx context.Context, where *filter.Expression, asOf time.Time, each func(*ReportOutlook) error) error {
	args := arguments{t.organisation, asOf}
	condition, err := outlookColumns().where(where, &args)
	if err != nil {
		return err
	}
	rows, err := t.tx.Query(ctx, `SELECT v.name, v.platform, coalesce(s.last_shop, ''), s.last_measured_at, o.evaluated_at, o.backfilled, o.details
		FROM vehicles v CROSS JOIN LATERAL `+saidLast+` o LEFT JOIN vehicle_states s ON s.vehicle_id = v.id
		WHERE v.organisation_id = $1 AND (v.retired_at IS NULL OR v.retired_at > $2) AND `+condition+` ORDER BY `+underNow+` DESC, o.p90 DESC, v.id`, args...)
	if err != nil {
		return fail("report outlooks", err)
	}
	var o ReportOutlook
	var measured *time.Time
	return forEach("report outlooks", rows, []any{&o.Vehicle, &o.Platform, &o.LastShop, &measured, &o.EvaluatedAt, &o.Backfilled, &o.Details}, func() error {
		o.LastMeasuredAt = orZero(measured)
		if o.LastMeasuredAt.After(asOf) {
			o.LastMeasuredAt = time.Time{}
		}
		o.EvaluatedAt = o.EvaluatedAt.UTC()
		return each(&o)
	})
}

// forEach hands row after row over. An error of the one who takes them stays as
// it is: it is not the database's.
func forEach(what string, rows pgx.Rows, targets []any, each func() error) error {
	defer rows.Close()
	for rows.Next() {
		if err := rows.Scan(targets...); err != nil {
			return fail(what, err)
		}
		if err := each(); err != nil {
			return err
		}
	}
	return fail(what, rows.Err())
}
