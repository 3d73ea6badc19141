package insulation

import (
	"fmt"
	"math"
	"slices"
	"sort"
)

// ThermalClass is a winding's insulation class.
type ThermalClass uint8

// Thermal classes.
const (
	ClassA ThermalClass = iota + 1
	ClassB
	ClassF
	ClassH
)

// String returns the class's letter.
func (c ThermalClass) String() string {
	return word([]string{ClassA: "A", ClassB: "B", ClassF: "F", ClassH: "H"}, uint8(c))
}

// MinimumPI returns the least polarization index of IEEE 43: 1.5 for class A,
// 2.0 for B, F and H; NaN for no class.
func (c ThermalClass) MinimumPI() float64 {
	switch c {
	case ClassA:
		return 1.5
	case ClassB, ClassF, ClassH:
		return 2.0
	}
	return math.NaN()
}

// Winding is a kind of winding in IEEE 43's table of least insulation resistance.
type Winding uint8

// Windings.
const (
	OtherWinding Winding = iota + 1 // before about 1970, field windings, others: kV + 1 Mohm
	FormWound                       // DC armatures and AC form-wound after about 1970: 100 Mohm
	RandomWound                     // random-wound stators, and form-wound below 1 kV: 5 Mohm
)

// MinimumOhms returns IEEE 43's least one-minute resistance at 40 C in ohm, for
// a rated voltage in V; NaN for no kind.
func (w Winding) MinimumOhms(ratedVolts float64) float64 {
	switch w {
	case OtherWinding:
		return (ratedVolts/1000 + 1) * 1e6
	case FormWound:
		return 100e6
	case RandomWound:
		return 5e6
	}
	return math.NaN()
}

// TimedOhms is one value of a run: the resistance after so many seconds.
type TimedOhms struct {
	Seconds  float64
	Ohms     float64
	Relation Relation
}

// AbsorptionRun is one test with readings at several times.
type AbsorptionRun struct {
	Readings  []TimedOhms  // any order
	Class     ThermalClass // 0: not known
	WholeBus  bool         // a whole bus with filter capacitors rather than one winding or cable
	TestVolts float64      // for the currents of the fit; NaN: not known
}

// Ratio is a quotient of two timed resistances.
type Ratio struct {
	Value        float64  // NaN where it cannot be formed
	Relation     Relation // Above or Below where one of the two was a bound
	Interpolated bool     // one of the two was read off between neighbouring times
	Band         string   // customary word, common practice without source; "" where it does not apply
	Step         string   // the arithmetic, with the numbers in place; "" where it cannot be formed
}

// AbsorptionFit is I(t)/V = A t^-n + G fitted to the run (IEEE 43: absorption
// and conduction current).
type AbsorptionFit struct {
	Done          bool
	Absorption    float64 // A, siemens at 1 s
	Exponent      float64 // n
	Conduction    float64 // G, siemens
	FinalOhms     float64 // 1/G: what the value climbs to; +Inf where no conduction is seen
	RelativeError float64 // root mean square of the relative residuals
	Why           string  // where not done: what is missing
}

// AbsorptionResult is what a run says.
type AbsorptionResult struct {
	DAR             Ratio // R60/R30
	PI              Ratio // R600/R60
	MinimumPI       float64
	PIVerdict       Verdict
	Void            bool // R60 above 5000 Mohm: the index may mean nothing (IEEE 43)
	InformationOnly bool // a whole bus: capacitors and bridges keep both ratios near one whatever its health
	Fit             AbsorptionFit
	Remarks         []string
}

// Bounds of an absorption run.
const (
	MinAbsorptionSeconds = 5.0
	MaxAbsorptionSeconds = 7200.0
	voidOhms             = 5000e6 // IEEE 43
	brittlePI            = 8.0    // IEEE 43: may mean dry, brittle insulation
	fitPoints            = 5
	fitSpan              = 8.0 // latest over earliest time
)

