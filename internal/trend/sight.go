package trend

import (
	"math"

	"creepage/internal/insulation"
)

// shortHoldSeconds and fullHoldSeconds: a hold of the first reads low by
// Params.ShortHold, one of the second or longer not at all; between them the
// correction falls with ln(time), for the absorption current falls as a power
// of time.
const (
	shortHoldSeconds = 12
	fullHoldSeconds  = 60
)

// holdCorrection returns how much a hold of so many seconds reads low, and the variance of that.
func (p *Params) holdCorrection(seconds float64) (decades, variance float64) {
	if math.IsNaN(seconds) || seconds <= 0 {
		return 0, p.ShortHold.SD * p.ShortHold.SD
	}
	f := math.Log(fullHoldSeconds/seconds) / math.Log(fullHoldSeconds/float64(shortHoldSeconds))
	f = min(max(f, 0), 1.5)
	return f * p.ShortHold.Mean, f * f * p.ShortHold.SD * p.ShortHold.SD
}

// sightOf says how a tester's or voltmeter's reading sees its group's state.
func (m *Model) sightOf(mem *memory, p *insulation.Platform, r *insulation.Reading, k GroupKey) Sight {
	ps := &m.params
	s := Sight{Y: r.Level(), Noise: ps.ReadingSD * ps.ReadingSD, Relation: uint8(r.Relation)}
	d := dayOf(r.MeasuredAt)
	celsius, sdC := r.PartCelsius, ps.GivenCelsiusSD
	if !sensible(celsius) {
		celsius = r.AirCelsius
	}
	if !sensible(celsius) {
		celsius, sdC = mem.shop.usual(ps, d), mem.shop.spread(ps)
	}
	if k.Whole() {
		s.Noise += square(ps.MonitorSD) // parts of a live vehicle are at unlike temperatures
	}
	f, varF := m.dampnessOf(&mem.shop, r.HumidityPct)
	if nearDew(r) {
		f, varF = 1, 0.05
	}
	b := m.temperature[k.Component].Mean
	u := ps.Humidity.Mean
	s.Noise += b*b*sdC*sdC + u*u*varF
	s.H = [Dim]float64{1, -f, -(celsius - 20), 1}
	if r.Method == insulation.Tester {
		low, v := ps.holdCorrection(r.HoldSeconds)
		s.Y += low
		s.Noise += v
		if pt := p.Point(r.Component, r.Conductor, r.Reference); pt != nil && pt.TestVolts > 0 && r.TestVolts > 0 &&
			math.Abs(r.TestVolts/pt.TestVolts-1) > 0.25 {
			s.Noise += ps.OtherVoltsSD * ps.OtherVoltsSD
		}
	}
	if r.Relation != insulation.Equal {
		// What a short hold or an odd temperature does to a bound is already in the level.
		s.Y = r.Level()
	}
	if len(ps.MeterOffsets) > 0 && r.Meter != "" {
		s.Y -= ps.MeterOffsets[r.Meter]
	}
	return s
}

// dampnessOf returns F(RH) and its variance; a missing humidity is the usual one.
func (m *Model) dampnessOf(c *climate, pct float64) (f, variance float64) {
	if pct >= 0 && pct <= 100 {
		return dampness(pct), 0
	}
	mean, sd := c.humidity(&m.params)
	low, top := dampness(mean-sd), dampness(mean+sd)
	return 0.25*low + 0.5*dampness(mean) + 0.25*top, 0.25 * (top - low) * (top - low)
}

func sensible(celsius float64) bool { return celsius > -60 && celsius < 200 }

// nearDew says whether the part is within 3 degrees of the air's dew point.
func nearDew(r *insulation.Reading) bool {
	if !sensible(r.PartCelsius) || !sensible(r.AirCelsius) || !(r.HumidityPct > 0 && r.HumidityPct <= 100) {
		return false
	}
	return r.PartCelsius < dewPoint(r.AirCelsius, r.HumidityPct)+3
}

// dewPoint is the Magnus form with the coefficients of WMO-No. 8 (2018), annex
// 4.B, over water: 17.62 and 243.12 C.
func dewPoint(celsius, pct float64) float64 {
	g := math.Log(pct/100) + 17.62*celsius/(243.12+celsius)
	return 243.12 * g / (17.62 - g)
}
