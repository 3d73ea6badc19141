package trend

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"creepage/internal/insulation"
)

// BenchmarkUpdate is one group's prediction over 30 days and update with one reading.
func BenchmarkUpdate(b *testing.B) {
	m := model(b)
	start := m.freshBank(harborVan(), GroupKey{insulation.Motor, Phases})
	s := Sight{H: [Dim]float64{1, -0.04, -1, 0}, Y: 9.4, Noise: 0.015, Relation: seenEqual}
	c := m.parts[insulation.Motor]
	bank := start
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if i%64 == 0 {
			bank = start
		}
		bank.predict(c, 30)
		s.Y = 9.4 + 0.1*math.Sin(float64(i))
		bank.update(&s, &m.doubt)
	}
}

// watched is a vehicle with ten groups, visits and a monitor.
func watched(tb testing.TB, m *Model, p *insulation.Platform) *Vehicle {
	v := NewVehicle("bench")
	rng := rand.New(rand.NewPCG(9, 9))
	for d := 0; d <= 200; d++ {
		add(tb, m, v, p, monitor(d, 3e6*math.Exp(0.1*rng.NormFloat64())))
		if d%40 == 0 {
			add(tb, m, v, p, visit(d, p, rng, func(insulation.Component, insulation.Conductor) float64 { return 8 - float64(d)*0.004 })...)
		}
	}
	return v
}

func BenchmarkOutlook(b *testing.B) {
	m, p := model(b), harborVan()
	v := watched(b, m, p)
	b.ReportAllocs()
	for b.Loop() {
		m.Outlook(v, p, at(220))
	}
}

func BenchmarkForecast(b *testing.B) {
	m, p := model(b), harborVan()
	v := watched(b, m, p)
	rows := allHorizons()
	b.ReportAllocs()
	for b.Loop() {
		m.forecastAt(v, p, at(220), rows).done()
	}
}

func BenchmarkDailyEvaluation(b *testing.B) {
	m, p := model(b), harborVan()
	v := watched(b, m, p)
	var rs RuleState
	rs, _, _ = m.Evaluate(rs, v, p, at(219), DefaultPolicy())
	b.ReportAllocs()
	for b.Loop() {
		m.Evaluate(rs, v, p, at(220), DefaultPolicy())
	}
}

// BenchmarkAddMonitorDay is a day's monitor row of a vehicle with ten groups.
func BenchmarkAddMonitorDay(b *testing.B) {
	m, p := model(b), harborVan()
	v := watched(b, m, p)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		add(b, m, v, p, monitor(201+i, 3e6*(1+0.1*math.Sin(float64(i)))))
	}
}

// BenchmarkNightlyPass is what the nightly pass computes for one vehicle: its
// memory decoded as stored, the rule evaluated and the outlook said. The vehicles
// are 200 of one kind and unlike levels, over and over; reading and writing the
// database comes on top.
func BenchmarkNightlyPass(b *testing.B) {
	m, p := model(b), harborVan()
	var stored [200][]byte
	for i := range stored {
		v := NewVehicle("bench")
		rng := rand.New(rand.NewPCG(uint64(i), 9))
		level := 9.5 - 2*rng.Float64()*rng.Float64()
		for d := 0; d <= 200; d += 5 {
			add(b, m, v, p, monitor(d, 3e6*math.Exp(0.1*rng.NormFloat64())))
			if d%40 == 0 {
				add(b, m, v, p, visit(d, p, rng, func(insulation.Component, insulation.Conductor) float64 { return level })...)
			}
		}
		text, err := v.MarshalBinary()
		if err != nil {
			b.Fatal(err)
		}
		stored[i] = text
	}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		v := NewVehicle("bench")
		if err := v.UnmarshalBinary(stored[n%len(stored)]); err != nil {
			b.Fatal(err)
		}
		m.Resume(v, p)
		m.Evaluate(RuleState{}, v, p, at(220), DefaultPolicy())
		m.Outlook(v, p, at(220))
		n++
	}
	b.ReportMetric(100_000*b.Elapsed().Seconds()/float64(n), "s/100k-vehicles")
}

// The cost of a reading does not grow with the history: the ten-thousandth day
// is added in the time of the tenth, give or take the machine's mood, and the
// memory that is stored is no longer.
func TestTheTenThousandthReadingCostsAsMuchAsTheTenth(t *testing.T) {
	m, p := model(t), harborVan()
	rng := rand.New(rand.NewPCG(5, 5))
	v := NewVehicle("long")
	cost := func(from int) (least time.Duration, size int) {
		least = time.Hour
		for try := range 40 {
			c := v.Clone()
			start := time.Now()
			for d := range 7 { // a week, for parts are told of the whole once a week
				add(t, m, c, p, monitor(from+d, 3e6*math.Exp(0.1*rng.NormFloat64())))
			}
			if took := time.Since(start); took < least || try == 0 {
				least = took
			}
		}
		text, err := v.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		return least, len(text)
	}
	var early time.Duration
	var small int
	for d := range 10_000 {
		if d == 10 {
			early, small = cost(d)
		}
		add(t, m, v, p, monitor(d, 3e6*math.Exp(0.1*rng.NormFloat64())))
	}
	latest, large := cost(10_000)
	if latest > 4*early {
		t.Errorf("a week of readings takes %v after 10,000 days, %v after 10", latest, early)
	}
	if large > 2*small {
		t.Errorf("the memory takes %d bytes after 10,000 days, %d after 10", large, small)
	}
}

// BenchmarkNewModel is the once-per-parameter-set cost.
func BenchmarkNewModel(b *testing.B) {
	for b.Loop() {
		if _, err := NewModel(Default()); err != nil {
			b.Fatal(err)
		}
	}
}
