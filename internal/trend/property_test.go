package trend

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"

	"creepage/internal/insulation"
)

// history draws a vehicle's entries: visits, monitor rows, garbage, events, codes; in the north, in the south or where there is no season.
func history(rng *rand.Rand, p *insulation.Platform, days int) []Entry {
	var out []Entry
	base := 8 + 2*rng.Float64()
	slope := 0.02 * rng.Float64() * rng.Float64()
	swing := []float64{-20, 0, 20}[rng.IntN(3)]
	celsius := func(d int) float64 {
		cos, _ := harmonic(float64(dayOf(at(d))))
		return 12 + swing*cos + 8*(rng.Float64()-0.5)
	}
	for d := 0; d < days; d += 1 + rng.IntN(12) {
		level := base - slope*float64(d)
		switch rng.IntN(6) {
		case 0, 1:
			es := visit(d, p, rng, func(insulation.Component, insulation.Conductor) float64 { return level })
			for i := range es {
				r := es[i].Reading
				r.AirCelsius = celsius(d)
				switch rng.IntN(30) {
				case 0:
					r.Ohms = 0
				case 1:
					r.Ohms /= 1000
				case 2:
					r.AirCelsius = nan
				case 3:
					r.Relation = insulation.Below
				}
				if rng.IntN(3) > 0 {
					out = append(out, es[i])
				}
			}
		case 5:
			switch rng.IntN(6) {
			case 0:
				out = append(out, Entry{Event: &insulation.Event{Vehicle: "x", Component: insulation.Motor, Kind: insulation.EventKind(1 + rng.IntN(3)), OccurredAt: at(d).Add(time.Hour)}})
			case 1:
				out = append(out, Entry{Code: &insulation.Code{Vehicle: "x", Code: []string{"P0AA6", "P0AA7", "P0A0A"}[rng.IntN(3)], SetAt: at(d)}})
			}
			fallthrough
		default:
			for n := 1 + rng.IntN(4); n > 0; n-- {
				e := monitor(d, math.Pow(10, min(level-2.2, 6.7)+0.1*rng.NormFloat64()))
				e.Reading.ID += strconv.Itoa(n)
				if rng.IntN(3) > 0 {
					e.Reading.AirCelsius = celsius(d)
				}
				e.Reading.MeasuredAt = e.Reading.MeasuredAt.Add(time.Duration(n) * time.Minute)
				out = append(out, e)
			}
		}
	}
	return out
}

func said(m *Model, v *Vehicle, p *insulation.Platform, at time.Time) string {
	return fmt.Sprintf("%+v", m.Outlook(v, p, at))
}

func TestOrderOfArrivalWithinADayDoesNotMatter(t *testing.T) {
	m, p := model(t), harborVan()
	rapid.Check(t, func(rt *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		es := history(rng, p, 120)
		if len(es) == 0 {
			return
		}
		a, b := NewVehicle("x"), NewVehicle("x")
		add(t, m, a, p, es...)
		// The same, day by day, each day shuffled and in single steps.
		for i := 0; i < len(es); {
			j := i
			for j < len(es) && dayOf(es[j].Time()) == dayOf(es[i].Time()) {
				j++
			}
			part := slices.Clone(es[i:j])
			rng.Shuffle(len(part), func(i, j int) { part[i], part[j] = part[j], part[i] })
			for k := range part {
				add(t, m, b, p, part[k])
			}
			i = j
		}
		if x, y := said(m, a, p, at(125)), said(m, b, p, at(125)); x != y {
			rt.Fatalf("outlooks differ:\n%s\n%s", x, y)
		}
	})
}

func TestLateEntriesAreRefusedAndChangeNothing(t *testing.T) {
	m, p, v := model(t), harborVan(), NewVehicle("x")
	add(t, m, v, p, monitor(10, 3e6))
	before, _ := v.MarshalBinary()
	if err := m.Add(v, p, []Entry{monitor(11, 3e6), monitor(9, 3e6)}); err == nil {
		t.Fatal("a late entry was taken")
	}
	after, _ := v.MarshalBinary()
	if !bytes.Equal(before, after) {
		t.Error("a refused batch changed the memory")
	}
}

