package locate

import (
	"math"
	"math/rand/v2"
)

// Parameters of the moves.
const (
	movedDraws = 800
	moveSweeps = 4
)

// move lets each draw walk a little under the posterior itself: Metropolis
// steps of one part at a time. With many parts and accurate readings the
// posterior lies along curved sheets (sums of conductances are known, single
// ones are not) which Gaussian proposals hit seldom; a few hits, copied and
// walked apart, fill them. The posterior is left unchanged by the steps.
func (m *model) move(levels [][]float64, sweeps int, random *rand.Rand) {
	touching := make([][]int, len(m.names))
	for k, x := range m.readings {
		for _, i := range x.members {
			touching[i] = append(touching[i], k)
		}
	}
	g, held := make([]float64, len(m.names)), make([]float64, len(m.names)) // conductances; how likely each level is a priori
	sum, said := make([]float64, len(m.readings)), make([]float64, len(m.readings))
	next := make([]float64, len(m.readings))
	steps := [3]float64{0.03, 0.15, 0.6} // decades: within a meter's error, within a part's spread, from sound to leaking
	for d := range levels {
		y := append([]float64(nil), levels[d]...)
		levels[d] = y
		for i := range y {
			g[i], held[i] = pow10(-y[i]), m.priorDensity(i, y[i])
		}
		for k := range m.readings {
			x := &m.readings[k]
			sum[k] = 0
			for _, i := range x.members {
				sum[k] += g[i]
			}
			said[k] = x.likelihoodAt(sum[k])
		}
		for s := range sweeps * len(y) {
			i := s % len(y)
			to := y[i] + steps[random.IntN(len(steps))]*random.NormFloat64()
			conductance := pow10(-to)
			likely := m.priorDensity(i, to)
			gain, needed := likely/held[i], random.Float64()
			for _, k := range touching[i] {
				// Never below what the part alone leaks: rounding must not turn a sum negative.
				total := math.Max(sum[k]-g[i]+conductance, conductance)
				next[k] = m.readings[k].likelihoodAt(total)
				gain *= next[k] / said[k]
			}
			if gain < needed {
				continue
			}
			for _, k := range touching[i] {
				sum[k], said[k] = math.Max(sum[k]-g[i]+conductance, conductance), next[k]
			}
			y[i], g[i], held[i] = to, conductance, likely
		}
	}
}
