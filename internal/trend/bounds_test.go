package trend

import (
	"fmt"
	"math"
	"testing"

	"creepage/internal/insulation"
)

// raws are chances before calibration.
type raws struct{ within30, within90 float64 }

func always(within30, within90 float64) (out [5]raws) {
	for i := range out {
		out[i] = raws{within30, within90}
	}
	return out
}

// called is a fleet of 200 vehicles of three years each. Of every 10th nothing is
// said before its code; of the first so many others a code is held to be likely for five forecasts, and none comes.
// Worked on: each of those has its motor exchanged 60 days later.
func called(calls int, likely [5]raws, workedOn bool) *Learner {
	l, p := NewLearner(Default()), harborVan()
	for i := range 200 {
		id := fmt.Sprintf("v-%d", i)
		l.Observe(id, p, []Entry{monitor(0, 3e6)})
		sound := i%10 != 0
		for d := 0; d <= 1092; d += forecastEvery {
			o := Outlook{Vehicle: id, EvaluatedAt: at(d), Raw30: 1e-4, Raw90: 1e-3, Watched: true}
			if sound && calls > 0 && d >= 420 && d <= 504 {
				raw := likely[(d-420)/forecastEvery]
				o.Raw30, o.Raw90 = raw.within30, raw.within90
			}
			l.Forecast(&o)
		}
		switch {
		case !sound:
			l.Observe(id, p, []Entry{{Code: &insulation.Code{Vehicle: id, Code: "P0AA6", SetAt: at(1094)}}})
		case calls > 0:
			calls--
			if workedOn {
				l.Observe(id, p, []Entry{{Event: &insulation.Event{Vehicle: id, Component: insulation.Motor, Kind: insulation.Replaced, OccurredAt: at(480)}}})
			}
		}
		l.Observe(id, p, []Entry{monitor(1095, 3e6)})
	}
	return l
}

// The bounds move by the false calls that the usual ones would have made. Worked by hand: of 53 forecasts
// of 21 days each the 44 whose 180 days are over are counted (those of a vehicle whose code came as well), 506 years;
// the default 15 calls in 500 years are shrunk towards. Of 120 calls that were acted upon, none seen to its end,
// a third are taken for false.
func TestBoundsFollowTheFalseCallsThatCameOfThem(t *testing.T) {
	for _, c := range []struct {
		calls    int
		workedOn bool
		false    float64
	}{{0, false, 0}, {0, true, 0}, {30, false, 30}, {120, false, 120}, {120, true, 40}} {
		l := called(c.calls, always(0.4, 0.6), c.workedOn)
		l.Leave(Calibrations) // which would state such chances lower by themselves
		got, report := l.Learn(at(1096))
		if report.FalseCalls != c.false {
			t.Errorf("%d calls, worked on %v: %g counted, want %g", c.calls, c.workedOn, report.FalseCalls, c.false)
		}
		if math.Abs(report.VehicleYears-200*44*21/365.25) > 1e-6 {
			t.Errorf("%g vehicle-years, want %g", report.VehicleYears, 200*44*21/365.25)
		}
		want := min(0.7*math.Log((c.false+15)/(report.VehicleYears/100+5)/3), 1)
		if math.Abs(got.BoundShift-want) > 1e-9 {
			t.Errorf("%d calls: moved by %g, want %g", c.calls, got.BoundShift, want)
		}
	}
}

// A code held to be sure within 90 days and far off within 30 is a call of the usual policy too.
func TestSureCodesAreCallsOfTheBounds(t *testing.T) {
	for within90, want := range map[float64]float64{0.98: 30, 0.5: 0} {
		l := called(30, always(1e-3, within90), false)
		l.Leave(Calibrations)
		if _, report := l.Learn(at(1096)); report.FalseCalls != want {
			t.Errorf("a raw chance of %g within 90 days: %g counted, want %g", within90, report.FalseCalls, want)
		}
	}
}