// Evaluate forms the ratios and fits the run. The error is Violations.
func (a AbsorptionRun) Evaluate() (AbsorptionResult, error) {
	run, err := a.sorted()
	if err != nil {
		return AbsorptionResult{}, err
	}
	r := AbsorptionResult{InformationOnly: a.WholeBus, MinimumPI: a.Class.MinimumPI(), PIVerdict: NotApplicable}
	r.DAR, r.PI = ratio(run, 60, 30), ratio(run, 600, 60)
	if one, ok := valueAt(run, 60); ok && one.Relation != Below && one.Ohms > voidOhms {
		r.Void = true
		r.remark("the one-minute value is above 5000 MΩ: the index may mean nothing and may be left out (IEEE 43)")
	}
	r.Fit = fitAbsorption(run)
	if a.WholeBus {
		r.remark("information only: filter capacitors and parallel bridges of a whole bus keep both ratios near one whatever its health")
		return r, nil
	}
	r.DAR.Band = band(r.DAR, []float64{1.1, 1.25, 1.4, 1.6}, []string{"poor", "questionable", "fair", "good", "excellent"})
	r.PI.Band = band(r.PI, []float64{1, 1.5, 2, 3, 4}, []string{"dangerous", "poor", "questionable", "fair", "good", "excellent"})
	r.judge()
	return r, nil
}

func (r *AbsorptionResult) judge() {
	pi, least := r.PI, r.MinimumPI
	if math.IsNaN(pi.Value) || math.IsNaN(least) || r.Void {
		return
	}
	switch {
	case pi.Relation != Below && pi.Value >= least:
		r.PIVerdict = Met
	case pi.Relation != Above && pi.Value < least:
		r.PIVerdict = NotMet
	default:
		r.PIVerdict = CannotTell
	}
	if pi.Relation != Below && pi.Value > brittlePI {
		r.remark("a polarization index above 8 may mean dry, brittle insulation (IEEE 43)")
	}
}

func (r *AbsorptionResult) remark(text string) { r.Remarks = append(r.Remarks, text) }

func (a AbsorptionRun) sorted() ([]TimedOhms, error) {
	var v Violations
	if len(a.Readings) == 0 {
		v.add("readings", "", "is required: at least the values at 30 and 60 s, or at 1 and 10 min")
	}
	if a.Class != 0 && a.Class.String() == "" {
		v.add("class", uint8(a.Class), "allowed are A, B, F, H, or nothing")
	}
	if !math.IsNaN(a.TestVolts) && a.TestVolts != 0 && !(a.TestVolts >= MinTestVolts && a.TestVolts <= MaxTestVolts) {
		v.add("test_volts", a.TestVolts, "allowed is %v to %v V, or nothing", MinTestVolts, MaxTestVolts)
	}
	run := slices.Clone(a.Readings)
	for i, p := range run {
		field := fmt.Sprintf("readings[%d].", i)
		if !(p.Seconds >= MinAbsorptionSeconds && p.Seconds <= MaxAbsorptionSeconds) {
			v.add(field+"seconds", p.Seconds, "allowed is %v to %v s", MinAbsorptionSeconds, MaxAbsorptionSeconds)
		}
		if !(p.Ohms >= MinOhms && p.Ohms <= MaxOhms) {
			v.add(field+"resistance_ohms", p.Ohms, "allowed is %v to %v ohm", MinOhms, MaxOhms)
		}
		if p.Relation.String() == "" {
			v.add(field+"relation", uint8(p.Relation), "allowed are =, >, <")
		}
	}
	sort.SliceStable(run, func(i, j int) bool { return run[i].Seconds < run[j].Seconds })
	for i := 1; i < len(run); i++ {
		if run[i].Seconds == run[i-1].Seconds {
			v.add("readings", run[i].Seconds, "this time is given twice; allowed is one value for each time")
		}
	}
	return run, v.err()
}

// valueAt returns the run's value at a time; between two neighbours at most
// threefold apart it goes straight on double-logarithmic paper, as A t^-n does.
func valueAt(run []TimedOhms, seconds float64) (TimedOhms, bool) {
	for i, p := range run {
		if p.Seconds == seconds {
			return p, true
		}
		if i == 0 || p.Seconds < seconds || run[i-1].Seconds > seconds {
			continue
		}
		q := run[i-1]
		if q.Relation != Equal || p.Relation != Equal || p.Seconds > 3*q.Seconds {
			return TimedOhms{}, false
		}
		share := math.Log(seconds/q.Seconds) / math.Log(p.Seconds/q.Seconds)
		return TimedOhms{Seconds: seconds, Ohms: q.Ohms * math.Pow(p.Ohms/q.Ohms, share)}, true
	}
	return TimedOhms{}, false
}

