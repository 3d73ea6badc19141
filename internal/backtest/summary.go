package backtest

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"creepage/internal/insulation"
)

// The window in which a warning helps: early enough to plan a bay, late enough
// to be believed (common practice, no source).
const (
	soonest = 7 * 24 * time.Hour
	latest  = 180 * 24 * time.Hour
)

// Summary is a backtest in a few numbers.
type Summary struct {
	Vehicles, Rows, Rejects int
	VehicleYears            float64
	Outlooks                int
	Warnings                map[string]int // by kind

	Codes     int // isolation codes in the records
	InTime    int // of these, warned of by code_due or under_code_limit 7 to 180 days ahead, and not ended again before
	Other     int // warned of at another time before
	LeadDays  []float64
	FalseCall int // code_due warnings that ended, or began more than 180 days before the records' end, without a code within 180 days
}

func summarise(records *Records, r *Result) Summary {
	s := Summary{Vehicles: len(records.vehicles), Rows: records.Rows, Rejects: len(records.Rejects), Outlooks: len(r.Outlooks), Warnings: map[string]int{}}
	codes := map[string][]time.Time{}
	for _, h := range records.vehicles {
		s.VehicleYears += h.lastRow.Sub(h.entries[0].at).Hours() / (24 * 365.25)
		for _, e := range h.entries {
			if e.Code == nil {
				continue
			}
			if code, err := insulation.ParseTroubleCode(e.Code.Code); err == nil && code.IsolationFault() {
				codes[h.id] = append(codes[h.id], e.Code.SetAt)
			}
		}
	}
	for _, w := range r.Warnings {
		s.Warnings[w.Kind]++
		if w.Kind == "code_due" && !followed(codes[w.Vehicle], w.RaisedAt) && (!w.EndedAt.IsZero() || records.last.Sub(w.RaisedAt) > latest) {
			s.FalseCall++
		}
	}
	for vehicle, set := range codes {
		for _, at := range set {
			s.judge(r, vehicle, at)
		}
	}
	return s
}

func followed(codes []time.Time, raised time.Time) bool {
	for _, at := range codes {
		if !at.Before(raised) && at.Sub(raised) <= latest {
			return true
		}
	}
	return false
}

// judge counts one code by the best warning before it.
func (s *Summary) judge(r *Result, vehicle string, code time.Time) {
	s.Codes++
	lead, other := time.Duration(0), false
	for _, w := range r.Warnings {
		if w.Vehicle != vehicle || w.Kind != "code_due" && w.Kind != "under_code_limit" || !w.RaisedAt.Before(code) {
			continue
		}
		ahead := code.Sub(w.RaisedAt)
		stands := w.EndedAt.IsZero() || !w.EndedAt.Before(code)
		if stands && ahead >= soonest && ahead <= latest {
			lead = max(lead, ahead)
		} else {
			other = true
		}
	}
	switch {
	case lead > 0:
		s.InTime++
		s.LeadDays = append(s.LeadDays, lead.Hours()/24)
	case other:
		s.Other++
	}
}

func median(x []float64) float64 {
	x = slices.Sorted(slices.Values(x))
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}

// String is the summary for a person.
func (s Summary) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d vehicles, %.1f vehicle-years, %d rows of which %d set aside\n", s.Vehicles, s.VehicleYears, s.Rows, s.Rejects)
	fmt.Fprintf(&b, "%d outlooks\n", s.Outlooks)
	for _, kind := range []string{"code_due", "under_code_limit", "under_service_limit", "sudden_drop"} {
		fmt.Fprintf(&b, "%d warnings %s\n", s.Warnings[kind], kind)
	}
	fmt.Fprintf(&b, "%d isolation codes: %d warned of 7 to 180 days ahead", s.Codes, s.InTime)
	if len(s.LeadDays) > 0 {
		fmt.Fprintf(&b, " (median %.0f days)", median(s.LeadDays))
	}
	fmt.Fprintf(&b, ", %d at another time before, %d not at all\n", s.Other, s.Codes-s.InTime-s.Other)
	if s.VehicleYears > 0 {
		fmt.Fprintf(&b, "%d false calls of code_due, %.1f per 100 vehicle-years\n", s.FalseCall, 100*float64(s.FalseCall)/s.VehicleYears)
	}
	return b.String()
}
