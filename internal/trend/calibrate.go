package trend

import (
	"math"

	"gonum.org/v1/gonum/floats"
)

// footing is what a forecast rests on, by which it is calibrated.
type footing struct {
	watched bool    // the whole vehicle's own track is known
	dropped float64 // how far the leak is of what has just dropped, 0 to 1
}

// calibrated maps a raw probability within h days to the stated one, between a
// floor that grows with the horizon and the ceiling.
func (p *Params) calibrated(raw, h float64, on footing) float64 {
	x := p.rawOdds(raw, h)
	c := p.CalibrationTesters
	if on.watched {
		c = p.Calibration
	}
	at, of := basis(x, h, on.dropped), c.numbers()
	return p.bounded(logistic(floats.Dot(at[:], of[:])+below(x)), h)
}

// bounded keeps a probability within h days between its floor and the ceiling.
func (p *Params) bounded(probability, h float64) float64 {
	return min(max(probability, p.FloorPerDay*math.Max(h, 1)), p.Ceiling)
}

// rawOdds are the log-odds of a raw probability within h days, kept within its bounds.
func (p *Params) rawOdds(raw, h float64) float64 { return logit(p.bounded(raw, h)) }

// Raw log-odds between which a calibration's line runs.
const (
	unseenOdds = -5.5 // 0.4 %
	seenOdds   = -2   // 12 %
)

// basis is what each number of a calibration (unseen, seen, scale, horizon, dropped) is multiplied
// by where the raw log-odds within h days are x and the leak is so far of what has just dropped.
func basis(x, h, dropped float64) [5]float64 {
	low := min(max((x-seenOdds)/(unseenOdds-seenOdds), 0), 1)
	return [5]float64{low, 1 - low, max(x-seenOdds, 0), math.Log(h / 90), dropped}
}

// below is what is added to them below the lower point.
func below(x float64) float64 { return min(x-unseenOdds, 0) }

// numbers are those that basis multiplies, in its order.
func (c *Calibration) numbers() [5]float64 {
	return [5]float64{c.Unseen, c.Seen, c.Scale, c.Horizon, c.Dropped}
}

func logit(p float64) float64    { return math.Log(p / (1 - p)) }
func logistic(z float64) float64 { return 1 / (1 + math.Exp(-z)) }

// curve returns the calibrated curve at some horizons, monotone: what has come by one has come by the next.
func (p *Params) curve(raw *[numHorizons]float64, rows []int, on footing) []CurvePoint {
	out := make([]CurvePoint, 0, len(rows))
	top := 0.0
	for _, h := range rows {
		top = max(top, p.calibrated(raw[h], horizons[h], on))
		out = append(out, CurvePoint{horizons[h], top})
	}
	return out
}

// Within returns the curve's probability within so many days, linear between
// its points.
func Within(curve []CurvePoint, days float64) float64 {
	var last CurvePoint
	for _, c := range curve {
		if days == c.Days {
			return c.Probability
		}
		if days < c.Days {
			return last.Probability + (c.Probability-last.Probability)*(days-last.Days)/(c.Days-last.Days)
		}
		last = c
	}
	return last.Probability
}

// codeDays returns the days by which the code has set with even odds and with
// nine in ten, and the day before them from which it is to be reckoned with:
// before it come one in ten of the codes that come within the curve's two years.
// Were that the day on which the curve itself passes a tenth, a vehicle with a
// chance of four in ten would have a quarter of its codes before it, and the interval
// would enclose too few of those that come. NaN beyond two years.
func codeDays(curve []CurvePoint) (p10, p50, p90 float64) {
	p10, p50, p90 = math.NaN(), passing(curve, 0.5), passing(curve, 0.9)
	if end := curve[len(curve)-1].Probability; end >= 0.1 {
		p10 = passing(hastened(curve), 0.1*end)
	}
	return p10, p50, p90
}

// hastened is the curve of codes some of which come in half the time that is
// forecast: faults hasten for reasons that no reading has shown. The forecast's
// probabilities hold without that; the earliest codes among those that come do
// not. The share is fitted: on fitting seeds 1 and 2 the interval encloses .88 and .77 of
// them with .10 (mild, rough), .89 and .79 with .15; between the two mild fleets keep below nine in ten.
func hastened(curve []CurvePoint) []CurvePoint {
	out := make([]CurvePoint, len(curve))
	for i, c := range curve {
		out[i] = CurvePoint{c.Days, (1-hastenedShare)*c.Probability + hastenedShare*Within(curve, 2*c.Days)}
	}
	return out
}

const hastenedShare = 0.13

// passing returns when the curve passes a probability, days; NaN beyond its end.
func passing(curve []CurvePoint, p float64) float64 {
	var last CurvePoint
	for _, c := range curve {
		if c.Probability >= p {
			return last.Days + (c.Days-last.Days)*(p-last.Probability)/(c.Probability-last.Probability)
		}
		last = c
	}
	return math.NaN()
}