func TestNothingIsKnownOfTheFuture(t *testing.T) {
	m, p := model(t), harborVan()
	rapid.Check(t, func(rt *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 2))
		es := history(rng, p, 150)
		cut := at(75)
		var whole, part []Change
		var outlooks [2]string
		for pass := range 2 {
			v, rs := NewVehicle("x"), RuleState{}
			next := 0
			for d := 0; d < 75; d++ {
				from := next
				for next < len(es) && es[next].Time().Before(at(d).Truncate(24*time.Hour)) {
					if pass == 1 && es[next].Time().After(cut) {
						break
					}
					next++
				}
				add(t, m, v, p, es[from:next]...)
				var ch []Change
				rs, ch, _ = m.Evaluate(rs, v, p, at(d), DefaultPolicy())
				if pass == 0 {
					whole = append(whole, ch...)
				} else {
					part = append(part, ch...)
				}
			}
			outlooks[pass] = said(m, v, p, at(75))
		}
		if outlooks[0] != outlooks[1] || fmt.Sprint(whole) != fmt.Sprint(part) {
			rt.Fatal("what was said depends on what came later")
		}
	})
}

func TestEvaluateEqualsOutlookAndFold(t *testing.T) {
	p := harborVan()
	var models []*Model
	for _, shift := range []float64{-0.8, 0, 0.8} {
		params := Default()
		params.BoundShift = shift
		models = append(models, mustModel(t, params))
	}
	changes := 0
	rapid.Check(t, func(rt *rapid.T) {
		m := models[rapid.IntRange(0, len(models)-1).Draw(rt, "shift")]
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 3))
		es := history(rng, p, 100)
		v := NewVehicle("x")
		days := rapid.SampledFrom([]float64{10, 21, 30, 38.5, 45, 90, 200, 365, 800})
		policy := Policy{LeadDays: days.Draw(rt, "lead"), Followed: Bounds{days.Draw(rt, "followed"), 0.12, 0.04}, Testers: Bounds{days.Draw(rt, "testers"), 0.05, 0.02}, HoldDays: 1, EndDays: 3}
		var a, b RuleState
		for _, e := range es {
			add(t, m, v, p, e)
			when := e.Time().Add(24 * time.Hour)
			var x, y []Change
			a, x, _ = m.Evaluate(a, v, p, when, policy)
			o := m.Outlook(v, p, when)
			b, y = m.Fold(b, &o, policy)
			if fmt.Sprint(a, x) != fmt.Sprint(b, y) {
				rt.Fatalf("at %s: %v %v; %v %v", when, a, x, b, y)
			}
			if o.Raw30 > o.Raw90 {
				rt.Fatalf("at %s the raw chance is %g within 30 days and %g within 90", when, o.Raw30, o.Raw90)
			}
			g := m.glance(v, p, when, policy, a.warnsOfCode())
			for _, d := range []float64{m.params.bounds(&policy, o.Followed).Days, policy.LeadDays} {
				// Where all is far below what raises a warning, the horizons before those asked for are left out.
				b := m.params.bounds(&policy, o.Followed)
				level := map[bool]float64{true: calmShare * b.Raise, false: calmShare * sureAt}[d == b.Days]
				if got, want := Within(g.Curve, d), Within(o.Curve, d); got != want && !(!a.warnsOfCode() && got < want && got < level) {
					rt.Fatalf("at %s within %g days: %g at a glance, %g", when, d, got, want)
				}
			}
			for _, c := range x {
				if c.Kind == CodeDue {
					changes++
				}
			}
		}
	})
	if changes < 10 {
		t.Errorf("%d warnings of a code raised or ended show little", changes)
	}
}

func TestASplitGapEqualsAWholeOne(t *testing.T) {
	m := model(t)
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 700).Draw(rt, "days")
		k := rapid.IntRange(0, n).Draw(rt, "first")
		start := m.freshBank(harborVan(), GroupKey{insulation.Motor, Phases})
		start.update(&Sight{H: [Dim]float64{1, -0.1, -3, 0}, Y: 8.7, Noise: 0.01, Relation: seenEqual}, &m.doubt)
		a, b := start, start
		a.predict(m.whole, n)
		b.predict(m.whole, k)
		b.predict(m.whole, n-k)
		for i := range a {
			if math.Abs(a[i].w-b[i].w) > 1e-11 {
				rt.Fatalf("weights %v, %v", a[i].w, b[i].w)
			}
			for j := range a[i].Mean {
				if math.Abs(a[i].Mean[j]-b[i].Mean[j]) > 1e-8 {
					rt.Fatalf("means of mode %d %v, %v", i, a[i].Mean, b[i].Mean)
				}
			}
		}
	})
}

