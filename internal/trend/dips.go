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
	count  int32   // values so far

	// Whether the lowest values of the weeks come lower and lower.
	week      int32   // of the latest value, counted from a Monday
	low       float64 // the week's lowest
	near, far faded   // the lowest of the weeks before it, forgotten over weeks and over months
}

// faded is a mean in which what is older weighs less.
type faded struct{ sum, weight float64 }

// pass takes in the value of the week that ends and fades everything.
func (f *faded) pass(y, keep float64) {
	f.sum, f.weight = (f.sum+y)*keep, (f.weight+1)*keep
}

// with returns the mean with one more value of full weight.
func (f *faded) with(y float64) float64 { return (f.sum + y) / (f.weight + 1) }

// Days in which the usual level follows values above and below it (judgement).
const (
	highRises = 10
	highFalls = 30
)

// fell says whether a value lies far below the latest, at a stroke.
func (x *dips) fell(y float64) bool { return x.last-y > leastStroke }

// usual says whether a value is what came of late: near the latest, where values usually stand, or between
// there and the ceiling, if one is known. The troughs of damp days are not asked: they reach far down.
func (x *dips) usual(y, ceiling float64) bool {
	return y > min(x.high, x.last)-usualMargin && y < max(x.high, ceiling)+usualMargin
}

// Decades.
const (
	leastStroke = 2.0
	leastBeyond = 1.0
	usualMargin = 0.35
)

// bound takes in a value of which only a lower bound is known. One below all that was read so far, as where a
// range was changed, does not say that a value is as low; where no others come, what was is forgotten.
func (x *dips) bound(ps *Params, d day, y float64) {
	switch {
	case x.day == 0 || y >= x.trough-sameLevel:
		x.follow(ps, d, y)
	case d-x.day > boundsAlone:
		*x = dips{}
	}
}

const boundsAlone = 60 // days

func (x *dips) follow(ps *Params, d day, y float64) {
	week := d.week()
	if x.day == 0 {
		*x = dips{high: y, trough: y, last: y, day: d, week: week, low: y, count: 1}
		return
	}
	x.count++
	gap := float64(d - x.day)
	pace := float64(highFalls)
	pair := max(y, x.last) // a single low value says nothing yet
	x.last, x.day = y, d
	if pair > x.high {
		pace = highRises
	}
	x.high += (pair - x.high) * -math.Expm1(-gap/pace)
	x.trough += (x.high - x.trough) * -math.Expm1(-gap/ps.DipMemory)
	x.trough = min(x.trough, pair)
	if week == x.week {
		x.low = min(x.low, pair)
		return
	}
	days := 7 * float64(week-x.week)
	x.near.pass(x.low, math.Exp(-days/ps.SinkNear))
	x.far.pass(x.low, math.Exp(-days/ps.SinkFar))
	x.week, x.low = week, pair
}

// sunk is by how many decades the weeks' lowest values have come down of late,
// 0 to 1. The level of a filter is slow to tell a fall that goes on from one that
// has levelled off, and a leak that comes with the weather moves the low values first.
func (x *dips) sunk() float64 {
	if x.day == 0 {
		return 0
	}
	return min(max(x.far.with(x.low)-x.near.with(x.low), 0), 1)
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
