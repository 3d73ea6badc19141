package report

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/filter"
	"creepage/internal/insulation"
	"creepage/internal/store"
)

// summaryReport is the fleet in one row a month, platform, component and shop.
func summaryReport() *report {
	return &report{
		Table: Table{Name: "fleet_summary", Title: "Fleet summary", Columns: []Column{
			{"month", Date, "", "First day of the UTC month."},
			{"platform", Text, "", "Platform."},
			{"component", Text, "", "The part; system is the whole vehicle; empty: vehicles of which no limiting component can be named."},
			{"shop", Text, "", "Of readings the shop that took them; of everything else the shop that measured the vehicle last, as of today."},
			{"vehicles", Integer, "", "Vehicles of which the part was measured in the month."},
			{"readings", Integer, "", "Readings of the part in the month, without void ones."},
			{"over_range_share", Number, "1", "Share of these that were over range."},
			{"parts", Integer, "", "Conductor groups of the part with an estimate at the end of the month."},
			{"change_decade_per_30d", Number, "decade/30 d", "Expected change of these, median; negative when falling."},
			{"change_decade_per_30d_low", Number, "decade/30 d", "Lower end of the interval that holds that median with at least 90 %, whatever the distribution; empty for fewer than five parts."},
			{"change_decade_per_30d_high", Number, "decade/30 d", "Its upper end."},
			{"vehicles_limited", Integer, "", "Vehicles whose limiting component it is at the end of the month. Every vehicle with an outlook is counted in one row of a month."},
			{"codes_30d", Number, "codes", "Isolation codes expected of these within 30 days: the sum of their probabilities."},
			{"codes_30d_p10", Number, "codes", "10 % quantile of that number, the vehicles taken as independent; the method's own error is not in it."},
			{"codes_30d_p90", Number, "codes", "90 % quantile."},
			{"codes_90d", Number, "codes", "The same within 90 days."},
			{"codes_90d_p10", Number, "codes", "10 % quantile."},
			{"codes_90d_p90", Number, "codes", "90 % quantile."},
			{"codes_365d", Number, "codes", "The same within 365 days."},
			{"codes_365d_p10", Number, "codes", "10 % quantile."},
			{"codes_365d_p90", Number, "codes", "90 % quantile."},
			{"warnings", Integer, "", "Warnings raised in the month."},
			{"warnings_with_code", Integer, "", "Of these, those that stood when an isolation code was set within 180 days."},
			{"lead_d_median", Number, "d", "Their median lead time."},
			{"repairs", Integer, "", "Repairs of the part in the month."},
		}},
		description: "How the fleet stands by month, platform, component and shop. What is expected is what was said last by the end of the month, or by the time asked for. Rows may be added up, but for vehicles, quantiles and medians.",
		fields:      store.ReportSummaryFields,
		rangeOf:     "month",
		rows:        summaryRows,
	}
}

// summed is what a row is made of.
type summed struct {
	vehicles, readings, overRange int64
	change                        []float64
	within30, within90, within365 []float64
	limited                       int64
	warnings, withCode, repairs   int64
	lead                          []float64
}

func summaryRows(ctx context.Context, _ *Service, tx *store.Tx, q *query, put func([]Value) error) error {
	months, err := tx.ReadingMonths(ctx)
	if err != nil {
		return err
	}
	for _, month := range months {
		if month.After(q.in.AsOf) || !within(month, q.in) {
			continue
		}
		groups, err := sumMonth(ctx, tx, store.ReportRange{AsOf: q.in.AsOf, Start: month, End: month.AddDate(0, 1, 0)})
		if err != nil {
			return err
		}
		if err := putMonth(month, groups, q.where, put); err != nil {
			return err
		}
	}
	return ctx.Err()
}

type groups map[store.SummaryKey]*summed

func (g groups) of(key store.SummaryKey) *summed {
	s, ok := g[key]
	if !ok {
		s = &summed{}
		g[key] = s
	}
	return s
}

