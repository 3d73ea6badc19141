package trend

import "math"

// Numbers of moving the bounds by the false calls that come of them.
const (
	usualFalseCalls = 3.0           // per 100 vehicle-years, that the usual policy is meant to make (a choice, between what mild and rough fleets make of it)
	priorFalseCalls = 15.0          // false calls at that rate that the bounds as they stand are worth
	falseShare      = 0.7           // power of the ratio to that rate: where more false calls come, more codes are there to be met too
	falseDays       = 180           // within which a code must follow a call, or it was false
	mostBoundShift  = 1.0           // of the log-odds, either way
	falseOfCalls    = 1.0 / 3       // share of calls that are false, before any has been seen to the end,
	priorCalls      = 6.0           // worth so many calls
	leastShift      = shiftStep / 3 // of the log-odds, from which a shift is worth telling
)

// learnBounds moves a policy's bounds by the false calls that the usual one's
// would have made of the forecasts kept, stated as they would be now: about as many
// calls come of a bound as its odds are small. Fleets differ in how many of
// their leaks go on to a code. Of calls whose vehicle was worked on, as many are taken for
// false as of the others: else the bounds of a fleet that acts on its warnings would
// sink. Whether a vehicle was followed on the day of a forecast is not kept: one whose monitor is known
// counts as if. While hardly a code has been recorded nothing is counted.
func (l *Learner) learnBounds(p *Params, vs []*pupil, now day, report *Report) {
	if l.codes < leastCodes {
		return
	}
	p.BoundShift = 0
	var followed, idle, mended float64 // calls: a code followed, nothing did, work came before
	for _, v := range vs {
		open := false
		for i, f := range v.forecasts {
			b := p.bounds(&usualPolicy, f.on.watched)
			near, lead := p.keptWithin(&f, b.Days), p.keptWithin(&f, usualPolicy.LeadDays)
			raised := b.raise(near, lead)
			call := !open && raised
			open = raised || open && b.keep(near, lead)
			came, share, worked := v.outcome(f.day, falseDays, now)
			if share < 1 && !worked {
				continue // lost from sight before it could be told
			}
			days := float64(forecastEvery)
			if i+1 < len(v.forecasts) {
				days = min(float64(v.forecasts[i+1].day-f.day), falseDays)
			}
			report.VehicleYears += days / 365.25
			switch {
			case !call:
			case came:
				followed++
			case worked:
				mended++
			default:
				idle++
			}
		}
	}
	report.FalseCalls = idle + mended*(idle+priorCalls*falseOfCalls)/(followed+idle+priorCalls)
	rate := 100 * (report.FalseCalls + priorFalseCalls) / (report.VehicleYears + 100*priorFalseCalls/usualFalseCalls)
	p.BoundShift = min(max(falseShare*math.Log(rate/usualFalseCalls), -mostBoundShift), mostBoundShift)
}

// keptWithin is the stated chance within some days of a kept forecast, its log-odds on a
// straight line of the days' logarithm through the two horizons that are kept.
func (p *Params) keptWithin(f *forecastSample, days float64) float64 {
	at30 := p.calibrated(f.raw30, 30, f.on)
	at90 := max(p.calibrated(f.raw90, 90, f.on), at30)
	return logistic(logit(at30) + (logit(at90)-logit(at30))*math.Log(days/30)/math.Log(3))
}
