package insulation

import (
	"fmt"
	"math"
)

// Decade converts a natural logarithm to decades: divide by it.
const Decade = math.Ln10

// LogUncertainty returns the standard uncertainty in ln(R) of a relative bound,
// such as 0.30 for the +-30 % operating uncertainty of IEC 61557-2, taken as a
// rectangular distribution (GUM 5.1 and 4.3.7; u(ln R) = u(R)/R).
func LogUncertainty(relativeBound float64) float64 { return relativeBound / math.Sqrt(3) }

// LogUncertaintyOfTemperature returns the standard uncertainty in ln(R) of a
// temperature known within +-celsius (rectangular) under the halving rule.
func LogUncertaintyOfTemperature(celsius float64) float64 {
	return math.Ln2 / 10 * celsius / math.Sqrt(3)
}

// CombineUncertainties adds independent standard uncertainties in quadrature.
func CombineUncertainties(parts ...float64) float64 {
	sum := 0.0
	for _, u := range parts {
		sum += u * u
	}
	return math.Sqrt(sum)
}

// CoverageFactor returns the factor by which a resistance may lie either way at
// coverage k, given its standard uncertainty in ln(R): exp(k u).
func CoverageFactor(u, k float64) float64 { return math.Exp(k * u) }

// SafeDCVolts is where voltage class B begins, DC (ISO 6469-3; FMVSS 305 S4).
const SafeDCVolts = 60.0

// StoredEnergy returns the energy in J that a capacitance in F holds above
// SafeDCVolts: 0.5 C (V^2 - 3600) (UN R94 annex, GTR 20; from memory).
func StoredEnergy(farads, volts float64) float64 {
	return 0.5 * farads * (volts*volts - SafeDCVolts*SafeDCVolts)
}

// LargestCapacitance returns the capacitance in F that holds the given energy in
// J above SafeDCVolts; +Inf at or below that voltage.
func LargestCapacitance(joules, volts float64) float64 {
	if volts <= SafeDCVolts {
		return math.Inf(1)
	}
	return 2 * joules / (volts*volts - SafeDCVolts*SafeDCVolts)
}

// DischargeSeconds returns how long a capacitance in F takes through a
// resistance in ohm to fall from a voltage to SafeDCVolts: R C ln(V/60).
func DischargeSeconds(ohms, farads, volts float64) (float64, error) {
	if !(ohms > 0) || !(farads > 0) || !(volts > 0) || math.IsInf(ohms*farads*volts, 0) {
		return math.NaN(), fmt.Errorf("resistance %v ohm, capacitance %v F, voltage %v V: each must be greater than 0 and finite", ohms, farads, volts)
	}
	return max(0, ohms*farads*math.Log(volts/SafeDCVolts)), nil
}
