package trend

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"creepage/internal/insulation"
)

// Numbers of learning (judgement): how much evidence the defaults are worth.
const (
	slopeBetween  = 0.004 // spread of b between parts of one component, decades a degree
	noisePrior    = 40    // pairs of values the default noise is worth
	noiseShare    = 0.5   // power of the ratio to it that is followed at most: part of what is found is real change, and a median knows no tails
	spreadPrior   = 6     // vehicles the default spread of levels is worth
	onsetPrior    = 4     // onsets the default hazard is worth
	meterPriorSD  = 0.05  // of a meter's offset, decades
	meterNamed    = 3     // standard deviations from which a meter is reported
	meterLeast    = 0.05  // decades below which no offset is reported or allowed for
	discoveryRate = 0.05  // of platforms' components reported
	inSight       = 120   // days that a vehicle is in sight after its last record: visits come every one to four months (common practice, no source)
)

// pair is the change between consecutive values of one group.
type pair struct {
	dy, dt, df float64
}

// learnSlopes learns, per component, the temperature coefficient from changes
// between consecutive visits at different temperatures, and the scatter of
// testers from what is left, all with bounded influence.
func (l *Learner) learnSlopes(p *Params, vs []*pupil) {
	by := map[insulation.Component][]pair{}
	for _, v := range vs {
		for i := range v.groups {
			pts := v.groups[i].points
			for j := 1; j < len(pts); j++ {
				a, b := &pts[j-1], &pts[j]
				if a.above || b.above || math.IsNaN(a.t) || math.IsNaN(b.t) || b.day == a.day {
					continue
				}
				x := pair{dy: b.y - a.y, dt: b.t - a.t}
				if !math.IsNaN(a.f) && !math.IsNaN(b.f) {
					x.df = b.f - a.f
				}
				c := v.groups[i].key.Component
				by[c] = append(by[c], x)
			}
		}
	}
	p.ByComponent = map[string]Normal{}
	var testers []float64
	for c := insulation.Battery; c <= insulation.System; c++ {
		pairs := by[c]
		if len(pairs) < 8 {
			continue
		}
		scale := 0.15
		b := l.base.Temperature.Mean
		var se float64
		for range 6 {
			b, se, scale = fitSlope(pairs, l.base.Temperature, l.base.Humidity.Mean, b, scale)
		}
		p.ByComponent[c.String()] = Normal{Mean: b, SD: math.Hypot(min(slopeBetween, l.base.Temperature.SD), se)}
		if c == insulation.System {
			continue // each monitor's scatter is measured on its own (see ratio); a median over all tells neither of tails nor of weather
		}
		for _, x := range pairs {
			testers = append(testers, x.dy+b*x.dt+l.base.Humidity.Mean*x.df)
		}
	}
	// A change between two visits holds twice the noise of one.
	if n := float64(len(testers)); n > 20 {
		was := l.base.ReadingSD*l.base.ReadingSD + l.base.VisitSD*l.base.VisitSD
		// What a change of temperature guessed to 2 C adds is in the model apart.
		found := max(square(robustScale(testers))/2-square(l.base.Temperature.Mean*l.base.GivenCelsiusSD), 0.05*0.05)
		total := min(was*math.Pow(found/was, noiseShare*n/(n+noisePrior)), 0.35*0.35)
		share := l.base.VisitSD * l.base.VisitSD / was
		p.ReadingSD, p.VisitSD = math.Sqrt(total*(1-share)), math.Sqrt(total*share)
	}
}

func square(x float64) float64 { return x * x }

// fitSlope is one step of a regression of level changes on temperature changes
// with Huber's weights (Huber 1964) and a normal prior for b.
func fitSlope(pairs []pair, prior Normal, u, b, scale float64) (slope, se, nextScale float64) {
	const huber = 1.5
	xx, xy := 1/(prior.SD*prior.SD), prior.Mean/(prior.SD*prior.SD)
	residuals := make([]float64, len(pairs))
	for i, x := range pairs {
		y := -(x.dy + u*x.df)
		r := y - b*x.dt
		residuals[i] = r
		w := 1 / (scale * scale)
		if a := math.Abs(r) / scale; a > huber {
			w *= huber / a
		}
		xx += w * x.dt * x.dt
		xy += w * x.dt * y
	}
	slope = min(max(xy/xx, 0.002), 0.05)
	return slope, 1 / math.Sqrt(xx), max(robustScale(residuals), 0.03)
}

