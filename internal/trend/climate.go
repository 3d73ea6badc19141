package trend

import "math"

// climate is what a vehicle's own readings tell of the air they were taken in:
// a yearly harmonic of the temperature and the usual humidity, each shrunk to
// the defaults. There is one for the shop floor (testers) and one for the road
// (monitors).
type climate struct {
	// Normal equations of T = a0 + a1 cos + a2 sin (upper triangle, right side),
	// without the prior, and the sum of squares.
	xx                 [6]float64
	xy                 [3]float64
	n                  float64
	residual           float64 // exponentially averaged squared residual, C^2
	coef               [3]float64
	rhN, rhSum, rhSum2 float64
	solved             bool
}

const yearDays = 365.2425

// harmonic returns cos and sin of the day's angle in the year, zero at mid-January.
func harmonic(d float64) (cos, sin float64) {
	a := 2 * math.Pi * (d - 14) / yearDays
	return math.Cos(a), math.Sin(a)
}

// Prior of the harmonic: how sure the defaults are, C, and the scatter of one
// day about the season, C (judgement).
const (
	climateMeanSD      = 6.0
	climateAmplitudeSD = 5.0
	climateDaySD       = 4.0
)

// prior returns the harmonic before any reading: coldest in mid-January.
func (c *climate) prior(p *Params) [3]float64 {
	return [3]float64{p.UsualCelsius, -p.SeasonAmplitude, 0}
}

// addCelsius takes one temperature into the season.
func (c *climate) addCelsius(p *Params, d day, celsius float64) {
	if !(celsius > -60 && celsius < 80) {
		return
	}
	cos, sin := harmonic(float64(d))
	e := celsius - c.usual(p, d)
	if c.n == 0 {
		c.residual = climateDaySD * climateDaySD
	}
	c.residual += (math.Min(e*e, 400) - c.residual) / math.Min(c.n+10, 200)
	// Bounded memory: what is older than some three years of daily rows fades.
	const most = 1000
	if c.n >= most {
		f := 1 - 1.0/most
		for i := range c.xx {
			c.xx[i] *= f
		}
		for i := range c.xy {
			c.xy[i] *= f
		}
		c.n *= f
	}
	x := [3]float64{1, cos, sin}
	n := 0
	for i := range 3 {
		for j := i; j < 3; j++ {
			c.xx[n] += x[i] * x[j]
			n++
		}
		c.xy[i] += x[i] * celsius
	}
	c.n++
	c.solve(p)
}

func (c *climate) addHumidity(pct float64) {
	if !(pct >= 0 && pct <= 100) {
		return
	}
	if c.rhN >= 1000 {
		f := 1 - 1.0/1000
		c.rhN, c.rhSum, c.rhSum2 = c.rhN*f, c.rhSum*f, c.rhSum2*f
	}
	c.rhN++
	c.rhSum += pct
	c.rhSum2 += pct * pct
}

// solve finds the harmonic's posterior mean.
func (c *climate) solve(p *Params) {
	const v = climateDaySD * climateDaySD
	prior := c.prior(p)
	w := [3]float64{v / (climateMeanSD * climateMeanSD), v / (climateAmplitudeSD * climateAmplitudeSD), v / (climateAmplitudeSD * climateAmplitudeSD)}
	a := [3][4]float64{
		{c.xx[0] + w[0], c.xx[1], c.xx[2], c.xy[0] + w[0]*prior[0]},
		{c.xx[1], c.xx[3] + w[1], c.xx[4], c.xy[1] + w[1]*prior[1]},
		{c.xx[2], c.xx[4], c.xx[5] + w[2], c.xy[2] + w[2]*prior[2]},
	}
	// Positive definite: elimination without pivoting is safe.
	for i := range 3 {
		for j := i + 1; j < 3; j++ {
			f := a[j][i] / a[i][i]
			for k := i; k < 4; k++ {
				a[j][k] -= f * a[i][k]
			}
		}
	}
	for i := 2; i >= 0; i-- {
		s := a[i][3]
		for j := i + 1; j < 3; j++ {
			s -= a[i][j] * c.coef[j]
		}
		c.coef[i] = s / a[i][i]
	}
	c.solved = true
}

func (c *climate) coefficients(p *Params) [3]float64 {
	if c.solved {
		return c.coef
	}
	return c.prior(p)
}

// usual returns the season's temperature on a day.
func (c *climate) usual(p *Params, d day) float64 {
	a := c.coefficients(p)
	cos, sin := harmonic(float64(d))
	return a[0] + a[1]*cos + a[2]*sin
}

// spread returns the standard deviation of a day's temperature about the season's.
func (c *climate) spread(p *Params) float64 {
	if c.n < 10 {
		return p.MissingCelsiusSD
	}
	return math.Sqrt(c.residual)
}

// warmth returns the temperature in which the limit is judged h days after d: the warmest
// usual one of the last third of that time, its swing about the year's mean by warmShare. Of falls
// that go on the deepest come last; over longer times a warm season between counts. The half year
// that is warm is the dry one: what warmth takes from an insulation then, damp takes in the other, of which many
// shops state nothing.
//
// Now (h is 0) it is the day's usual warmth. A vehicle of whose air nothing is known has no season: which half of the year is warm hangs
// on where it is.
func (c *climate) warmth(p *Params, d day, h float64) float64 {
	mean := c.coefficients(p)[0]
	switch {
	case c.n == 0:
		return mean
	case h == 0:
		return c.usual(p, d)
	}
	return mean + warmShare*(c.warmest(p, float64(d)+h*2/3, h/3)-mean)
}

// warmShare is how much of the season's swing counts where the limit is judged (fitted; DEVELOPERS.md has by what).
const warmShare = 0.5

// warmest returns the season's highest temperature within h days of a day.
func (c *climate) warmest(p *Params, d, h float64) float64 {
	a := c.coefficients(p)
	amplitude := math.Hypot(a[1], a[2])
	// a1 cos x + a2 sin x = amplitude cos(x - peak)
	peak := math.Atan2(a[2], a[1])
	x := 2 * math.Pi * (d - 14) / yearDays
	until := math.Mod(peak-x, 2*math.Pi)
	if until < 0 {
		until += 2 * math.Pi
	}
	span := 2 * math.Pi * h / yearDays
	if until <= span {
		return a[0] + amplitude
	}
	return a[0] + amplitude*max(math.Cos(x-peak), math.Cos(x+span-peak))
}

// humidity returns the usual relative humidity and its spread, % RH.
func (c *climate) humidity(p *Params) (mean, sd float64) {
	const priorN = 5
	n := c.rhN + priorN
	mean = (c.rhSum + priorN*p.UsualRH) / n
	v := (c.rhSum2+priorN*(p.UsualRH*p.UsualRH+p.MissingRHSD*p.MissingRHSD))/n - mean*mean
	return mean, math.Sqrt(max(v, 1))
}

// dampness is F(RH): what share of u is lost at a relative humidity, 0 at 50 %
// and below, 1 at 100 %.
func dampness(pct float64) float64 {
	x := max(min(pct, 100)-50, 0) / 50
	return x * x
}
