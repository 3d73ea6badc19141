package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"creepage/internal/insulation"
)

// Repair is something done to a vehicle.
type Repair struct {
	ID         uuid.UUID
	Component  insulation.Component
	Kind       insulation.EventKind
	OccurredAt time.Time
	Note       string
	CreatedAt  time.Time
}

// NewRepair is a repair to be recorded.
type NewRepair struct {
	Event     insulation.Event
	Note      string
	RequestID string // empty: none
	At        time.Time
}

const repairColumns = `id, component, kind, occurred_at, note, created_at`

func scanRepair(row pgx.CollectableRow) (Repair, error) {
	var r Repair
	err := row.Scan(&r.ID, &r.Component, &r.Kind, &r.OccurredAt, &r.Note, &r.CreatedAt)
	r.OccurredAt, r.CreatedAt = r.OccurredAt.UTC(), r.CreatedAt.UTC()
	return r, err
}

// CreateRepair records a repair and has the vehicle computed anew from then on.
// The second result is false if it was recorded before: under the same request
// id, or the very same repair.
func (t *Tx) CreateRepair(ctx context.Context, vehicle int64, n NewRepair) (Repair, bool, error) {
	// Two senders of one repair come here one after the other, and the worker,
	// which takes this lock first too, waits for neither half-way.
	if _, err := t.tx.Exec(ctx, `SELECT vehicle_id FROM vehicle_states WHERE organisation_id = $1 AND vehicle_id = $2 FOR UPDATE`, t.organisation, vehicle); err != nil {
		return Repair{}, false, fail("record a repair", err)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+repairColumns+` FROM repairs WHERE organisation_id = $1
		AND (request_id = nullif($2, '') OR vehicle_id = $3 AND component = $4 AND kind = $5 AND occurred_at = $6) LIMIT 1`,
		t.organisation, n.RequestID, vehicle, int16(n.Event.Component), int16(n.Event.Kind), n.Event.OccurredAt)
	if err != nil {
		return Repair{}, false, fail("record a repair", err)
	}
	known, err := pgx.CollectRows(rows, scanRepair)
	if err != nil || len(known) > 0 {
		if len(known) > 0 {
			return known[0], false, nil
		}
		return Repair{}, false, fail("record a repair", err)
	}
	r := Repair{ID: uuid.Must(uuid.NewV7()), Component: n.Event.Component, Kind: n.Event.Kind, OccurredAt: n.Event.OccurredAt, Note: n.Note, CreatedAt: n.At}
	_, err = t.tx.Exec(ctx, `INSERT INTO repairs (id, organisation_id, vehicle_id, component, kind, occurred_at, note, request_id, created_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`, r.ID, t.organisation, vehicle, int16(r.Component), int16(r.Kind), r.OccurredAt, r.Note, n.RequestID, r.CreatedAt)
	if err != nil {
		return Repair{}, false, fail("record a repair", err)
	}
	return r, true, t.replayFrom(ctx, vehicle, r.OccurredAt, n.At)
}

// Repairs lists what was done to a vehicle, newest first.
func (t *Tx) Repairs(ctx context.Context, vehicle int64, last TimeCursor, limit int) ([]Repair, error) {
	args := arguments{t.organisation, vehicle, limit}
	condition := "true"
	if !last.first() {
		condition = after([]sortKey{{"occurred_at", true}, {"id", true}}, []any{last.At, last.ID}, &args)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+repairColumns+` FROM repairs WHERE organisation_id = $1 AND vehicle_id = $2 AND `+condition+
		` ORDER BY occurred_at DESC, id DESC LIMIT $3`, args...)
	if err != nil {
		return nil, fail("list repairs", err)
	}
	list, err := pgx.CollectRows(rows, scanRepair)
	return list, fail("list repairs", err)
}

// Codes lists trouble codes seen on a vehicle, newest first.
func (t *Tx) Codes(ctx context.Context, vehicle int64, last TimeCursor, limit int) ([]insulation.Code, error) {
	args := arguments{t.organisation, vehicle, limit}
	condition := "true"
	if !last.first() {
		condition = after([]sortKey{{"c.set_at", true}, {"c.code", true}}, []any{last.At, last.ID}, &args)
	}
	rows, err := t.tx.Query(ctx, `SELECT v.name, c.code, c.set_at FROM codes c JOIN vehicles v ON v.id = c.vehicle_id
		WHERE c.organisation_id = $1 AND c.vehicle_id = $2 AND `+condition+` ORDER BY c.set_at DESC, c.code DESC LIMIT $3`, args...)
	if err != nil {
		return nil, fail("list codes", err)
	}
	list, err := pgx.CollectRows(rows, scanCode)
	return list, fail("list codes", err)
}

func scanCode(row pgx.CollectableRow) (insulation.Code, error) {
	var c insulation.Code
	err := row.Scan(&c.Vehicle, &c.Code, &c.SetAt)
	c.SetAt = c.SetAt.UTC()
	return c, err
}

// codesKnown lists the codes of a vehicle that had been received at a time; all
// if that is zero.
func (t *Tx) codesKnown(ctx context.Context, vehicle int64, asOf time.Time) ([]insulation.Code, error) {
	rows, err := t.tx.Query(ctx, `SELECT v.name, c.code, c.set_at FROM codes c JOIN vehicles v ON v.id = c.vehicle_id
		WHERE c.organisation_id = $1 AND c.vehicle_id = $2 AND ($3::timestamptz IS NULL OR c.received_at <= $3)`, t.organisation, vehicle, orNull(asOf))
	if err != nil {
		return nil, fail("list codes", err)
	}
	list, err := pgx.CollectRows(rows, scanCode)
	return list, fail("list codes", err)
}
