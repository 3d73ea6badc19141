package trend

import (
	"math"
	"math/rand/v2"
	"sort"
	"testing"
)

func TestOfTheCodesThatComeAtMostOneInTenComesBeforeTheFirstDayAndAtLeastEightWithinTheInterval(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	for _, c := range []struct {
		name  string
		curve func(days float64) float64
	}{
		{"nearly sure", func(d float64) float64 { return 0.97 * (1 - math.Exp(-d/60)) }},
		{"more likely than not", func(d float64) float64 { return 0.7 * (1 - math.Exp(-d/150)) }},
		{"two in five, late", func(d float64) float64 { return 0.4 / (1 + math.Exp(-(d-300)/60)) }},
		{"one in eight", func(d float64) float64 { return 0.125 * min(d/500, 1) }},
	} {
		var curve []CurvePoint
		for _, h := range horizons[1:] {
			curve = append(curve, CurvePoint{h, c.curve(h)})
		}
		p10, p50, p90 := codeDays(curve)
		// Days drawn from the curve, by its inverse; those beyond its end never come.
		var days []float64
		for range 20000 {
			if d := passing(curve, rng.Float64()); !math.IsNaN(d) {
				days = append(days, d)
			}
		}
		sort.Float64s(days)
		n := float64(len(days))
		before := float64(sort.SearchFloat64s(days, p10)) / n
		within := 1 - before
		if !math.IsNaN(p90) {
			within = float64(sort.SearchFloat64s(days, p90))/n - before
		}
		// Codes that hasten come before those of the curve, of which fewer than one in ten then do.
		if tolerance := 4 * math.Sqrt(0.09/n); before > 0.1+tolerance || before < 0.05 || within < 0.8-tolerance {
			t.Errorf("%s: %.3f of the codes come before day %.0f, %.3f within the interval", c.name, before, p10, within)
		}
		if !math.IsNaN(p50) && !(p10 < p50) || !math.IsNaN(p90) && !(p50 < p90) {
			t.Errorf("%s: days %.0f, %.0f, %.0f are not in order", c.name, p10, p50, p90)
		}
	}
	if p10, p50, p90 := codeDays([]CurvePoint{{365, 0.05}, {730, 0.09}}); !math.IsNaN(p10) || !math.IsNaN(p50) || !math.IsNaN(p90) {
		t.Errorf("a code of which less than a tenth come within two years has days %g, %g, %g", p10, p50, p90)
	}
}

// Of forecasts whose codes came just as often as another calibration states them, many teach
// that calibration; few hardly move what is stated of vehicles of which nothing was seen.
func TestACalibrationIsLearnedAndTheUnseenLast(t *testing.T) {
	before := Default().CalibrationTesters
	truth := Calibration{Unseen: before.Unseen - 0.7, Seen: before.Seen + 0.6, Scale: 0.9, Horizon: 0.4, Dropped: -1.2}
	of := truth.numbers()
	taught := func(weight float64) Calibration {
		var rows []due
		for x := -8.0; x < 4; x += 0.25 {
			for i, h := range []float64{30, 90, 30, 90} {
				at := basis(x, h, float64(i/2))
				q := 0.0
				for j := range at {
					q += at[j] * of[j]
				}
				q = logistic(q + below(x))
				n := weight * math.Exp(-0.5*(x+6)) // hardly anything is seen of most
				rows = append(rows, due{at, below(x), n * q, true}, due{at, below(x), n * (1 - q), false})
			}
		}
		return fitCalibration(rows, before)
	}
	many := taught(1e6)
	for i, got := range many.numbers() {
		if math.Abs(got-of[i]) > 0.01 {
			t.Errorf("number %d is %.3f after many forecasts, want %.3f", i, got, of[i])
		}
	}
	few := taught(1)
	if went := (before.Unseen - few.Unseen) / 0.7; went < 0 || went > 0.25 {
		t.Errorf("of the unseen %.2f of the way was gone after few forecasts", went)
	}
	if went := (few.Seen - before.Seen) / 0.6; went < 0.1 {
		t.Errorf("of the seen only %.2f of the way was gone after few forecasts", went)
	}
	if got := fitCalibration(nil, before); got != before {
		t.Errorf("nothing taught %+v", got)
	}
}

// What is stated rises with the raw chance and runs through the two points that name it.
func TestStatedChancesRunThroughTheirPoints(t *testing.T) {
	p := Default()
	for _, watched := range []bool{true, false} {
		c := p.CalibrationTesters
		if watched {
			c = p.Calibration
		}
		if a, b := logit(p.calibrated(logistic(unseenOdds), 90, footing{watched: watched})), logit(p.calibrated(logistic(seenOdds), 90, footing{watched: watched})); math.Abs(a-c.Unseen) > 1e-9 || math.Abs(b-c.Seen) > 1e-9 {
			t.Errorf("watched %v: stated at %.3f and %.3f, want %.3f and %.3f", watched, a, b, c.Unseen, c.Seen)
		}
		last := 0.0
		for x := -9.0; x < 5; x += 0.1 {
			got := p.calibrated(logistic(x), 90, footing{watched: watched})
			if got < last {
				t.Fatalf("watched %v: sinks to %g at raw log-odds %.1f", watched, got, x)
			}
			last = got
		}
	}
}
