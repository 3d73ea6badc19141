package trend

import "math"

// Numbers of moving the bounds by the false calls that come of them.
const (
	usualFalseCalls = 3.0  // per 100 vehicle-years, that the usual policy is meant to make: what it made on the fitting seeds
	falseWorth      = 15.0 // false calls at that rate that the bounds as they stand are worth
	falseShare      = 0.7  // of the way there: where more false calls come, more codes are there to be met too
	falseDays       = 180  // within which a code must follow a warning, or it was false
	mostBoundShift  = 1.0  // of the log-odds, either way
)

// learnBounds moves a policy's bounds by the false calls that the usual one's
// would have made of the forecasts kept, stated as they would be now: about as many
// calls come of a bound as its odds are small. Fleets differ in how many of
// their leaks go on to a code. What was worked on is not counted, nor anything
// while hardly a code has been recorded.
func (l *Learner) learnBounds(p *Params, vs []*pupil, now day, report *Report) {
	if l.codes < leastCodes {
		return
	}
	p.BoundShift = 0
	usual := Model{params: *p}
	for _, v := range vs {
		open := false
		for i, f := range v.forecasts {
			came, known := v.outcome(f.day, falseDays, now)
			if known {
				days := float64(forecastEvery)
				if i+1 < len(v.forecasts) {
					days = min(float64(v.forecasts[i+1].day-f.day), falseDays)
				}
				report.VehicleYears += days / 365.25
			}
			near := usual.params.near(f)
			b := usual.bounds(&usualPolicy, f.watched)
			switch {
			case !open && near >= b.Raise:
				open = true
				if known && !came {
					report.FalseCalls++
				}
			case near < b.End:
				open = false
			}
		}
	}
	rate := 100 * (report.FalseCalls + falseWorth) / (report.VehicleYears + 100*falseWorth/usualFalseCalls)
	p.BoundShift = min(max(falseShare*math.Log(rate/usualFalseCalls), -mostBoundShift), mostBoundShift)
}

// near is the stated chance within the nearer half of the usual lead time, of a kept forecast.
func (p *Params) near(f forecastSample) float64 {
	curve := []CurvePoint{{30, p.calibrated(f.raw30, 30, f.watched)}, {90, p.calibrated(f.raw90, 90, f.watched)}}
	return Within(curve, usualPolicy.near())
}
