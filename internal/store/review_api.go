package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"creepage/internal/insulation"
	"creepage/internal/review"
)

// tested are an organisation's readings by insulation tester since a time that stand.
const tested = ` FROM readings r WHERE r.organisation_id = $1 AND r.measured_at >= $2 AND r.method = 1 AND r.voided_at IS NULL`

// ShopReview counts how a shop measures.
type ShopReview struct {
	Shop                                                              string
	Readings, WithoutTemperature, ShortHold, HoldNotStated, OverRange int64
	Vehicles                                                          int32
	LastMeasuredAt                                                    time.Time
}

// ReviewShops counts each shop's readings by insulation tester since a time.
func (t *Tx) ReviewShops(ctx context.Context, since time.Time) ([]ShopReview, error) {
	rows, err := t.tx.Query(ctx, `SELECT r.shop, count(*), count(*) FILTER (WHERE r.air_celsius IS NULL AND r.part_celsius IS NULL),
		count(*) FILTER (WHERE r.hold_seconds < $3), count(*) FILTER (WHERE r.hold_seconds IS NULL), count(*) FILTER (WHERE r.relation = $4),
		count(DISTINCT r.vehicle_id)::int, max(r.measured_at)`+tested+` AND r.shop <> '' GROUP BY r.shop ORDER BY r.shop`,
		t.organisation, since, insulation.StandardHoldSeconds, int16(insulation.Above))
	if err != nil {
		return nil, fail("review shops", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[ShopReview])
	return list, fail("review shops", err)
}

// MeterReview counts what a meter was used for.
type MeterReview struct {
	Meter               string
	Readings, OverRange int64
	LastMeasuredAt      time.Time
}

// ReviewMeters counts each meter's readings since a time.
func (t *Tx) ReviewMeters(ctx context.Context, since time.Time) ([]MeterReview, error) {
	rows, err := t.tx.Query(ctx, `SELECT r.meter, count(*), count(*) FILTER (WHERE r.relation = $3), max(r.measured_at)`+tested+` AND r.meter <> ''
		GROUP BY r.meter ORDER BY r.meter`, t.organisation, since, int16(insulation.Above))
	if err != nil {
		return nil, fail("review meters", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[MeterReview])
	return list, fail("review meters", err)
}

// SharedLooks returns, since a time, each meter's mean level at the test points
// that more than one meter looked at, ordered by vehicle and point. Values over
// or under range are no levels.
func (t *Tx) SharedLooks(ctx context.Context, since time.Time) ([]review.Look, error) {
	rows, err := t.tx.Query(ctx, `WITH used AS (
			SELECT r.vehicle_id, r.component * 100 + r.conductor * 10 + r.reference AS point, r.meter, avg(log(r.ohms)) AS level`+tested+`
				AND r.meter <> '' AND r.relation = $3 AND r.ohms > 0 GROUP BY 1, 2, 3),
		counted AS (SELECT *, count(*) OVER (PARTITION BY vehicle_id, point) AS meters FROM used)
		SELECT vehicle_id, point::bigint, meter, level FROM counted WHERE meters > 1 ORDER BY 1, 2, 3`, t.organisation, since, int16(insulation.Equal))
	if err != nil {
		return nil, fail("compare meters", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[review.Look])
	return list, fail("compare meters", err)
}

// ComponentAging counts how a component of a platform has aged.
type ComponentAging struct {
	Platform       string
	Component      insulation.Component
	Vehicles, Aged int
	Declining      review.Mean // decades per 30 days, one value a vehicle
}

// likely is the probability from which a part counts as declining or dropped.
const likely = 0.5

// ReviewAging counts, by the latest outlooks and the repairs since a time, on
// how many vehicles of each platform each component aged. A decline begins with a
// day, so one that began since then began on the next whole day at the earliest.
func (t *Tx) ReviewAging(ctx context.Context, since time.Time) ([]ComponentAging, error) {
	from := since.UTC().Add(24*time.Hour - 1).Truncate(24 * time.Hour)
	rows, err := t.tx.Query(ctx, `WITH repaired AS (SELECT DISTINCT vehicle_id, component FROM repairs WHERE organisation_id = $1 AND occurred_at >= $2 AND kind IN (1, 2)),
		each AS (
			SELECT v.platform, o.aging[i][1]::smallint AS component, o.vehicle_id,
				bool_or(o.aging[i][2] >= $3 OR o.aging[i][3] >= $3 AND o.aging[i][4] >= $4) AS turned, min(o.aging[i][5]) FILTER (WHERE o.aging[i][3] >= $3) AS decades
			FROM latest_outlooks o JOIN vehicles v ON v.id = o.vehicle_id CROSS JOIN LATERAL generate_subscripts(o.aging, 1) AS i
			WHERE o.organisation_id = $1 AND v.retired_at IS NULL AND v.merged_into IS NULL
			GROUP BY 1, 2, 3)
		SELECT e.platform, e.component, count(*)::int, count(*) FILTER (WHERE e.turned OR r.vehicle_id IS NOT NULL)::int,
			count(e.decades)::int, coalesce(avg(e.decades), 0), coalesce(stddev_samp(e.decades), 0)
		FROM each e LEFT JOIN repaired r ON r.vehicle_id = e.vehicle_id AND r.component = e.component
		GROUP BY 1, 2 ORDER BY 1, 2`, t.organisation, since, likely, float64(from.Year()*10_000+int(from.Month())*100+from.Day()))
	if err != nil {
		return nil, fail("review aging", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (ComponentAging, error) {
		var c ComponentAging
		err := row.Scan(&c.Platform, &c.Component, &c.Vehicles, &c.Aged, &c.Declining.N, &c.Declining.Mean, &c.Declining.SD)
		return c, err
	})
	return list, fail("review aging", err)
}
