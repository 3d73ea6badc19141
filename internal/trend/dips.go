package trend

import "math"

// dips follows how low a monitor's values go beside where they usually stand. A
// leak that shows only when damp, or only now and then, dips for days long
// before the level as a whole comes down. One low value is no dip: the lowest of
// any two in a row counts.
type dips struct {
	high   float64 // where the values usually stand, log10 ohm; quick to rise
	trough float64 // the lowest two in a row, log10 ohm; forgotten over a year, for the damp season comes again
	last   float64 // the latest value
	day    day     // of the latest value; 0: none yet
}

// Days in which the usual level follows values above and below it (judgement).
const (
	highRises = 10
	highFalls = 30
)

func (x *dips) follow(ps *Params, d day, y float64) {
	if x.day == 0 {
		*x = dips{y, y, y, d}
		return
	}
	gap := float64(d - x.day)
	pace := float64(highFalls)
	if y > x.high {
		pace = highRises
	}
	x.high += (y - x.high) * -math.Expm1(-gap/pace)
	x.trough += (x.high - x.trough) * -math.Expm1(-gap/ps.DipMemory)
	x.trough = min(x.trough, max(y, x.last))
	x.last, x.day = y, d
}

// crossing is the chance that a dip takes the code within so many days: that
// there are dips worth the name, that they come near the limit, and that one
// comes that is deeper than those so far.
func (x *dips) crossing(m *Model, limit float64, days float64) float64 {
	ps := &m.params
	if x.day == 0 {
		return 0
	}
	depth := x.high - x.trough
	if depth < ps.DipLeast-3*ps.DipLeastSD {
		return 0
	}
	dipping := m.tail.cdf((depth - ps.DipLeast) / ps.DipLeastSD)
	near := m.tail.cdf((limit + ps.DipReach - x.trough) / ps.DipSD)
	return dipping * near * -math.Expm1(-days/ps.DipDays)
}
