package locate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"creepage/internal/insulation"
)

// Part is a component that can be connected and disconnected.
type Part struct {
	Name         string
	LimitOhms    float64 // below this it counts as leaking
	HealthyOhms  float64 // median when healthy; NaN or 0: ten times the limit
	HealthySigma float64 // spread of that, decades; NaN or 0: 0.4
}

// Reading is one whole-circuit reading with only the named parts connected.
type Reading struct {
	Connected   []string
	Relation    insulation.Relation
	Ohms        float64
	Uncertainty float64 // standard uncertainty as a share of the value; NaN or 0: DefaultUncertainty
	Moisture    insulation.Moisture
	Warmth      insulation.Warmth
}

// Options are what the answer depends on besides the readings.
type Options struct {
	Prior     float64 // chance that a part leaks before any reading; NaN or 0: 1/(2n) for n parts
	RangeOhms float64 // top of the meter's range for the next test; NaN or 0: no top
}

// Parameters of the model (judgement, unless said otherwise).
const (
	MaxParts           = 16
	MaxReadings        = 400
	DefaultUncertainty = 0.1732 // IEC 61557-2: 30 % operating uncertainty, rectangular
	SureProbability    = 0.9
	healthyAbove       = 1.0 // decades of a healthy part above its limit
	healthySigma       = 0.4
	leakBelow          = 1.5 // decades of a leak below the limit
	leakSigma          = 1.0
	mistake            = 0.01 // chance that a reading says nothing (bad contact, slip of the pen)
	mistakeDecades     = 8.0  // over which such a reading lies anywhere
)

// HealthyOhms is what a sound part may be taken as where nobody says: ten times
// the limit, or more where a reading shows more. A set that reads X has no part
// below X, and k alike ones of k X; so the best reading times the number of parts
// it connects. Readings of all conditions count, for a part is as sound as it
// was ever seen. It is never more than 1e12 ohm, beyond which no meter looks.
func HealthyOhms(readings []Reading, limitOhms float64) float64 {
	const beyond = 1e12
	healthy := limitOhms * math.Pow(10, healthyAbove)
	for _, r := range readings {
		if ohms := r.Ohms * float64(len(r.Connected)); r.Relation != insulation.Below && ohms > healthy {
			healthy = math.Min(ohms, math.Max(beyond, healthy))
		}
	}
	return healthy
}

type violations = insulation.Violations

func reject(v *violations, field string, value any, format string, args ...any) {
	*v = append(*v, insulation.Violation{Field: field, Value: fmt.Sprint(value), Description: fmt.Sprintf(format, args...)})
}

// observation is a reading in the model's terms.
type observation struct {
	source   int // position among the readings as given
	members  []int
	relation insulation.Relation
	level    float64 // log10 ohm
	sigma    float64 // decades
	logSigma float64 // ln sigma, kept for speed
	mistake  float64 // chance that it says nothing
	// Conductances outside of which a value says nothing for sure.
	least, greatest float64
}

// model is a checked circuit with the readings of one condition.
type model struct {
	names          []string
	limits         []float64 // log10 ohm
	healthy, sigma []float64 // log10 ohm, decades
	prior          float64
	readings       []observation
}

func orDefault(v, d float64) float64 {
	if math.IsNaN(v) || v == 0 {
		return d
	}
	return v
}

// check reports every wrong field of the input as insulation.Violations.
func check(parts []Part, readings []Reading, o Options) (map[string]int, error) {
	var v violations
	index := map[string]int{}
	if len(parts) < 1 || len(parts) > MaxParts {
		reject(&v, "parts", len(parts), "allowed are 1 to %d components", MaxParts)
	}
	for i, p := range parts {
		field := fmt.Sprintf("parts[%d].", i)
		if _, twice := index[p.Name]; twice || p.Name == "" {
			reject(&v, field+"name", fmt.Sprintf("%q", p.Name), "is required, and once only")
		}
		index[p.Name] = i
		if !(p.LimitOhms >= insulation.MinOhms && p.LimitOhms <= insulation.MaxOhms) {
			reject(&v, field+"limit_ohms", p.LimitOhms, "allowed is %v to %v ohm", insulation.MinOhms, insulation.MaxOhms)
		}
		if h := orDefault(p.HealthyOhms, 1); !(h >= insulation.MinOhms && h <= insulation.MaxOhms) {
			reject(&v, field+"healthy_ohms", p.HealthyOhms, "allowed is %v to %v ohm, or nothing", insulation.MinOhms, insulation.MaxOhms)
		}
		if s := orDefault(p.HealthySigma, 1); !(s > 0.01 && s <= 3) {
			reject(&v, field+"healthy_sigma", p.HealthySigma, "allowed is 0.01 to 3 decades, or nothing")
		}
	}
	if len(readings) < 1 || len(readings) > MaxReadings {
		reject(&v, "readings", len(readings), "allowed are 1 to %d", MaxReadings)
	}
	for i, r := range readings {
		checkReading(&v, fmt.Sprintf("readings[%d].", i), r, index)
	}
	if p := orDefault(o.Prior, .1); !(p > 0 && p < 1) {
		reject(&v, "prior", o.Prior, "allowed is more than 0 and less than 1, or nothing")
	}
	if r := orDefault(o.RangeOhms, 1); !(r >= insulation.MinOhms && r <= insulation.MaxOhms) {
		reject(&v, "range_ohms", o.RangeOhms, "allowed is %v to %v ohm, or nothing", insulation.MinOhms, insulation.MaxOhms)
	}
	if len(v) > 0 {
		return nil, v
	}
	return index, nil
}

