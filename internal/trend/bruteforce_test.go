package trend

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"creepage/internal/insulation"
)

// walker follows one group of a vehicle, day by day: written apart from the
// forecast, from the words of the model alone.
type walker struct {
	p                      *Params
	rates                  *[numModes][numModes]float64
	mode                   int
	level, humidity, slope float64 // the slope is b
	leak                   float64 // what a leak adds to b at work
	pace                   float64 // factor on the decline of this stay
}

// begin draws a state of the bank.
func (w *walker) begin(rng *rand.Rand, b *bank) {
	x := rng.Float64()
	w.mode = 0
	for x -= b[0].w; x > 0 && w.mode < numModes-1; {
		w.mode++
		x -= b[w.mode].w
	}
	g := &b[w.mode]
	// Cholesky of the level, humidity and temperature covariance.
	c := unpack(&g.Cov)
	l00 := math.Sqrt(max(c[0][0], 0))
	l10, l20 := c[0][1]/l00, c[0][2]/l00
	l11 := math.Sqrt(max(c[1][1]-l10*l10, 0))
	l21 := (c[1][2] - l10*l20) / max(l11, 1e-12)
	l22 := math.Sqrt(max(c[2][2]-l20*l20-l21*l21, 0))
	z0, z1, z2 := rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()
	w.level, w.humidity, w.slope = g.Mean[0]+l00*z0, g.Mean[1]+l10*z0+l11*z1, g.Mean[2]+l20*z0+l21*z1+l22*z2
	w.leak = w.p.LeakTemperature.SD * rng.NormFloat64()
	w.pace = math.Exp(w.p.FallSpread * rng.NormFloat64())
}

// day moves it by a day, with a pace that stays as it is for a whole stay in a mode.
func (w *walker) day(rng *rand.Rand) {
	w.step(rng)
	dl, du, _, _ := w.p.drift(w.mode)
	w.level += dl*w.pace + math.Sqrt(w.p.LevelNoise)*rng.NormFloat64()
	w.humidity += du * w.pace
}

// noisyDay moves it by a day with noise anew each day, as the bank's prediction has it.
func (w *walker) noisyDay(rng *rand.Rand) {
	w.step(rng)
	dl, du, vl, vu := w.p.drift(w.mode)
	w.level += dl + math.Sqrt(vl)*rng.NormFloat64()
	w.humidity += du + math.Sqrt(vu)*rng.NormFloat64()
}

// step lets it change its mode, once a day.
func (w *walker) step(rng *rand.Rand) {
	u := rng.Float64() - w.rates[w.mode][w.mode]
	if u < 0 {
		return
	}
	from := w.mode
	for to := range numModes {
		if to == from {
			continue
		}
		if u -= w.rates[to][from]; u < 0 {
			w.mode = to
			break
		}
	}
	switch w.mode {
	case modeDrop:
		w.level += w.p.DropJump.Mean + w.p.DropJump.SD*rng.NormFloat64()
	case modeBetter:
		w.level += w.p.BetterJump.Mean + w.p.BetterJump.SD*rng.NormFloat64()
	}
	w.pace = math.Exp(w.p.FallSpread * rng.NormFloat64())
}

