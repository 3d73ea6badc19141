package store

import (
	"context"
	"math"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"creepage/internal/trend"
)

// NewOutlook is an outlook to be recorded.
type NewOutlook struct {
	Organisation uuid.UUID
	Vehicle      int64
	Outlook      *trend.Outlook
	Details      []byte // message Outlook in JSON
	Backfilled   bool   // found in old records
	Append       bool   // keep it among what was said
	Latest       bool   // it is the vehicle's latest
}

// SaveOutlooks appends outlooks to what was said, and puts the latest in their place.
func (w *WorkerTx) SaveOutlooks(ctx context.Context, rows []NewOutlook) error {
	var said, latest []NewOutlook
	for _, r := range rows {
		if r.Append {
			said = append(said, r)
		}
		if r.Latest {
			latest = append(latest, r)
		}
	}
	if len(said) > 0 {
		args := outlookArgs(said)
		backfilled, lessons := make([]bool, len(said)), make([][]byte, len(said))
		for i := range said {
			backfilled[i], lessons[i] = said[i].Backfilled, said[i].Outlook.Lesson()
		}
		if _, err := w.tx.Exec(ctx, `INSERT INTO outlooks (`+outlookFields+`, backfilled, lesson) SELECT `+outlookValues+`, backfilled, lesson
			FROM unnest(`+outlookArrays+`, $14::boolean[], $15::bytea[]) AS u (`+outlookFields+`, backfilled, lesson)
			ON CONFLICT (vehicle_id, evaluated_at) DO NOTHING`, append(args, backfilled, lessons)...); err != nil {
			return fail("append outlooks", err)
		}
	}
	if len(latest) == 0 {
		return nil
	}
	_, err := w.tx.Exec(ctx, `INSERT INTO latest_outlooks AS l (`+outlookFields+`) SELECT `+outlookValues+` FROM unnest(`+outlookArrays+`) AS u (`+outlookFields+`)
ON CONFLICT (vehicle_id) DO UPDATE SET evaluated_at = excluded.evaluated_at, state = excluded.state, p30 = excluded.p30, p90 = excluded.p90,
    days_p10 = excluded.days_p10, days_p50 = excluded.days_p50, days_p90 = excluded.days_p90, limiting = excluded.limiting, reason = excluded.reason,
    details = excluded.details, params_version = excluded.params_version
WHERE l.evaluated_at <= excluded.evaluated_at`, outlookArgs(latest)...)
	return fail("save the latest outlooks", err)
}

const (
	outlookFields = `organisation_id, vehicle_id, evaluated_at, state, p30, p90, days_p10, days_p50, days_p90, limiting, reason, details, params_version`
	outlookValues = `organisation_id, vehicle_id, evaluated_at, state, p30, p90, nullif(days_p10, 'NaN'), nullif(days_p50, 'NaN'), nullif(days_p90, 'NaN'), limiting, reason,
		details::jsonb, params_version`
	outlookArrays = `$1::uuid[], $2::bigint[], $3::timestamptz[], $4::smallint[], $5::float8[], $6::float8[], $7::float8[], $8::float8[], $9::float8[], $10::smallint[],
		$11::text[], $12::text[], $13::text[]`
)

func outlookArgs(rows []NewOutlook) []any {
	n := len(rows)
	organisations, vehicles, at, states, limiting := make([]uuid.UUID, n), make([]int64, n), make([]time.Time, n), make([]int16, n), make([]int16, n)
	reasons, details, versions := make([]string, n), make([]string, n), make([]string, n)
	var numbers [5][]float64
	for i := range numbers {
		numbers[i] = make([]float64, n)
	}
	for i, r := range rows {
		o := r.Outlook
		organisations[i], vehicles[i], at[i], states[i], limiting[i] = r.Organisation, r.Vehicle, o.EvaluatedAt, int16(o.State), int16(o.Limiting)
		reasons[i], details[i], versions[i] = o.Reason(), string(r.Details), o.Version
		numbers[0][i], numbers[1][i], numbers[2][i], numbers[3][i], numbers[4][i] = o.P30, o.P90, o.DaysP10, o.DaysP50, o.DaysP90
	}
	return []any{organisations, vehicles, at, states, numbers[0], numbers[1], numbers[2], numbers[3], numbers[4], limiting, reasons, details, versions}
}

// NewWarning is a warning that was raised.
type NewWarning struct {
	ID           uuid.UUID
	Organisation uuid.UUID
	Vehicle      int64
	Change       trend.Change
	Backfilled   bool      // found in old records
	News         bool      // somebody is to be told
	EndedAt      time.Time // of an old one that ended; zero: it stands
	EndReason    string
}

// RaiseWarnings records warnings. One that stands already for the vehicle, kind
// and component is left as it is and not in the result.
func (w *WorkerTx) RaiseWarnings(ctx context.Context, rows []NewWarning) ([]NewWarning, error) {
	if len(rows) == 0 {
		return nil, nil
	}
	batch := &pgx.Batch{}
	var raised []NewWarning
	for _, r := range rows {
		var days *float64
		if !math.IsNaN(r.Change.DaysP50) {
			days = &r.Change.DaysP50
		}
		var ended *time.Time
		if !r.EndedAt.IsZero() {
			ended = &r.EndedAt
		}
		batch.Queue(`INSERT INTO warnings (id, organisation_id, vehicle_id, kind, component, raised_at, probability, days_p50, reason, backfilled, ended_at, end_reason, news)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13) ON CONFLICT DO NOTHING RETURNING id`, r.ID, r.Organisation, r.Vehicle, int16(r.Change.Kind), int16(r.Change.Component),
			r.Change.At, probability(r.Change.Probability), days, r.Change.Reason, r.Backfilled, ended, r.EndReason, r.News).Query(func(result pgx.Rows) error {
			if result.Next() {
				raised = append(raised, r)
			}
			result.Close()
			return result.Err()
		})
	}
	return raised, fail("record warnings", w.tx.SendBatch(ctx, batch).Close())
}

// probability is 0 where a kind has none.
func probability(p float64) float64 {
	if math.IsNaN(p) {
		return 0
	}
	return p
}

// EndedWarning is a warning that ended.
type EndedWarning struct {
	ID           uuid.UUID // set by EndWarnings
	Organisation uuid.UUID
	Vehicle      int64
	Change       trend.Change
}

// EndWarnings ends the standing warnings of vehicle, kind and component, and
// returns those that stood: a person may have ended one before.
func (w *WorkerTx) EndWarnings(ctx context.Context, rows []EndedWarning) ([]EndedWarning, error) {
	if len(rows) == 0 {
		return nil, nil
	}
	batch := &pgx.Batch{}
	var ended []EndedWarning
	for _, r := range rows {
		batch.Queue(`UPDATE warnings SET ended_at = greatest($4, raised_at), end_reason = $5
			WHERE vehicle_id = $1 AND kind = $2 AND component = $3 AND ended_at IS NULL RETURNING id`,
			r.Vehicle, int16(r.Change.Kind), int16(r.Change.Component), r.Change.At, r.Change.Reason).Query(func(result pgx.Rows) error {
			for result.Next() {
				if err := result.Scan(&r.ID); err != nil {
					return err
				}
				ended = append(ended, r)
			}
			return result.Err()
		})
	}
	return ended, fail("end warnings", w.tx.SendBatch(ctx, batch).Close())
}
