package store

import (
	"context"
	"strconv"
	"strings"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/filter"
	"creepage/internal/insulation"
)

// SummaryCut says by what the fleet summary is parted.
type SummaryCut uint8

// Cuts.
const (
	ByAll SummaryCut = iota // by platform, component and shop
	ByPlatform
	ByComponent
	ByShop
	Total
)

// groupedBy says which of platform, component and shop each cut keeps.
var groupedBy = [...][3]bool{ByAll: {true, true, true}, ByPlatform: {true, false, false}, ByComponent: {false, true, false}, ByShop: {false, false, true}, Total: {}}

// grouping is the SQL of cuts over counted readings: the sets of GROUP BY, what
// tells which set a row is of (a bit for each of the three columns that it is
// not grouped by), and the columns themselves. Only a column of some set may be
// named.
func grouping(cuts []SummaryCut) (sets, bits string, columns [3]string) {
	names, empty := [3]string{"v.platform", "r.component", "r.shop"}, [3]string{"''", "0::int2", "''"}
	var list []string
	used := [3]bool{}
	for _, cut := range cuts {
		var kept []string
		for i, keep := range groupedBy[cut] {
			if keep {
				kept, used[i] = append(kept, names[i]), true
			}
		}
		list = append(list, "("+strings.Join(kept, ", ")+")")
	}
	terms := []string{"0"}
	for i := range names {
		columns[i] = empty[i]
		if !used[i] {
			terms = append(terms, strconv.Itoa(1<<i))
			continue
		}
		columns[i] = "coalesce(" + names[i] + ", " + empty[i] + ")"
		terms = append(terms, "GROUPING("+names[i]+") * "+strconv.Itoa(1<<i))
	}
	return strings.Join(list, ", "), strings.Join(terms, " + "), columns
}

// cutOf is the cut of a row with these bits.
func cutOf(bits int) SummaryCut {
	for cut, kept := range groupedBy {
		if kept == [3]bool{bits&1 == 0, bits&2 == 0, bits&4 == 0} {
			return SummaryCut(cut)
		}
	}
	return Total
}

// SummaryKey is what the fleet summary has a row for, within a span of time.
type SummaryKey struct {
	Cut       SummaryCut
	Platform  string
	Component insulation.Component // 0: none can be named
	Shop      string
}

// In is the row of a cut that a row by all belongs to.
func (k SummaryKey) In(cut SummaryCut) SummaryKey {
	switch cut {
	case ByPlatform:
		return SummaryKey{Cut: cut, Platform: k.Platform}
	case ByComponent:
		return SummaryKey{Cut: cut, Component: k.Component}
	case ByShop:
		return SummaryKey{Cut: cut, Shop: k.Shop}
	case Total:
		return SummaryKey{Cut: cut}
	}
	return k
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

// summaryColumns are the fields of a filter over counted readings.
func summaryColumns() columns {
	return columns{"platform": {sql: "v.platform"}, "component": readingListColumns()["component"], "shop": {sql: "r.shop"}}
}

// CountReadings counts the readings of a span that stood at the range's AsOf,
// along the cuts.
func (t *Tx) CountReadings(ctx context.Context, where *filter.Expression, in ReportRange, cuts []SummaryCut, each func(CountedReadings) error) error {
	args := arguments{t.organisation, in.AsOf, in.Start, in.End, int16(insulation.Above)}
	condition, err := summaryColumns().where(where, &args)
	if err != nil {
		return err
	}
	sets, bits, names := grouping(cuts)
	rows, err := t.tx.Query(ctx, `SELECT `+bits+`, `+strings.Join(names[:], ", ")+`, count(DISTINCT r.vehicle_id), count(*), count(*) FILTER (WHERE r.relation = $5)
		FROM readings r JOIN vehicles v ON v.id = r.vehicle_id
		WHERE r.organisation_id = $1 AND r.received_at <= $2 AND r.measured_at >= $3 AND r.measured_at < $4 AND (r.voided_at IS NULL OR r.voided_at > $2) AND `+condition+`
		GROUP BY GROUPING SETS (`+sets+`)`, args...)
	if err != nil {
		return fail("count readings", err)
	}
	var c CountedReadings
	var missing int
	return forEach("count readings", rows, []any{&missing, &c.Platform, &c.Component, &c.Shop, &c.Vehicles, &c.Readings, &c.OverRange}, func() error {
		c.Cut = cutOf(missing)
		return each(c)
	})
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
