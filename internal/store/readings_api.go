package store

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/filter"
	"creepage/internal/insulation"
	"creepage/internal/trend"
	"creepage/internal/wire"
)

// ReadingKey is a reading's identity within its organisation.
type ReadingKey struct {
	ID         string
	MeasuredAt time.Time // UTC, to the microsecond
}

// Reading is a reading as it is kept.
type Reading struct {
	insulation.Reading
	VehicleKey int64
	Assessment []byte // the message Assessment; nil if there is none
	VoidReason string // empty: it stands
}

// Key returns the reading's identity.
func (r *Reading) Key() ReadingKey { return ReadingKey{r.ID, r.MeasuredAt} }

// ContentOfReadings returns the hash of what is kept under each of the
// identities that is known, in one query.
func (t *Tx) ContentOfReadings(ctx context.Context, keys []ReadingKey) (map[ReadingKey][32]byte, error) {
	ids, times := make([]string, len(keys)), make([]time.Time, len(keys))
	var first, last time.Time // known to the planner, which leaves the other months out
	for i, k := range keys {
		ids[i], times[i] = k.ID, k.MeasuredAt
		if i == 0 || k.MeasuredAt.Before(first) {
			first = k.MeasuredAt
		}
		if k.MeasuredAt.After(last) {
			last = k.MeasuredAt
		}
	}
	// The limit has each looked up by its key: the planner takes the rows between two
	// times for few where a month has no statistics, and would read all of them.
	rows, err := t.tx.Query(ctx, `SELECT r.reading_id, r.measured_at, r.content
		FROM unnest($2::text[], $3::timestamptz[]) AS k (id, at)
		CROSS JOIN LATERAL (SELECT * FROM readings r WHERE r.organisation_id = $1 AND r.reading_id = k.id AND r.measured_at = k.at
			AND r.measured_at BETWEEN $4 AND $5 LIMIT 1) AS r`, t.organisation, ids, times, first, last)
	if err != nil {
		return nil, fail("look for known readings", err)
	}
	known := map[ReadingKey][32]byte{}
	var (
		key     ReadingKey
		content []byte
	)
	_, err = pgx.ForEachRow(rows, []any{&key.ID, &key.MeasuredAt, &content}, func() error {
		known[ReadingKey{key.ID, key.MeasuredAt.UTC()}] = [32]byte(content)
		return nil
	})
	return known, fail("look for known readings", err)
}

const keptReadingColumns = `r.reading_id, r.measured_at, r.vehicle_id, r.received_at, r.vehicle, r.shop, r.platform, r.visit, r.meter, r.method, r.component,
	r.conductor, r.reference, r.quantity, r.relation, r.moisture, r.warmth, r.ohms, r.test_volts, r.hold_seconds, r.air_celsius, r.humidity_pct,
	r.part_celsius, r.range_ohms, r.calibrated_at, r.qualification, r.precautions, r.assessment, r.void_reason`

func scanReading(row pgx.CollectableRow) (Reading, error) {
	var (
		r                                      Reading
		volts, hold, air, humidity, part, span *float64
		calibrated                             *time.Time
		precautions                            []byte
	)
	err := row.Scan(&r.ID, &r.MeasuredAt, &r.VehicleKey, &r.ReceivedAt, &r.Vehicle, &r.Shop, &r.Platform, &r.Visit, &r.Meter, &r.Method, &r.Component,
		&r.Conductor, &r.Reference, &r.Quantity, &r.Relation, &r.Moisture, &r.Warmth, &r.Ohms, &volts, &hold, &air, &humidity,
		&part, &span, &calibrated, &r.Qualification, &precautions, &r.Assessment, &r.VoidReason)
	if err != nil {
		return r, err
	}
	r.MeasuredAt, r.ReceivedAt, r.CalibratedAt = r.MeasuredAt.UTC(), r.ReceivedAt.UTC(), orZero(calibrated)
	r.TestVolts, r.HoldSeconds, r.AirCelsius, r.HumidityPct, r.PartCelsius, r.RangeOhms = orNaN(volts), orNaN(hold), orNaN(air), orNaN(humidity), orNaN(part), orNaN(span)
	if len(precautions) > 0 {
		if err := json.Unmarshal(precautions, &r.Precautions); err != nil {
			return r, fmt.Errorf("read the precautions of reading %s: %w", r.ID, err)
		}
	}
	return r, nil
}

// ReadingsByID returns the readings of an identity given by the sender: those
// of every time, or of one.
func (t *Tx) ReadingsByID(ctx context.Context, id string, at time.Time) ([]Reading, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+keptReadingColumns+` FROM readings r
		WHERE r.organisation_id = $1 AND r.reading_id = $2 AND ($3::timestamptz IS NULL OR r.measured_at = $3) ORDER BY r.measured_at`, t.organisation, id, orNull(at))
	if err != nil {
		return nil, fail("find a reading", err)
	}
	list, err := pgx.CollectRows(rows, scanReading)
	return list, fail("find a reading", err)
}