// walk simulates a vehicle's groups day by day from where their banks stand and
// returns the share of paths that have crossed by each day: first passage of the
// sum of the leaks, each day in its own warmth. What the method
// states as given stays given: the air's warmth and usual humidity, taken
// warm and damp by a spread.
func walk(f *forecast, paths, days int) []float64 {
	rng := rand.New(rand.NewPCG(77, 77))
	ps := &f.model.params
	air := &f.mem.road
	if air.n < 20 {
		air = &f.mem.shop
	}
	warm := make([]float64, days+1)
	for d := range warm {
		warm[d] = air.warmth(ps, f.at+day(d), 0) + min(air.spread(ps), 6) - 20
	}
	var groups []*partForecast
	for i := range f.groups {
		if x := &f.groups[i]; !x.g.key.Whole() || len(f.groups) == 1 {
			groups = append(groups, x)
		}
	}
	walkers := make([]walker, len(groups))
	rises := make([]float64, len(groups))
	for i, x := range groups {
		rates := ps.transitions(x.chain.onset)
		walkers[i] = walker{p: ps, rates: &rates}
		if !x.g.key.Whole() {
			rises[i] = f.model.rise[x.g.key.Component]
		}
	}
	code := math.Pow(10, -f.limit)
	crossed := make([]float64, days+1)
	for range paths {
		for i, x := range groups {
			walkers[i].begin(rng, &x.bank)
		}
		for d := 0; d <= days; d++ {
			sum := 0.0
			for i, x := range groups {
				w := &walkers[i]
				if d > 0 {
					w.day(rng)
				}
				b := w.slope*ps.LeakTemperature.Mean + w.leak
				if x.g.key.Whole() {
					b = w.slope
				}
				y := w.level - x.damp*w.humidity - (warm[d]+rises[i])*b
				if y < f.limit {
					sum = 2 * code
				} else if y < f.limit+4 { // ten thousandth parts do not matter
					sum += math.Pow(10, -y)
				}
			}
			if sum > code {
				crossed[d]++
				break
			}
		}
	}
	total := 0.0
	for d := range crossed {
		total += crossed[d]
		crossed[d] = total / float64(paths)
	}
	return crossed
}

// rawCurve is the forecast's curve before calibration, which is another matter.
func rawCurve(f *forecast) []CurvePoint {
	out := make([]CurvePoint, 0, numHorizons)
	top := 0.0
	for h := 1; h < numHorizons; h++ {
		top = max(top, f.raw[h])
		out = append(out, CurvePoint{horizons[h], top})
	}
	return out
}

// agrees compares a forecast with what came of the walks. off and share are what
// the approximation may cost: so much, and that share of the nearer of p and
// 1-p; to which come three standard errors of the walks.
func agrees(t *testing.T, name string, f *forecast, walked []float64, paths, off, share float64) {
	t.Helper()
	for _, h := range []int{0, horizon30, horizon90} {
		got, want := f.raw[h], walked[int(horizons[h])]
		tolerance := off + share*min(want, 1-want) + 3*math.Sqrt(max(want*(1-want), 1/paths)/paths)
		t.Logf("%-36s %3.0f days: forecast %.4f, walked %.4f, tolerance %.4f", name, horizons[h], got, want, tolerance)
		if math.Abs(got-want) > tolerance {
			t.Errorf("%s, %.0f days: forecast %.4f, walked %.4f ± %.4f", name, horizons[h], got, want, tolerance)
		}
	}
	curve := rawCurve(f)
	for _, q := range []float64{0.1, 0.5, 0.9} {
		date := passing(curve, q)
		first := -1 // the day on which the walks pass it
		for d, p := range walked {
			if p >= q {
				first = d
				break
			}
		}
		last := walked[len(walked)-1]
		if first < 0 || math.IsNaN(date) || date > float64(len(walked)-1) {
			// One of the two never gets there: then both end near it.
			if end := Within(curve, float64(len(walked)-1)); (first < 0) != (math.IsNaN(date) || date > float64(len(walked)-1)) && math.Abs(end-last) > off+share+0.02 {
				t.Errorf("%s: %.0f %% on day %.0f of the forecast, %d of the walks, which end at %.3f and %.3f", name, 100*q, date, first, end, last)
			}
			continue
		}
		// A difference of probability where the curve is flat is many days: what counts is the probability there.
		at := walked[min(int(math.Round(date)), len(walked)-1)]
		t.Logf("%-36s %2.0f %%: day %.0f of the forecast, %d of the walks", name, 100*q, date, first)
		if math.Abs(date-float64(first)) > 3+0.1*float64(first) && math.Abs(at-q) > off+share*min(q, 1-q)+3*math.Sqrt(q*(1-q)/paths) {
			t.Errorf("%s: %.0f %% on day %.0f of the forecast, %d of the walks", name, 100*q, date, first)
		}
	}
}

