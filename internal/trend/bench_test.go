package trend

import (
	"math"
	"math/rand/v2"
	"testing"

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
	rs, _ = m.Evaluate(rs, v, p, at(219), DefaultPolicy())
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

// BenchmarkNewModel is the once-per-parameter-set cost.
func BenchmarkNewModel(b *testing.B) {
	for b.Loop() {
		if _, err := NewModel(Default()); err != nil {
			b.Fatal(err)
		}
	}
}
