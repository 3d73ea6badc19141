package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"creepage/internal/filter"
)

// Vehicle is a vehicle as callers see it. Times that are not there are zero.
type Vehicle struct {
	Key            int64
	Name           string
	Platform       string
	CreatedAt      time.Time
	RetiredAt      time.Time
	LastShop       string
	LastMeasuredAt time.Time
	Aliases        []string // not in lists
}

// TimeCursor is the place of a row in a list ordered by time, newest first.
type TimeCursor struct {
	At time.Time
	ID string
}

// first says whether the cursor stands before the first row.
func (c TimeCursor) first() bool { return c.At.IsZero() }

const vehicleColumns = `v.id, v.name, v.platform, v.created_at, v.retired_at, coalesce(s.last_shop, ''), s.last_measured_at`

func scanVehicle(row pgx.CollectableRow) (Vehicle, error) {
	var v Vehicle
	var retired, measured *time.Time
	err := row.Scan(&v.Key, &v.Name, &v.Platform, &v.CreatedAt, &retired, &v.LastShop, &measured)
	v.RetiredAt, v.LastMeasuredAt = orZero(retired), orZero(measured)
	return v, err
}

func orZero(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}

// orNull is the time for an argument: NULL for the zero time.
func orNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func vehicleListColumns() columns {
	return columns{"platform": {sql: "v.platform"}, "retired": {sql: "(v.retired_at IS NOT NULL)"}}
}

// Vehicles lists vehicles by name, those after a name.
func (t *Tx) Vehicles(ctx context.Context, where *filter.Expression, after string, limit int) ([]Vehicle, error) {
	args := arguments{t.organisation, after, limit}
	condition, err := vehicleListColumns().where(where, &args)
	if err != nil {
		return nil, err
	}
	rows, err := t.tx.Query(ctx, `SELECT `+vehicleColumns+` FROM vehicles v LEFT JOIN vehicle_states s ON s.vehicle_id = v.id
		WHERE v.organisation_id = $1 AND v.merged_into IS NULL AND v.name > $2 AND `+condition+` ORDER BY v.name LIMIT $3`, args...)
	if err != nil {
		return nil, fail("list vehicles", err)
	}
	list, err := pgx.CollectRows(rows, scanVehicle)
	return list, fail("list vehicles", err)
}

// Vehicle returns the vehicle of a name, or the one a former name leads to.
func (t *Tx) Vehicle(ctx context.Context, name string) (Vehicle, error) {
	return t.oneVehicle(ctx, `coalesce(
		(SELECT id FROM vehicles WHERE organisation_id = $1 AND name = $2 AND merged_into IS NULL),
		(SELECT vehicle_id FROM vehicle_aliases WHERE organisation_id = $1 AND alias = $2))`, name)
}

// VehicleByKey returns the vehicle of a key.
func (t *Tx) VehicleByKey(ctx context.Context, key int64) (Vehicle, error) {
	return t.oneVehicle(ctx, `$2::bigint`, key)
}

func (t *Tx) oneVehicle(ctx context.Context, key string, arg any) (Vehicle, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+vehicleColumns+` FROM vehicles v LEFT JOIN vehicle_states s ON s.vehicle_id = v.id
		WHERE v.organisation_id = $1 AND v.id = `+key, t.organisation, arg)
	if err != nil {
		return Vehicle{}, fail("find a vehicle", err)
	}
	v, err := pgx.CollectExactlyOneRow(rows, scanVehicle)
	if err != nil {
		return Vehicle{}, fail("find a vehicle", err)
	}
	rows, err = t.tx.Query(ctx, `SELECT alias FROM vehicle_aliases WHERE organisation_id = $1 AND vehicle_id = $2 ORDER BY alias`, t.organisation, v.Key)
	if err != nil {
		return Vehicle{}, fail("list a vehicle's former names", err)
	}
	v.Aliases, err = pgx.CollectRows(rows, pgx.RowTo[string])
	return v, fail("list a vehicle's former names", err)
}

