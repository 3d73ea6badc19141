package simulate

import (
	"math"
	"math/rand/v2"
	"sort"
)

// Law gives how many decades insulation reads below its value at 20 C when at t, C.
type Law func(t float64) float64

// LawFamily draws a law.
type LawFamily func(*rand.Rand) Law

const (
	zeroCelsius   = 273.15   // K
	boltzmannByEV = 8.617e-5 // eV/K
)

// ArrheniusFamily draws activation energies, eV: R(T) ~ exp(Ea/kT).
func ArrheniusFamily(lo, hi float64) LawFamily {
	return func(r *rand.Rand) Law { return arrhenius(Span{lo, hi}.draw(r)) }
}

func arrhenius(ev float64) Law {
	return func(t float64) float64 {
		return ev / (boltzmannByEV * math.Ln10) * (1/(20+zeroCelsius) - 1/(t+zeroCelsius))
	}
}

// ThermosetFamily gives the curve for thermosetting windings of IEEE 43-2013
// (its two exponentials, constants from memory), carried on beyond 10 and 85 C.
func ThermosetFamily() LawFamily {
	return func(*rand.Rand) Law { return thermoset }
}

func thermoset(t float64) float64 { return thermosetLog(t) - thermosetLog(20) }

// thermosetLog is log10 of the correction K_T to 40 C.
func thermosetLog(t float64) float64 {
	c := -1245.0
	if t > 40 {
		c = -4230
	}
	return c * (1/(t+273) - 1/313.0) / math.Ln10
}

// Correction factors to 20 C for solid insulation, ANSI/NETA ATS table 100.14.1.
var (
	solidCelsius = []float64{-20, -15, -10, -5, 0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80}
	solidFactor  = []float64{.11, .18, .25, .32, .40, .50, .63, .81, 1, 1.25, 1.58, 2, 2.5, 3.15, 3.98, 5, 6.3, 7.9, 10, 12.6, 15.8}
)

// TableFamily gives the handbook table, straight in the logarithm between its rows and beyond them.
func TableFamily() LawFamily {
	return func(*rand.Rand) Law { return solidTable }
}

func solidTable(t float64) float64 {
	i := sort.SearchFloat64s(solidCelsius, t)
	i = min(max(i, 1), len(solidCelsius)-1)
	t0, t1 := solidCelsius[i-1], solidCelsius[i]
	y0, y1 := math.Log10(solidFactor[i-1]), math.Log10(solidFactor[i])
	return y0 + (t-t0)/(t1-t0)*(y1-y0)
}

func (s Span) draw(r *rand.Rand) float64 { return s.Lo + (s.Hi-s.Lo)*r.Float64() }

// student draws from Student's t, scaled to the given standard deviation.
func student(r *rand.Rand, freedom int, sd float64) float64 {
	var chi float64
	for range freedom {
		z := r.NormFloat64()
		chi += z * z
	}
	n := float64(freedom)
	return sd * r.NormFloat64() * math.Sqrt((n-2)/max(chi, 1e-9))
}

// around draws a number whose logarithm is normal about that of the median.
func around(r *rand.Rand, median, sigma float64) float64 {
	return median * math.Exp(sigma*r.NormFloat64())
}

// pick draws an index by weight.
func pick(r *rand.Rand, weights []float64) int {
	var sum float64
	for _, w := range weights {
		sum += w
	}
	x := r.Float64() * sum
	for i, w := range weights {
		if x -= w; x < 0 {
			return i
		}
	}
	return len(weights) - 1
}
