package report

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/store"
)

// outlooksReport is what is expected of every vehicle, or was at a time.
func outlooksReport() *report {
	return &report{
		Table: Table{Name: "outlooks", Title: "Outlooks", Columns: []Column{
			{"vehicle", Text, "", "Vehicle."},
			{"platform", Text, "", "Its platform."},
			{"evaluated_at", Time, "", "When this was said, UTC."},
			{"state", Text, "", "steady, falling (declines, not due), due (a crossing may come within the lead time: its chance has passed a bound of the usual policy, or a warning of its code stands and is not about to end), under (below the code limit now), unknown (too little to say, or the last look at a part lies below its limit and is doubted)."},
			{"code_probability_30d", Number, "1", "Probability that the isolation code sets within 30 days."},
			{"code_probability_90d", Number, "1", "The same within 90 days."},
			{"code_probability_365d", Number, "1", "The same within 365 days."},
			{"days_to_code_p10", Number, "d", "Days before which at most one in ten of the codes come that come within two years; empty: less than a tenth come."},
			{"days_to_code_p50", Number, "d", "Days until the code has set with probability 0.5; empty: beyond two years."},
			{"days_to_code_p90", Number, "d", "The same with probability 0.9."},
			{"limiting_component", Text, "", "The component that takes most of what the code limit leaves; empty: none can be named."},
			{"reason", Text, "", "Why, in one sentence."},
			{"measure_again_by", Date, "", "The day by which to measure again; empty: no measurement is pressing within two years."},
			{"measure_next_component", Text, "", "The part whose measurement would tell most."},
			{"measure_next_group", Text, "", "Its conductor group."},
			{"missing", Text, "", "What has never been measured, separated by semicolons."},
			{"code_set_at", Time, "", "When an isolation code was set that nothing had been done about, UTC."},
			{"last_shop", Text, "", "Shop that measured the vehicle last, as of today."},
			{"last_measured_at", Time, "", "When the vehicle was last measured, UTC; empty where it has been measured since the time asked for."},
			{"backfilled", Flag, "", "True: found later in old records; nobody was told at the time."},
			{"parameter_version", Text, "", "Version of the method's parameters."},
		}},
		description: "What was said last of every vehicle up to the time asked for: what was believed then, not what is known now. Most urgent first. A forecast from records, never a statement that a vehicle is safe.",
		fields:      store.OutlookFields,
		rows:        outlookRows,
	}
}

func outlookRows(ctx context.Context, _ *Service, tx *store.Tx, q *query, put func([]Value) error) error {
	cells := make([]Value, len(outlooksReport().Columns))
	return tx.ReportOutlooks(ctx, q.where, q.in.AsOf, func(o *store.ReportOutlook) error {
		m, err := outlookOf(o.Details)
		if err != nil {
			return fmt.Errorf("outlook of %s: %w", o.Vehicle, err)
		}
		c := filler{cells: cells}
		c.text(o.Vehicle, o.Platform).time(o.EvaluatedAt).text(strings.ToLower(m.GetState().String()))
		c.number(m.GetCodeProbability_30D(), m.GetCodeProbability_90D(), probabilityWithin(m, 365))
		c.number(orAbsent(m.DaysToCodeP10), orAbsent(m.DaysToCodeP50), orAbsent(m.DaysToCodeP90))
		c.text(componentWord(m.GetLimitingComponent()), m.GetReason()).time(dayOf(m.GetMeasureAgainBy()))
		c.text(componentWord(m.GetMeasureNext().GetComponent()), m.GetMeasureNext().GetGroup(), strings.Join(m.GetMissing(), "; "))
		codeSet := time.Time{}
		if m.GetCodeSetTime() != nil {
			codeSet = m.GetCodeSetTime().AsTime()
		}
		c.time(codeSet).text(o.LastShop).time(o.LastMeasuredAt).flag(o.Backfilled).text(m.GetParameterVersion())
		return put(cells)
	})
}

// outlookOf reads an outlook as it is kept, the very message that the API's
// lists are made of.
func outlookOf(details []byte) (*creepagev1.Outlook, error) {
	m := &creepagev1.Outlook{}
	return m, protojson.UnmarshalOptions{DiscardUnknown: true}.Unmarshal(details, m)
}

// probabilityWithin reads the curve at a number of days; NaN if it has no such point.
func probabilityWithin(m *creepagev1.Outlook, days float64) float64 {
	for _, p := range m.GetCurve() {
		if p.GetDays() == days {
			return p.GetProbability()
		}
	}
	return math.NaN()
}

func orAbsent(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

// orNaN is a number of which 0 means that there is none.
func orNaN(v float64) float64 {
	if v == 0 {
		return math.NaN()
	}
	return v
}

func componentWord(c creepagev1.Reading_Component) string {
	if c == 0 {
		return ""
	}
	return strings.ToLower(c.String())
}

// dayOf reads a day as the contract carries it; the zero time for none.
func dayOf(text string) time.Time {
	day, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return time.Time{}
	}
	return day
}