// PlatformsOfVehicles returns the platform of each vehicle that is registered
// under one of the names, former ones included.
func (t *Tx) PlatformsOfVehicles(ctx context.Context, names []string) (map[string]string, error) {
	if len(names) == 0 {
		return nil, nil
	}
	rows, err := t.tx.Query(ctx, `SELECT name, platform FROM vehicles WHERE organisation_id = $1 AND merged_into IS NULL AND name = ANY ($2)
		UNION ALL
		SELECT a.alias, v.platform FROM vehicle_aliases a JOIN vehicles v ON v.id = a.vehicle_id WHERE a.organisation_id = $1 AND a.alias = ANY ($2)`,
		t.organisation, names)
	if err != nil {
		return nil, fail("find vehicles", err)
	}
	platforms := make(map[string]string, len(names))
	var name, platform string
	_, err = pgx.ForEachRow(rows, []any{&name, &platform}, func() error { platforms[name] = platform; return nil })
	return platforms, fail("find vehicles", err)
}

// RenameVehicle gives a vehicle another name; the old one becomes an alias. It
// returns ErrConflict if the name leads to another vehicle already, and ErrStands
// if the vehicle was merged into another.
func (t *Tx) RenameVehicle(ctx context.Context, key int64, name string, now time.Time) error {
	var other bool
	err := t.tx.QueryRow(ctx, `SELECT EXISTS (SELECT FROM vehicle_aliases WHERE organisation_id = $1 AND alias = $2 AND vehicle_id <> $3)`, t.organisation, name, key).Scan(&other)
	if err != nil {
		return fail("rename a vehicle", err)
	}
	if other {
		return ErrConflict
	}
	if _, err := t.tx.Exec(ctx, `INSERT INTO vehicle_aliases (organisation_id, alias, vehicle_id, created_at)
		SELECT organisation_id, name, id, $3 FROM vehicles WHERE organisation_id = $1 AND id = $2 ON CONFLICT DO NOTHING`, t.organisation, key, now); err != nil {
		return fail("keep a vehicle's former name", err)
	}
	tag, err := t.tx.Exec(ctx, `UPDATE vehicles SET name = $3 WHERE organisation_id = $1 AND id = $2 AND merged_into IS NULL`, t.organisation, key, name)
	if err != nil || tag.RowsAffected() > 0 {
		return fail("rename a vehicle", err)
	}
	return t.nothingChanged(ctx, "rename a vehicle", vehicleExists, key)
}

// vehicleExists asks nothingChanged's question about a vehicle.
const vehicleExists = `SELECT EXISTS (SELECT FROM vehicles WHERE organisation_id = $1 AND id = $2)`

// RetireVehicle ends a vehicle's evaluation; ErrStands if it had ended before.
func (t *Tx) RetireVehicle(ctx context.Context, key int64, now time.Time) error {
	tag, err := t.tx.Exec(ctx, `UPDATE vehicles SET retired_at = $3 WHERE organisation_id = $1 AND id = $2 AND retired_at IS NULL`, t.organisation, key, now)
	if err != nil || tag.RowsAffected() > 0 {
		return fail("retire a vehicle", err)
	}
	return t.nothingChanged(ctx, "retire a vehicle", vehicleExists, key)
}

