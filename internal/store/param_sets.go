package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"creepage/internal/trend"
)

// How a parameter set came about.
const (
	LearnedNightly    = 1
	LearnedOldRecords = 2
)

// ParamSet is what was learned from an organisation's own records by a time, and
// holds from then on.
type ParamSet struct {
	Version      string
	TrackVersion string // the version that tracks are made with
	Source       int16
	LearnedAt    time.Time
	Anew         bool // of old records: memories were made anew with it
	Vehicles     int
	Readings     int64
	Codes        int
	Reasons      []string // what was learned, a sentence each
	Meters       []trend.MeterFinding
	Params       trend.Params // only where it is asked for
}

// paramReport is the column report.
type paramReport struct {
	Meters []trend.MeterFinding `json:"meters"`
}

const paramSetColumns = `version, track_version, source, created_at, anew, vehicles, readings, codes, reasons, report`

func scanParamSet(row pgx.CollectableRow, more ...any) (ParamSet, error) {
	var s ParamSet
	var report []byte
	if err := row.Scan(append([]any{&s.Version, &s.TrackVersion, &s.Source, &s.LearnedAt, &s.Anew, &s.Vehicles, &s.Readings, &s.Codes, &s.Reasons, &report}, more...)...); err != nil {
		return s, err
	}
	s.LearnedAt = s.LearnedAt.UTC()
	var r paramReport
	if err := json.Unmarshal(report, &r); err != nil {
		return s, fmt.Errorf("read the report of parameter set %s: %w", s.Version, err)
	}
	s.Meters = r.Meters
	return s, nil
}

func scanParams(row pgx.CollectableRow) (ParamSet, error) {
	var params []byte
	s, err := scanParamSet(row, &params)
	if err != nil {
		return s, err
	}
	s.Params, err = trend.ParseParams(params)
	return s, err
}

// ParamSetsUntil returns an organisation's sets that hold after one time and by
// another, oldest first, with their parameters.
func (w *WorkerTx) ParamSetsUntil(ctx context.Context, organisation uuid.UUID, after, until time.Time) ([]ParamSet, error) {
	rows, err := w.tx.Query(ctx, `SELECT `+paramSetColumns+`, params FROM param_sets
		WHERE organisation_id = $1 AND created_at > $2 AND created_at <= $3 ORDER BY created_at, version`, organisation, after, until)
	if err != nil {
		return nil, fail("read parameter sets", err)
	}
	sets, err := pgx.CollectRows(rows, scanParams)
	return sets, fail("read parameter sets", err)
}

// SaveParamSets keeps sets. One whose version stands already is left as it is.
func (w *WorkerTx) SaveParamSets(ctx context.Context, organisation uuid.UUID, sets []ParamSet) error {
	batch := &pgx.Batch{}
	for i := range sets {
		s := &sets[i]
		params, err := json.Marshal(s.Params)
		if err != nil {
			return fmt.Errorf("write parameter set %s: %w", s.Version, err)
		}
		report, err := json.Marshal(paramReport{s.Meters})
		if err != nil {
			return fmt.Errorf("write the report of parameter set %s: %w", s.Version, err)
		}
		batch.Queue(`INSERT INTO param_sets (organisation_id, version, track_version, source, created_at, anew, vehicles, readings, codes, reasons, report, params)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12) ON CONFLICT DO NOTHING`, organisation, s.Version, s.TrackVersion, s.Source, s.LearnedAt, s.Anew,
			s.Vehicles, s.Readings, s.Codes, append([]string{}, s.Reasons...), report, params)
	}
	return fail("keep parameter sets", w.tx.SendBatch(ctx, batch).Close())
}

// DueForLearning returns the organisations that have not been learned from since
// a time, have readings, and have no old records waiting for their history.
func (w *WorkerTx) DueForLearning(ctx context.Context, since time.Time) ([]uuid.UUID, error) {
	rows, err := w.tx.Query(ctx, `SELECT o.id FROM organisations o WHERE (o.learned_at IS NULL OR o.learned_at < $1)
		AND EXISTS (SELECT FROM vehicle_states s WHERE s.organisation_id = o.id AND s.last_measured_at IS NOT NULL)
		AND NOT EXISTS (SELECT FROM vehicle_states s WHERE s.organisation_id = o.id AND s.backfilled_at IS NOT NULL) ORDER BY o.id`, since)
	if err != nil {
		return nil, fail("find whom to learn from", err)
	}
	found, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	return found, fail("find whom to learn from", err)
}