// A call is one until its chance has fallen below what ends a warning: a dip to between the bounds makes no second call.
func TestADipBetweenTheBoundsIsNoSecondCall(t *testing.T) {
	p := Default()
	b := p.bounds(&usualPolicy, true)
	for dip, want := range map[raws]float64{{.04, .1}: 30, {.001, .002}: 60} {
		near := p.keptWithin(&forecastSample{raw30: dip.within30, raw90: dip.within90, on: footing{watched: true}}, b.Days)
		if near >= b.Raise || (near >= b.End) != (want == 30) {
			t.Fatalf("%v is stated as %.4f, the bounds are %+v", dip, near, b)
		}
		likely := always(0.4, 0.6)
		likely[2] = dip
		l := called(30, likely, false)
		l.Leave(Calibrations)
		if _, report := l.Learn(at(1096)); report.FalseCalls != want {
			t.Errorf("dipping to %.4f: %g counted, want %g", near, report.FalseCalls, want)
		}
	}
}

// While hardly a code has been recorded nobody knows which calls were false.
func TestBoundsStayWhereCodesAreNotRecorded(t *testing.T) {
	l := called(120, always(0.4, 0.6), false)
	l.codes = leastCodes - 1
	if got, _ := l.Learn(at(1096)); got.BoundShift != 0 {
		t.Errorf("moved by %g", got.BoundShift)
	}
}

// The chance within other days than those kept goes on along their odds: worked by hand, odds of 1/9 within 30 days and 1 within 90
// grow with the power 2 of the days (3^2 = 9), so that 60 days have 4/9, 15 days 1/36.
func TestTheChanceWithinOtherDaysFollowsTheOdds(t *testing.T) {
	p := Default()
	raw := func(chance float64, days float64, watched bool) float64 { // which is stated as that chance
		lo, hi := -20.0, 20.0
		for range 100 {
			if mid := (lo + hi) / 2; p.calibrated(logistic(mid), days, footing{watched: watched}) < chance {
				lo = mid
			} else {
				hi = mid
			}
		}
		return logistic((lo + hi) / 2)
	}
	for _, watched := range []bool{true, false} {
		f := forecastSample{on: footing{watched: watched}, raw30: raw(0.1, 30, watched), raw90: raw(0.5, 90, watched)}
		for days, odds := range map[float64]float64{30: 1. / 9, 90: 1, 60: 4. / 9, 15: 1. / 36} {
			if got, want := p.keptWithin(&f, days), odds/(1+odds); math.Abs(got/want-1) > 1e-9 {
				t.Errorf("monitor %v, %g days: %.6f, want %.6f", watched, days, got, want)
			}
		}
	}
}

// What the bounds are moved by holds for the rule, for the word that stands beside it, and for what a warning's end says.
func TestMovedBoundsAreAskedForAndNamed(t *testing.T) {
	p := Default()
	p.BoundShift = math.Log(2)
	m := mustModel(t, p)
	policy := DefaultPolicy()
	// Odds 35/965 doubled are 70/965, 0.06763; of 0.3 times that it ends.
	b := p.bounds(&policy, false)
	if math.Abs(b.Raise-70.0/1035) > 1e-12 || math.Abs(b.End-0.3*70/1035) > 1e-12 || b.Days != 30 {
		t.Errorf("bounds %+v", b)
	}
	due := Outlook{Curve: []CurvePoint{{30, 0.05}}, EvaluatedAt: at(1)}
	for shift, want := range map[float64]State{0: Due, math.Log(2): Unknown} {
		q := Default()
		q.BoundShift = shift
		f := mustModel(t, q).forecastAt(seenOnce(t), harborVan(), at(1), allHorizons())
		if got := f.state(&due); got != want {
			t.Errorf("with the odds %.1f times as high a chance of 0.05 is %s, want %s", math.Exp(shift), got, want)
		}
		f.done()
	}
	var rs RuleState
	var changes []Change
	for d, chance := range []float64{.06, .06, .06, .06, .07, .07, .07, .07} {
		rs, changes = m.Fold(rs, dueBy(d, chance), policy)
		if (len(changes) == 1) != (d == 7) {
			t.Errorf("day %d: %d changes", d, len(changes))
		}
	}
	for d := 8; d < 24; d++ {
		if rs, changes = m.Fold(rs, dueBy(d, .015), policy); len(changes) > 0 {
			break
		}
	}
	if len(changes) != 1 || changes[0].Reason != "the chance within 30 days has been below 2 %, and that within 90 days below 80 %, for 14 days" {
		t.Errorf("ended with %+v", changes)
	}
}