// motorBench has one winding alone, so that no sum of leaks is in the way.
func motorBench() *insulation.Platform {
	p := &insulation.Platform{ID: "bench-motor-400", MaxWorkingVolts: 400}
	for _, w := range []insulation.Conductor{insulation.PhaseU, insulation.PhaseV, insulation.PhaseW} {
		p.Points = append(p.Points, insulation.Point{Component: insulation.Motor, Conductor: w, Reference: insulation.Chassis, LimitOhms: 1e8, TestVolts: 500})
	}
	return p
}

// Twenty atoms of the fall still to come, the warmth of the horizon's
// last third with its deepest fall, level noise left out: for one part these cost a
// hundredth at most, or a tenth of the nearer of p and 1-p.
func TestTheForecastOfOnePartAgreesWithWalkingTheChain(t *testing.T) {
	type look struct {
		day       int
		level, rh float64
	}
	slide := func(slope float64, days ...int) (out []look) {
		for _, d := range days {
			out = append(out, look{d, 9.4 - slope*float64(d), 45})
		}
		return out
	}
	m := model(t)
	const paths, days = 4000, 450
	for _, x := range []struct {
		name  string
		looks []look
	}{
		{"seen once", slide(0, 180)},
		{"steady and high", slide(0, 0, 60, 120, 180)},
		{"falls 0.006 a day", slide(0.006, 0, 60, 120, 180, 240)},
		{"falls 0.012 a day", slide(0.012, 0, 60, 120, 180)},
		{"falls 0.012 a day, near the limit", slide(0.012, 0, 60, 120, 180, 230)},
		{"falls 0.03 a day", slide(0.03, 0, 30, 60)},
		{"falls 0.03 a day, near the limit", slide(0.03, 0, 30, 60, 90)},
		{"has just dropped", append(slide(0, 0, 60), look{120, 7.4, 45}, look{125, 7.4, 45})},
		{"loses when damp", []look{{0, 9.3, 70}, {40, 9.4, 45}, {80, 8.9, 80}, {120, 9.4, 50}, {160, 8.0, 85}, {170, 9.4, 45}, {200, 7.3, 88}}},
		{"levelled off at 7.6", append(slide(0.015, 0, 60), look{120, 7.6, 45}, look{180, 7.6, 45}, look{240, 7.6, 45}, look{300, 7.6, 45}, look{360, 7.6, 45})},
		{"steady, near the limit", []look{{0, 6.6, 45}, {60, 6.6, 45}, {120, 6.6, 45}, {180, 6.6, 45}, {240, 6.6, 45}}},
	} {
		v, p := NewVehicle(x.name), motorBench()
		for _, l := range x.looks {
			for i, w := range []insulation.Conductor{insulation.PhaseU, insulation.PhaseV, insulation.PhaseW} {
				e := tester(l.day, insulation.Motor, w, math.Pow(10, l.level+0.02*float64(i-1)))
				e.Reading.HumidityPct = l.rh
				add(t, m, v, p, e)
			}
		}
		f := m.forecastAt(v, p, at(x.looks[len(x.looks)-1].day+1), allHorizons())
		agrees(t, x.name, f, walk(f, paths, days), paths, 0.01, 0.1)
	}
}