func ratio(run []TimedOhms, late, early float64) Ratio {
	none := Ratio{Value: math.NaN(), Relation: Equal}
	a, ok := valueAt(run, late)
	b, ok2 := valueAt(run, early)
	if !ok || !ok2 {
		return none
	}
	r := Ratio{Value: a.Ohms / b.Ohms, Relation: Equal, Interpolated: a.Relation == 0 || b.Relation == 0}
	r.Step = fmt.Sprintf("R%s/R%s = %s / %s = %.3g", number(late), number(early), FormatResistance(a.Relation, a.Ohms), FormatResistance(b.Relation, b.Ohms), r.Value)
	if r.Interpolated {
		r.Step += ", one of them read off between its neighbours on double-logarithmic paper"
	}
	above := a.Relation == Above || b.Relation == Below
	below := a.Relation == Below || b.Relation == Above
	switch {
	case above && below:
		return none
	case above:
		r.Relation = Above
	case below:
		r.Relation = Below
	}
	return r
}

func band(r Ratio, edges []float64, words []string) string {
	if math.IsNaN(r.Value) || r.Relation != Equal {
		return ""
	}
	i := 0
	for i < len(edges) && r.Value >= edges[i] {
		i++
	}
	return words[i]
}

// fitAbsorption minimises the relative residuals of A t^-n + G: for each n the
// best non-negative A and G are linear; n is found by golden section after a
// coarse scan.
func fitAbsorption(run []TimedOhms) AbsorptionFit {
	var t, g []float64
	for _, p := range run {
		if p.Relation == Equal {
			t, g = append(t, p.Seconds), append(g, 1/p.Ohms)
		}
	}
	if len(t) < fitPoints || t[len(t)-1] < fitSpan*t[0] {
		return AbsorptionFit{Why: fmt.Sprintf("a fit needs %d values in range whose times span a factor of %v; there are %d", fitPoints, fitSpan, len(t))}
	}
	best, bestN := math.Inf(1), 0.0
	const lowest, highest, step = 0.05, 3.0, 0.05
	for n := lowest; n <= highest; n += step {
		if _, _, s := absorptionAt(n, t, g); s < best {
			best, bestN = s, n
		}
	}
	low, high := max(lowest, bestN-step), min(highest, bestN+step)
	phi := (math.Sqrt(5) - 1) / 2
	for range 80 {
		a, b := high-phi*(high-low), low+phi*(high-low)
		_, _, sa := absorptionAt(a, t, g)
		_, _, sb := absorptionAt(b, t, g)
		if sa < sb {
			high = b
		} else {
			low = a
		}
	}
	n := (low + high) / 2
	a, c, s := absorptionAt(n, t, g)
	return AbsorptionFit{Done: true, Absorption: a, Exponent: n, Conduction: c, FinalOhms: 1 / c, RelativeError: math.Sqrt(s / float64(len(t)))}
}

// absorptionAt returns the best non-negative A and G for one exponent and the
// sum of squared relative residuals.
func absorptionAt(n float64, t, g []float64) (a, c, sum float64) {
	var pp, pq, qq, p1, q1 float64
	for i := range t {
		p, q := math.Pow(t[i], -n)/g[i], 1/g[i]
		pp, pq, qq, p1, q1 = pp+p*p, pq+p*q, qq+q*q, p1+p, q1+q
	}
	det := pp*qq - pq*pq
	a, c = (p1*qq-q1*pq)/det, (q1*pp-p1*pq)/det
	if !(a >= 0) {
		a, c = 0, q1/qq
	}
	if !(c >= 0) {
		a, c = p1/pp, 0
	}
	for i := range t {
		e := (a*math.Pow(t[i], -n)+c)/g[i] - 1
		sum += e * e
	}
	return a, c, sum
}
