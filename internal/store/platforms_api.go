package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"creepage/internal/insulation"
)

// PlatformVersions returns every version of every platform of the
// organisation, by platform and oldest first.
func (t *Tx) PlatformVersions(ctx context.Context) ([]insulation.Platform, error) {
	rows, err := t.tx.Query(ctx, `SELECT platform, valid_from, title, max_working_volts, code_ohms, code_quantity, points
		FROM platform_versions WHERE organisation_id = $1 ORDER BY platform, valid_from`, t.organisation)
	if err != nil {
		return nil, fail("list platforms", err)
	}
	versions, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (insulation.Platform, error) {
		var (
			p      insulation.Platform
			from   pgtype.Timestamptz
			code   *float64
			points []byte
		)
		if err := row.Scan(&p.ID, &from, &p.Title, &p.MaxWorkingVolts, &code, &p.CodeQuantity, &points); err != nil {
			return p, err
		}
		if from.InfinityModifier == pgtype.Finite {
			p.ValidFrom = from.Time.UTC()
		}
		if code != nil {
			p.CodeOhms = *code
		}
		if err := json.Unmarshal(points, &p.Points); err != nil {
			return p, fmt.Errorf("read the test points of platform %s: %w", p.ID, err)
		}
		return p, nil
	})
	return versions, fail("list platforms", err)
}

// UpsertPlatform states the platform's limits from ValidFrom on, replacing what
// was stated from the same time. The platform's vehicles are computed anew.
func (t *Tx) UpsertPlatform(ctx context.Context, p *insulation.Platform, now time.Time) error {
	points := p.Points
	if points == nil {
		points = []insulation.Point{}
	}
	text, err := json.Marshal(points)
	if err != nil {
		return fmt.Errorf("write the test points of platform %s: %w", p.ID, err)
	}
	from := pgtype.Timestamptz{Time: p.ValidFrom, Valid: true}
	if p.ValidFrom.IsZero() {
		from = pgtype.Timestamptz{InfinityModifier: pgtype.NegativeInfinity, Valid: true}
	}
	var code *float64
	if p.CodeOhms > 0 {
		code = &p.CodeOhms
	}
	if _, err := t.tx.Exec(ctx, `INSERT INTO platforms (organisation_id, id) VALUES ($1, $2) ON CONFLICT DO NOTHING`, t.organisation, p.ID); err != nil {
		return fail("state platform "+p.ID, err)
	}
	tag, err := t.tx.Exec(ctx, `INSERT INTO platform_versions AS v (organisation_id, platform, valid_from, title, max_working_volts, code_ohms, code_quantity, points)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
		ON CONFLICT (organisation_id, platform, valid_from) DO UPDATE
		SET title = excluded.title, max_working_volts = excluded.max_working_volts, code_ohms = excluded.code_ohms,
		    code_quantity = excluded.code_quantity, points = excluded.points
		WHERE (v.title, v.max_working_volts, v.code_ohms, v.code_quantity, v.points)
		      IS DISTINCT FROM (excluded.title, excluded.max_working_volts, excluded.code_ohms, excluded.code_quantity, excluded.points)`,
		t.organisation, p.ID, from, p.Title, p.MaxWorkingVolts, code, int16(p.CodeQuantityOrDefault()), text)
	if err != nil || tag.RowsAffected() == 0 {
		return fail("state platform "+p.ID, err)
	}
	// In the worker's order, so that neither waits for the other.
	if _, err = t.tx.Exec(ctx, `SELECT s.vehicle_id FROM vehicle_states s JOIN vehicles v ON v.id = s.vehicle_id
		WHERE v.organisation_id = $1 AND v.platform = $2 ORDER BY s.vehicle_id FOR UPDATE OF s`, t.organisation, p.ID); err != nil {
		return fail("lock the vehicles of platform "+p.ID, err)
	}
	_, err = t.tx.Exec(ctx, `UPDATE vehicle_states s
		SET replay_from = least(s.replay_from, `+earliestEntry("v.id")+`, $3),
		    changed_at = greatest(s.changed_at, $3)
		FROM vehicles v WHERE v.id = s.vehicle_id AND v.organisation_id = $1 AND v.platform = $2`, t.organisation, p.ID, now)
	return fail("have vehicles of platform "+p.ID+" computed anew", err)
}