// robustScale is 1.4826 times the median absolute value: the standard
// deviation of a normal sample about zero, whatever its tails.
func robustScale(x []float64) float64 {
	a := make([]float64, len(x))
	for i := range x {
		a[i] = math.Abs(x[i])
	}
	return 1.4826 * median(a)
}

// median sorts x.
func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	slices.Sort(x)
	n := len(x)
	return 0.5 * (x[(n-1)/2] + x[n/2])
}

// learnLevels learns the level prior of every (platform, group), and of the
// component's group over all platforms, from vehicles' first values, bounds as
// bounds.
func (l *Learner) learnLevels(p *Params, vs []*pupil) {
	values := map[string][]Sight{}
	standard := map[string][]float64{}
	m := &Model{params: *p}
	m.params.LevelPriors = nil
	for _, v := range vs {
		if v.platform == nil {
			continue
		}
		for i := range v.groups {
			g := &v.groups[i]
			if len(g.points) == 0 {
				continue
			}
			x := g.points[0]
			if len(g.points) >= 3 && !x.above {
				first := []float64{g.points[0].y, g.points[1].y, g.points[2].y}
				x.y = median(first) // one odd first value teaches nothing wrong
			}
			b := p.temperatureOf(g.key.Component).Mean
			s := Sight{Y: x.y, Relation: seenEqual}
			if x.above {
				s.Relation = seenAbove
			}
			if !math.IsNaN(x.t) {
				s.Y += b * x.t
			}
			s.Y -= p.MeterOffsets[x.meter]
			if !math.IsNaN(x.f) {
				s.Y += p.Humidity.Mean * x.f
			}
			key := PriorKey(v.platform.ID, g.key)
			values[key] = append(values[key], s)
			standard[key] = append(standard[key], m.levelPrior(v.platform, g.key).Mean)
		}
	}
	p.LevelPriors = map[string]LevelPrior{}
	for key, s := range values {
		start := Normal{standard[key][0], p.LevelSDVehicle}
		fleet := p.LevelSDFleet
		if s := values[key]; len(s) < 3 {
			continue
		}
		fit := fitLevels(s, start, fleet)
		n := float64(len(s))
		// The mean's own uncertainty is part of the spread of what comes next.
		p.LevelPriors[key] = LevelPrior{Mean: fit.Mean, SD: math.Hypot(fit.SD, fleet/math.Sqrt(1+n*fleet*fleet/(fit.SD*fit.SD))), N: n}
	}
}

// fitLevels fits a normal to values and bounds by expectation-maximisation,
// with a normal prior of the mean and a spread worth spreadPrior vehicles.
// Values more than three deviations off count as at three.
func fitLevels(s []Sight, start Normal, fleet float64) Normal {
	mean, sd := start.Mean, max(start.SD, 0.1)
	for range 40 {
		var n, sum, squares float64
		for i := range s {
			e, v := s[i].Y, 0.0
			if s[i].Relation == seenAbove {
				e, v, _ = Censored(s[i].Y, mean, sd*sd, true)
			}
			e = min(max(e, mean-3*sd), mean+3*sd)
			n++
			sum += e
			squares += e*e + v
		}
		w := sd * sd / (fleet * fleet)
		next := (sum + w*start.Mean) / (n + w)
		variance := (squares - 2*next*sum + n*next*next + spreadPrior*start.SD*start.SD) / (n + spreadPrior)
		mean, sd = next, math.Sqrt(max(variance, 0.01))
	}
	return Normal{mean, sd}
}

