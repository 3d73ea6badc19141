package insulation

import (
	"fmt"
	"math"
)

// VoltmeterTest is a whole-vehicle test with the vehicle's own battery as
// source (UN R100 annex): the voltages of both poles to chassis without and
// with a known resistor from the chassis to the pole that shows more. NaN is
// not stated.
type VoltmeterTest struct {
	BusVolts     float64 // Vb, DC+ to DC-; NaN: taken as V1 + V2, or worked out from MeterOhms
	MinusVolts   float64 // V1, DC- to chassis, V
	PlusVolts    float64 // V2, DC+ to chassis, V
	LoadedVolts  float64 // V1' or V2', the greater of the two again with the resistor across it, V
	ResistorOhms float64 // Ro, ohm
	MeterOhms    float64 // the voltmeter's own resistance, ohm; NaN: not known
	WorkingVolts float64 // maximum working voltage, for ohm per volt; NaN: not known

	VoltsRelative    float64 // standard uncertainty of a voltage, share of the value; NaN: 0.005
	VoltsAbsolute    float64 // and in V (the last digits); NaN: 0.05
	ResistorRelative float64 // standard uncertainty of the resistor, share; NaN: 0.005
}

// Bounds of the voltmeter method.
const (
	LeastMeterOhms  = 10e6 // UN R100 annex
	loadingShare    = 0.97 // V1 + V2 below this share of Vb: the meter loads the circuit
	excessShare     = 1.10 // above this the voltages cannot be of one circuit
	tooHighShare    = 0.02 // V1' below this share of Vb: the answer hangs on a few volts (judgement)
	tooHighFactor   = 1.30 // IEC 61557-2: operating uncertainty of at most 30 %
	invisibleDigits = 2.0  // a voltage within this many standard uncertainties of zero is not distinguished from it
	LowOhmsPerVolt  = 100.0
	HighOhmsPerVolt = 500.0
	coverage95      = 2.0
)

// VoltmeterForm is one published form's answer and what it is an answer to.
type VoltmeterForm struct {
	Name     string
	Ohms     float64 // +Inf where the loaded voltage vanishes
	Quantity Quantity
	Step     string // the arithmetic, with the numbers in place
}

// VoltmeterResult is what a voltmeter test says.
type VoltmeterResult struct {
	Relation   Relation // Above where the loaded voltage is not distinguished from zero
	WeakerPole float64  // resistance of the weaker pole, ohm, by UN R100 with the bus voltage: free of the meter's loading
	Parallel   float64  // both poles in parallel, ohm; free of the meter's loading where MeterOhms is known
	WeakPole   Conductor

	UNR100  VoltmeterForm // Ro Vb (1/V1' - 1/V1); also GTR 13 and GTR 20
	FMVSS   VoltmeterForm // Ro (1 + V2/V1) (V1 - V1')/V1'; S7.6.6 (text from memory)
	OneStep VoltmeterForm // Ro (V1 - V1')/V1'; ISO 6469-1:2001, early R100

	BusVolts       float64 // the bus voltage used
	BusWorkedOut   bool    // not measured: worked out
	LoadingShare   float64 // (V1 + V2)/Vb; NaN where Vb was not measured
	MeterLoads     bool
	LogUncertainty float64  // standard uncertainty of ln(WeakerPole)
	Interval95     Interval // of the weaker pole, ohm, at coverage 2
	TooHigh        bool     // too high for this method: use an insulation tester
	OhmsPerVolt    float64  // weaker pole per volt of WorkingVolts; NaN where that is not known
	Meets100       Verdict  // against 100 ohm/V (DC)
	Meets500       Verdict  // against 500 ohm/V (AC, or DC and AC joined)
	Steps          []string // the whole working, line by line
	Remarks        []string
}

// Evaluate works the test out. The error is Violations naming every field that
// makes it impossible.
func (t VoltmeterTest) Evaluate() (VoltmeterResult, error) {
	t.fill()
	if err := t.check(); err != nil {
		return VoltmeterResult{}, err
	}
	r := VoltmeterResult{Relation: Equal, WeakPole: HVPlus, LoadingShare: math.NaN(), OhmsPerVolt: math.NaN(), Meets100: NotApplicable, Meets500: NotApplicable}
	strong, other, name := t.MinusVolts, t.PlusVolts, "1"
	if t.PlusVolts > t.MinusVolts {
		strong, other, name = t.PlusVolts, t.MinusVolts, "2"
		r.WeakPole = HVMinus
	}
	loaded := t.LoadedVolts
	if invisible := invisibleDigits * t.VoltsAbsolute; loaded < invisible {
		r.Relation, loaded = Above, invisible
		r.remark("the loaded voltage is not distinguished from zero: the resistance lies above the value for %s V", number(invisible))
	}
	t.bus(&r, strong, other, loaded)
	t.forms(&r, strong, other, loaded, name)
	t.loading(&r, strong)
	t.propagate(&r, strong, loaded)
	t.perVolt(&r)
	return r, nil
}

