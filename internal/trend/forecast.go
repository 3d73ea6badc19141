package trend

import (
	"math"
	"time"

	"creepage/internal/insulation"
)

// forecast is what an outlook is made of, before words.
type forecast struct {
	model  *Model
	mem    *memory
	at     day
	groups []partForecast
	whole  int     // index of the track of the code's quantity, or -1
	limit  float64 // log10 of the code limit
	// unsettled is the index of the group whose last look is doubted for what would be a fault, or -1; with the doubt; known once there are figures.
	unsettled   int
	unsettledBy Doubt
	useRows     []int   // horizons that were asked for
	parallel    bool    // the code is about the parallel quantity, else about the weaker pole
	spared      float64 // factor on the odds of no code, for what the monitor's lowest values have sunk
	dropped     float64 // how far the leak is of what has just dropped
	raw         [numHorizons]float64
}

// partForecast is one group's bank brought to the time asked for.
type partForecast struct {
	g     *group
	bank  bank
	chain *chain
	// hot[h] is the temperature above 20 C in which the limit is judged at horizon h, on a warm day.
	hot   [numHorizons]float64
	damp  float64
	mean  [numHorizons]float64 // expected operating level in that warmth, of today's level
	p     [numHorizons]float64 // chance to take what is left of the code's conductance
	leak  float64              // expected conductance at work, siemens
	extra float64              // added to the limit in level terms (quantity conversion), and
	wide  float64              // its variance
}

// weaker pole = parallel + this, decades: between 0 (one pole carries all) and
// 0.301 (both alike), so its middle and spread.
const (
	poleShift    = 0.15
	poleVariance = 0.087 * 0.087
)

// leastWeight is the weight below which a mode is left out of a forecast.
const leastWeight = 1e-6

// forecastAt brings every group to a day and computes the raw probabilities at
// the horizons asked for, in a forecast that was handed back if there is any. The
// caller hands it back with done.
func (m *Model) forecastAt(v *Vehicle, p *insulation.Platform, at time.Time, rows []int) *forecast {
	f, _ := m.spare.Get().(*forecast)
	if f == nil {
		f = new(forecast)
	}
	*f = forecast{model: m, mem: &v.now, at: v.now.seenAt(at), whole: -1, spared: 1, limit: math.Log10(p.CodeLimit()),
		useRows: f.useRows, groups: f.groups}
	ps := &m.params
	rh, sdRH := f.mem.air().humidity(ps)
	damp := dampness(min(rh+1.3*sdRH, 98))
	want := WholeParallel
	f.parallel = p.CodeQuantityOrDefault() != insulation.WeakerPole
	if p.CodeQuantityOrDefault() == insulation.WeakerPole {
		want = WholeWeaker
	}
	if n := len(f.mem.groups); cap(f.groups) < n {
		f.groups = make([]partForecast, n)
	} else {
		f.groups = f.groups[:n]
	}
	for i := range f.mem.groups {
		g := &f.mem.groups[i]
		x := &f.groups[i]
		x.g, x.chain, x.damp = g, m.chainOf(f.mem.platform, g.key), damp
		x.extra, x.wide, x.leak = 0, 0, 0
		if g.key.Whole() {
			f.pickWhole(i, want)
		}
	}
	if f.whole >= 0 {
		f.spared = math.Exp(-ps.SinkOdds * f.groups[f.whole].g.dips.sunk())
	}
	for i := range f.groups {
		f.bring(&f.groups[i])
	}
	f.dropped = f.leakDropped()
	f.judge(rows)
	return f
}

// air is what is known of the air that the vehicle works in.
func (m *memory) air() *climate {
	if m.road.n < 20 {
		return &m.shop
	}
	return &m.road
}

// judge computes the raw probabilities at some horizons, in place of those it was asked for before.
func (f *forecast) judge(rows []int) {
	f.useRows = append(f.useRows[:0], rows...)
	ps, air := &f.model.params, f.mem.air()
	spread := min(air.spread(ps), 6)
	for _, h := range rows {
		warmth := air.warmth(ps, f.at, horizons[h]) + spread - 20
		for i := range f.groups {
			x := &f.groups[i]
			x.hot[h], x.mean[h], x.p[h] = warmth, 0, 0
			if !x.g.key.Whole() {
				x.hot[h] += f.model.rise[x.g.key.Component]
			}
		}
	}
	f.sum()
}

// curve is the calibrated curve at the horizons that were asked for.
func (f *forecast) curve() []CurvePoint {
	return f.model.params.curve(&f.raw, f.useRows[1:], footing{f.watched(), f.dropped})
}

