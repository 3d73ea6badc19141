package trend

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"creepage/internal/insulation"
)

var nan = math.NaN()

// harborVan is a platform of our own invention: 400 V, so the code limit is
// 500 ohm/V x 400 V = 200 kohm.
func harborVan() *insulation.Platform {
	p := &insulation.Platform{ID: "harbor-van-400", MaxWorkingVolts: 400}
	for _, x := range []struct {
		c insulation.Component
		w []insulation.Conductor
	}{
		{insulation.Battery, []insulation.Conductor{insulation.HVPlus, insulation.HVMinus}},
		{insulation.Cable, []insulation.Conductor{insulation.HVPlus, insulation.HVMinus}},
		{insulation.Motor, []insulation.Conductor{insulation.PhaseU, insulation.PhaseV, insulation.PhaseW}},
		{insulation.Compressor, []insulation.Conductor{insulation.HVPlus, insulation.HVMinus}},
		{insulation.Charger, []insulation.Conductor{insulation.AllConductors}},
	} {
		for _, w := range x.w {
			p.Points = append(p.Points, insulation.Point{Component: x.c, Conductor: w, Reference: insulation.Chassis, LimitOhms: 1e8, TestVolts: 500})
		}
	}
	return p
}

func at(days int) time.Time {
	return time.Date(2025, 1, 6, 9, 0, 0, 0, time.UTC).AddDate(0, 0, days)
}

// tester returns a tester reading at 20 C and 45 % RH.
func tester(days int, c insulation.Component, w insulation.Conductor, ohms float64) Entry {
	rel := insulation.Equal
	if ohms > 5e9 {
		rel, ohms = insulation.Above, 5e9
	}
	t := at(days)
	return Entry{Reading: &insulation.Reading{ID: fmt.Sprintf("%d-%s-%s", days, c, w), Shop: "north-yard", MeasuredAt: t, Method: insulation.Tester,
		Component: c, Conductor: w, Reference: insulation.Chassis, Relation: rel, Ohms: ohms, TestVolts: 500, HoldSeconds: 60,
		AirCelsius: 20, HumidityPct: 45, PartCelsius: nan, RangeOhms: nan}}
}

// monitor returns a monitor's value at 20 C and 45 % RH.
func monitor(days int, ohms float64) Entry {
	return Entry{Reading: &insulation.Reading{ID: fmt.Sprintf("m-%d", days), Shop: "road", MeasuredAt: at(days), Method: insulation.Monitor,
		Component: insulation.System, Conductor: insulation.AllConductors, Reference: insulation.Chassis, Relation: insulation.Equal, Ohms: ohms,
		TestVolts: nan, HoldSeconds: nan, AirCelsius: 20, HumidityPct: 45, PartCelsius: nan, RangeOhms: nan}}
}

