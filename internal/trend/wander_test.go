package trend

import (
	"math"
	"math/rand/v2"
	"testing"

	"creepage/internal/insulation"
)

// correlated is a series whose correlation falls by a factor r a day about zero.
type correlated struct {
	rng   *rand.Rand
	r, sd float64
	at    float64
}

func (c *correlated) next() float64 {
	c.at = c.r*c.at + math.Sqrt(1-c.r*c.r)*c.sd*c.rng.NormFloat64()
	return c.at
}

// The variance by which leaning exceeds that of independent values is the one that an exponentially
// weighted mean of a first-order autoregressive series has: with weights a (1-a)^k and
// correlations r^k, a/(2-a) (1+rk)/(1-rk) of the series' own, where rk is r (1-a) (the sum over all pairs of lags). Of independent values it is nothing.
func TestWanderIsTheExcessOfAnAutoregressiveSeries(t *testing.T) {
	ps := Default()
	ps.WanderMost = 100
	a := -math.Expm1(-1 / ps.WanderDays)
	for _, r := range []float64{0, 0.5, 0.87, 0.95} {
		const sd = 0.12
		x := correlated{rng: rand.New(rand.NewPCG(11, 7)), r: r, sd: sd}
		var w wander
		sum, n := 0.0, 0
		for d := range 200000 {
			w.follow(&ps, day(d+1), x.next(), sd*sd, 0)
			if d > 1000 {
				sum, n = sum+w.variance, n+1
			}
		}
		rk := r * (1 - a)
		want := sd * sd * a / (2 - a) * ((1+rk)/(1-rk) - 1)
		if got := sum / float64(n); math.Abs(got-want) > 0.05*sd*sd*a/(2-a)+0.05*want {
			t.Errorf("correlation %g: excess %.6f, want %.6f", r, got, want)
		}
	}
}

// A fall does not excuse itself, however long it takes.
func TestAFallIsNoWander(t *testing.T) {
	ps := Default()
	rng := rand.New(rand.NewPCG(1, 2))
	var w wander
	for d := range day(300) {
		w.follow(&ps, d+1, -0.1+0.05*rng.NormFloat64(), 0.05*0.05, 0)
		if w.noise(&ps) > 1e-4 {
			t.Fatalf("what lies below its level adds %v to the variance of a day's value", w.noise(&ps))
		}
	}
}

// Weather that comes and goes by the week, and that no thermometer tells of, is
// warned of seldom; a leak in such weather is still met in good time.
func TestWeatherOfWeeksIsNoFallAndALeakInItIsOne(t *testing.T) {
	with, without := Default(), Default()
	without.WanderNoise = 0
	const vehicles, days, onset, slope = 20, 600, 480, 0.012
	p := harborVan()
	limit := math.Log10(p.CodeLimit())
	var calls, met [2]int
	for i, ps := range []Params{with, without} {
		m := mustModel(t, ps)
		for k := range vehicles {
			leaks := k%2 == 0
			x := correlated{rng: rand.New(rand.NewPCG(uint64(k), 3)), r: 0.87, sd: 0.16}
			v := NewVehicle("x")
			var rs RuleState
			level := limit + 1.5
			for d := range days {
				y := level + x.next()
				if leaks {
					y -= slope * float64(max(d-onset, 0))
				}
				add(t, m, v, p, monitor(d, math.Pow(10, y)))
				var changes []Change
				rs, changes, _ = m.Evaluate(rs, v, p, at(d+1), DefaultPolicy())
				for _, c := range changes {
					if c.Raised && c.Kind == CodeDue && d < onset {
						calls[i]++
					}
				}
			}
			// 120 days after its onset the leak has taken 1.44 of 1.5 decades.
			if leaks && len(rs.Open) > 0 && rs.Open[0].Kind == CodeDue && rs.Open[0].RaisedAt.Before(at(days-14)) {
				met[i]++
			}
		}
	}
	if calls[0] > calls[1]/2 || calls[1] < 5 {
		t.Errorf("%d calls of weather, %d where it is taken for independent looks; want half or fewer", calls[0], calls[1])
	}
	if met[0] < vehicles/2-1 {
		t.Errorf("%d of %d leaks are met two weeks ahead, %d where weather is taken for independent looks", met[0], vehicles/2, met[1])
	}
}

// A vehicle whose service limits lie close above the code limit is not thought to
// be about to set it before anybody has measured.
func TestLowServiceLimitsAreNoReasonToExpectACode(t *testing.T) {
	p := harborVan()
	for i := range p.Points {
		p.Points[i].LimitOhms = 2 * p.CodeLimit()
	}
	m, v := model(t), NewVehicle("x")
	rng := rand.New(rand.NewPCG(4, 4))
	add(t, m, v, p, visit(0, p, rng, func(insulation.Component, insulation.Conductor) float64 { return 9 })[:1]...)
	o := m.Outlook(v, p, at(1))
	if bounds := DefaultPolicy().Testers; Within(o.Curve, bounds.Days) > bounds.Raise/2 {
		t.Errorf("a code within %g days is held to be %.3f likely after one good reading", bounds.Days, Within(o.Curve, bounds.Days))
	}
	if prior := m.levelPrior(p, GroupKey{Component: p.Points[0].Component, Conductor: GroupOf(p.Points[0].Component, p.Points[0].Conductor, 0).Conductor}); math.Abs(prior.Mean-math.Log10(p.CodeLimit())-m.params.LevelAboveCode) > 1e-12 {
		t.Errorf("level prior %v", prior)
	}
}