// What a steady part's small probability is made of, the onset of faults yet to
// come, seen with a hazard thirty times the usual, so that walks meet it often
// enough: within a tenth, and four standard errors of the walks.
func TestTheForecastOfFaultsYetToComeAgreesWithWalkingTheChain(t *testing.T) {
	p := Default()
	p.Onset = 1e-3
	m, err := NewModel(p)
	if err != nil {
		t.Fatal(err)
	}
	v, bench := NewVehicle("steady"), motorBench()
	for d := 0; d <= 360; d += 30 {
		for _, w := range []insulation.Conductor{insulation.PhaseU, insulation.PhaseV, insulation.PhaseW} {
			add(t, m, v, bench, tester(d, insulation.Motor, w, 3e8))
		}
	}
	const paths = 20000
	f := m.forecastAt(v, bench, at(361), allHorizons())
	walked := walk(f, paths, 270)
	for _, h := range []int{horizon90, horizon90 + 3, horizon90 + 5} {
		got, want := f.raw[h], walked[int(horizons[h])]
		t.Logf("%3.0f days: forecast %.4f, walked %.4f", horizons[h], got, want)
		if math.Abs(got-want) > 0.1*want+4*math.Sqrt(want/paths) {
			t.Errorf("%.0f days: forecast %.4f, walked %.4f", horizons[h], got, want)
		}
	}
}

// The whole vehicle's own track, by its monitor, with neither parts nor dips beside it,
// and before what its values' sinking adds, which no walk of the chain knows.
func TestTheForecastOfTheWholeAgreesWithWalkingTheChain(t *testing.T) {
	ps := Default()
	ps.SinkOdds = 0
	m := mustModel(t, ps)
	const paths, days = 4000, 270
	for _, slope := range []float64{0, 0.004, 0.012, 0.03} {
		p, v := &insulation.Platform{ID: "bare-400", MaxWorkingVolts: 400}, NewVehicle("whole")
		rng := rand.New(rand.NewPCG(3, 3))
		last := 0
		for ; last <= 150; last++ {
			level := 6.8 - slope*max(0, float64(last-110))
			if level < 5.6 {
				break
			}
			add(t, m, v, p, monitor(last, math.Pow(10, level+0.05*rng.NormFloat64())))
		}
		f := m.forecastAt(v, p, at(last), allHorizons())
		agrees(t, fmt.Sprintf("whole, %.3f a day", slope), f, walk(f, paths, days), paths, 0.01, 0.1)
	}
}

// Several parts that leak at once: the forecast leaves each what the others'
// expected leaks do not take, and treats them as independent. The sum of leaks
// is worse than that when two are nearly as bad (0.03 measured) and better when
// one of them is uncertain (0.06 measured).
func TestTheForecastOfTheSumAgreesWithWalkingTheChain(t *testing.T) {
	m, p := model(t), harborVan()
	const paths, days = 2000, 200
	for _, x := range []struct {
		name  string
		level func(d float64, c insulation.Component, w insulation.Conductor) float64
	}{
		{"all steady", func(float64, insulation.Component, insulation.Conductor) float64 { return 9.4 }},
		{"motor and compressor fall", func(d float64, c insulation.Component, w insulation.Conductor) float64 {
			switch {
			case c == insulation.Motor:
				return 9.4 - 0.012*d
			case c == insulation.Compressor && w == insulation.HVPlus:
				return 9.0 - 0.012*d
			}
			return 9.4
		}},
		{"all fall", func(d float64, _ insulation.Component, _ insulation.Conductor) float64 { return 9.4 - 0.012*d }},
		{"half-bad charger, motor falls", func(d float64, c insulation.Component, _ insulation.Conductor) float64 {
			switch c {
			case insulation.Charger:
				return 5.9
			case insulation.Motor:
				return 9.4 - 0.012*d
			}
			return 9.4
		}},
	} {
		v, rng := NewVehicle(x.name), rand.New(rand.NewPCG(1, 1))
		for _, d := range []int{0, 60, 120, 180} {
			add(t, m, v, p, visit(d, p, rng, func(c insulation.Component, w insulation.Conductor) float64 { return x.level(float64(d), c, w) })...)
		}
		f := m.forecastAt(v, p, at(190), allHorizons())
		agrees(t, x.name, f, walk(f, paths, days), paths, 0.02, 0.15)
	}
}