// An independent step: two modes by hand. From 9.0, hazard 3e-4 a day, slope
// 0.0224: after 90 days the falling mode stands at the mean over onset times.
func TestMixingIsExactOverManyDays(t *testing.T) {
	p := Default()
	p.RateUp, p.RateDown, p.RateToStable, p.RateBetter = 0, 0, 0, 0
	p.DampShare, p.DropShare = 0, 0
	p.Slopes = []float64{0.002, 0.004, 0.008, 0.014, 0.0224, 0.042, 0.075}
	p.DeclineShares = []float64{0, 0, 0, 0, 1, 0, 0}
	c := newChain(&p, 3e-4)
	b := newBank(&p, Normal{9, 0.1}, p.Humidity, p.Temperature)
	for k := range b {
		b[k].w = 0
	}
	b[modeStable].w = 1
	b.predict(c, 90)
	var w, sum float64
	for d := 1; d <= 90; d++ { // onset on day d: 90-d+1 days of fall
		q := math.Pow(1-3e-4, float64(d-1)) * 3e-4
		w += q
		sum += q * (9 - 0.0224*float64(90-d+1))
	}
	near(t, "weight", b[modeDecline+4].w, w, 1e-12)
	near(t, "mean", b[modeDecline+4].Mean[0], sum/w, 1e-10)
	if got := b[modeDecline+4].Mean[0]; math.Abs(got-7.98) > 0.01 {
		t.Errorf("mean %.3f; want 7.98", got)
	}
}

func TestABoundFarBelowChangesAlmostNothingAndFarAboveRaises(t *testing.T) {
	m := model(t)
	start := m.freshBank(harborVan(), GroupKey{insulation.Motor, Phases})
	start.update(&Sight{H: levelOnly, Y: 8.5, Noise: 0.01, Relation: seenEqual}, &m.doubt)
	before, _ := start.seen(&levelOnly)
	low, high := start, start
	low.update(&Sight{H: levelOnly, Y: 6, Noise: 0.01, Relation: seenAbove}, &m.doubt)
	after, _ := low.seen(&levelOnly)
	if math.Abs(after-before) > 0.01 {
		t.Errorf("a bound far below moved the level from %.3f to %.3f", before, after)
	}
	high.update(&Sight{H: levelOnly, Y: 8.8, Noise: 0.01, Relation: seenAbove}, &m.doubt)
	if after, _ := high.seen(&levelOnly); after <= before {
		t.Errorf("a bound above left the level at %.3f", after)
	}
}

func TestAConsistentReadingDoesNotWidenTheBand(t *testing.T) {
	m := model(t)
	rapid.Check(t, func(rt *rapid.T) {
		b := m.freshBank(harborVan(), GroupKey{insulation.Motor, Phases})
		for range rapid.IntRange(1, 6).Draw(rt, "readings") {
			mean, before := b.seen(&levelOnly)
			b.update(&Sight{H: levelOnly, Y: mean, Noise: 0.0146, Relation: seenEqual}, &m.doubt)
			if _, after := b.seen(&levelOnly); after > before*(1+1e-9) {
				rt.Fatalf("variance rose from %g to %g", before, after)
			}
		}
	})
}

func TestScalingEveryOhmShiftsLevelsAndLeavesProbabilities(t *testing.T) {
	p := harborVan()
	for _, shift := range []float64{-1.1, 0.4, 1.2} {
		f := math.Pow(10, shift)
		scaled := *p
		scaled.CodeOhms = p.CodeLimit() * f
		scaled.Points = slices.Clone(p.Points)
		for i := range scaled.Points {
			scaled.Points[i].LimitOhms *= f
		}
		params := Default()
		params.WholeLevel += shift
		other, err := NewModel(params)
		if err != nil {
			t.Fatal(err)
		}
		m := model(t)
		for seed := range uint64(12) {
			var p90 [2]float64
			for pass, c := range []struct {
				m *Model
				p *insulation.Platform
				f float64
			}{{m, p, 1}, {other, &scaled, f}} {
				v := NewVehicle("x")
				for _, e := range history(rand.New(rand.NewPCG(seed, 4)), p, 100) {
					if r := e.Reading; r != nil {
						if r.Ohms == 0 || r.Relation == insulation.Above {
							continue
						}
						r.Ohms *= c.f
					}
					add(t, c.m, v, c.p, e)
				}
				o := c.m.Outlook(v, c.p, at(110))
				p90[pass] = o.P90
			}
			// A monitor's rows are summed in bins of 0.0005 decades, whose edges do not move along.
			if math.Abs(p90[0]-p90[1]) > 3e-4 {
				t.Errorf("shift %g, seed %d: P90 %.9f, scaled %.9f", shift, seed, p90[0], p90[1])
			}
		}
	}
}

