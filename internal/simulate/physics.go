package simulate

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Story is what happens to a vehicle.
type Story string

// Stories. Every one but Healthy is a fault of one group of one component.
const (
	Healthy      Story = "healthy"
	Slow         Story = "slow"         // a leak that grows by a constant fraction a day
	Accelerating Story = "accelerating" // the fraction itself grows
	Sudden       Story = "sudden"       // drops within two days, then creeps on or stays
	Damp         Story = "damp"         // leaks only when damp, more each week
	Levelling    Story = "levelling"    // declines, then levels off
	Staircase    Story = "staircase"    // falls in steps
	Intermittent Story = "intermittent" // comes and goes, more often with time
)

// AfterCode says what becomes of a vehicle whose code has set.
type AfterCode uint8

// What becomes of a vehicle whose code has set.
const (
	Ends     AfterCode = iota + 1 // its records end the day before
	Repaired                      // the component is replaced within ten days, the records go on
)

// Share is a story's weight among the vehicles with a fault.
type Share struct {
	Story  Story
	Weight float64
}

// Span is an interval numbers are drawn from, evenly.
type Span struct{ Lo, Hi float64 }

// Physics is one world: how its insulation ages and how its people measure.
type Physics struct {
	Name, About string

	Laws        []LawFamily // laws of temperature; one is drawn per platform and component
	FaultShare  float64     // share of vehicles that get a fault in the years simulated or shortly before
	Shares      []Share
	BadBatch    float64 // weight of one platform's compressor among faults, in multiples of an ordinary one's; 1: no bad batch
	LevelSD     float64 // spread of healthy levels between vehicles, decades
	WanderSD    float64 // a healthy group's level wanders by this in a year, decades
	DampHealthy Span    // decades a healthy group loses when wet

	MeanCelsius  Span    // a depot's yearly mean
	SeasonC      float64 // half of the yearly swing, C
	MeanHumidity float64 // %
	UptakeDays   float64 // time constants of the damp's memory
	DryingDays   float64

	NoiseSD        float64 // of one tester reading, decades
	NoiseFreedom   int     // degrees of freedom of Student's t; small means heavy tails
	VisitSD        float64 // error common to a visit
	MeterSD        float64 // a meter's lasting error
	MeterDriftSD   float64 // its change in a year
	LowOutlier     float64 // chance that a reading is far too low (dirty probe, damp lead)
	FalseOverRange float64 // chance that it shows over-range (open contact)
	BadVisit       float64 // chance that a whole visit reads low
	UnitSlip       float64 // chance that a visit is written in the wrong unit, a factor of 1000
	BareCeilings   float64 // share of shops that write the top of range without ">"
	LateShops      float64 // share of shops that send their readings up to ten days late
	NoTemperature  float64 // chance that a visit's temperature is not written down
	NoHumidity     float64
	ShortHold      float64 // chance of a hold of ten to fifteen seconds
	VisitDays      Span    // days between visits

	MonitorShare   float64 // share of vehicles whose on-board values are in the records
	MonitorDaily   float64 // share of these that send daily rather than weekly
	MonitorSD      float64 // scatter of one on-board value, decades
	MonitorFreedom int
	MonitorMemory  float64   // correlation of its error from day to day
	MonitorDip     float64   // chance that one sample dips for no reason
	MonitorGarbage float64   // chance of a row of 0 or all ones
	Ceilings       []float64 // ohm; one is drawn per platform

	After            AfterCode
	RoutineExchanges float64 // components replaced in a year for other reasons, per vehicle
}

// Mild is near to what most methods assume: moderate tails, clean files, one law
// of temperature near a constant slope.
func Mild() Physics {
	return Physics{
		Name: "mild", About: "moderate tails, clean files, over-range always marked, temperature near a constant slope",
		Laws:       []LawFamily{ArrheniusFamily(0.28, 0.46)},
		FaultShare: 0.42,
		Shares:     []Share{{Slow, .34}, {Accelerating, .16}, {Sudden, .12}, {Damp, .14}, {Levelling, .24}},
		BadBatch:   1, LevelSD: 0.40, WanderSD: 0.06, DampHealthy: Span{0, 0.3},
		MeanCelsius: Span{8, 16}, SeasonC: 9, MeanHumidity: 66, UptakeDays: 3, DryingDays: 7,
		NoiseSD: 0.10, NoiseFreedom: 8, VisitSD: 0.05, MeterSD: 0.04, MeterDriftSD: 0.01,
		LowOutlier: 0.012, FalseOverRange: 0.006, BadVisit: 0.004,
		NoTemperature: 0.10, NoHumidity: 0.15, ShortHold: 0.06, VisitDays: Span{30, 120},
		MonitorShare: 0.5, MonitorDaily: 0.8, MonitorSD: 0.09, MonitorFreedom: 6, MonitorMemory: 0.3, MonitorDip: 0.004,
		Ceilings: []float64{5e6, 20e6, 50e6},
		After:    Ends,
	}
}

