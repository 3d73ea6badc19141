package trend

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"creepage/internal/insulation"
)

// Benjamini and Hochberg (1995), Journal of the Royal Statistical Society B 57,
// section 4.1: fifteen p-values of a trial of two treatments of infarction, of
// which their procedure rejects the first four at 0.05, Bonferroni's the first
// three (values from memory).
func TestPublishedBenjaminiAndHochbergsExample(t *testing.T) {
	var found []ComponentFinding
	for _, p := range []float64{0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.000} {
		found = append(found, ComponentFinding{Q: p})
	}
	rejected := 0
	for _, f := range adjust(found) {
		if f.Q <= 0.05 {
			rejected++
		}
	}
	if rejected != 4 {
		t.Errorf("%d rejected; want 4", rejected)
	}
}

// ageing is what a learner finds in a fleet of six platforms with five
// components each, whose parts have left their steady state with the given
// chance, and three times it in those named fast.
func ageing(rng *rand.Rand, vehicles int, chance float64, fast map[string]bool) []ComponentFinding {
	l := NewLearner(Default())
	components := []insulation.Component{insulation.Battery, insulation.Cable, insulation.Inverter, insulation.Motor, insulation.Compressor}
	for i := range 6 {
		p := harborVan()
		p.ID = fmt.Sprintf("platform-%d", i)
		for j := range vehicles {
			id := fmt.Sprintf("%s-%d", p.ID, j)
			l.Observe(id, p, []Entry{monitor(0, 3e6), monitor(900, 3e6)})
			o := Outlook{Vehicle: id, EvaluatedAt: at(900)}
			for _, c := range components {
				part := Part{Group: GroupKey{c, Phases}, Readings: 5, Steady: 1}
				rate := chance
				if fast[OnsetKey(p.ID, c)] {
					rate *= 3
				}
				if rng.Float64() < rate {
					part.Steady, part.Declining = 0.05, 0.95
				}
				o.Parts = append(o.Parts, part)
			}
			l.Forecast(&o)
		}
	}
	_, report := l.Learn(at(901))
	return report.Components
}

// Of what is reported as ageing faster than its peers, no more than one in
// twenty is false on average (Benjamini and Hochberg 1995), whether no part
// really does or two do; and those that do are mostly found.
func TestFalseDiscoveriesAreControlled(t *testing.T) {
	rng := rand.New(rand.NewPCG(95, 57))
	const fleets = 150
	for _, fast := range []map[string]bool{{}, {OnsetKey("platform-2", insulation.Compressor): true, OnsetKey("platform-4", insulation.Motor): true}} {
		var sum, squares, found float64
		for range fleets {
			wrong, right := 0.0, 0.0
			for _, f := range ageing(rng, 100, 0.06, fast) {
				if fast[OnsetKey(f.Platform, f.Component)] {
					right++
				} else {
					wrong++
				}
			}
			share := wrong / max(wrong+right, 1)
			sum += share / fleets
			squares += share * share / fleets
			found += right / fleets
		}
		se := math.Sqrt(max(squares-sum*sum, 0) / fleets)
		t.Logf("%d fast: false share %.3f ± %.3f, found %.2f", len(fast), sum, se, found)
		if sum > discoveryRate+3*se {
			t.Errorf("%d parts age fast: of those reported %.3f ± %.3f are false; want no more than %g", len(fast), sum, se, discoveryRate)
		}
		if found < 0.6*float64(len(fast)) {
			t.Errorf("%.2f of %d parts that age fast are found", found, len(fast))
		}
	}
}

// A meter known to read 0.15 decades low is allowed for: its readings lead to the
// same outlook as those of a meter that reads right.
func TestAMeterKnownToReadLowIsAllowedFor(t *testing.T) {
	ps := Default()
	ps.MeterOffsets = map[string]float64{"m-3": -0.15}
	m, err := NewModel(ps)
	if err != nil {
		t.Fatal(err)
	}
	p := harborVan()
	outlook := func(meter string, off float64) Outlook {
		v := NewVehicle("van")
		for d := 0; d <= 240; d += 40 {
			for _, pt := range p.Points {
				e := tester(d, pt.Component, pt.Conductor, math.Pow(10, 9.3-0.008*float64(d)+off))
				e.Reading.Meter = meter
				add(t, m, v, p, e)
			}
		}
		return m.Outlook(v, p, at(241))
	}
	right, low := outlook("m-1", 0), outlook("m-3", -0.15)
	if math.Abs(low.P90/right.P90-1) > 1e-9 || math.Abs(low.Parts[0].LevelNow.P50/right.Parts[0].LevelNow.P50-1) > 1e-9 {
		t.Errorf("by the meter that reads low %.6f within 90 days at %s, by one that reads right %.6f at %s", low.P90, Ohms(low.Parts[0].LevelNow.P50), right.P90, Ohms(right.Parts[0].LevelNow.P50))
	}
	if unknown := outlook("m-2", -0.15); unknown.P90 <= 1.1*right.P90 {
		t.Errorf("not allowed for it makes no difference: %.6f and %.6f", unknown.P90, right.P90)
	}
}