// LearnedFrom notes that an organisation was learned from, as of a time.
func (w *WorkerTx) LearnedFrom(ctx context.Context, organisation uuid.UUID, at time.Time) error {
	_, err := w.tx.Exec(ctx, `UPDATE organisations SET learned_at = greatest(learned_at, $2) WHERE id = $1`, organisation, at)
	return fail("note a lesson", err)
}

// Teachers returns a group of an organisation's vehicles that have readings, in
// order of names, after one: every stride-th by its key.
func (w *WorkerTx) Teachers(ctx context.Context, organisation uuid.UUID, after string, stride, limit int) ([]Tracked, error) {
	rows, err := w.tx.Query(ctx, `SELECT v.id, v.organisation_id, v.name, v.platform FROM vehicles v JOIN vehicle_states s ON s.vehicle_id = v.id
		WHERE v.organisation_id = $1 AND v.name > $2 AND v.merged_into IS NULL AND v.id % $3 = 0 AND s.last_measured_at IS NOT NULL ORDER BY v.name LIMIT $4`,
		organisation, after, stride, limit)
	if err != nil {
		return nil, fail("list vehicles to learn from", err)
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (t Tracked, err error) {
		err = row.Scan(&t.Key, &t.Organisation, &t.Name, &t.Platform)
		return t, err
	})
	return found, fail("list vehicles to learn from", err)
}

// CountTeachers counts the vehicles of an organisation that have readings.
func (w *WorkerTx) CountTeachers(ctx context.Context, organisation uuid.UUID) (n int, err error) {
	err = w.tx.QueryRow(ctx, `SELECT count(*) FROM vehicles v JOIN vehicle_states s ON s.vehicle_id = v.id
		WHERE v.organisation_id = $1 AND v.merged_into IS NULL AND s.last_measured_at IS NOT NULL`, organisation).Scan(&n)
	return n, fail("count vehicles to learn from", err)
}

// KeptLesson is what was kept of an outlook to learn from.
type KeptLesson struct {
	At   time.Time
	Text []byte
}

// Lessons returns what was kept of the vehicles' outlooks between two times, in order.
func (w *WorkerTx) Lessons(ctx context.Context, vehicles []int64, since, until time.Time) (map[int64][]KeptLesson, error) {
	rows, err := w.tx.Query(ctx, `SELECT vehicle_id, evaluated_at, lesson FROM outlooks
		WHERE vehicle_id = ANY ($1) AND evaluated_at >= $2 AND evaluated_at < $3 AND lesson IS NOT NULL ORDER BY vehicle_id, evaluated_at`, vehicles, since, until)
	if err != nil {
		return nil, fail("read what outlooks teach", err)
	}
	found := map[int64][]KeptLesson{}
	for rows.Next() {
		var key int64
		var k KeptLesson
		if err := rows.Scan(&key, &k.At, &k.Text); err != nil {
			return nil, fail("read what outlooks teach", err)
		}
		k.At = k.At.UTC()
		found[key] = append(found[key], k)
	}
	return found, fail("read what outlooks teach", rows.Err())
}

// ParamSets lists an organisation's sets without their parameters, newest first.
func (t *Tx) ParamSets(ctx context.Context, last TimeCursor, limit int) ([]ParamSet, error) {
	args := arguments{t.organisation, limit}
	condition := "true"
	if !last.first() {
		condition = after([]sortKey{{"created_at", true}, {"version", true}}, []any{last.At, last.ID}, &args)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+paramSetColumns+` FROM param_sets WHERE organisation_id = $1 AND `+condition+` ORDER BY created_at DESC, version DESC LIMIT $2`, args...)
	if err != nil {
		return nil, fail("list parameter sets", err)
	}
	sets, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (ParamSet, error) { return scanParamSet(row) })
	return sets, fail("list parameter sets", err)
}

// ParamSet returns one of an organisation's sets without its parameters.
func (t *Tx) ParamSet(ctx context.Context, version string) (ParamSet, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+paramSetColumns+` FROM param_sets WHERE organisation_id = $1 AND version = $2`, t.organisation, version)
	if err != nil {
		return ParamSet{}, fail("read a parameter set", err)
	}
	s, err := pgx.CollectExactlyOneRow(rows, func(row pgx.CollectableRow) (ParamSet, error) { return scanParamSet(row) })
	return s, fail("read a parameter set", err)
}