// learnOnsets learns how often groups leave their steady state, per component,
// and which platforms' components do so more often than their peers. Those that surely
// did are counted, and of all that did they are a part: what began a while ago is not seen
// yet, and what only a damp day shows may never be. A count that comes to less than the
// default hazard therefore teaches no lower one, only how components compare; how few
// codes come of it all is for calibrations to tell.
func (l *Learner) learnOnsets(p *Params, vs []*pupil, report *Report) {
	// left counts groups that were more likely than not to have left their steady
	// state at some time; onsets only those that surely did, for the hazard.
	type tally struct{ onsets, left, days float64 }
	by := map[insulation.Component]*tally{}
	special := map[string]*tally{}
	total, whole := &tally{}, &tally{}
	place := map[string]ComponentFinding{}
	for _, v := range vs {
		if v.platform == nil || v.last <= v.first {
			continue
		}
		days := float64(v.last - v.first)
		keys := make([]GroupKey, 0, len(v.restless))
		for k := range v.restless {
			keys = append(keys, k)
		}
		sortKeys(keys) // sums in one order, whatever the map's
		for _, k := range keys {
			w := v.restless[k]
			// A weight below a half is what noise makes of a steady group.
			on, left := 0.0, 0.0
			if w > 0.8 {
				on = w
			}
			if w > 0.5 {
				left = 1
			}
			if k.Whole() {
				whole.onsets += on
				whole.days += days
				continue
			}
			if by[k.Component] == nil {
				by[k.Component] = &tally{}
			}
			key := OnsetKey(v.platform.ID, k.Component)
			if special[key] == nil {
				special[key] = &tally{}
				place[key] = ComponentFinding{Platform: v.platform.ID, Component: k.Component}
			}
			for _, t := range [...]*tally{total, by[k.Component], special[key]} {
				t.onsets += on
				t.left += left
				t.days += days
			}
		}
	}
	rate := func(t *tally, prior float64) float64 { return (t.onsets + onsetPrior) / (t.days + onsetPrior/prior) }
	all := min(rate(total, l.base.Onset), 20*l.base.Onset)
	p.Onset = max(all, l.base.Onset)
	p.WholeOnset = max(min(rate(whole, l.base.WholeOnset), 10*l.base.WholeOnset), l.base.WholeOnset)
	p.OnsetByComponent = map[string]float64{}
	for c, t := range by {
		p.OnsetByComponent[c.String()] = rate(t, all) / all
	}
	keys := make([]string, 0, len(special))
	for k := range special {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	var found []ComponentFinding
	for _, k := range keys {
		f := place[k]
		own, same := special[k], by[f.Component]
		if own.days >= same.days {
			continue // no peers to compare with
		}
		f.Onsets, f.Expected = own.left, (same.left-own.left)/(same.days-own.days)*own.days
		f.Q = binomialTail(own.left, same.left, own.days/same.days)
		found = append(found, f)
	}
	for _, f := range adjust(found) {
		if f.Q <= discoveryRate {
			report.Components = append(report.Components, f)
			own := special[OnsetKey(f.Platform, f.Component)]
			p.OnsetByComponent[OnsetKey(f.Platform, f.Component)] = min(rate(own, all*p.OnsetByComponent[f.Component.String()])/all, 50)
		}
	}
}

// binomialTail is the chance of k or more of n: how likely so many of all onsets
// fall to one platform by its share of the days alone (the comparison of two
// Poisson rates given their sum, Przyborowski and Wilenski 1940, which knows that
// the peers' rate is no more certain than the peers are many).
func binomialTail(k, n, share float64) float64 {
	sum := 0.0
	for i := k; i <= n; i++ {
		a, _ := math.Lgamma(n + 1)
		b, _ := math.Lgamma(i + 1)
		c, _ := math.Lgamma(n - i + 1)
		sum += math.Exp(a - b - c + i*math.Log(share) + (n-i)*math.Log1p(-share))
	}
	return min(sum, 1)
}

// adjust turns p-values into those of Benjamini and Hochberg (1995), smallest first.
func adjust(f []ComponentFinding) []ComponentFinding {
	slices.SortStableFunc(f, func(a, b ComponentFinding) int { return cmp.Compare(a.Q, b.Q) })
	least := 1.0
	for i := len(f) - 1; i >= 0; i-- {
		least = min(least, f[i].Q*float64(len(f))/float64(i+1))
		f[i].Q = least
	}
	return f
}

// leastCodes is how many isolation codes must have been seen before forecasts
// are held against them: a fleet whose codes nobody records is not one
// without codes.
const leastCodes = 8

// calibrationPrior is how sure the defaults of a calibration's numbers are. What is stated
// of vehicles of which nothing was seen moves least: where records have just begun few
// codes have come yet, and it would sink just when they begin to.
var calibrationPrior = [...]float64{0.2, 0.7, 0.15, 0.3, 1.2} // unseen, seen, scale, horizon, dropped: the order of basis

// leastScale is the least slope of a calibration, so that what ranks before stays before.
const leastScale = 0.3

// due is a forecast that has come due.
type due struct {
	at   [len(calibrationPrior)]float64 // what the numbers of a calibration are multiplied by,
	plus float64                        // and what is added
	w    float64                        // weight
	came bool
}

// learnCalibration fits the stated probability to what came of forecasts that
// are due, of vehicles with and without a monitor apart. Forecasts of one
// vehicle overlap; each counts for the part of its horizon that is its own.
func (l *Learner) learnCalibration(p *Params, vs []*pupil, now day, report *Report) {
	report.Codes = l.codes
	var rows [2][]due
	if l.codes >= leastCodes {
		for _, v := range vs {
			for _, f := range v.forecasts {
				for _, c := range [...]struct {
					raw float64
					h   day
				}{{f.raw30, 30}, {f.raw90, 90}} {
					came, share, _ := v.outcome(f.day, c.h, now)
					if share == 0 {
						continue
					}
					x := p.rawOdds(c.raw, float64(c.h))
					k := 0
					if f.on.watched {
						k = 1
					}
					rows[k] = append(rows[k], due{basis(x, float64(c.h), f.on.dropped), below(x), share * min(float64(forecastEvery)/float64(c.h), 1) / 2, came})
				}
			}
		}
	}
	p.CalibrationTesters, p.Calibration = fitCalibration(rows[0], l.base.CalibrationTesters), fitCalibration(rows[1], l.base.Calibration)
	report.Calibration, report.CalibrationTesters = p.Calibration, p.CalibrationTesters
}

// fitCalibration is a logistic regression with what is known before as prior.
func fitCalibration(rows []due, before Calibration) Calibration {
	if len(rows) == 0 {
		return before
	}
	const n = len(calibrationPrior)
	prior := before.numbers()
	of := prior
	for range 25 {
		var g [n]float64
		var h [n * n]float64 // by rows, the upper triangle
		for i, sd := range calibrationPrior {
			g[i] = -(of[i] - prior[i]) / (sd * sd)
			h[i*n+i] = 1 / (sd * sd)
		}
		for _, r := range rows {
			q := logistic(floats.Dot(of[:], r.at[:]) + r.plus)
			e := -q
			if r.came {
				e++
			}
			for i := range n {
				g[i] += r.w * e * r.at[i]
				for j := i; j < n; j++ {
					h[i*n+j] += r.w * q * (1 - q) * r.at[i] * r.at[j]
				}
			}
		}
		var factor mat.Cholesky
		if !factor.Factorize(mat.NewSymDense(n, h[:])) {
			return before // definite by its prior, unless a forecast is no number
		}
		var step mat.VecDense
		_ = factor.SolveVecTo(&step, mat.NewVecDense(n, g[:])) // complains of a bad condition alone
		for i := range of {
			of[i] += min(max(step.AtVec(i), -0.5), 0.5)
		}
	}
	seen := of[1]
	return Calibration{Unseen: min(of[0], seen+leastScale*(unseenOdds-seenOdds)), Seen: seen, Scale: min(max(of[2], leastScale), 3), Horizon: max(of[3], 0), Dropped: of[4], N: float64(len(rows))}
}

// outcome says whether the code came within h days of a forecast, and how much
// of that time it tells of: 0 while it is not over, even if the code has come, for
// those without one could not be counted beside it. What would have come once the
// vehicle had been worked on, nobody knows: such a forecast tells of the
// days before that alone (exposure, as where lives are followed until they are
// lost sight of), or a warning that is acted upon would teach that it was wrong.
// A vehicle of which nothing comes any more is in sight for as long as visits may
// lie apart: if only those seen again counted where no code came, codes would seem
// more frequent than they are, most of all among vehicles that are seldom seen.
func (v *pupil) outcome(d, h, now day) (came bool, share float64, worked bool) {
	until := d + h
	if until > now {
		return false, 0, false
	}
	until = min(until, v.last+inSight)
	if until <= d {
		return false, 0, false
	}
	for _, w := range v.workDays {
		if w >= d && w < until {
			until, worked = w, true
		}
	}
	for _, c := range v.codeDays {
		if c > d && c <= until {
			return true, 1, false
		}
	}
	return false, float64(until-d) / float64(h), worked
}
