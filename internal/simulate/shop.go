package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"creepage/internal/insulation"
)

// meter is one insulation tester: its top of range and its lasting error.
type meter struct {
	id     string
	top    float64 // ohm
	offset float64 // decades, on the first day
	drift  float64 // decades a day
}

// shop is where vehicles are tested.
type shop struct {
	id      string
	meters  []meter
	weather *weather
	indoorC float64 // what heating aims at
	bare    bool    // writes the top of range without ">"
	late    bool    // sends its readings days later
}

var shopNames = []string{"north-yard", "south-quay", "mill-lane", "east-depot", "hill-works", "river-gate", "old-port", "west-field"}

// Tops of range seen on hand-held testers: some hundred megohms to some gigohms
// (common practice, no source).
var tops = []float64{550e6, 1e9, 2.2e9, 4e9, 11e9}

func newShops(r *rand.Rand, p *Physics, start time.Time, days, n int) []shop {
	shops := make([]shop, n)
	for i := range shops {
		s := shop{id: shopNames[i%len(shopNames)], weather: newWeather(r, p, start, days), indoorC: 14 + 6*r.Float64()}
		// A share of the shops, not a chance for each, so that every seed has its rough shops.
		s.bare = float64(i) < math.Round(p.BareCeilings*float64(n))
		s.late = float64(n-1-i) < math.Round(p.LateShops*float64(n))
		for j := range 1 + r.IntN(3) {
			s.meters = append(s.meters, meter{id: fmt.Sprintf("m-%d%c", i+1, 'a'+j), top: tops[r.IntN(len(tops))],
				offset: p.MeterSD * r.NormFloat64(), drift: p.MeterDriftSD / 365 * r.NormFloat64()})
		}
		shops[i] = s
	}
	return shops
}

// visit tests some of a vehicle's components at a shop.
type visit struct {
	v     *vehicle
	shop  *shop
	meter *meter
	day   int
	at    time.Time
	id    string

	air, humidity, wet float64 // C, %, 0 to 1
	warm               float64 // what is left of the parts' working temperature, a share
	errorOfVisit       float64 // decades
	unit               float64 // decades; a wrong unit is a factor of a thousand
	writesC, writesRH  bool
	hold               float64 // s
}

// test makes one visit's readings, of every component if it is thorough.
func (v *vehicle) test(r *rand.Rand, s *shop, day int, start time.Time, thorough bool) {
	p := v.physics
	c := visit{v: v, shop: s, meter: &s.meters[r.IntN(len(s.meters))], day: day}
	c.at = start.AddDate(0, 0, day).Add(7*time.Hour + time.Duration(r.IntN(9*60))*time.Minute)
	c.id = fmt.Sprintf("%s-%s", v.id, c.at.Format("060102"))
	outside := s.weather.mean[day]
	c.air = 0.45*outside + 0.55*s.indoorC + 1.5*r.NormFloat64()
	c.humidity = min(max(s.weather.humidity[day]-0.8*(c.air-outside)+4*r.NormFloat64(), 15), 100)
	c.wet = s.weather.wet[day] * (0.6 + 0.4*r.Float64())
	c.warm = max(0, 0.12*r.ExpFloat64()-0.03)
	c.errorOfVisit = p.VisitSD * r.NormFloat64()
	if r.Float64() < p.BadVisit {
		c.errorOfVisit -= Span{0.4, 1.2}.draw(r)
	}
	if r.Float64() < p.UnitSlip {
		c.unit = 3
		if r.Float64() < 0.6 {
			c.unit = -3
		}
	}
	c.writesC, c.writesRH = r.Float64() >= p.NoTemperature, r.Float64() >= p.NoHumidity
	c.hold = 60
	if r.Float64() < p.ShortHold {
		c.hold = 10 + 5*math.Round(r.Float64())
	}
	for i := 0; i < len(v.groups); {
		j := i + 1
		for j < len(v.groups) && v.model.groups[j].component == v.model.groups[i].component {
			j++
		}
		if thorough || r.Float64() < 0.5 {
			c.component(r, i, j)
		}
		i = j
	}
	if thorough || r.Float64() < 0.4 {
		c.whole(r)
	}
}