func checkReading(v *violations, field string, r Reading, index map[string]int) {
	if len(r.Connected) == 0 {
		reject(v, field+"connected", "[]", "at least one component must be connected")
	}
	seen := map[string]bool{}
	for _, name := range r.Connected {
		if _, known := index[name]; !known {
			known := make([]string, 0, len(index))
			for k := range index {
				known = append(known, k)
			}
			sort.Strings(known)
			reject(v, field+"connected", fmt.Sprintf("%q", name), "is no component of this circuit; allowed are %s", strings.Join(known, ", "))
		} else if seen[name] {
			reject(v, field+"connected", fmt.Sprintf("%q", name), "is named twice")
		}
		seen[name] = true
	}
	if r.Relation.String() == "" {
		reject(v, field+"relation", uint8(r.Relation), "allowed are =, >, <")
	}
	if !(r.Ohms >= insulation.MinOhms && r.Ohms <= insulation.MaxOhms) {
		reject(v, field+"resistance_ohms", r.Ohms, "allowed is %v to %v ohm", insulation.MinOhms, insulation.MaxOhms)
	}
	if u := orDefault(r.Uncertainty, .1); !(u >= 0.001 && u <= 3) {
		reject(v, field+"uncertainty", r.Uncertainty, "allowed is 0.001 to 3 (a share of the value), or nothing")
	}
	if r.Moisture != 0 && r.Moisture.String() == "" {
		reject(v, field+"moisture", uint8(r.Moisture), "allowed are dry, wet, or nothing")
	}
	if r.Warmth != 0 && r.Warmth.String() == "" {
		reject(v, field+"warmth", uint8(r.Warmth), "allowed are cold, hot, or nothing")
	}
}

// newModel puts parts and readings into the model's terms, in one order
// whatever the order they came in, so that the answer is the same to the bit.
func newModel(parts []Part, readings []Reading, o Options, index map[string]int) *model {
	n := len(parts)
	m := &model{prior: orDefault(o.Prior, 1/(2*float64(n)))}
	for _, p := range parts {
		limit := math.Log10(p.LimitOhms)
		m.names = append(m.names, p.Name)
		m.limits = append(m.limits, limit)
		healthy := limit + healthyAbove
		if h := orDefault(p.HealthyOhms, 0); h > 0 {
			healthy = math.Log10(h)
		}
		m.healthy = append(m.healthy, healthy)
		m.sigma = append(m.sigma, orDefault(p.HealthySigma, healthySigma))
	}
	for k, r := range readings {
		x := observation{source: k, mistake: mistake, relation: r.Relation, level: math.Log10(r.Ohms), sigma: orDefault(r.Uncertainty, DefaultUncertainty) / insulation.Decade}
		x.logSigma = math.Log(x.sigma)
		x.least, x.greatest = pow10(-x.level-farOff*x.sigma), pow10(-x.level+farOff*x.sigma)
		for _, name := range r.Connected {
			x.members = append(x.members, index[name])
		}
		slices.Sort(x.members)
		m.readings = append(m.readings, x)
	}
	slices.SortFunc(m.readings, func(a, b observation) int {
		return cmp.Or(slices.Compare(a.members, b.members), cmp.Compare(a.relation, b.relation), cmp.Compare(a.level, b.level), cmp.Compare(a.sigma, b.sigma))
	})
	return m
}

// priorDensity is the density of a part's level, healthy or leaking, but for
// the factor of the normal density; never zero.
func (m *model) priorDensity(i int, y float64) float64 {
	h := (y - m.healthy[i]) / m.sigma[i]
	l := (y - m.limits[i] + leakBelow) / leakSigma
	return (1-m.prior)/m.sigma[i]*math.Exp(-h*h/2) + m.prior/leakSigma*math.Exp(-l*l/2) + 1e-300
}

