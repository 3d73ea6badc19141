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
