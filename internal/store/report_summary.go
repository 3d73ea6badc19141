package store

import (
	"context"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/filter"
	"creepage/internal/insulation"
)

// SummaryKey is what the fleet summary has a row for, within a month.
type SummaryKey struct {
	Platform  string
	Component insulation.Component // 0: none can be named
	Shop      string
}

// ReportSummaryFields are the fields of the fleet summary.
func ReportSummaryFields() filter.Fields {
	return filter.Fields{
		{Name: "platform", Kind: filter.Name, Collection: "platforms"},
		{Name: "component", Kind: filter.Word, Words: filter.WordsOf(creepagev1.Reading_Component_name)},
		{Name: "shop", Kind: filter.Name, Collection: "shops"},
	}
}

// ReadingMonths lists the months of which there may be readings, oldest first.
func (t *Tx) ReadingMonths(ctx context.Context) ([]time.Time, error) { return t.readingMonths(ctx) }

// CountedReadings is how often a part was measured.
type CountedReadings struct {
	SummaryKey
	Vehicles, Readings, OverRange int64
}

// CountReadings counts the readings of a span that stood at the range's AsOf,
// by platform, component and shop.
func (t *Tx) CountReadings(ctx context.Context, in ReportRange, each func(CountedReadings) error) error {
	rows, err := t.tx.Query(ctx, `SELECT v.platform, r.component, r.shop, count(DISTINCT r.vehicle_id), count(*), count(*) FILTER (WHERE r.relation = $5)
		FROM readings r JOIN vehicles v ON v.id = r.vehicle_id
		WHERE r.organisation_id = $1 AND r.received_at <= $2 AND r.measured_at >= $3 AND r.measured_at < $4 AND (r.voided_at IS NULL OR r.voided_at > $2)
		GROUP BY 1, 2, 3`, t.organisation, in.AsOf, in.Start, in.End, int16(insulation.Above))
	if err != nil {
		return fail("count readings", err)
	}
	var c CountedReadings
	return forEach("count readings", rows, []any{&c.Platform, &c.Component, &c.Shop, &c.Vehicles, &c.Readings, &c.OverRange}, func() error { return each(c) })
}

// CountRepairs counts the repairs of a span that were recorded by the range's
// AsOf, by platform, component and the shop that measured the vehicle last.
func (t *Tx) CountRepairs(ctx context.Context, in ReportRange, each func(key SummaryKey, repairs int64) error) error {
	rows, err := t.tx.Query(ctx, `SELECT v.platform, r.component, coalesce(s.last_shop, ''), count(*)
		FROM repairs r JOIN vehicles v ON v.id = r.vehicle_id LEFT JOIN vehicle_states s ON s.vehicle_id = v.id
		WHERE r.organisation_id = $1 AND r.created_at <= $2 AND r.occurred_at >= $3 AND r.occurred_at < $4 GROUP BY 1, 2, 3`, t.organisation, in.AsOf, in.Start, in.End)
	if err != nil {
		return fail("count repairs", err)
	}
	var key SummaryKey
	var n int64
	return forEach("count repairs", rows, []any{&key.Platform, &key.Component, &key.Shop, &n}, func() error { return each(key, n) })
}
