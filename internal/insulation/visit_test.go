package insulation_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"creepage/internal/insulation"
	"github.com/google/go-cmp/cmp"
)

func phase(w insulation.Conductor, relation insulation.Relation, ohms float64) insulation.Reading {
	r := goodReading()
	r.Conductor, r.Relation, r.Ohms, r.RangeOhms = w, relation, ohms, nan
	return r
}

func visit(t *testing.T, readings ...insulation.Reading) *insulation.VisitAssessment {
	t.Helper()
	a, err := insulation.AssessVisit(readings, van(), now, insulation.ReferenceCelsius)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func again(a *insulation.VisitAssessment) []string {
	var out []string
	for _, m := range a.Again {
		out = append(out, fmt.Sprintf("%s %s %s", m.Component, m.Conductor, m.Code))
	}
	return out
}

func TestPhasesOfAWindingArePooledAsLooksAtOneInsulation(t *testing.T) {
	a := visit(t, phase(insulation.PhaseU, insulation.Equal, 4e8), phase(insulation.PhaseV, insulation.Equal, 1e8), phase(insulation.PhaseW, insulation.Equal, 2e8))
	if len(a.Groups) != 1 || a.Groups[0].Name != "motor winding" || a.Groups[0].Verdict != insulation.Met {
		t.Fatalf("%+v", a.Groups)
	}
	near(t, "geometric mean", a.Groups[0].Ohms, 2e8, 1)
	over := visit(t, phase(insulation.PhaseU, insulation.Above, 5.5e8), phase(insulation.PhaseV, insulation.Above, 2e9))
	if g := over.Groups[0]; g.Relation != insulation.Above || g.Ohms != 2e9 || g.Verdict != insulation.Met {
		t.Errorf("over range: %+v", g)
	}
}

// A winding joins its phases, so one that stands apart hints at contact or probe; from
// this alone nobody can rule out a fault.
func TestOnePhaseFarFromTheOthersMayBeAContactProblem(t *testing.T) {
	a := visit(t, phase(insulation.PhaseU, insulation.Above, 5.5e8), phase(insulation.PhaseV, insulation.Equal, 2e7), phase(insulation.PhaseW, insulation.Equal, 5.2e8))
	if len(a.Contradictions) != 1 || a.Contradictions[0].Readings[0] != 1 || !strings.Contains(a.Contradictions[0].Text, "may be a contact or probe problem; no fault is ruled out") {
		t.Fatalf("%+v", a.Contradictions)
	}
	if got := again(a); !slices.Contains(got, "motor phase_v contradiction") {
		t.Errorf("again %v", got)
	}
	// Over-range bounds of different ranges agree.
	if b := visit(t, phase(insulation.PhaseU, insulation.Above, 5e7), phase(insulation.PhaseV, insulation.Above, 2e9), phase(insulation.PhaseW, insulation.Equal, 1.5e9)); len(b.Contradictions) != 0 {
		t.Errorf("%+v", b.Contradictions)
	}
}

func TestTheWholeCannotBeBetterThanAPart(t *testing.T) {
	whole := monitorReading()
	whole.Ohms = 4e6
	whole.Defaults()
	part := phase(insulation.PhaseU, insulation.Equal, 3e5)
	if a := visit(t, part, whole); len(a.Contradictions) != 1 || !strings.Contains(a.Contradictions[0].Text, "cannot be better") {
		t.Errorf("%+v", a.Contradictions)
	}
	part.Ohms = 4e8
	if a := visit(t, part, whole); len(a.Contradictions) != 0 {
		t.Errorf("%+v", a.Contradictions)
	}
}

// From 40 to 20 C: 4 by halving, 2.5 by NETA solid, 1.312 by the thermoset law.
func TestVisitCorrectsWithTheLawsSpread(t *testing.T) {
	r := phase(insulation.PhaseU, insulation.Equal, 5e7)
	r.AirCelsius, r.PartCelsius = 30, 40
	a := visit(t, r)
	near(t, "least", a.Items[0].Corrected.Low, 5e7/.7622, 1e4)
	near(t, "middle", a.Items[0].Corrected.Mid, 1.25e8, 1)
	near(t, "greatest", a.Items[0].Corrected.High, 2e8, 1)
	if a.Items[0].ServiceLimit != insulation.NotMet || a.Items[0].AtReference != insulation.CannotTell {
		t.Errorf("as read %v, at 20 C %v", a.Items[0].ServiceLimit, a.Items[0].AtReference)
	}
	r.AirCelsius, r.PartCelsius = nan, nan
	if b := visit(t, r); !math.IsNaN(b.Items[0].Corrected.Mid) || b.Items[0].Uncorrected == "" {
		t.Errorf("no temperature: %+v", b.Items[0])
	}
	r.AirCelsius, r.HumidityPct, r.PartCelsius = 25, 80, 15
	if b := visit(t, r); !strings.Contains(b.Items[0].Uncorrected, "dew point") {
		t.Errorf("below the dew point: %+v", b.Items[0])
	}
}

func TestVisitSaysWhatToMeasureAgain(t *testing.T) {
	short := phase(insulation.PhaseW, insulation.Equal, 8e7)
	short.HoldSeconds = 15
	a := visit(t, phase(insulation.PhaseU, insulation.Above, 5e7), phase(insulation.PhaseV, insulation.Equal, 9e7), short)
	want := []string{"motor phase_u cannot_tell", "motor phase_v confirm", "motor phase_w hold_short", "battery all not_measured", "cable hv_plus not_measured"}
	if diff := cmp.Diff(want, again(a)); diff != "" {
		t.Error(diff)
	}
}

func TestVisitNamesBadInput(t *testing.T) {
	if _, err := insulation.AssessVisit(nil, nil, now, 20); err == nil || !strings.Contains(err.Error(), "readings") {
		t.Errorf("no readings: %v", err)
	}
	if _, err := insulation.AssessVisit([]insulation.Reading{goodReading()}, nil, now, 300); err == nil || !strings.Contains(err.Error(), "reference_celsius 300") {
		t.Errorf("300 C: %v", err)
	}
}

func TestPlanOrdersThePointsAndCarriesTheCautions(t *testing.T) {
	p := van()
	p.Points = append(p.Points, insulation.Point{Component: insulation.System, Conductor: insulation.AllConductors, Reference: insulation.Chassis, LimitOhms: 2e6})
	plan := insulation.Plan(p)
	var order []string
	for _, q := range plan.Points {
		order = append(order, fmt.Sprintf("%d %s %s %s", q.Order, q.Component, q.Conductor, q.Reference))
		if q.TestVolts != 500 || q.HoldSeconds != 60 || !(q.LeastOhms > 0) || q.Disconnect == "" {
			t.Errorf("%+v", q)
		}
	}
	want := []string{"1 system all chassis", "2 battery all chassis", "3 motor phase_u chassis", "4 motor phase_v chassis", "5 motor phase_w chassis", "6 cable hv_plus shield"}
	if diff := cmp.Diff(want, order); diff != "" {
		t.Error(diff)
	}
	p.MaxWorkingVolts = 800
	if q := insulation.Plan(p).Points[0]; q.TestVolts != 1000 {
		t.Errorf("800 V system without a stated test voltage: %v V", q.TestVolts)
	}
	all := strings.Join(slices.Concat(plan.Cautions, plan.Before, plan.After), "\n")
	for _, words := range []string{"qualified", "maker's procedure", "local codes", "lock", "Wait", "known live source", "Prove zero volts", "class 0 gloves", "six months", "air", "eye protection", "Discharge", "240 s", "does not declare the vehicle safe"} {
		if !strings.Contains(all, words) {
			t.Errorf("the plan does not say %q", words)
		}
	}
}

// UN R100 para 5.1.3 and ISO 6469-4 5.2.3: 500 ohm per volt, the higher of the
// two limits; it is a single-pole leakage of 2 mA at any voltage, 100 ohm per
// volt one of 10 mA.
func TestPublishedLimitsPerVolt(t *testing.T) {
	for volts, want := range map[float64]float64{360: 180e3, 400: 200e3, 650: 325e3, 800: 400e3} {
		p := insulation.Platform{MaxWorkingVolts: volts}
		near(t, "500 ohm/V", p.CodeLimit(), want, 0)
		near(t, "leakage", volts/p.CodeLimit(), 2e-3, 1e-15)
		near(t, "100 ohm/V", insulation.LowOhmsPerVolt*volts, want/5, 0)
		near(t, "leakage", volts/(insulation.LowOhmsPerVolt*volts), 10e-3, 1e-15)
	}
}

// 29 CFR 1910.137 and IEC 60903: class 0 up to 1500 V DC, tested every six
// months and with air before each day's use. 29 CFR 1910.333(b)(2)(iv): the
// tester is proven on a live source before and after. IEEE 43: less than 20 V
// left before a test, four times the test's time of discharge after it.
func TestPublishedPrecautionsStandInTheirOrder(t *testing.T) {
	before := strings.Join(insulation.PrecautionsBefore(800), "\n")
	last := -1
	for _, words := range []string{"class 0 gloves (up to 1500 V DC)", "within the last six months", "with air today", "lock it out", "Wait for the capacitors", "Prove the voltage tester on a known live source", "Prove zero volts", "below 20 V", "Prove the voltage tester on the known live source again"} {
		at := strings.Index(before, words)
		if at <= last {
			t.Errorf("%q stands at %d, after what should follow it, or nowhere", words, at)
		}
		last = at
	}
	if high := strings.Join(insulation.PrecautionsBefore(1600), "\n"); !strings.Contains(high, "beyond class 0 gloves") {
		t.Error("1600 V is beyond class 0 gloves, and the precautions do not say so")
	}
	if after := strings.Join(insulation.PrecautionsAfter(60), "\n"); !strings.Contains(after, "240 s") {
		t.Errorf("after 60 s: %s", after)
	}
}
