package trend

import "math"

// rest is what the cold whole circuit shows besides the groups: the monitor's
// own measuring bridge, the wiring, the sensors. It hardly moves, so a circuit
// that reads well below it, and below what the groups are known for, has a
// leak in one of them.
type rest struct {
	level, variance float64 // log10 ohm; variance 0: nothing is known
	day             day
}

// Before the first reading of a vehicle's whole circuit (judgement), and how
// fast the rest may change, decades^2 a day.
const (
	restLevel = 8.0
	restSD    = 1.5
	restNoise = 2e-5
)

// bringTo lets time pass.
func (r *rest) bringTo(d day) {
	if r.variance == 0 {
		r.level, r.variance = restLevel, restSD*restSD
	} else {
		r.variance += restNoise * float64(d-r.day)
	}
	r.day = d
}

// holding is bank.holding for the rest.
func (r *rest) holding(y, noise float64) (density, above float64) {
	v := r.variance + noise
	return math.Exp(logNormalPDF(y, r.level, v)), max(normalCDF((r.level-y)/math.Sqrt(v)), leastAbove)
}

// fold folds a reading of the whole circuit: with the given share the rest
// alone holds it where it is; else it lies above the reading, if that is right.
func (r *rest) fold(s *Sight, share, falseAbove float64) {
	total := r.variance + s.Noise
	gain := r.variance / total
	e := s.Y - r.level
	move, shrink, lnAbove := censor(s.Y, r.level, total, true)
	if s.Relation != seenEqual {
		share = 0
	}
	bounded := (1 - share) / (1 + falseAbove/((1-falseAbove)*math.Exp(lnAbove)))
	mean := share*e + bounded*move
	spread := share*e*e + bounded*move*move - mean*mean
	r.level += gain * mean
	r.variance = max(r.variance+gain*gain*(spread-share*total-bounded*total*shrink), minVariance)
}