// TestWeightsAndCovariancesHoldOverManySteps makes random steps; the
// environment variable CREEPAGE_LONG_STEPS sets how many (a million in the long target).
func TestWeightsAndCovariancesHoldOverManySteps(t *testing.T) {
	steps := 20000
	if s := os.Getenv("CREEPAGE_LONG_STEPS"); s != "" {
		var err error
		if steps, err = strconv.Atoi(s); err != nil {
			t.Fatalf("CREEPAGE_LONG_STEPS %q: want a number", s)
		}
	}
	m := model(t)
	rng := rand.New(rand.NewPCG(5, 5))
	b := m.freshBank(harborVan(), GroupKey{insulation.Motor, Phases})
	for i := range steps {
		b.predict(m.parts[insulation.Motor], rng.IntN(150))
		b.boundHumidity()
		mean, _ := b.seen(&levelOnly)
		s := Sight{H: [Dim]float64{1, -rng.Float64(), -30 * rng.NormFloat64(), 0}, Y: min(max(mean+rng.NormFloat64()*3, 2), 13), Noise: 0.002 + 0.1*rng.Float64(), Relation: uint8(1 + rng.IntN(3))}
		b.update(&s, &m.doubt)
		sum := 0.0
		for k := range b {
			x := &b[k]
			sum += x.w
			if !x.finite() || x.w <= 0 {
				t.Fatalf("step %d, mode %d: %+v", i, k, x)
			}
			if low := leastPivot(&x.Cov); low < -1e-9 {
				t.Fatalf("step %d, mode %d: covariance has a negative pivot %g: %v", i, k, low, x.Cov)
			}
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Fatalf("step %d: weights sum to %.12f", i, sum)
		}
	}
}

// leastPivot is the least pivot of the state's covariance (without the visit's
// offset), relative to its diagonal: not negative means positive semidefinite.
func leastPivot(c *[covSize]float64) float64 {
	p := unpack(c)
	least := math.Inf(1)
	for i := range 3 {
		scale := c[[]int{covLL, covUU, covBB}[i]]
		least = min(least, p[i][i]/max(scale, 1e-12))
		if p[i][i] <= 0 {
			break
		}
		for j := i + 1; j < 3; j++ {
			f := p[j][i] / p[i][i]
			for k := i; k < 3; k++ {
				p[j][k] -= f * p[i][k]
			}
		}
	}
	return least
}

func TestTheCostOfARowDoesNotGrow(t *testing.T) {
	m, p, v := model(t), harborVan(), NewVehicle("x")
	size := func() int {
		b, err := v.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		return len(b)
	}
	rng := rand.New(rand.NewPCG(6, 6))
	var early int
	for i := range 10000 { // rows of one monitor, 500 a day
		e := monitor(i/500, 3e6*math.Exp(0.3*rng.NormFloat64()))
		e.Reading.MeasuredAt = e.Reading.MeasuredAt.Add(time.Duration(i%500) * time.Minute)
		e.Reading.ID = strconv.Itoa(i)
		add(t, m, v, p, e)
		if i == 1999 {
			early = size()
		}
	}
	if late := size(); late > early+2000 {
		t.Errorf("the memory grew from %d to %d bytes", early, late)
	}
}

func FuzzUnmarshal(f *testing.F) {
	m, err := NewModel(Default())
	if err != nil {
		f.Fatal(err)
	}
	p, v := harborVan(), NewVehicle("x")
	if err := m.Add(v, p, []Entry{monitor(1, 3e6), tester(1, insulation.Motor, insulation.PhaseU, 3e8)}); err != nil {
		f.Fatal(err)
	}
	good, _ := v.MarshalBinary()
	f.Add(good)
	f.Add(good[:len(good)/2])
	f.Fuzz(func(t *testing.T, data []byte) {
		var w Vehicle
		if err := w.UnmarshalBinary(data); err != nil {
			return
		}
		again, err := w.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		var x Vehicle
		if err := x.UnmarshalBinary(again); err != nil {
			t.Fatalf("what was written cannot be read: %v", err)
		}
		if third, _ := x.MarshalBinary(); !bytes.Equal(again, third) {
			t.Error("a memory that was read does not write back the same")
		}
	})
}
