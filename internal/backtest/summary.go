package backtest

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"creepage/internal/record"
)

// Summary is a backtest in numbers. Where the records hold code dates it is
// judged by Judge, as simulated fleets are.
type Summary struct {
	Vehicles     int            `json:"vehicles"`
	Rows         int            `json:"rows"`
	Rejects      int            `json:"rows_set_aside"`
	VehicleYears Number         `json:"vehicle_years"`
	First        time.Time      `json:"first_row_at"`
	Last         time.Time      `json:"last_row_at"`
	Outlooks     int            `json:"outlooks"`
	Warnings     map[string]int `json:"warnings"` // by kind
	Judgement    *Judgement     `json:"judgement,omitempty"`
	LeadDays     Number         `json:"median_lead_days"` // of the codes warned of in time
	Rivals       []RivalResult  `json:"simpler_methods,omitempty"`
}

// Number is a number that JSON writes as null where there is none.
type Number float64

// MarshalJSON writes what is not a number, or not finite, as null.
func (n Number) MarshalJSON() ([]byte, error) {
	if x := float64(n); !math.IsNaN(x) && !math.IsInf(x, 0) {
		return json.Marshal(x)
	}
	return []byte("null"), nil
}

func summarise(records *Records, truth []record.Truth, r *Result) Summary {
	s := Summary{Vehicles: len(records.vehicles), Rows: records.Rows, Rejects: len(records.Rejects), First: records.first, Last: records.last,
		Outlooks: len(r.Outlooks), Warnings: map[string]int{}, LeadDays: Number(math.NaN())}
	for i := range truth {
		s.VehicleYears += Number(truth[i].LastAt.Sub(truth[i].FirstAt).Hours() / (24 * 365.25))
	}
	for _, w := range r.Warnings {
		s.Warnings[w.Kind]++
	}
	if !records.Codes || len(truth) == 0 {
		return s
	}
	j := Judge(truth, r.Outlooks, r.Warnings)
	s.Judgement = &j
	var leads []float64
	for _, c := range j.Fates {
		if c.Fate == fateWords[inTime] {
			leads = append(leads, float64(c.LeadDays))
		}
	}
	if len(leads) > 0 {
		s.LeadDays = Number(median(leads))
	}
	return s
}

func median(x []float64) float64 {
	x = slices.Sorted(slices.Values(x))
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}

// fates counts the codes by what became of them.
func (j *Judgement) fates() (n [numFates]int) {
	for _, c := range j.Fates {
		n[slices.Index(fateWords[:], c.Fate)]++
	}
	return n
}

// String is the summary for a person.
func (s Summary) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d vehicles, %.1f vehicle-years, %d rows of which %d set aside\n", s.Vehicles, float64(s.VehicleYears), s.Rows, s.Rejects)
	fmt.Fprintf(&b, "%d outlooks\n", s.Outlooks)
	for _, kind := range warningKinds {
		fmt.Fprintf(&b, "%d warnings %s\n", s.Warnings[kind], kind)
	}
	j := s.Judgement
	if j == nil {
		b.WriteString("no isolation codes: without code dates (--codes) nothing can be scored\n")
		return b.String()
	}
	n := j.fates()
	fmt.Fprintf(&b, "%d isolation codes: %d warned of 7 to 180 days ahead", j.Codes, n[inTime])
	if n[inTime] > 0 {
		fmt.Fprintf(&b, " (median %.0f days)", float64(s.LeadDays))
	}
	fmt.Fprintf(&b, ", %d earlier, %d later, %d not at all\n", n[tooEarly], n[late], n[missed])
	fmt.Fprintf(&b, "%d false calls, %.1f per 100 vehicle-years\n", j.FalseEpisodes, j.falseRate())
	return b.String()
}

var warningKinds = [...]string{"code_due", "under_code_limit", "under_service_limit", "sudden_drop"}

// writeJSON writes all numbers.
func (s Summary) writeJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(s)
}
