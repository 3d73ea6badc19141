package trend

import "math"

// doubt is the mixture a reading is weighed with: as said, as said with wide
// noise, or not about the state at all: an outlier, or a thousand times or a thousandth
// of what was read (where little is known of a track, only the share of such slips tells one
// from a drop).
type doubt struct {
	lnSaid, lnWide   float64 // ln shares
	lnLow, lnFlat    float64 // of values: a low outlier; anywhere within the flat decades
	lnSlip           float64 // of values: a thousandth or a thousand times
	lowShift, lowVar float64
	wideFactor       float64 // factor on the noise's variance
	lnAboveSaid      float64
	lnFalseAbove     float64
	lnBelowSaid      float64
	lnFalseBelow     float64
}

func newDoubt(p *Params) doubt {
	low := p.LowOutlier
	return doubt{
		lnSaid: math.Log(1 - low - p.FlatOutlier - p.SlipShare - p.WideShare), lnWide: math.Log(p.WideShare),
		lnLow: math.Log(low), lnFlat: math.Log(p.FlatOutlier / p.FlatDecades), lnSlip: math.Log(p.SlipShare / 2),
		lowShift: p.LowOutlierShift.Mean, lowVar: p.LowOutlierShift.SD * p.LowOutlierShift.SD,
		wideFactor:  p.WideFactor * p.WideFactor,
		lnAboveSaid: math.Log(1 - p.FalseAbove), lnFalseAbove: math.Log(p.FalseAbove),
		lnBelowSaid: math.Log(1 - p.FalseBelow), lnFalseBelow: math.Log(p.FalseBelow),
	}
}

// update folds one reading into one mode with doubt. All branches move the
// state along the same direction P H', so their mixture is one rank-one move.
// It returns ln of the likelihood and the share of "as said".
func (g *Gaussian) update(s *Sight, d *doubt) (logL, said float64) {
	mu, ph, hph := g.project(&s.H)
	total := hph + s.Noise
	var k [Dim]float64
	for i := range Dim {
		k[i] = ph[i] / total
	}
	if s.Relation != seenEqual {
		lnSaid, lnFalse := d.lnAboveSaid, d.lnFalseAbove
		if s.Relation == seenBelow {
			lnSaid, lnFalse = d.lnBelowSaid, d.lnFalseBelow
		}
		move, shrink, l := censor(s.Y, mu, total, s.Relation == seenAbove)
		l += lnSaid
		top := max(l, lnFalse)
		a, f := math.Exp(l-top), math.Exp(lnFalse-top)
		said = a / (a + f)
		// Mixture of "moved by move, variance cut by shrink" and "unmoved".
		g.shift(&k, said*move, said*total*shrink-said*(1-said)*move*move)
		return top + math.Log(a+f), said
	}
	e := s.Y - mu
	wide := hph + s.Noise*d.wideFactor
	l0 := d.lnSaid - 0.5*(e*e/total+math.Log(total)) - lnSqrt2Pi
	l1 := d.lnWide - 0.5*(e*e/wide+math.Log(wide)) - lnSqrt2Pi
	low := total + d.lowVar
	el := e + d.lowShift
	l2 := d.lnLow - 0.5*(el*el/low+math.Log(low)) - lnSqrt2Pi
	l3 := d.lnFlat
	es := math.Abs(e) - slipDecades // of the nearer of the two
	l4 := d.lnSlip - 0.5*(es*es/total+math.Log(total)) - lnSqrt2Pi
	top := max(max(l0, l1), max(l2, l3), l4)
	a0, a1, a2, a3, a4 := math.Exp(l0-top), math.Exp(l1-top), math.Exp(l2-top), math.Exp(l3-top), math.Exp(l4-top)
	sum := a0 + a1 + a2 + a3 + a4
	r0, r1 := a0/sum, a1/sum
	// Along k: "as said" moves by e and cuts the variance by total; the wide
	// one moves by e*total/wide and cuts by total^2/wide; outliers do nothing.
	m1 := e * total / wide
	mean := r0*e + r1*m1
	spread := r0*e*e + r1*m1*m1 - mean*mean
	g.shift(&k, mean, r0*total+r1*total*total/wide-spread)
	return top + math.Log(sum), r0 + r1*total/wide
}

// update folds one reading into every mode of the bank. It returns ln of the
// likelihood under the whole bank and how far the reading was believed.
func (b *bank) update(s *Sight, d *doubt) (logL, believed float64) {
	var l, said [numModes]float64
	for k := range b {
		l[k], said[k] = b[k].Gaussian.update(s, d)
	}
	logL = b.reweigh(&l)
	for k := range b {
		believed += b[k].w * said[k]
	}
	return logL, believed
}