// done hands a forecast back: nothing of it may be used any more.
func (f *forecast) done() {
	m := f.model
	f.mem = nil
	m.spare.Put(f)
}

// bring takes a group's bank to the forecast's day.
func (f *forecast) bring(x *partForecast) {
	g := x.g
	x.bank = g.bank
	if n := int(f.at - g.day); n > 0 {
		x.bank.predict(x.chain, n)
	}
	x.bank.boundHumidity()
	f.model.survive(f.mem, &x.bank, g.key, f.limit, f.at, int(f.at-g.unseenSince()))
}

// watched says whether the whole vehicle's own track is known: by its monitor,
// or live by the voltmeter method. What such a vehicle's forecasts are worth
// differs from those made of test points alone.
func (f *forecast) watched() bool { return f.whole >= 0 }

// leakDropped is how far the leak is of what has just dropped: by the whole vehicle's own track where it is
// known, else by the parts', each by its share of the leak.
func (f *forecast) leakDropped() float64 {
	if f.whole >= 0 {
		return f.groups[f.whole].bank[modeDrop].w
	}
	leak, dropped := 0.0, 0.0
	for i := range f.groups {
		b := &f.groups[i].bank
		level, _ := b.seen(&levelOnly)
		x := math.Pow(10, -level)
		leak, dropped = leak+x, dropped+x*b[modeDrop].w
	}
	if leak == 0 {
		return 0
	}
	return dropped / leak
}

// pickWhole takes a whole-vehicle track as the code's own, the code's quantity before the other.
func (f *forecast) pickWhole(i int, want ConductorGroup) {
	x := &f.groups[i]
	if x.g.readings == 0 {
		return
	}
	switch {
	case x.g.key.Conductor == want:
		x.extra, x.wide = 0, 0
	case want == WholeWeaker: // the track shows the parallel, at most the weaker pole
		x.extra, x.wide = -poleShift, poleVariance
	default:
		x.extra, x.wide = poleShift, poleVariance
	}
	if f.whole < 0 || x.g.key.Conductor == want {
		f.whole = i
	}
}

// sum computes the raw probability at each horizon asked for.
func (f *forecast) sum() {
	floor := f.model.params.BudgetFloor
	code := math.Pow(10, -f.limit)
	for n, h := range f.useRows {
		// Expected leaks: on the plus pole alone, the minus pole alone, on either.
		var plus, minus, either float64
		for i := range f.groups {
			x := &f.groups[i]
			x.mean[h] = x.expected(h)
			if x.g.key.Whole() {
				continue
			}
			x.leak = math.Pow(10, -x.mean[h])
			switch {
			case !x.g.key.onMinus():
				plus += x.leak
			case !x.g.key.onPlus():
				minus += x.leak
			default:
				either += x.leak
			}
		}
		none, whole := 1.0, 0.0
		for i := range f.groups {
			x := &f.groups[i]
			if x.g.key.Whole() {
				if i == f.whole {
					x.p[h] = f.wholeCrossing(x, h)
					whole = x.p[h]
				}
				continue
			}
			var others float64
			switch {
			case f.parallel:
				others = plus + minus + either
			case !x.g.key.onMinus():
				others = plus + either
			case !x.g.key.onPlus():
				others = minus + either
			default:
				others = max(plus, minus) + either
			}
			left := max(code-max(others-x.leak, 0), floor*code)
			x.p[h] = x.crossing(f.model, h, -math.Log10(left))
			none *= 1 - x.p[h]
		}
		a := f.trustWhole(h)
		f.raw[h] = f.sunk(a*whole+(1-a)*(1-none), h)
		// What has come within some days has come within more, though these may end in a cooler season.
		if n > 1 {
			f.raw[h] = max(f.raw[h], f.raw[f.useRows[n-1]])
		}
	}
}

// wholeCrossing is the chance that the whole's own track crosses: by its level,
// or in a dip deeper than those it has shown.
func (f *forecast) wholeCrossing(x *partForecast, h int) float64 {
	p := x.crossing(f.model, h, f.limit+x.extra)
	if h == 0 {
		return p
	}
	return 1 - (1-p)*(1-x.g.dips.crossing(f.model, f.limit+x.extra, horizons[h]))
}

// sunk raises the chance of a code within a horizon by what the lowest values of the
// vehicle's monitor have come down of late.
func (f *forecast) sunk(p float64, h int) float64 {
	if h == 0 || f.spared == 1 {
		return p
	}
	p = max(p, f.model.params.FloorPerDay*horizons[h])
	return p / (p + (1-p)*f.spared)
}