// VoidReading marks a reading as wrong and has its vehicle computed anew
// without it. The first reason stands.
func (t *Tx) VoidReading(ctx context.Context, key ReadingKey, reason string, now time.Time) (Reading, error) {
	tag, err := t.tx.Exec(ctx, `UPDATE readings SET voided_at = $4, void_reason = $5
		WHERE organisation_id = $1 AND reading_id = $2 AND measured_at = $3 AND voided_at IS NULL`, t.organisation, key.ID, key.MeasuredAt, now, reason)
	if err != nil {
		return Reading{}, fail("void a reading", err)
	}
	found, err := t.ReadingsByID(ctx, key.ID, key.MeasuredAt)
	if err != nil || len(found) == 0 {
		return Reading{}, fail("void a reading", orNotFound(err))
	}
	if tag.RowsAffected() > 0 {
		err = t.replayFrom(ctx, found[0].VehicleKey, key.MeasuredAt, now)
	}
	return found[0], err
}

func orNotFound(err error) error {
	if err != nil {
		return err
	}
	return pgx.ErrNoRows
}

func readingListColumns() columns {
	return columns{
		"component":    {sql: "r.component", words: numbersOf(insulation.Component.String)},
		"method":       {sql: "r.method", words: numbersOf(insulation.Method.String)},
		"shop":         {sql: "r.shop"},
		"meter":        {sql: "r.meter"},
		"visit":        {sql: "r.visit"},
		"measure_time": {sql: "r.measured_at"},
	}
}

// ReadingsOf lists a vehicle's readings, newest first, void ones included; of
// every vehicle if the key is 0.
func (t *Tx) ReadingsOf(ctx context.Context, vehicle int64, where *filter.Expression, last TimeCursor, limit int) ([]Reading, error) {
	args := arguments{t.organisation, limit}
	condition, err := readingListColumns().where(where, &args)
	if err != nil {
		return nil, err
	}
	if vehicle != 0 {
		condition += " AND r.vehicle_id = " + args.add(vehicle)
	}
	if !last.first() {
		condition += " AND " + after([]sortKey{{"r.measured_at", true}, {"r.reading_id", true}}, []any{last.At, last.ID}, &args)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+keptReadingColumns+` FROM readings r
		WHERE r.organisation_id = $1 AND `+condition+` ORDER BY r.measured_at DESC, r.reading_id DESC LIMIT $2`, args...)
	if err != nil {
		return nil, fail("list readings", err)
	}
	list, err := pgx.CollectRows(rows, scanReading)
	return list, fail("list readings", err)
}

// History returns everything that makes a vehicle's tracks: readings that
// stand, repairs and codes, in no order; as it was known at a time, or as it is
// if that is zero.
func (t *Tx) History(ctx context.Context, vehicle int64, asOf time.Time) ([]trend.Entry, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+keptReadingColumns+` FROM readings r
		WHERE r.organisation_id = $1 AND r.vehicle_id = $2 AND ($3::timestamptz IS NULL AND r.voided_at IS NULL
			OR r.received_at <= $3 AND (r.voided_at IS NULL OR r.voided_at > $3)) ORDER BY r.measured_at`, t.organisation, vehicle, orNull(asOf))
	if err != nil {
		return nil, fail("read a vehicle's readings", err)
	}
	readings, err := pgx.CollectRows(rows, scanReading)
	if err != nil {
		return nil, fail("read a vehicle's readings", err)
	}
	entries := make([]trend.Entry, 0, len(readings))
	for i := range readings {
		entries = append(entries, trend.Entry{Reading: &readings[i].Reading})
	}
	repairs, err := t.Repairs(ctx, vehicle, TimeCursor{}, math.MaxInt32)
	if err != nil {
		return nil, err
	}
	for i := range repairs {
		if !asOf.IsZero() && repairs[i].CreatedAt.After(asOf) {
			continue
		}
		entries = append(entries, trend.Entry{Event: &insulation.Event{Component: repairs[i].Component, Kind: repairs[i].Kind, OccurredAt: repairs[i].OccurredAt}})
	}
	codes, err := t.codesKnown(ctx, vehicle, asOf)
	if err != nil {
		return nil, err
	}
	for i := range codes {
		entries = append(entries, trend.Entry{Code: &codes[i]})
	}
	return entries, nil
}

// Conflict is a reading kept aside because its identity was taken.
type Conflict struct {
	ID              int64
	Reading         insulation.Reading
	DifferingFields []string
	CreatedAt       time.Time
}

// Conflicts lists what was kept aside, newest first: of one shop, or of all if
// shop is empty. A zero time begins with the newest.
func (t *Tx) Conflicts(ctx context.Context, shop string, before time.Time, id int64, limit int) ([]Conflict, error) {
	args := arguments{t.organisation, shop, limit}
	condition := "true"
	if !before.IsZero() {
		condition = after([]sortKey{{"c.created_at", true}, {"c.id", true}}, []any{before, id}, &args)
	}
	rows, err := t.tx.Query(ctx, `SELECT c.id, c.reading, c.differing_fields, c.created_at FROM reading_conflicts c
		WHERE c.organisation_id = $1 AND ($2 = '' OR c.shop = $2) AND `+condition+` ORDER BY c.created_at DESC, c.id DESC LIMIT $3`, args...)
	if err != nil {
		return nil, fail("list conflicts", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Conflict, error) {
		var (
			c       Conflict
			message []byte
			m       creepagev1.Reading
		)
		if err := row.Scan(&c.ID, &message, &c.DifferingFields, &c.CreatedAt); err != nil {
			return c, err
		}
		if err := proto.Unmarshal(message, &m); err != nil {
			return c, fmt.Errorf("read conflict %d: %w", c.ID, err)
		}
		var err error
		c.Reading, err = wire.Reading(&m)
		return c, err
	})
	return list, fail("list conflicts", err)
}