func model(t testing.TB) *Model {
	t.Helper()
	m, err := NewModel(Default())
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func add(t testing.TB, m *Model, v *Vehicle, p *insulation.Platform, e ...Entry) {
	t.Helper()
	if err := m.Add(v, p, e); err != nil {
		t.Fatal(err)
	}
}

// visit returns readings of every test point, each at its level (log10 ohm)
// with the tester's scatter.
func visit(days int, p *insulation.Platform, rng *rand.Rand, level func(c insulation.Component, w insulation.Conductor) float64) []Entry {
	var out []Entry
	for _, pt := range p.Points {
		out = append(out, tester(days, pt.Component, pt.Conductor, math.Pow(10, level(pt.Component, pt.Conductor)+0.08*rng.NormFloat64())))
	}
	return out
}

func TestASteadyVehicleIsSteady(t *testing.T) {
	m, p, v := model(t), harborVan(), NewVehicle("truck-1")
	rng := rand.New(rand.NewPCG(1, 1))
	for d := 0; d <= 360; d += 60 {
		add(t, m, v, p, visit(d, p, rng, func(insulation.Component, insulation.Conductor) float64 { return 9.4 })...)
	}
	o := m.Outlook(v, p, at(365))
	if o.State != Steady || o.P90 > 0.02 {
		t.Errorf("state %s, P90 %.4f; want steady and below 0.02\n%s", o.State, o.P90, o.Reason())
	}
}

func TestADecliningMotorIsDueAndNamed(t *testing.T) {
	m, p, v := model(t), harborVan(), NewVehicle("truck-2")
	rng := rand.New(rand.NewPCG(2, 2))
	var rs RuleState
	var raised []Change
	for d := 0; d <= 400; d++ {
		if d%45 == 0 {
			add(t, m, v, p, visit(d, p, rng, func(c insulation.Component, _ insulation.Conductor) float64 {
				if c == insulation.Motor {
					return 9.6 - 0.012*math.Max(0, float64(d-90))
				}
				return 9.4
			})...)
		}
		var ch []Change
		rs, ch, _ = m.Evaluate(rs, v, p, at(d), DefaultPolicy())
		for _, c := range ch {
			if c.Raised && c.Kind == CodeDue {
				raised = append(raised, c)
			}
		}
	}
	// 9.6 - 0.012 x (d-90) at work (60 C at least, 0.8 decades lower) crosses 5.3 near day 380.
	if len(raised) != 1 || raised[0].Component != insulation.Motor {
		t.Fatalf("warnings %+v; want one, of the motor", raised)
	}
	if d := raised[0].At.Sub(at(0)).Hours() / 24; d < 200 || d > 373 {
		t.Errorf("raised on day %.0f; want 7 to 180 days before 380", d)
	}
	t.Log(raised[0].Reason)
}

func TestADecliningWholeIsDue(t *testing.T) {
	m, p, v := model(t), harborVan(), NewVehicle("truck-3")
	rng := rand.New(rand.NewPCG(3, 3))
	var rs RuleState
	first := -1
	for d := 0; d <= 300; d++ {
		level := 6.7 - 0.012*math.Max(0, float64(d-150))
		add(t, m, v, p, monitor(d, math.Pow(10, math.Min(6.7, level)+0.02*rng.NormFloat64())))
		var ch []Change
		rs, ch, _ = m.Evaluate(rs, v, p, at(d), DefaultPolicy())
		for _, c := range ch {
			t.Log(d, c.Kind, c.Raised, c.Component, c.Probability, c.Reason)
			if c.Raised && c.Kind == CodeDue && first < 0 {
				first = d
			}
		}
	}
	// crosses 5.3 at day 267
	if first < 150 || first > 255 {
		t.Errorf("raised on day %d; want after the onset at 150 and 7 days or more before 267", first)
	}
}

func TestEncodeAndDecodeLeaveTheFutureUnchanged(t *testing.T) {
	m, p, v := model(t), harborVan(), NewVehicle("truck-4")
	rng := rand.New(rand.NewPCG(4, 4))
	for d := 0; d <= 200; d += 10 {
		add(t, m, v, p, monitor(d, 3e6*math.Exp(0.1*rng.NormFloat64())))
		if d%40 == 0 {
			add(t, m, v, p, visit(d, p, rng, func(insulation.Component, insulation.Conductor) float64 { return 9.4 })...)
		}
	}
	bound := tester(201, insulation.Motor, insulation.PhaseU, 5e7)
	bound.Reading.Relation = insulation.Below
	add(t, m, v, p, bound, monitor(202, 3e6))
	if !slices.ContainsFunc(m.Outlook(v, p, at(203)).Parts, func(x Part) bool { return x.UnderBound }) {
		t.Error("a bound below the service limit is not remembered as one")
	}
	data, err := v.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	var w Vehicle
	if err := w.UnmarshalBinary(data); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d bytes", len(data))
	if err := m.Add(&w, p, []Entry{monitor(205, 3e6)}); err == nil {
		t.Error("a memory that was read back took an entry before it was resumed")
	}
	m.Resume(&w, p)
	if a, b := m.Outlook(v, p, at(220)), m.Outlook(&w, p, at(220)); fmt.Sprintf("%+v", a) != fmt.Sprintf("%+v", b) {
		t.Errorf("outlooks of the same memory differ:\n%+v\n%+v", a, b)
	}
	// Closed, it goes on from the next day as well.
	if data, err = v.MarshalClosed(); err != nil {
		t.Fatal(err)
	}
	var x Vehicle
	if err := x.UnmarshalBinary(data); err != nil {
		t.Fatal(err)
	}
	m.Resume(&x, p)
	more := visit(230, p, rng, func(insulation.Component, insulation.Conductor) float64 { return 9.0 })
	add(t, m, v, p, more...)
	add(t, m, &w, p, more...)
	add(t, m, &x, p, more...)
	for _, other := range []*Vehicle{&w, &x} {
		one, _ := v.MarshalBinary()
		if two, _ := other.MarshalBinary(); !bytes.Equal(one, two) {
			t.Error("memories differ after the same readings")
		}
	}
	a, b := m.Outlook(v, p, at(240)), m.Outlook(&w, p, at(240))
	if fmt.Sprintf("%+v", a) != fmt.Sprintf("%+v", b) {
		t.Errorf("outlooks differ:\n%+v\n%+v", a, b)
	}
	if err := w.UnmarshalBinary(data[:len(data)-3]); err == nil {
		t.Error("a memory cut short was read without an error")
	}
}

func TestFiguresAreAnOutlookWithoutItsWords(t *testing.T) {
	m, p := model(t), harborVan()
	v := watched(t, m, p)
	for d := 201; d < 260; d += 9 {
		o := m.Outlook(v, p, at(d))
		for i := range o.Parts {
			o.Parts[i].LevelNow, o.Parts[i].Operating = Band{}, Band{}
		}
		o.Missing, o.Doubts, o.Account = nil, nil, Account{}
		o.MonitorDefect, o.MeasureAgainBy, o.MeasureNext = time.Time{}, time.Time{}, Next{}
		if got := m.Figures(v, p, at(d)); fmt.Sprintf("%+v", got) != fmt.Sprintf("%+v", o) {
			t.Fatalf("day %d:\n%+v\n%+v", d, got, o)
		}
	}
}
