package locate

import (
	"math"
	"math/rand/v2"
	"testing"

	"creepage/internal/insulation"
)

// The sample of a hard case (ten parts, twenty accurate readings of random
// sets) against long Metropolis chains started from it, which forget where they
// started.
func TestSampleOfAHardCaseAgreesWithLongChains(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 9))
	var parts []Part
	truth := make([]float64, 10)
	for i := range truth {
		parts = append(parts, Part{Name: string(rune('a' + i)), LimitOhms: 1e8})
		truth[i] = math.Pow(10, 9+.4*random.NormFloat64())
	}
	truth[4] = 3e6
	var readings []Reading
	for k := range 20 {
		r := Reading{Relation: insulation.Equal, Uncertainty: .1}
		g := 0.0
		for _, i := range random.Perm(10)[:3+k%7] {
			r.Connected = append(r.Connected, parts[i].Name)
			g += 1 / truth[i]
		}
		r.Ohms = math.Exp(.1*random.NormFloat64()) / g
		readings = append(readings, r)
	}
	index, err := check(parts, readings, Options{})
	if err != nil {
		t.Fatal(err)
	}
	m := newModel(parts, readings, Options{}, index)
	s := m.draw()
	long := s.equal(200)
	m.move(long, 400, random)
	for i := range parts {
		got := s.quantiles(func(d int) float64 { return s.levels[d][i] }, .1, .5, .9)
		chains := sample{levels: long, weight: make([]float64, len(long))}
		for d := range long {
			chains.weight[d] = 1 / float64(len(long))
		}
		want := chains.quantiles(func(d int) float64 { return long[d][i] }, .1, .5, .9)
		spread := want[2] - want[0]
		t.Logf("%s: %.2f, long chains %.2f, truth %.2f", parts[i].Name, got, want, math.Log10(truth[i]))
		for k := range want {
			if math.Abs(got[k]-want[k]) > .03+.25*spread {
				t.Errorf("%s: quantiles %.2f, long chains %.2f", parts[i].Name, got, want)
				break
			}
		}
	}
}
