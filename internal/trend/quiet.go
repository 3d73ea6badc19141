package trend

import (
	"math"
	"time"

	"creepage/internal/insulation"
)

// Most vehicles on most days are far from any warning, and a bound shows it at
// a tenth of a forecast's cost. Of a group's chance to cross, a sum over modes
// of weight times a chance, the bound takes what the stable mode adds as the
// forecast does, and the weight of all others as if they crossed for certain.
// The vehicle's chance is at most the larger of its own track's and the sum of
// its parts', each with the least conductance that the others can leave it.

// boundSlack is what the bound adds to itself for rounding and for what
// survival does to the stable mode's spread, both far smaller.
const (
	boundSlack  = 1e-3 // of the bound
	boundMargin = 1e-6
	farClear    = -3 // standard deviations between the stable mode and the limit from which survival hardly moves it
)

// quiet returns an outlook whose probabilities are upper bounds, with which
// Fold decides as it would with the real ones, and whether it may be used. No
// warning of the vehicle's code stands.
func (m *Model) quiet(v *Vehicle, p *insulation.Platform, at time.Time, policy Policy, rows []int) (Outlook, bool) {
	f := m.beginForecast(v, p, at, rows)
	defer f.done()
	o := Outlook{Vehicle: v.id, EvaluatedAt: at, DaysP50: math.NaN()}
	if !f.bound() {
		return o, false
	}
	f.ruled(&o)
	b := m.params.bounds(&policy, o.Followed)
	return o, Within(o.Curve, b.Days) < b.Raise && o.P0 < underRaise
}

// bound fills in upper bounds of the raw probabilities, or says that it cannot.
func (f *forecast) bound() bool {
	floor := f.limit - math.Log10(f.model.params.BudgetFloor)
	var parts, whole [numHorizons]float64
	for i := range f.groups {
		x := &f.groups[i]
		others, ok := f.bringStable(x)
		if !ok {
			return false
		}
		for _, h := range f.useRows {
			switch {
			case !x.g.key.Whole():
				parts[h] += x.crossing(f.model, h, floor) + others
			case i == f.whole:
				whole[h] = f.wholeCrossing(x, h) + others
			}
		}
	}
	for _, h := range f.useRows {
		f.raw[h] = f.sunk(min(max(whole[h], parts[h])*(1+boundSlack)+boundMargin, 1), h)
	}
	return true
}

// bringStable takes the stable mode alone to the forecast's day. It returns
// what all other modes weigh there at most, survival included, and whether the
// stable mode is so clear of the limit, and a drop so unlikely, that a bound makes sense.
func (f *forecast) bringStable(x *partForecast) (others float64, ok bool) {
	g := x.g
	stable, drop := g.bank.stableAt(x.chain, int(f.at-g.day))
	stable.Mean[1] = min(stable.Mean[1], mostHumidity)
	for k := range x.bank {
		x.bank[k].w = 0
	}
	x.bank[modeStable] = stable
	others = 1 - stable.w
	if others < 0.5 && g.last != 0 {
		s := f.model.survivalSight(f.mem, g.key, f.limit, f.at)
		mu, ph, variance := stable.project(&s.H)
		z := (f.limit - mu) / math.Sqrt(variance+survivalNoise)
		if z > farClear {
			return 0, false
		}
		for _, h := range f.useRows {
			// Learning that the level is higher must not make what crosses look lower.
			if ph[0]-x.damp*ph[1]-x.hot[h]*ph[2] < 0 {
				return 0, false
			}
		}
		// Any other mode is at most as likely as certainty to have stayed above.
		least := stable.w * f.model.tail.cdf(-z)
		others, drop = others/least, drop/least
	}
	return others, others < 0.5 && drop < dropEnd
}

// stableAt returns the stable mode after n days, and the weight of "has just dropped".
func (b *bank) stableAt(c *chain, n int) (stable mode, drop float64) {
	if n <= 0 {
		return b[modeStable], b[modeDrop].w
	}
	if n > maxPower {
		near := *b
		near.predict(c, n-maxPower)
		return near.stableAt(c, maxPower)
	}
	var from [numModes]moments
	l0, u0, b0 := b.unnormalised(&from)
	s := c.powers[n]
	m := s.into(modeStable, &from)
	stable.set(&m, l0, u0, b0)
	for k := range from {
		drop += s[modeDrop][k].t * from[k].w
	}
	return stable, drop
}