func (t *VoltmeterTest) fill() {
	for _, d := range []struct {
		field *float64
		value float64
	}{{&t.VoltsRelative, 0.005}, {&t.VoltsAbsolute, 0.05}, {&t.ResistorRelative, 0.005}} {
		if math.IsNaN(*d.field) {
			*d.field = d.value
		}
	}
}

func (t *VoltmeterTest) check() error {
	var v Violations
	for _, f := range []struct {
		name     string
		value    float64
		optional bool
	}{{"bus_volts", t.BusVolts, true}, {"minus_volts", t.MinusVolts, false}, {"plus_volts", t.PlusVolts, false}, {"resistor_ohms", t.ResistorOhms, false}, {"meter_ohms", t.MeterOhms, true}, {"working_volts", t.WorkingVolts, true}} {
		if f.optional && math.IsNaN(f.value) {
			continue
		}
		if !(f.value > 0 && f.value <= MaxOhms) {
			v.add(f.name, f.value, "allowed is a number greater than 0")
		}
	}
	for _, f := range []struct {
		name  string
		value float64
	}{{"volts_relative", t.VoltsRelative}, {"volts_absolute", t.VoltsAbsolute}, {"resistor_relative", t.ResistorRelative}} {
		if !(f.value >= 0 && f.value < 1) {
			v.add(f.name, f.value, "allowed is 0 to less than 1")
		}
	}
	if len(v) > 0 {
		return v
	}
	strong := max(t.MinusVolts, t.PlusVolts)
	switch {
	case !(t.LoadedVolts >= 0):
		v.add("loaded_volts", t.LoadedVolts, "allowed is 0 to less than %s V, the voltage of the same pole without the resistor", number(strong))
	case t.LoadedVolts >= strong:
		v.add("loaded_volts", t.LoadedVolts, "the resistor must lower the voltage: allowed is 0 to less than %s V, the greater pole voltage without it", number(strong))
	}
	if sum := t.MinusVolts + t.PlusVolts; sum > excessShare*t.BusVolts {
		v.add("bus_volts", t.BusVolts, "the pole voltages add up to %s V: allowed is at least %s V (were all three taken with the same bus voltage?)", number(sum), number(sum/excessShare))
	}
	return v.err()
}

// bus settles Vb. Where it was not measured but the meter's resistance rm is
// known, the two circuit equations give Vb = (V1 + V2)/(1 - (Ro/rm)(V1/V1' - 1)).
func (t *VoltmeterTest) bus(r *VoltmeterResult, strong, other, loaded float64) {
	r.BusVolts = t.BusVolts
	if !math.IsNaN(t.BusVolts) {
		r.LoadingShare = (strong + other) / t.BusVolts
		return
	}
	r.BusWorkedOut = true
	r.BusVolts = strong + other
	if math.IsNaN(t.MeterOhms) {
		r.remark("the bus voltage was not measured: V1 + V2 stands for it, which a loading meter makes too small")
		return
	}
	if share := 1 - t.ResistorOhms/t.MeterOhms*(strong/loaded-1); share > 0 {
		r.BusVolts = (strong + other) / share
		r.LoadingShare = share
	}
}

func (t *VoltmeterTest) forms(r *VoltmeterResult, strong, other, loaded float64, n string) {
	ro, vb := t.ResistorOhms, r.BusVolts
	o := "2"
	if n == "2" {
		o = "1"
	}
	r.UNR100 = VoltmeterForm{Name: "UN R100, GTR 20", Quantity: WeakerPole, Ohms: ro * vb * (1/loaded - 1/strong)}
	r.UNR100.Step = fmt.Sprintf("Ri = Ro x Vb x (1/V%s' - 1/V%s) = %s x %s x (1/%s - 1/%s) = %s", n, n, FormatOhms(ro), number(vb), number(loaded), number(strong), FormatOhms(r.UNR100.Ohms))
	r.FMVSS = VoltmeterForm{Name: "FMVSS 305", Quantity: WeakerPole, Ohms: ro * (1 + other/strong) * (strong - loaded) / loaded}
	r.FMVSS.Step = fmt.Sprintf("Ri = Ro x (1 + V%s/V%s) x (V%s - V%s')/V%s' = %s x (1 + %s/%s) x (%s - %s)/%s = %s", o, n, n, n, n, FormatOhms(ro), number(other), number(strong), number(strong), number(loaded), number(loaded), FormatOhms(r.FMVSS.Ohms))
	r.OneStep = VoltmeterForm{Name: "one-step form, ISO 6469-1:2001", Quantity: Parallel, Ohms: ro * (strong - loaded) / loaded}
	r.OneStep.Step = fmt.Sprintf("R = Ro x (V%s - V%s')/V%s' = %s x (%s - %s)/%s = %s", n, n, n, FormatOhms(ro), number(strong), number(loaded), number(loaded), FormatOhms(r.OneStep.Ohms))
	r.Steps = append(r.Steps, r.UNR100.Step, r.FMVSS.Step, r.OneStep.Step)
}

