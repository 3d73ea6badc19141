package trend

import (
	"fmt"
	"math"
	"time"
)

// bayDays is the time it takes to bring a vehicle in once it is called (judgement).
const bayDays = 14

// measureAgain says by when to look again, and where: the last day from which
// the chance of crossing before the vehicle could be brought in stays within
// what is accepted, or at once where the last look at a part is doubted for what would be a fault; and the part whose
// reading would settle most.
func (m *Model) measureAgain(o *Outlook, f *forecast) {
	accept := m.params.CrossUnseen
	by := math.NaN()
	if o.CodeSet.IsZero() {
		by = passing(o.Curve, accept)
	}
	if !math.IsNaN(by) {
		o.MeasureAgainBy = dayOf(o.EvaluatedAt).start().Add(time.Duration(math.Max(math.Floor(by)-bayDays, 0)) * 24 * time.Hour)
	}
	best, worth := -1, 0.0
	var left float64
	score := f.scores(horizon90)
	r := m.params.ReadingSD*m.params.ReadingSD + m.params.VisitSD*m.params.VisitSD
	for i := range f.groups {
		x := &f.groups[i]
		if x.g.key.Whole() {
			continue
		}
		sight := [Dim]float64{1, -x.damp, -x.hot[0], 0}
		_, v := x.bank.seen(&sight)
		// What a reading tells of the level, and of how much hangs on it.
		p := min(score[i], 0.999)
		gain := (p*(1-p) + 1e-4*math.Min(v, 1)) * v / (v + r)
		if gain > worth {
			best, worth = i, gain
			left = math.Sqrt(r / (v + r))
		}
	}
	if f.unsettled >= 0 {
		best = f.unsettled
		_, v := f.groups[best].bank.seen(&levelOnly)
		left = math.Sqrt(r / (v + r))
		if o.CodeSet.IsZero() {
			o.MeasureAgainBy = dayOf(o.EvaluatedAt).start()
		}
	}
	if best < 0 {
		return
	}
	x := &f.groups[best]
	o.MeasureNext = Next{Component: x.g.key.Component, Conductor: x.g.key.Conductor, NarrowsTo: left}
	switch {
	case best == f.unsettled:
		o.MeasureNext.Why = fmt.Sprintf("its last look, on %s, is doubted: another visit's settles whether it has fallen below its %s", date(f.unsettledBy.MeasuredAt), f.limitWords(&o.Parts[best]))
	case x.g.readings == 0:
		o.MeasureNext.Why = "it was never measured"
	case score[best] >= 0.01:
		own := f.sunk(score[best], horizon90)
		share := fmt.Sprintf("%.0f %%", 100*own/math.Max(f.raw[horizon90], own))
		if share == "100 %" {
			share = "nearly all"
		}
		o.MeasureNext.Why = fmt.Sprintf("%s of the risk within 90 days hangs on it, and a visit leaves %.0f %% of the spread of its level", share, 100*left)
	default:
		o.MeasureNext.Why = fmt.Sprintf("it was last seen on %s, the least certain of the parts", date(x.g.last.start()))
	}
}
