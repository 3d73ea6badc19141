package insulation

import (
	"fmt"
	"math"
)

// Law is a published rule for how insulation resistance falls with temperature.
type Law uint8

// Laws. They disagree threefold over 20 C, which is why a correction is always
// given with the spread between them.
const (
	Halving   Law = iota + 1 // halves every 10 C: thermoplastic insulation, IEEE 43-2000 K_T = 0.5^((40-T)/10)
	Thermoset                // IEEE 43-2013 for thermosetting insulation, 10 to 85 C (from memory; agrees with its rounded table)
	NETASolid                // ANSI/NETA ATS/MTS table 100.14.1, solid insulation, -20 to 80 C
	NETAOil                  // ANSI/NETA ATS/MTS table 100.14.1, oil-immersed insulation, -10 to 80 C
)

// ReferenceCelsius is the temperature readings are corrected to where nothing
// else is said.
const ReferenceCelsius = 20.0

// The factor tables start at their lowest temperature and go in steps of 5 C;
// they multiply a reading at that temperature to give the value at 20 C.
var (
	// 75 and 80 C from memory.
	netaSolid = factorTable{start: -20, factors: []float64{.11, .18, .25, .32, .40, .50, .63, .81, 1.00, 1.25, 1.58, 2.00, 2.50, 3.15, 3.98, 5.00, 6.30, 7.90, 10.0, 12.6, 15.8}}
	// -10, -5 and 80 C from memory.
	netaOil = factorTable{start: -10, factors: []float64{.125, .18, .25, .36, .50, .75, 1.00, 1.40, 1.98, 2.80, 3.95, 5.60, 7.85, 11.20, 15.85, 22.40, 31.75, 44.70, 63.5}}
)

type factorTable struct {
	start   float64
	factors []float64
}

const factorStep = 5.0

func (t factorTable) end() float64 { return t.start + factorStep*float64(len(t.factors)-1) }

// at interpolates between the table's rows linearly in the logarithm.
func (t factorTable) at(celsius float64) float64 {
	x := (celsius - t.start) / factorStep
	i := min(int(x), len(t.factors)-2)
	share := x - float64(i)
	return math.Exp((1-share)*math.Log(t.factors[i]) + share*math.Log(t.factors[i+1]))
}

// String returns the law's name.
func (l Law) String() string {
	return word([]string{Halving: "halving", Thermoset: "thermoset", NETASolid: "neta_solid", NETAOil: "neta_oil"}, uint8(l))
}

// Domain returns the temperatures in C a law is published for.
func (l Law) Domain() (low, high float64) {
	switch l {
	case Thermoset:
		return 10, 85
	case NETASolid:
		return netaSolid.start, netaSolid.end()
	case NETAOil:
		return netaOil.start, netaOil.end()
	}
	return -60, 150
}

// Factor returns what a reading taken at one temperature is multiplied by to
// give the value at another (both C): above one when correcting down in
// temperature. It fails outside the law's domain.
func (l Law) Factor(from, to float64) (float64, error) {
	if l.String() == "" {
		return math.NaN(), fmt.Errorf("law %d is none of halving, thermoset, neta_solid, neta_oil", l)
	}
	low, high := l.Domain()
	for _, c := range [2]float64{from, to} {
		if !(c >= low && c <= high) {
			return math.NaN(), fmt.Errorf("temperature %v C: the %s law holds from %v to %v C", c, l, low, high)
		}
	}
	return l.to20(from) / l.to20(to), nil
}

// To40 returns K_T, the factor to 40 C (R40 = K_T R_T, IEEE 43).
func (l Law) To40(celsius float64) (float64, error) { return l.Factor(celsius, 40) }

// to20 is any function proportional to the factor to 20 C.
func (l Law) to20(celsius float64) float64 {
	switch l {
	case Thermoset:
		return thermosetTo40(celsius)
	case NETASolid:
		return netaSolid.at(celsius)
	case NETAOil:
		return netaOil.at(celsius)
	}
	return math.Exp2((celsius - 20) / 10)
}

// thermosetTo40 is IEEE 43-2013: 4230 K above 40 C, 1245 K below; 273 as printed there.
func thermosetTo40(celsius float64) float64 {
	b := 1245.0
	if celsius > 40 {
		b = 4230
	}
	return math.Exp(-b * (1/(celsius+273) - 1.0/313))
}

// Correction is the factor from one temperature to another with the spread of
// the laws that may apply to a vehicle's mixed insulation.
type Correction struct {
	From, To       float64 // C
	Low, Mid, High float64 // factors: least and greatest of the laws, NETA solid between them
	Extrapolated   bool    // the thermoset law was carried on below its 10 C at its lower branch
}

// CorrectTemperature returns the correction factor between two temperatures in
// C with the spread of the laws for solid insulation: halving, NETA solid and
// thermoset. A vehicle's circuit is a mix of plastics, resins and surfaces, so
// no single one is right. It fails outside -20 to 80 C.
func CorrectTemperature(from, to float64) (Correction, error) {
	mid, err := NETASolid.Factor(from, to)
	if err != nil {
		return Correction{From: from, To: to, Low: math.NaN(), Mid: math.NaN(), High: math.NaN()}, err
	}
	halving := Halving.to20(from) / Halving.to20(to)
	thermoset := thermosetTo40(from) / thermosetTo40(to)
	low, _ := Thermoset.Domain()
	return Correction{From: from, To: to, Mid: mid,
		Low: min(halving, mid, thermoset), High: max(halving, mid, thermoset),
		Extrapolated: from < low || to < low}, nil
}

// Interval is a resistance with the spread of what it may be, ohm.
type Interval struct{ Low, Mid, High float64 }

// Apply corrects a resistance in ohm.
func (c Correction) Apply(ohms float64) Interval {
	return Interval{Low: ohms * c.Low, Mid: ohms * c.Mid, High: ohms * c.High}
}

// Celsius returns the temperature that counts for the insulation: the part's
// own if it was taken, else the air's; NaN if neither.
func (r *Reading) Celsius() float64 {
	if !math.IsNaN(r.PartCelsius) {
		return r.PartCelsius
	}
	return r.AirCelsius
}
