package report

import (
	"cmp"
	"context"
	"fmt"
	"maps"
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
		}, Sums: []Sums{
			{Title: "Readings by month", By: "month", Of: []string{"readings"}},
			{Title: "Codes expected at the end of each month", By: "month", Of: []string{"codes_30d", "codes_90d", "codes_365d"}, Line: true},
			{Title: "Warnings and repairs by month", By: "month", Of: []string{"warnings", "warnings_with_code", "repairs"}},
		}},
		description: "How the fleet stands by month, platform, component and shop. What is expected is what was said last by the end of the month, or by the time asked for. Rows may be added up, but for vehicles, quantiles and medians.",
		fields:      store.ReportSummaryFields,
		rangeOf:     "month",
		rows:        summaryRows,
		pages:       summaryPages,
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
	states                        map[creepagev1.Outlook_State]int64
}

func summaryRows(ctx context.Context, _ *Service, tx *store.Tx, q *query, put func([]Value) error) error {
	months, err := summaryMonths(ctx, tx, q.in)
	if err != nil {
		return err
	}
	said := saidBefore{}
	for _, month := range months {
		g := newGroups(q.where, said, store.ByAll)
		if err := g.add(ctx, tx, store.ReportRange{AsOf: q.in.AsOf, Start: month, End: month.AddDate(0, 1, 0)}); err != nil {
			return err
		}
		if err := putMonth(month, g, put); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// summaryMonths are the months that the summary has rows of, oldest first.
func summaryMonths(ctx context.Context, tx *store.Tx, in store.ReportRange) ([]time.Time, error) {
	months, err := tx.ReadingMonths(ctx)
	return slices.DeleteFunc(months, func(month time.Time) bool { return month.After(in.AsOf) || !within(month, in) }), err
}

// groups collects what rows are made of, along some cuts.
type groups struct {
	where *filter.Expression
	said  saidBefore
	cuts  []store.SummaryCut
	by    map[store.SummaryKey]*summed
}

func newGroups(where *filter.Expression, said saidBefore, cuts ...store.SummaryCut) *groups {
	return &groups{where, said, cuts, map[store.SummaryKey]*summed{}}
}

// saidBefore is what was read last of each vehicle's outlooks. Most vehicles' are
// the same at the end of one month and the next, and reading one is the dearest
// part of a summary.
type saidBefore map[string]*said

// said is what a summary takes of an outlook.
type said struct {
	at                            time.Time
	state                         creepagev1.Outlook_State
	limiting                      creepagev1.Reading_Component
	within30, within90, within365 float64
	change                        []partChange
}

type partChange struct {
	component creepagev1.Reading_Component
	decades   float64 // in 30 days
}

func (b saidBefore) of(o *store.ReportOutlook) (*said, error) {
	if s := b[o.Vehicle]; s != nil && s.at.Equal(o.EvaluatedAt) {
		return s, nil
	}
	m, err := outlookOf(o.Details)
	if err != nil {
		return nil, fmt.Errorf("outlook of %s: %w", o.Vehicle, err)
	}
	s := &said{at: o.EvaluatedAt, state: m.GetState(), limiting: m.GetLimitingComponent(), within30: m.GetCodeProbability_30D(), within90: m.GetCodeProbability_90D(), within365: probabilityWithin(m, 365)}
	for _, part := range m.GetParts() {
		if part.GetReadingCount() > 0 {
			s.change = append(s.change, partChange{part.GetComponent(), part.GetDecadesPer_30D()})
		}
	}
	b[o.Vehicle] = s
	return s, nil
}

func (g *groups) of(key store.SummaryKey) *summed {
	s, ok := g.by[key]
	if !ok {
		s = &summed{states: map[creepagev1.Outlook_State]int64{}}
		g.by[key] = s
	}
	return s
}

// each hands over what the cuts have of a key, if the filter lets it pass.
func (g *groups) each(key store.SummaryKey, f func(*summed)) {
	if !matches(g.where, map[string]string{"platform": key.Platform, "component": key.Component.String(), "shop": key.Shop}) {
		return
	}
	for _, cut := range g.cuts {
		f(g.of(key.In(cut)))
	}
}

// add takes in a span of time, and what was said last by its end.
func (g *groups) add(ctx context.Context, tx *store.Tx, in store.ReportRange) error {
	err := tx.CountReadings(ctx, g.where, in, g.cuts, func(c store.CountedReadings) error {
		s := g.of(c.SummaryKey)
		s.vehicles, s.readings, s.overRange = c.Vehicles, c.Readings, c.OverRange
		return nil
	})
	if err != nil {
		return err
	}
	if err := tx.ReportOutlooks(ctx, nil, endOf(in), g.addOutlook); err != nil {
		return err
	}
	err = tx.ReportWarnings(ctx, nil, in, codeWithin, func(w *store.ReportWarning) error {
		lead := leadDays(w)
		g.each(store.SummaryKey{Platform: w.Platform, Component: w.Component, Shop: w.LastShop}, func(s *summed) {
			s.warnings++
			if lead >= 0 {
				s.withCode++
				s.lead = append(s.lead, lead)
			}
		})
		return nil
	})
	if err != nil {
		return err
	}
	return tx.CountRepairs(ctx, in, func(key store.SummaryKey, n int64) error {
		g.each(key, func(s *summed) { s.repairs += n })
		return nil
	})
}

// endOf is the last moment of a span that had come by its AsOf.
func endOf(in store.ReportRange) time.Time {
	end := in.End.Add(-time.Microsecond)
	if in.AsOf.Before(end) {
		end = in.AsOf
	}
	return end
}

func (g *groups) addOutlook(o *store.ReportOutlook) error {
	m, err := g.said.of(o)
	if err != nil {
		return err
	}
	key := func(c creepagev1.Reading_Component) store.SummaryKey {
		return store.SummaryKey{Platform: o.Platform, Component: insulation.Component(c), Shop: o.LastShop}
	}
	g.each(key(m.limiting), func(s *summed) {
		s.limited++
		s.states[m.state]++
		s.within30 = append(s.within30, m.within30)
		s.within90 = append(s.within90, m.within90)
		if m.within365 == m.within365 {
			s.within365 = append(s.within365, m.within365)
		}
	})
	for _, part := range m.change {
		g.each(key(part.component), func(s *summed) { s.change = append(s.change, part.decades) })
	}
	return nil
}

// share is how much of the readings was over range; NaN without readings.
func (s *summed) share() float64 {
	if s.readings == 0 {
		return math.NaN()
	}
	return float64(s.overRange) / float64(s.readings)
}

// putMonth hands the rows of a month over in the order of their keys.
func putMonth(month time.Time, g *groups, put func([]Value) error) error {
	keys := slices.SortedFunc(maps.Keys(g.by), func(a, b store.SummaryKey) int {
		return cmp.Or(cmp.Compare(a.Platform, b.Platform), cmp.Compare(a.Component, b.Component), cmp.Compare(a.Shop, b.Shop))
	})
	cells := make([]Value, len(summaryReport().Columns))
	for _, k := range keys {
		s := g.by[k]
		low, high := medianInterval(s.change)
		c := filler{cells: cells}
		c.time(month).text(k.Platform, k.Component.String(), k.Shop).integer(s.vehicles).integer(s.readings).number(s.share())
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