// Rough breaks what a method may lean on: heavy tails, unit slips, ceilings
// without a mark, garbage rows, a bad batch, faults that come and go, several
// laws of temperature, late files.
func Rough() Physics {
	return Physics{
		Name: "rough", About: "heavy tails, unit slips, bare ceilings, garbage rows, a bad batch, intermittent and staircase faults, several laws of temperature, late files",
		Laws:       []LawFamily{ArrheniusFamily(0.22, 0.60), ThermosetFamily(), TableFamily(), ArrheniusFamily(0.10, 0.25)},
		FaultShare: 0.46,
		Shares:     []Share{{Slow, .22}, {Accelerating, .14}, {Sudden, .13}, {Damp, .15}, {Levelling, .16}, {Staircase, .10}, {Intermittent, .10}},
		BadBatch:   4, LevelSD: 0.50, WanderSD: 0.15, DampHealthy: Span{0, 0.8},
		MeanCelsius: Span{2, 20}, SeasonC: 12, MeanHumidity: 70, UptakeDays: 2, DryingDays: 10,
		NoiseSD: 0.13, NoiseFreedom: 3, VisitSD: 0.08, MeterSD: 0.08, MeterDriftSD: 0.03,
		LowOutlier: 0.025, FalseOverRange: 0.012, BadVisit: 0.015, UnitSlip: 0.006, BareCeilings: 0.25, LateShops: 0.2,
		NoTemperature: 0.25, NoHumidity: 0.35, ShortHold: 0.12, VisitDays: Span{30, 120},
		MonitorShare: 0.5, MonitorDaily: 0.8, MonitorSD: 0.15, MonitorFreedom: 3, MonitorMemory: 0.6, MonitorDip: 0.015, MonitorGarbage: 0.006,
		Ceilings: []float64{5e6, 10e6, 50.8e6, 60e6},
		After:    Ends,
	}
}

// Coastal is damp: sea climate, leaks that come with the weather, thermoset
// windings, and vehicles that are repaired and go on.
func Coastal() Physics {
	return Physics{
		Name: "coastal", About: "damp sea climate with a long memory, thermoset and table laws, repairs after the code, routine exchanges",
		Laws:       []LawFamily{ThermosetFamily(), TableFamily(), ArrheniusFamily(0.3, 0.5)},
		FaultShare: 0.44,
		Shares:     []Share{{Slow, .26}, {Accelerating, .14}, {Sudden, .10}, {Damp, .26}, {Levelling, .16}, {Staircase, .08}},
		BadBatch:   2, LevelSD: 0.45, WanderSD: 0.10, DampHealthy: Span{0, 1.0},
		MeanCelsius: Span{9, 14}, SeasonC: 6, MeanHumidity: 79, UptakeDays: 1.5, DryingDays: 14,
		NoiseSD: 0.12, NoiseFreedom: 4, VisitSD: 0.07, MeterSD: 0.06, MeterDriftSD: 0.02,
		LowOutlier: 0.02, FalseOverRange: 0.01, BadVisit: 0.012, UnitSlip: 0.001, BareCeilings: 0.15,
		NoTemperature: 0.15, NoHumidity: 0.20, ShortHold: 0.10, VisitDays: Span{30, 120},
		MonitorShare: 0.5, MonitorDaily: 0.7, MonitorSD: 0.12, MonitorFreedom: 4, MonitorMemory: 0.5, MonitorDip: 0.008, MonitorGarbage: 0.002,
		Ceilings: []float64{5e6, 30e6, 50e6},
		After:    Repaired, RoutineExchanges: 0.10,
	}
}

// All returns every named setting.
func All() []Physics { return []Physics{Mild(), Rough(), Coastal()} }

// ByName returns a named setting, or with drawn- and a number one that is drawn by it.
func ByName(name string) (Physics, error) {
	if number, drawn := strings.CutPrefix(name, drawnPrefix); drawn {
		n, err := strconv.ParseUint(number, 10, 64)
		if err != nil {
			return Physics{}, fmt.Errorf("physics %q: %q is no whole number", name, number)
		}
		return Drawn(n), nil
	}
	all := All()
	i := slices.IndexFunc(all, func(p Physics) bool { return p.Name == name })
	if i < 0 {
		names := make([]string, len(all))
		for i, p := range all {
			names[i] = p.Name
		}
		return Physics{}, fmt.Errorf("physics %q is none of %s, nor %s with a number", name, strings.Join(names, ", "), drawnPrefix)
	}
	return all[i], nil
}

// FittingSeeds are those that parameters may be fitted on.
func FittingSeeds() []uint64 { return []uint64{1, 2, 3, 4, 5} }

// JudgedSeeds are those that results are stated for; nothing is fitted on them.
func JudgedSeeds() []uint64 { return []uint64{101, 102, 103, 104, 105} }
