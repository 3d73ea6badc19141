package insulation

import (
	"cmp"
	"fmt"
	"slices"
)

// TestPlan is what to measure on a vehicle of a platform, in order.
type TestPlan struct {
	Platform string
	Title    string
	Cautions []string
	Before   []string
	Points   []PlannedTest
	After    []string
}

// PlannedTest is one test point of a plan.
type PlannedTest struct {
	Order       int // from 1
	Component   Component
	Conductor   Conductor
	Reference   Reference
	TestVolts   float64 // V
	HoldSeconds float64
	LeastOhms   float64 // NaN where the platform states none
	Disconnect  string  // what to disconnect first
	Remark      string  // "" where there is none
}

// Plan orders a platform's test points: to chassis first, then to shield; each
// component's conductors together. The whole vehicle comes first, before
// anything is disconnected. A point without a test voltage gets 500 V up to
// 500 V working voltage and 1000 V above (common practice, no source).
func Plan(p *Platform) TestPlan {
	plan := TestPlan{Platform: p.ID, Title: p.Title, Cautions: Cautions(), Before: PrecautionsBefore(p.MaxWorkingVolts), After: PrecautionsAfter(StandardHoldSeconds)}
	points := slices.Clone(p.Points)
	slices.SortStableFunc(points, func(a, b Point) int {
		return cmp.Or(cmp.Compare(a.Reference, b.Reference), cmp.Compare(planRank(a.Component), planRank(b.Component)), cmp.Compare(a.Conductor, b.Conductor))
	})
	for i, q := range points {
		t := PlannedTest{Order: i + 1, Component: q.Component, Conductor: q.Conductor, Reference: q.Reference,
			TestVolts: q.TestVolts, HoldSeconds: StandardHoldSeconds, LeastOhms: q.LimitOhms, Disconnect: disconnect(q)}
		if !(t.TestVolts > 0) {
			t.TestVolts = defaultTestVolts(p.MaxWorkingVolts)
		}
		t.Remark = planRemark(q, t.TestVolts, p.MaxWorkingVolts)
		plan.Points = append(plan.Points, t)
	}
	return plan
}

func planRank(c Component) int {
	if c == System {
		return 0
	}
	return int(c)
}

func defaultTestVolts(workingVolts float64) float64 {
	if workingVolts > 500 {
		return 1000
	}
	return 500
}

func disconnect(q Point) string {
	switch {
	case q.Component == System:
		return "the traction battery at its service disconnect; leave the rest connected and tie both poles together"
	case q.Component == Battery:
		return "both pole cables from the battery; the battery stays a source whatever is disconnected"
	case q.Component == Cable:
		return "the cable at both ends"
	case q.Conductor == PhaseU || q.Conductor == PhaseV || q.Conductor == PhaseW:
		return fmt.Sprintf("the %s's three phase leads from what feeds them; the winding ties the phases together", q.Component)
	}
	return fmt.Sprintf("the %s's high-voltage plugs", q.Component)
}

func planRemark(q Point, volts, workingVolts float64) string {
	switch {
	case q.Component == Battery:
		return "a battery cannot be made dead: only by the maker's procedure, which may forbid an insulation tester here"
	case workingVolts > 0 && volts < workingVolts/2:
		return fmt.Sprintf("%s V is less than half the working voltage of %s V (UN R100)", number(volts), number(workingVolts))
	case workingVolts > 0 && volts < workingVolts:
		return fmt.Sprintf("%s V is less than the maximum working voltage of %s V (ISO 6469-3)", number(volts), number(workingVolts))
	case q.Component == Inverter || q.Component == Converter || q.Component == Charger || q.Component == Compressor:
		return "contains electronics: only where the maker allows an insulation tester"
	case q.Component == Motor || q.Component == Generator:
		return "negative lead on the winding (IEEE 43)"
	}
	return ""
}