func sumMonth(ctx context.Context, tx *store.Tx, in store.ReportRange) (groups, error) {
	g := groups{}
	err := tx.CountReadings(ctx, in, func(c store.CountedReadings) error {
		s := g.of(c.SummaryKey)
		s.vehicles, s.readings, s.overRange = c.Vehicles, c.Readings, c.OverRange
		return nil
	})
	if err != nil {
		return nil, err
	}
	end := in.End.Add(-time.Microsecond)
	if in.AsOf.Before(end) {
		end = in.AsOf
	}
	if err := tx.ReportOutlooks(ctx, nil, end, g.addOutlook); err != nil {
		return nil, err
	}
	err = tx.ReportWarnings(ctx, nil, in, codeWithin, func(w *store.ReportWarning) error {
		s := g.of(store.SummaryKey{Platform: w.Platform, Component: w.Component, Shop: w.LastShop})
		s.warnings++
		if lead := leadDays(w); lead >= 0 {
			s.withCode++
			s.lead = append(s.lead, lead)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return g, tx.CountRepairs(ctx, in, func(key store.SummaryKey, n int64) error {
		g.of(key).repairs = n
		return nil
	})
}

func (g groups) addOutlook(o *store.ReportOutlook) error {
	m, err := outlookOf(o.Details)
	if err != nil {
		return fmt.Errorf("outlook of %s: %w", o.Vehicle, err)
	}
	key := func(c creepagev1.Reading_Component) store.SummaryKey {
		return store.SummaryKey{Platform: o.Platform, Component: insulation.Component(c), Shop: o.LastShop}
	}
	s := g.of(key(m.GetLimitingComponent()))
	s.limited++
	s.within30 = append(s.within30, m.GetCodeProbability_30D())
	s.within90 = append(s.within90, m.GetCodeProbability_90D())
	if p := probabilityWithin(m, 365); p == p {
		s.within365 = append(s.within365, p)
	}
	for _, part := range m.GetParts() {
		if part.GetReadingCount() > 0 {
			s := g.of(key(part.GetComponent()))
			s.change = append(s.change, part.GetDecadesPer_30D())
		}
	}
	return nil
}

// putMonth hands the rows of a month over in the order of their keys.
func putMonth(month time.Time, g groups, where *filter.Expression, put func([]Value) error) error {
	keys := make([]store.SummaryKey, 0, len(g))
	for k := range g {
		if matches(where, map[string]string{"platform": k.Platform, "component": k.Component.String(), "shop": k.Shop}) {
			keys = append(keys, k)
		}
	}
	slices.SortFunc(keys, func(a, b store.SummaryKey) int {
		return cmp.Or(cmp.Compare(a.Platform, b.Platform), cmp.Compare(a.Component, b.Component), cmp.Compare(a.Shop, b.Shop))
	})
	cells := make([]Value, len(summaryReport().Columns))
	for _, k := range keys {
		s := g[k]
		share := math.NaN()
		if s.readings > 0 {
			share = float64(s.overRange) / float64(s.readings)
		}
		low, high := medianInterval(s.change)
		c := filler{cells: cells}
		c.time(month).text(k.Platform, k.Component.String(), k.Shop).integer(s.vehicles).integer(s.readings).number(share)
		c.integer(int64(len(s.change))).number(median(s.change), low, high).integer(s.limited)
		for _, p := range [][]float64{s.within30, s.within90, s.within365} {
			mean, low, high := expectedCount(p)
			c.number(mean, low, high)
		}
		c.integer(s.warnings).integer(s.withCode).number(median(s.lead)).integer(s.repairs)
		if err := put(cells); err != nil {
			return err
		}
	}
	return nil
}

// matches says whether a row meets a filter over words and names.
func matches(e *filter.Expression, row map[string]string) bool {
	if e == nil {
		return true
	}
	switch e.Op {
	case filter.And:
		return !slices.ContainsFunc(e.Kids, func(k *filter.Expression) bool { return !matches(k, row) })
	case filter.Or:
		return slices.ContainsFunc(e.Kids, func(k *filter.Expression) bool { return matches(k, row) })
	case filter.Not:
		return !matches(e.Kids[0], row)
	case filter.NotEqual:
		return row[e.Field] != e.Value
	}
	return row[e.Field] == e.Value
}
