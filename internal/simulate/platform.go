package simulate

import (
	"math/rand/v2"

	"creepage/internal/insulation"
)

// group is one piece of insulation of a component: a pole, or a winding whose
// phases are several looks at the same insulation.
type group struct {
	component  insulation.Component
	conductors []insulation.Conductor // each a test point
	references []insulation.Reference
	limit      float64 // service limit, ohm
	healthy    float64 // a new one's usual level, log10 ohm at 20 C, dry
	rise       float64 // its working temperature above the air's, C
	bothPoles  bool    // its leak counts on both poles (windings, cable phases)
	hazard     float64 // weight among faults
	law        LawFamily
}

// model is a platform with what the simulation knows of it.
type model struct {
	platform insulation.Platform
	groups   []group
	ceiling  float64 // of its on-board monitor, ohm
	bridge   float64 // fixed resistance between circuit and chassis (the monitor's own), ohm
	reports  insulation.Quantity
	usesAll  bool // its shops often tie a component's poles together
}

var (
	poles  = [][]insulation.Conductor{{insulation.HVPlus}, {insulation.HVMinus}}
	phases = [][]insulation.Conductor{{insulation.PhaseU, insulation.PhaseV, insulation.PhaseW}}
	tied   = [][]insulation.Conductor{{insulation.AllConductors}}
)

// kinds say how each component is tested and how it behaves: service limit,
// usual level, rise above ambient at work, weight among faults (judgement).
var kinds = map[insulation.Component]struct {
	conductors           [][]insulation.Conductor
	limit, healthy, rise float64
	hazard               float64
}{
	insulation.Battery:    {poles, 50e6, 9.1, 8, 0.8},
	insulation.Cable:      {poles, 100e6, 9.9, 12, 1.0},
	insulation.Inverter:   {poles, 50e6, 9.2, 27, 0.5},
	insulation.Motor:      {phases, 100e6, 9.6, 43, 1.6},
	insulation.Generator:  {phases, 100e6, 9.5, 33, 1.2},
	insulation.Compressor: {tied, 50e6, 9.2, 22, 1.8},
	insulation.Converter:  {poles, 50e6, 9.3, 24, 0.4},
	insulation.Charger:    {poles, 50e6, 9.3, 6, 0.5},
	insulation.Heater:     {tied, 50e6, 9.3, 34, 1.0},
	insulation.FuelCell:   {poles, 10e6, 8.3, 40, 1.0},
}

var builds = []struct {
	id, title  string
	volts      float64
	codeOhms   float64
	quantity   insulation.Quantity
	components []insulation.Component
}{
	{"harbor-van-400", "Harbour van, 400 V", 400, 0, insulation.Parallel,
		[]insulation.Component{insulation.Battery, insulation.Cable, insulation.Inverter, insulation.Motor, insulation.Compressor, insulation.Converter, insulation.Charger}},
	{"depot-truck-650", "Depot truck, 650 V", 650, 65_000, insulation.Parallel,
		[]insulation.Component{insulation.Battery, insulation.Cable, insulation.Inverter, insulation.Motor, insulation.Compressor, insulation.Converter, insulation.Heater}},
	{"city-bus-600", "City bus, 600 V", 600, 300_000, insulation.WeakerPole,
		[]insulation.Component{insulation.Battery, insulation.Cable, insulation.Inverter, insulation.Motor, insulation.Compressor, insulation.Heater}},
	{"ridge-loader-800", "Ridge loader with range extender, 800 V", 800, 0, insulation.Parallel,
		[]insulation.Component{insulation.Battery, insulation.Cable, insulation.Inverter, insulation.Motor, insulation.Generator, insulation.Converter}},
	{"quay-tractor-700", "Quay tractor with fuel cell, 700 V", 700, 70_000, insulation.Parallel,
		[]insulation.Component{insulation.Battery, insulation.Cable, insulation.Inverter, insulation.Motor, insulation.FuelCell, insulation.Converter}},
	{"lane-shuttle-360", "Lane shuttle, 360 V", 360, 36_000, insulation.Parallel,
		[]insulation.Component{insulation.Battery, insulation.Cable, insulation.Motor, insulation.Compressor, insulation.Charger, insulation.Heater}},
}

// newModels draws the six platforms' hidden properties.
func newModels(r *rand.Rand, p *Physics) []model {
	batch := r.IntN(2) // one of the first two platforms' compressors is the bad batch
	models := make([]model, len(builds))
	for i, b := range builds {
		m := model{
			platform: insulation.Platform{ID: b.id, Title: b.title, MaxWorkingVolts: b.volts, CodeOhms: b.codeOhms, CodeQuantity: b.quantity},
			ceiling:  p.Ceilings[r.IntN(len(p.Ceilings))],
			bridge:   around(r, 30e6, 0.4),
			reports:  b.quantity,
			usesAll:  r.Float64() < 0.5,
		}
		testVolts := 500.0
		if b.volts > 500 {
			testVolts = 1000 // 1000 V above 500 V systems: common practice, no source
		}
		for _, c := range b.components {
			k := kinds[c]
			law := p.Laws[r.IntN(len(p.Laws))]
			one := law(r) // one law per platform and component
			level, rise, hazard := k.healthy+0.2*r.NormFloat64(), k.rise*Span{0.7, 1.2}.draw(r), k.hazard
			if i == batch && c == insulation.Compressor {
				hazard *= p.BadBatch
			}
			refs := []insulation.Reference{insulation.Chassis}
			if c == insulation.Cable {
				refs = append(refs, insulation.Shield)
			}
			for _, conductors := range k.conductors {
				m.groups = append(m.groups, group{component: c, conductors: conductors, references: refs, limit: k.limit, healthy: level, rise: rise,
					bothPoles: conductors[0] != insulation.HVPlus && conductors[0] != insulation.HVMinus, hazard: hazard / float64(len(k.conductors)),
					law: func(*rand.Rand) Law { return one }})
				for _, w := range conductors {
					for _, ref := range refs {
						m.platform.Points = append(m.platform.Points, insulation.Point{Component: c, Conductor: w, Reference: ref, LimitOhms: k.limit, TestVolts: testVolts})
					}
				}
			}
		}
		models[i] = m
	}
	return models
}
