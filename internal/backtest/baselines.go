package backtest

import (
	"math"
	"slices"
	"time"

	"creepage/internal/insulation"
)

// The simpler methods ours is compared with. Each follows every test point of a
// vehicle, and the whole vehicle, by itself: no temperature, no damp, no
// doubt, no sum of parts. Each gives an index at any time, the larger the more
// urgent; a threshold on the index makes a warning.

// method names a simpler method and makes its follower of one track.
type method struct {
	name  string
	track func(limits limits) follower
}

// limits are the levels, log10 ohm, a track is held against.
type limits struct {
	service float64 // the test point's service limit; the code limit for the whole vehicle
	code    float64 // the vehicle's code limit
}

// follower follows one track.
type follower interface {
	add(day float64, r *insulation.Reading)
	index(day float64) float64 // -Inf: nothing to say
}

func methods() []method {
	return []method{
		{"fixed threshold on the last reading", func(l limits) follower { return &thresholdTrack{limit: l.service, level: math.NaN()} }},
		{"least squares, last 8, over-range as value", func(l limits) follower { return &lineTrack{limit: l.code} }},
		{"least squares, last 8, over-range dropped", func(l limits) follower { return &lineTrack{limit: l.code, dropBounds: true} }},
		{"local linear trend filter", func(l limits) follower { return &trendTrack{limit: l.code} }},
		{"Tobit line, last 12", func(l limits) follower { return &tobitTrack{limit: l.code} }},
	}
}

// thresholdTrack: decades by which the last reading lies below its limit.
type thresholdTrack struct{ limit, level float64 }

func (t *thresholdTrack) add(_ float64, r *insulation.Reading) { t.level = r.Level() }
func (t *thresholdTrack) index(float64) float64 {
	if math.IsNaN(t.level) {
		return math.Inf(-1)
	}
	return t.limit - t.level
}

// point is one look at a track.
type point struct {
	day, level float64
	above      bool
}

// lineTrack: ordinary least squares on the last eight readings; the index is
// the days until the line reaches the limit, negated.
type lineTrack struct {
	limit      float64
	dropBounds bool
	points     []point
}

func (t *lineTrack) add(day float64, r *insulation.Reading) {
	if t.dropBounds && r.Relation != insulation.Equal {
		return
	}
	t.points = lastPoints(append(t.points, point{day, r.Level(), false}), 8)
}

func lastPoints(p []point, n int) []point {
	if len(p) > n {
		return slices.Delete(p, 0, len(p)-n)
	}
	return p
}

func (t *lineTrack) index(day float64) float64 {
	if len(t.points) < 3 {
		return math.Inf(-1)
	}
	a, b, ok := leastSquares(t.points)
	if !ok {
		return math.Inf(-1)
	}
	return -daysTo(t.limit, a, b, day)
}

// leastSquares fits level = a + b day.
func leastSquares(points []point) (a, b float64, ok bool) {
	var n, sx, sy float64
	for _, p := range points {
		n, sx, sy = n+1, sx+p.day, sy+p.level
	}
	mx, my := sx/n, sy/n
	var sxx, sxy float64
	for _, p := range points {
		sxx += (p.day - mx) * (p.day - mx)
		sxy += (p.day - mx) * (p.level - my)
	}
	if sxx < 1 {
		return 0, 0, false // all on one day: no slope
	}
	b = sxy / sxx
	return my - b*mx, b, true
}

// farDays stands for "never" among the days to a crossing.
const farDays = 1e6

// daysTo is when the line a + b day, seen from day, is at the limit: 0 if it is below already.
func daysTo(limit, a, b, day float64) float64 {
	now := a + b*day
	switch {
	case now <= limit:
		return 0
	case b >= 0:
		return farDays
	}
	return min((limit-now)/b, farDays)
}

// trendTrack: one Kalman filter with a level and a slope (Durbin and Koopman,
// local linear trend), every value taken as read; the index is how many
// standard deviations the level in 90 days is expected below the limit.
type trendTrack struct {
	limit         float64
	begun         bool
	day           float64
	level, slope  float64
	pll, pls, pss float64
}