// seenOnce is a vehicle of which one part was measured once.
func seenOnce(t *testing.T) *Vehicle {
	t.Helper()
	v := NewVehicle("x")
	add(t, model(t), v, harborVan(), tester(0, insulation.Motor, insulation.PhaseU, 3e9))
	return v
}

// A step of the bounds alone leaves tracks as they are, and is said.
func TestBoundsMoveInSteps(t *testing.T) {
	base := Default()
	next := base
	next.Version, next.BoundShift = "next", 0.1
	if _, step := next.After(&base); step != NoStep {
		t.Errorf("a shift of 0.1 is a step: %v", step)
	}
	next.BoundShift = 0.4
	if got, step := next.After(&base); step != ForecastStep || got.BoundShift != 0.4 {
		t.Errorf("step %v, shift %g", step, got.BoundShift)
	}
	r := Report{FalseCalls: 70, VehicleYears: 1200}
	want := "The usual bounds would have made 70 false calls in 1200 vehicle-years: a higher chance is asked of a warning, 1.5 times the odds."
	if said := r.Words(&next); len(said) != 1 || said[0] != want {
		t.Errorf("said %q", said)
	}
}

// Codes of one vehicle in ten come evenly over 90 days. If half of the vehicles have something
// done to them on the 25th, whatever becomes of them, a forecast is stated as without that.
func TestWorkTeachesNothingOfForecasts(t *testing.T) {
	stated := map[bool]float64{}
	for _, work := range []bool{false, true} {
		l, p := NewLearner(Default()), harborVan()
		for i := range 4000 {
			id := fmt.Sprintf("v-%d", i)
			l.Observe(id, p, []Entry{monitor(0, 3e6)})
			l.Forecast(&Outlook{Vehicle: id, EvaluatedAt: at(1), Raw30: 0.07, Raw90: 0.2, Watched: true})
			if work && i%20 < 10 {
				l.Observe(id, p, []Entry{{Event: &insulation.Event{Vehicle: id, Component: insulation.Motor, Kind: insulation.Cleaned, OccurredAt: at(25)}}})
			}
			if i%10 == 0 {
				l.Observe(id, p, []Entry{{Code: &insulation.Code{Vehicle: id, Code: "P0AA6", SetAt: at(2 + i*89/4000)}}})
			}
			l.Observe(id, p, []Entry{monitor(200, 3e6)})
		}
		got, _ := l.Learn(at(300))
		stated[work] = got.calibrated(0.2, 90, footing{watched: true})
	}
	if math.Abs(stated[false]-0.1) > 0.015 || math.Abs(stated[true]-stated[false]) > 0.01 {
		t.Errorf("0.2 is stated as %.4f without work, %.4f with it; want near 0.1", stated[false], stated[true])
	}
}

// A warning that is acted upon at once does not teach that it was wrong.
func TestForecastsThatWereActedUponTeachLittle(t *testing.T) {
	l, p := NewLearner(Default()), harborVan()
	for i := range 200 {
		id := fmt.Sprintf("v-%d", i)
		l.Observe(id, p, []Entry{monitor(0, 3e6)})
		l.Forecast(&Outlook{Vehicle: id, EvaluatedAt: at(1), Raw30: 0.25, Raw90: 0.5, Watched: true})
		l.Observe(id, p, []Entry{{Event: &insulation.Event{Vehicle: id, Component: insulation.Motor, Kind: insulation.Replaced, OccurredAt: at(1 + i%3)}}, monitor(200, 3e6)})
	}
	l.codes = leastCodes
	base := Default()
	got, _ := l.Learn(at(300))
	if was, is := base.calibrated(0.5, 90, footing{watched: true}), got.calibrated(0.5, 90, footing{watched: true}); math.Abs(is-was) > 0.1 {
		t.Errorf("0.5 is stated as %.3f, before as %.3f", is, was)
	}
}
