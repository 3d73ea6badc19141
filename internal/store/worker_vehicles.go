package store

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"creepage/internal/insulation"
)

// VehicleName is what senders call a vehicle: its name or a former one.
type VehicleName struct {
	Organisation uuid.UUID
	Name         string
}

// Tracked is a vehicle as the worker knows it.
type Tracked struct {
	Key          int64
	Organisation uuid.UUID
	Name         string
	Platform     string
}

// EnsureVehicles finds the vehicles of the names, and registers those that are
// not there where the organisation has the platform stated for them. A name
// without a vehicle and without a known platform is not in the result.
func (w *WorkerTx) EnsureVehicles(ctx context.Context, platforms map[VehicleName]string, now time.Time) (map[VehicleName]Tracked, error) {
	names := slices.SortedFunc(maps.Keys(platforms), func(a, b VehicleName) int { // in one order, so that workers do not wait for each other in a circle
		return cmp.Or(slices.Compare(a.Organisation[:], b.Organisation[:]), cmp.Compare(a.Name, b.Name))
	})
	found := make(map[VehicleName]Tracked, len(names))
	if err := w.findVehicles(ctx, names, found); err != nil {
		return nil, err
	}
	var missing []VehicleName
	var of []string
	for _, n := range names {
		if _, ok := found[n]; !ok && platforms[n] != "" {
			missing, of = append(missing, n), append(of, platforms[n])
		}
	}
	if len(missing) == 0 {
		return found, nil
	}
	organisations, texts := split(missing)
	_, err := w.tx.Exec(ctx, `
WITH made AS (
    INSERT INTO vehicles (organisation_id, name, platform, created_at)
    SELECT n.organisation_id, n.name, n.platform, $4
    FROM unnest($1::uuid[], $2::text[], $3::text[]) AS n (organisation_id, name, platform)
    JOIN platforms p ON p.organisation_id = n.organisation_id AND p.id = n.platform
    ON CONFLICT DO NOTHING
    RETURNING id, organisation_id)
INSERT INTO vehicle_states (vehicle_id, organisation_id) SELECT id, organisation_id FROM made`, organisations, texts, of, now)
	if err != nil {
		return nil, fail("register vehicles", err)
	}
	return found, w.findVehicles(ctx, missing, found)
}

// findVehicles adds the vehicles of the names; a name counts before a former one.
func (w *WorkerTx) findVehicles(ctx context.Context, names []VehicleName, found map[VehicleName]Tracked) error {
	organisations, texts := split(names)
	rows, err := w.tx.Query(ctx, `
SELECT n.organisation_id, n.name, v.id, v.name, v.platform
FROM unnest($1::uuid[], $2::text[]) AS n (organisation_id, name)
JOIN vehicles v ON v.organisation_id = n.organisation_id AND v.name = n.name AND v.merged_into IS NULL
UNION ALL
SELECT n.organisation_id, n.name, v.id, v.name, v.platform
FROM unnest($1::uuid[], $2::text[]) AS n (organisation_id, name)
JOIN vehicle_aliases a ON a.organisation_id = n.organisation_id AND a.alias = n.name
JOIN vehicles v ON v.id = a.vehicle_id AND v.merged_into IS NULL
WHERE NOT EXISTS (SELECT FROM vehicles d WHERE d.organisation_id = n.organisation_id AND d.name = n.name AND d.merged_into IS NULL)`, organisations, texts)
	if err != nil {
		return fail("find vehicles", err)
	}
	var n VehicleName
	var v Tracked
	_, err = pgx.ForEachRow(rows, []any{&n.Organisation, &n.Name, &v.Key, &v.Name, &v.Platform}, func() error {
		v.Organisation = n.Organisation
		found[n] = v
		return nil
	})
	return fail("find vehicles", err)
}

func split(names []VehicleName) (organisations []uuid.UUID, texts []string) {
	for _, n := range names {
		organisations, texts = append(organisations, n.Organisation), append(texts, n.Name)
	}
	return organisations, texts
}

// Platforms returns the versions, oldest first, of every platform of the organisations.
func (w *WorkerTx) Platforms(ctx context.Context, organisations []uuid.UUID) (map[uuid.UUID]map[string][]insulation.Platform, error) {
	rows, err := w.tx.Query(ctx, `
SELECT organisation_id, platform, valid_from, title, max_working_volts, coalesce(code_ohms, 0), code_quantity, points
FROM platform_versions WHERE organisation_id = ANY ($1) ORDER BY organisation_id, platform, valid_from`, organisations)
	if err != nil {
		return nil, fail("list platforms", err)
	}
	found := map[uuid.UUID]map[string][]insulation.Platform{}
	for rows.Next() {
		var organisation uuid.UUID
		var p insulation.Platform
		var from pgtype.Timestamptz
		var points []byte
		if err := rows.Scan(&organisation, &p.ID, &from, &p.Title, &p.MaxWorkingVolts, &p.CodeOhms, &p.CodeQuantity, &points); err != nil {
			return nil, fail("list platforms", err)
		}
		if from.InfinityModifier == pgtype.Finite {
			p.ValidFrom = from.Time.UTC()
		}
		if err := json.Unmarshal(points, &p.Points); err != nil {
			return nil, fmt.Errorf("read the test points of platform %s: %w", p.ID, err)
		}
		if found[organisation] == nil {
			found[organisation] = map[string][]insulation.Platform{}
		}
		found[organisation][p.ID] = append(found[organisation][p.ID], p)
	}
	return found, fail("list platforms", rows.Err())
}