// Variances of the local linear trend: of a reading, and of the level's and the slope's change in a day.
const (
	trendReading = 0.2 * 0.2
	trendLevel   = 1e-4
	trendSlope   = 1e-8
)

func (t *trendTrack) add(day float64, r *insulation.Reading) {
	y := r.Level()
	if !t.begun {
		t.begun, t.day, t.level, t.pll, t.pss = true, day, y, 0.5, 0.004*0.004
		return
	}
	t.level, t.slope, t.pll, t.pls, t.pss = t.ahead(day - t.day)
	t.day = day
	f := t.pll + trendReading
	kl, ks, v := t.pll/f, t.pls/f, y-t.level
	t.level, t.slope = t.level+kl*v, t.slope+ks*v
	t.pss -= ks * t.pls
	t.pls -= kl * t.pls
	t.pll -= kl * t.pll
}

// ahead predicts d days.
func (t *trendTrack) ahead(d float64) (level, slope, pll, pls, pss float64) {
	return t.level + d*t.slope, t.slope,
		t.pll + 2*d*t.pls + d*d*t.pss + d*trendLevel + d*d*d/3*trendSlope,
		t.pls + d*t.pss + d*d/2*trendSlope,
		t.pss + d*trendSlope
}

func (t *trendTrack) index(day float64) float64 {
	if !t.begun {
		return math.Inf(-1)
	}
	level, _, pll, _, _ := t.ahead(day - t.day + 90)
	return (t.limit - level) / math.Sqrt(pll)
}

// tobitTrack: a line through the last twelve readings by maximum likelihood
// with over-range as a bound (Tobin 1958), the scatter given.
type tobitTrack struct {
	limit  float64
	points []point
	fitted bool
	a, b   float64
}

const tobitSD = 0.2

func (t *tobitTrack) add(day float64, r *insulation.Reading) {
	t.points = lastPoints(append(t.points, point{day, r.Level(), r.Relation == insulation.Above}), 12)
	t.fitted = false
}

func (t *tobitTrack) index(day float64) float64 {
	exact := 0
	for _, p := range t.points {
		if !p.above {
			exact++
		}
	}
	if exact < 2 || len(t.points) < 3 {
		return math.Inf(-1)
	}
	if !t.fitted {
		t.a, t.b = tobitLine(t.points, tobitSD)
		t.fitted = true
	}
	return -daysTo(t.limit, t.a, t.b, day)
}

// tobitLine maximises the likelihood of level = a + b day with normal scatter
// sd by Newton's method from the least-squares line; the likelihood is
// concave. The slope has a weak prior about 0 (1 decade a day), for readings
// of a single day have none.
func tobitLine(points []point, sd float64) (a, b float64) {
	var mean float64
	for _, p := range points {
		mean += p.day / float64(len(points))
	}
	if a0, b0, ok := leastSquares(points); ok {
		a, b = a0+b0*mean, b0
	} else {
		a = points[len(points)-1].level
	}
	for range 20 {
		ga, gb := 0.0, -b
		haa, hab, hbb := 1e-9, 0.0, 1.0
		for _, p := range points {
			x := p.day - mean
			z := (p.level - a - b*x) / sd
			g, h := z/sd, 1/(sd*sd)
			if p.above {
				lambda := inverseMills(z)
				g, h = lambda/sd, lambda*(lambda-z)/(sd*sd)
			}
			ga, gb = ga+g, gb+g*x
			haa, hab, hbb = haa+h, hab+h*x, hbb+h*x*x
		}
		det := haa*hbb - hab*hab
		if !(det > 1e-18) {
			break
		}
		da, db := (hbb*ga-hab*gb)/det, (haa*gb-hab*ga)/det
		a, b = a+da, b+db
		if math.Abs(da) < 1e-9 && math.Abs(db) < 1e-12 {
			break
		}
	}
	return a - b*mean, b
}

// inverseMills is phi(z)/Phi(-z), by its asymptote z + 1/z where Phi(-z) underflows.
func inverseMills(z float64) float64 {
	if z > 30 {
		return z + 1/z
	}
	return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) / (math.Erfc(z/math.Sqrt2) / 2)
}

func dayNumber(t time.Time) float64 { return float64(t.Unix()) / 86400 }