// loading takes the meter out of the parallel value. With the meter rm across
// the pole measured, Vb/V1 = 1 + R+ (1/R- + 1/rm), so that
// 1/R+ + 1/R- = Vb/(V1 R+) - 1/rm, while Ro Vb (1/V1' - 1/V1) is R+ whatever rm.
func (t *VoltmeterTest) loading(r *VoltmeterResult, strong float64) {
	r.WeakerPole = r.UNR100.Ohms
	conductance := r.BusVolts / (strong * r.WeakerPole)
	if !math.IsNaN(t.MeterOhms) {
		conductance -= 1 / t.MeterOhms
		if t.MeterOhms < LeastMeterOhms {
			r.remark("the voltmeter's %s is less than the %s that UN R100 asks for", FormatOhms(t.MeterOhms), FormatOhms(LeastMeterOhms))
		}
	}
	// Both poles in parallel lie between half the weaker one and the weaker one; the readings' errors may say otherwise.
	r.Parallel = math.Min(math.Max(1/conductance, r.WeakerPole/2), r.WeakerPole)
	if conductance <= 0 {
		r.Parallel = r.WeakerPole
	}
	r.MeterLoads = r.LoadingShare < loadingShare
	switch {
	case r.MeterLoads && math.IsNaN(t.MeterOhms):
		r.remark("V1 + V2 is %.1f %% of Vb: the meter loads the circuit. The weaker pole by UN R100 is free of it; the FMVSS form and the parallel value are too low", 100*r.LoadingShare)
	case r.MeterLoads:
		r.remark("V1 + V2 is %.1f %% of Vb: the meter loads the circuit. The weaker pole by UN R100 is free of it, and the meter's %s is taken out of the parallel value; the FMVSS form is too low", 100*r.LoadingShare, FormatOhms(t.MeterOhms))
	}
}

// propagate is the law of propagation of uncertainty (GUM 5.1) on
// Ri = Ro Vb (1/V1' - 1/V1), every voltage's error taken as independent, which
// is on the safe side for three readings of one meter.
func (t *VoltmeterTest) propagate(r *VoltmeterResult, strong, loaded float64) {
	u := func(volts float64) float64 {
		return math.Hypot(t.VoltsRelative*volts, t.VoltsAbsolute)
	}
	scale := t.ResistorOhms * r.BusVolts / r.WeakerPole
	r.LogUncertainty = CombineUncertainties(
		u(r.BusVolts)/r.BusVolts, t.ResistorRelative,
		scale*u(loaded)/(loaded*loaded), scale*u(strong)/(strong*strong))
	factor := CoverageFactor(r.LogUncertainty, coverage95)
	r.Interval95 = Interval{Low: r.WeakerPole / factor, Mid: r.WeakerPole, High: r.WeakerPole * factor}
	if r.Relation == Above {
		r.Interval95.High = math.Inf(1)
	}
	r.Steps = append(r.Steps, fmt.Sprintf("uncertainty: a factor of %.3g either way (coverage 2): %s to %s", factor, FormatOhms(r.Interval95.Low), FormatOhms(r.Interval95.High)))
	if r.Relation == Above || loaded < tooHighShare*r.BusVolts || factor > tooHighFactor {
		r.TooHigh = true
		r.remark("too high for this method: the answer hangs on %s V of %s V; use an insulation tester with the battery disconnected", number(loaded), number(r.BusVolts))
	}
}

func (t *VoltmeterTest) perVolt(r *VoltmeterResult) {
	if math.IsNaN(t.WorkingVolts) {
		return
	}
	r.OhmsPerVolt = r.WeakerPole / t.WorkingVolts
	r.Meets100, r.Meets500 = Met, Met
	if r.OhmsPerVolt < LowOhmsPerVolt {
		r.Meets100 = NotMet
	}
	if r.OhmsPerVolt < HighOhmsPerVolt {
		r.Meets500 = NotMet
	}
	if r.Relation == Above {
		for _, v := range []*Verdict{&r.Meets100, &r.Meets500} {
			if *v == NotMet {
				*v = CannotTell
			}
		}
	}
	r.Steps = append(r.Steps, fmt.Sprintf("%s / %s V = %.4g ohm/V: 100 ohm/V %s, 500 ohm/V %s", FormatOhms(r.WeakerPole), number(t.WorkingVolts), r.OhmsPerVolt, r.Meets100.Words(), r.Meets500.Words()))
}

func (r *VoltmeterResult) remark(format string, args ...any) {
	r.Remarks = append(r.Remarks, fmt.Sprintf(format, args...))
}