// component tests the groups i to j-1, which are one component's.
func (c *visit) component(r *rand.Rand, i, j int) {
	m := c.v.model
	first := &m.groups[i]
	if j-i == 2 && m.usesAll && r.Float64() < 0.4 {
		// poles tied together: what is measured is the two in parallel
		y := parallel(c.v.levelAt(i, c.day, c.partC(first), c.humidity, c.wet), c.v.levelAt(i+1, c.day, c.partC(first), c.humidity, c.wet))
		c.read(r, y, first.component, insulation.AllConductors, insulation.Chassis, insulation.Parallel, first.limit)
		return
	}
	for k := i; k < j; k++ {
		g := &m.groups[k]
		y := c.v.levelAt(k, c.day, c.partC(g), c.humidity, c.wet)
		ref := g.references[r.IntN(len(g.references))]
		for _, w := range g.conductors {
			c.read(r, y, g.component, w, ref, insulation.Parallel, g.limit)
		}
	}
}

// whole tests the whole circuit, both poles tied together.
func (c *visit) whole(r *rand.Rand) {
	sum := 1 / c.v.model.bridge
	for k := range c.v.groups {
		sum += math.Pow(10, -c.v.levelAt(k, c.day, c.partC(&c.v.model.groups[k]), c.humidity, c.wet))
	}
	c.read(r, -math.Log10(sum), insulation.System, insulation.AllConductors, insulation.Chassis, insulation.Parallel, 1e6)
}

func (c *visit) partC(g *group) float64 { return c.air + c.warm*g.rise }

// read makes the reading of a true level y, and once more where it looks bad and the technician tries again.
func (c *visit) read(r *rand.Rand, y float64, comp insulation.Component, w insulation.Conductor, ref insulation.Reference, q insulation.Quantity, limit float64) {
	c.once(r, y, comp, w, ref, q)
	if y < math.Log10(limit) && r.Float64() < 0.3 {
		c.once(r, y, comp, w, ref, q)
	}
}

func (c *visit) once(r *rand.Rand, y float64, comp insulation.Component, w insulation.Conductor, ref insulation.Reference, q insulation.Quantity) {
	p := c.v.physics
	y += c.errorOfVisit + c.meter.offset + c.meter.drift*float64(c.day) + student(r, p.NoiseFreedom, p.NoiseSD)
	if c.hold < 60 {
		y -= max(0, 0.15+0.05*r.NormFloat64())
	}
	over := false
	switch u := r.Float64(); {
	case u < p.LowOutlier:
		y -= Span{0.4, 2.0}.draw(r)
	case u < p.LowOutlier+p.FalseOverRange:
		over = true
	}
	reading := c.blank(comp, w, ref, q)
	if over || y >= math.Log10(c.meter.top) {
		reading.Ohms = c.meter.top
		if !c.shop.bare {
			reading.Relation = insulation.Above
		}
	} else {
		reading.Ohms = shown(math.Pow(10, y))
	}
	reading.Ohms = shown(reading.Ohms * math.Pow(10, c.unit))
	c.v.add(reading, c.received(r, reading.MeasuredAt))
	c.at = c.at.Add(2 * time.Minute)
}

func (c *visit) blank(comp insulation.Component, w insulation.Conductor, ref insulation.Reference, q insulation.Quantity) insulation.Reading {
	nan := math.NaN()
	reading := insulation.Reading{
		Shop: c.shop.id, Vehicle: c.v.id, Platform: c.v.model.platform.ID, Visit: c.id, MeasuredAt: c.at, Method: insulation.Tester,
		Component: comp, Conductor: w, Reference: ref, Quantity: q, Relation: insulation.Equal, TestVolts: c.v.model.platform.Points[0].TestVolts,
		HoldSeconds: c.hold, AirCelsius: nan, HumidityPct: nan, PartCelsius: nan, Meter: c.meter.id, RangeOhms: c.meter.top,
	}
	if c.writesC {
		reading.AirCelsius = math.Round(c.air*2)/2 + 0 // no minus zero
	}
	if c.writesRH {
		reading.HumidityPct = math.Round(c.humidity)
	}
	return reading
}

// received is when the shop's readings arrive.
func (c *visit) received(r *rand.Rand, at time.Time) time.Time {
	if !c.shop.late {
		return at
	}
	// A late shop sends a whole visit at once, on an evening up to ten days later.
	late := 1 + (uint64(c.day)*2654435761+uint64(len(c.v.id)))%10
	return time.Date(at.Year(), at.Month(), at.Day(), 20, 0, 0, 0, time.UTC).AddDate(0, 0, int(late)).Add(time.Duration(r.IntN(2)) * time.Second)
}

// shown rounds to the three figures a display shows.
func shown(ohms float64) float64 {
	step := math.Pow(10, math.Floor(math.Log10(ohms))-2)
	return math.Round(math.Round(ohms/step) * step)
}

// parallel returns the level of two insulations side by side.
func parallel(a, b float64) float64 { return -math.Log10(math.Pow(10, -a) + math.Pow(10, -b)) }