// survive tells a bank that no code has come in the days since the group was
// last measured: below the limit it is not, or the code went unreported.
// Without a monitor of its own in the records this is what the vehicle's own says.
func (m *Model) survive(mem *memory, b *bank, k GroupKey, limit float64, d day, days int) {
	if days <= 0 || mem.codeDay != 0 {
		return
	}
	s := m.survivalSight(mem, k, limit, d)
	if b.clears(m.tail, &s.H, limit) {
		return
	}
	ps := &m.params
	silent := max(math.Exp2(-float64(days)/ps.SurvivalDays), ps.SurvivalFloor)
	b.update(&s, &doubt{lnAboveSaid: math.Log(1 - silent), lnFalseAbove: math.Log(silent)})
}

// survivalSight is how a code that did not come sees a group: above the limit,
// in the usual air of the day.
func (m *Model) survivalSight(mem *memory, k GroupKey, limit float64, d day) Sight {
	ps, air := &m.params, mem.air()
	rh, _ := air.humidity(ps)
	s := Sight{H: [Dim]float64{1, -dampness(rh), -(air.usual(ps, d) - 20), 0}, Y: limit, Noise: survivalNoise, Relation: seenAbove}
	if !k.Whole() {
		s.H[2] -= m.rise[k.Component] * ps.LeakTemperature.Mean
	}
	return s
}

// clears says whether hardly anything of the bank lies below a limit.
func (b *bank) clears(t *tail, h *[Dim]float64, limit float64) bool {
	under := 0.0
	for k := range b {
		if b[k].w < 1e-4 {
			continue
		}
		mu, _, v := b[k].project(h)
		under += b[k].w * t.cdf((limit-mu)/math.Sqrt(v+survivalNoise))
	}
	return under < leastUnder
}

// leastUnder is the chance of lying below the limit from which silence tells anything.
const leastUnder = 0.002

// survivalNoise is the variance of where a monitor really trips, decades^2.
const survivalNoise = 0.1 * 0.1

// trustWhole is the weight of the whole's own track against the sum of its
// parts: by how precisely each knows the whole's level at work.
func (f *forecast) trustWhole(h int) float64 {
	if f.whole < 0 {
		return 0
	}
	w := &f.groups[f.whole]
	_, vw := w.bank.seen(&[Dim]float64{1, -w.damp, -w.hot[h], 0})
	total, vp := 0.0, 0.0
	for i := range f.groups {
		if !f.groups[i].g.key.Whole() {
			total += f.groups[i].leak
		}
	}
	if total == 0 {
		return 1
	}
	for i := range f.groups {
		x := &f.groups[i]
		if x.g.key.Whole() {
			continue
		}
		_, v := x.bank.seen(&[Dim]float64{1, -x.damp, -x.hot[h], 0})
		share := x.leak / total
		vp += share * share * v
	}
	return (vp + sumFloor) / (vw + vp + 2*sumFloor)
}

// sumFloor keeps either way of knowing the whole from being taken as exact, decades^2.
const sumFloor = 0.1 * 0.1

// expected returns the mean operating level now, in the warmth and damp of horizon h.
func (x *partForecast) expected(h int) float64 {
	mean := 0.0
	for k := range x.bank {
		g := &x.bank[k]
		mean += g.w * (g.Mean[0] - x.damp*g.Mean[1] - x.hot[h]*g.Mean[2])
	}
	return mean
}

// crossing returns the chance that the group's operating level falls below a
// limit within horizon h: a sum over modes and over the falls still to come of
// a normal tail.
func (x *partForecast) crossing(m *Model, h int, limit float64) float64 {
	hot, own := x.hot[h], x.wide
	if !x.g.key.Whole() {
		own += square(m.params.LeakTemperature.SD * hot)
		hot *= m.params.LeakTemperature.Mean
	}
	sight := [Dim]float64{1, -x.damp, -hot, 0}
	total := 0.0
	for k := range x.bank {
		g := &x.bank[k]
		if g.w < leastWeight {
			continue
		}
		mu, _, v := g.project(&sight)
		s := 1 / math.Sqrt(v+own+minVariance)
		z := (limit - mu) * s
		atoms := m.falls.atoms[k][h]
		if k == modeStable {
			onset := x.chain.onset
			total += g.w * (max(1-onset*m.falls.leaving[h], 0)*m.tail.cdf(z) + onset*m.tail.deeper(atoms, z, s, x.damp*s))
			continue
		}
		total += g.w * m.tail.deeper(atoms, z, s, x.damp*s)
	}
	return min(total, 1)
}