// MergeVehicles makes the records of one vehicle another's, and its names
// aliases. What was said of it stays said of it; its standing warnings end. It
// returns ErrNotFound if one of them is not there, or was merged into another
// meanwhile.
func (t *Tx) MergeVehicles(ctx context.Context, goes, stays int64, now time.Time) error {
	type step struct {
		what, sql string
		args      []any
	}
	both, all := []any{t.organisation, goes, stays}, []any{t.organisation, goes, stays, now}
	// The states first, as the worker does, so that neither waits for the other.
	if _, err := t.tx.Exec(ctx, `SELECT vehicle_id FROM vehicle_states WHERE organisation_id = $1 AND vehicle_id IN ($2, $3) ORDER BY vehicle_id FOR UPDATE`, both...); err != nil {
		return fail("merge vehicles: lock what is remembered of them", err)
	}
	var there int
	if err := t.tx.QueryRow(ctx, `SELECT count(*) FROM (SELECT FROM vehicles WHERE organisation_id = $1 AND id IN ($2, $3) AND merged_into IS NULL
		ORDER BY id FOR NO KEY UPDATE) AS locked`, both...).Scan(&there); err != nil {
		return fail("merge vehicles: lock them", err)
	}
	if there != 2 {
		return fail("merge vehicles", ErrNotFound)
	}
	ended, err := t.endWarningsOf(ctx, goes, now, "the vehicle was merged into another")
	if err != nil {
		return err
	}
	for _, m := range []step{
		{"have the tracks computed anew", `INSERT INTO vehicle_states AS s (vehicle_id, organisation_id, replay_from, changed_at)
			SELECT v.id, $1, least(` + earliestEntry("$2") + `, $4), $4 FROM vehicles v WHERE v.id = $3
			ON CONFLICT (vehicle_id) DO UPDATE SET replay_from = least(s.replay_from, excluded.replay_from), changed_at = greatest(s.changed_at, excluded.changed_at)`, all},
		{"move readings", `UPDATE readings SET vehicle_id = $3 WHERE organisation_id = $1 AND vehicle_id = $2`, both},
		{"move repairs", `UPDATE repairs SET vehicle_id = $3 WHERE organisation_id = $1 AND vehicle_id = $2`, both},
		{"move codes", `UPDATE codes c SET vehicle_id = $3 WHERE organisation_id = $1 AND vehicle_id = $2
			AND NOT EXISTS (SELECT FROM codes o WHERE o.vehicle_id = $3 AND o.set_at = c.set_at AND o.code = c.code)`, both},
		{"move conflicts", `UPDATE reading_conflicts SET vehicle_id = $3 WHERE organisation_id = $1 AND vehicle_id = $2`, both},
		{"move names", `UPDATE vehicle_aliases SET vehicle_id = $3 WHERE organisation_id = $1 AND vehicle_id = $2`, both},
		{"keep the name", `INSERT INTO vehicle_aliases (organisation_id, alias, vehicle_id, created_at)
			SELECT organisation_id, name, $3, $4 FROM vehicles WHERE organisation_id = $1 AND id = $2 ON CONFLICT DO NOTHING`, all},
		{"forget the outlook", `DELETE FROM latest_outlooks WHERE organisation_id = $1 AND vehicle_id = $2`, both[:2]},
		{"forget the checkpoints", `DELETE FROM vehicle_checkpoints WHERE organisation_id = $1 AND vehicle_id = $2`, both[:2]},
		{"forget the state", `DELETE FROM vehicle_states WHERE organisation_id = $1 AND vehicle_id = $2`, both[:2]},
		{"mark it merged", `UPDATE vehicles SET merged_into = $3, retired_at = coalesce(retired_at, $4) WHERE organisation_id = $1 AND id = $2`, all},
	} {
		if _, err := t.tx.Exec(ctx, m.sql, m.args...); err != nil {
			return fail("merge vehicles: "+m.what, err)
		}
	}
	return recordWarningChanges(ctx, t.tx, ended, now)
}

// endWarningsOf ends a vehicle's standing warnings and returns the changes,
// which are to be recorded.
func (t *Tx) endWarningsOf(ctx context.Context, vehicle int64, now time.Time, reason string) ([]NewWarningChange, error) {
	rows, err := t.tx.Query(ctx, `UPDATE warnings SET ended_at = greatest($3, raised_at), end_reason = $4
		WHERE organisation_id = $1 AND vehicle_id = $2 AND ended_at IS NULL RETURNING id`, t.organisation, vehicle, now, reason)
	if err != nil {
		return nil, fail("end a vehicle's warnings", err)
	}
	changes, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (NewWarningChange, error) {
		c := NewWarningChange{Organisation: t.organisation, Event: WarningEnded, At: now}
		err := row.Scan(&c.Warning)
		return c, err
	})
	return changes, fail("end a vehicle's warnings", err)
}

// earliestEntry is SQL for the time of the first reading, repair or code of the
// vehicle that an expression names; NULL if it has none.
func earliestEntry(vehicle string) string {
	return `least((SELECT min(measured_at) FROM readings WHERE vehicle_id = ` + vehicle + `),
		(SELECT min(occurred_at) FROM repairs WHERE vehicle_id = ` + vehicle + `),
		(SELECT min(set_at) FROM codes WHERE vehicle_id = ` + vehicle + `))`
}

// replayFrom has a vehicle computed anew from a time on.
func (t *Tx) replayFrom(ctx context.Context, key int64, from, now time.Time) error {
	_, err := t.tx.Exec(ctx, `INSERT INTO vehicle_states AS s (vehicle_id, organisation_id, replay_from, changed_at) VALUES ($2, $1, $3, $4)
		ON CONFLICT (vehicle_id) DO UPDATE SET replay_from = least(s.replay_from, excluded.replay_from), changed_at = greatest(s.changed_at, excluded.changed_at)`,
		t.organisation, key, from, now)
	return fail("have a vehicle computed anew", err)
}
