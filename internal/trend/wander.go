package trend

import "math"

// wander follows by how much a monitor's values lie above their level for days on
// end. Weather that no thermometer tells of, or a measuring circuit that drifts, moves
// them for a week at a time; taken for independent looks, five low values in a row are a
// fall. What comes up again by itself was no leak: only the leaning upward is counted, twice,
// for as much goes down. A fall does not excuse itself.
type wander struct {
	lean     float64 // mean of the latest days' differences from what is expected, decades
	plain    float64 // the variance such a mean would have of independent values, decades squared
	variance float64 // by how much that of the leaning exceeds it
	day      day     // of the latest of them; 0: none yet
}

// follow takes in a day's difference from the level, where one value scatters with such a
// variance and the level itself is known with another: what that explains is no wander.
func (w *wander) follow(ps *Params, d day, innovation, scatter, variance float64) {
	gap := 1.0
	if w.day != 0 {
		gap = max(float64(d-w.day), 0)
	}
	w.day = d
	keep := math.Exp(-gap / ps.WanderDays)
	w.lean = keep*w.lean + (1-keep)*min(max(innovation, -1), 1)
	w.plain = keep*keep*w.plain + (1-keep)*(1-keep)*scatter
	up := max(w.lean, 0)
	// A value tells of the days about it; of a longer gap nothing is known.
	w.variance *= math.Exp(-max(gap-ps.WanderDays, 0) / ps.WanderMemory)
	w.variance += (max(min(2*up*up, ps.WanderMost*ps.WanderMost)-variance, 0) - w.plain - w.variance) * -math.Expm1(-min(gap, ps.WanderDays)/ps.WanderMemory)
}

// excess is the variance in decades squared, never negative.
func (w *wander) excess() float64 { return max(w.variance, 0) }

// noise is what it adds to the variance of a day's value. The mean of n values of a series whose
// correlation falls by a factor r a day varies by as much as that of n (1-r)/(1+r)
// independent ones (Bayley and Hammersley 1946, for long series; from memory): with r of
// 0.87, a week, a day's value tells a fourteenth of what it seems to. By WanderNoise it is made to tell
// about a sixth, for the filter knows of falls what the mean does not.
func (w *wander) noise(ps *Params) float64 { return ps.WanderNoise * w.excess() }