// priorBelow is the chance that a part's level lies below y before any reading.
func (m *model) priorBelow(i int, y float64) float64 {
	normal := func(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }
	return (1-m.prior)*normal((y-m.healthy[i])/m.sigma[i]) + m.prior*normal((y-m.limits[i]+leakBelow)/leakSigma)
}

// priorQuantile inverts priorBelow by bisection.
func (m *model) priorQuantile(i int, share float64) float64 {
	low, high := m.limits[i]-20, m.healthy[i]+20
	for range 60 {
		if middle := (low + high) / 2; m.priorBelow(i, middle) < share {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}

const log2Pi = 1.8378770664093453

// whole returns log10 of the resistance of the parts in parallel.
func whole(members []int, conductance []float64) float64 {
	g := 0.0
	for _, i := range members {
		g += conductance[i]
	}
	return -log10(g)
}

// logLikelihood of one reading whose parts give the level eta.
func (x *observation) logLikelihood(eta float64) float64 {
	if x.mistake == 0 {
		return x.plain(eta)
	}
	return math.Log(x.likelihood(eta))
}

// likelihood of one reading whose parts give the level eta; never zero, for
// any reading may say nothing.
func (x *observation) likelihood(eta float64) float64 {
	z := (x.level - eta) / x.sigma
	var p float64
	switch x.relation {
	case insulation.Above:
		p = math.Erfc(z/math.Sqrt2) / 2
	case insulation.Below:
		p = math.Erfc(-z/math.Sqrt2) / 2
	default:
		p = math.Exp(-z*z/2) / (x.sigma * math.Sqrt2 * math.SqrtPi)
	}
	return (1-x.mistake)*p + x.mistake/x.flat()
}

// likelihoodAt is likelihood where the parts leak a conductance together.
func (x *observation) likelihoodAt(conductance float64) float64 {
	if x.relation == insulation.Equal && (conductance < x.least || conductance > x.greatest) {
		return x.mistake / mistakeDecades
	}
	return x.likelihood(-log10(conductance))
}

// farOff is how many standard uncertainties off a value says nothing for sure:
// there the density is 1e-14 of its peak, far below that of a mistake.
const farOff = 8.0

// flat is the reciprocal of what a reading that says nothing has as its
// likelihood: a density for a value, a half for a bound.
func (x *observation) flat() float64 {
	if x.relation == insulation.Equal {
		return mistakeDecades
	}
	return 2
}

func (x *observation) plain(eta float64) float64 {
	z := (x.level - eta) / x.sigma
	switch x.relation {
	case insulation.Above:
		return logTail(z)
	case insulation.Below:
		return logTail(-z)
	}
	return -z*z/2 - x.logSigma - log2Pi/2
}

// logTail is the logarithm of the chance that a standard normal exceeds z.
func logTail(z float64) float64 {
	if z > 30 {
		return -z*z/2 - math.Log(z) - log2Pi/2
	}
	return math.Log(math.Erfc(z/math.Sqrt2) / 2)
}

// LogLikelihood returns the logarithm of the probability density of the
// readings where the parts have the given resistances (ohm, in the parts'
// order). Readings of all conditions are taken together.
func LogLikelihood(parts []Part, readings []Reading, ohms []float64) (float64, error) {
	index, err := check(parts, readings, Options{})
	if err != nil {
		return math.NaN(), err
	}
	if len(ohms) != len(parts) {
		return math.NaN(), fmt.Errorf("%d resistances for %d parts", len(ohms), len(parts))
	}
	m := newModel(parts, readings, Options{}, index)
	g := make([]float64, len(ohms))
	for i, r := range ohms {
		g[i] = 1 / r
	}
	return m.logLikelihood(g), nil
}

func (m *model) logLikelihood(conductance []float64) float64 {
	sum := 0.0
	// One logarithm for several readings; none is below 1e-4 or so, so that the
	// product of a few stays far from the smallest number.
	const together = 16
	product := 1.0
	for k := range m.readings {
		x := &m.readings[k]
		eta := whole(x.members, conductance)
		if x.mistake == 0 {
			sum += x.plain(eta)
			continue
		}
		product *= x.likelihood(eta)
		if k%together == together-1 {
			sum += math.Log(product)
			product = 1
		}
	}
	return sum + math.Log(product)
}

// log10 by way of the natural logarithm, which is twice as fast as math.Log10.
func log10(x float64) float64 { return math.Log(x) / math.Ln10 }
