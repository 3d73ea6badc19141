package insulation_test

import (
	"math"
	"strings"
	"testing"

	"creepage/internal/insulation"
	"pgregory.net/rapid"
)

var nan = math.NaN()

// measure gives what a voltmeter of resistance rm (+Inf: ideal), moved from pole
// to pole, shows on a bus with the given pole resistances.
func measure(vb, plus, minus, ro, rm float64) insulation.VoltmeterTest {
	par := func(a, b float64) float64 { return 1 / (1/a + 1/b) }
	v1 := vb * par(minus, rm) / (plus + par(minus, rm))
	v2 := vb * par(plus, rm) / (minus + par(plus, rm))
	t := insulation.VoltmeterTest{BusVolts: vb, MinusVolts: v1, PlusVolts: v2, ResistorOhms: ro, MeterOhms: nan, WorkingVolts: vb, VoltsRelative: nan, VoltsAbsolute: nan, ResistorRelative: nan}
	if v1 >= v2 {
		t.LoadedVolts = vb * par(par(minus, rm), ro) / (plus + par(par(minus, rm), ro))
	} else {
		t.LoadedVolts = vb * par(par(plus, rm), ro) / (minus + par(par(plus, rm), ro))
	}
	return t
}

// The forms of UN R100 / GTR 20, FMVSS 305 S7.6.6 and ISO 6469-1:2001 on
// circuits solved by hand (ideal meter).
func TestPublishedVoltmeterForms(t *testing.T) {
	for _, c := range []struct{ vb, plus, minus, ro, v1, v2, loaded, weaker, parallel, perVolt float64 }{
		{400, 1e6, 3e6, 200e3, 300, 100, 63.157895, 1e6, 750e3, 2500},
		{400, 3e6, 1e6, 200e3, 100, 300, 63.157895, 1e6, 750e3, 2500},
		{400, 2e6, 2e6, 200e3, 200, 200, 33.333333, 2e6, 1e6, 5000},
		{400, 150e3, 10e6, 200e3, 394.088670, 5.911330, 226.628895, 150e3, 147783.251, 375},
		{800, 40e3, 5e6, 400e3, 793.650794, 6.349206, 722.021661, 40e3, 39682.540, 50},
		{360, 500e3, 500e3, 180e3, 180, 180, 75.348837, 500e3, 250e3, 1388.89},
		{650, 20e6, 20e6, 325e3, 325, 325, 10.230024, 20e6, 10e6, 30769.23},
	} {
		test := measure(c.vb, c.plus, c.minus, c.ro, math.Inf(1))
		near(t, "V1", test.MinusVolts, c.v1, 1e-6)
		near(t, "V2", test.PlusVolts, c.v2, 1e-6)
		near(t, "loaded", test.LoadedVolts, c.loaded, 1e-6)
		test.MinusVolts, test.PlusVolts, test.LoadedVolts = c.v1, c.v2, c.loaded
		r, err := test.Evaluate()
		if err != nil {
			t.Fatal(err)
		}
		near(t, "UN R100", r.UNR100.Ohms/c.weaker, 1, 1e-7)
		near(t, "FMVSS 305", r.FMVSS.Ohms/c.weaker, 1, 1e-7)
		near(t, "one step", r.OneStep.Ohms/c.parallel, 1, 1e-7)
		near(t, "parallel", r.Parallel/c.parallel, 1, 1e-6)
		near(t, "ohm per volt", r.OhmsPerVolt/c.perVolt, 1, 1e-6)
		if r.UNR100.Quantity != insulation.WeakerPole || r.FMVSS.Quantity != insulation.WeakerPole || r.OneStep.Quantity != insulation.Parallel {
			t.Error("a form does not say which quantity it returns")
		}
		if (r.Meets500 == insulation.Met) != (c.perVolt >= 500) || (r.Meets100 == insulation.Met) != (c.perVolt >= 100) {
			t.Errorf("%v ohm/V: 100 %v, 500 %v", c.perVolt, r.Meets100, r.Meets500)
		}
		if r.TooHigh != (c.weaker == 20e6) {
			t.Errorf("%v ohm: too high for the method %v", c.weaker, r.TooHigh)
		}
		if r.MeterLoads || len(r.Steps) < 5 {
			t.Errorf("loading %v, steps %q", r.MeterLoads, r.Steps)
		}
	}
}

// One 10 Mohm meter moved from pole to pole, solved by hand from the circuit.
func TestPublishedVoltmeterFormsUnderMeterLoading(t *testing.T) {
	test := measure(400, 1e6, 3e6, 200e3, 10e6)
	near(t, "V1", test.MinusVolts, 279.069767, 1e-6)
	near(t, "V2", test.PlusVolts, 93.023256, 1e-6)
	near(t, "V1'", test.LoadedVolts, 62.176166, 1e-6)
	r, err := test.Evaluate()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "FMVSS 305 is too low", r.FMVSS.Ohms, 930232.558, 1e-3)
	near(t, "UN R100 is not", r.UNR100.Ohms, 1e6, 1e-3)
	if !r.MeterLoads || len(r.Remarks) == 0 {
		t.Error("the meter's loading was not detected")
	}
	high, err := measure(400, 20e6, 40e6, 200e3, 10e6).Evaluate()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "FMVSS 305 at 20 Mohm", high.FMVSS.Ohms, 8571428.6, .1)
	near(t, "UN R100 at 20 Mohm", high.UNR100.Ohms, 20e6, 1e-2)
}

func TestVoltmeterTakesTheMeterOutOfTheAnswer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		plus := math.Pow(10, rapid.Float64Range(4.5, 7).Draw(t, "plus"))
		minus := math.Pow(10, rapid.Float64Range(4.5, 7).Draw(t, "minus"))
		test := measure(400, plus, minus, 200e3, 10e6)
		test.MeterOhms = 10e6
		if rapid.Bool().Draw(t, "bus not measured") {
			test.BusVolts = nan
		}
		r, err := test.Evaluate()
		if err != nil {
			t.Fatal(err)
		}
		if weaker := min(plus, minus); math.Abs(r.WeakerPole/weaker-1) > 1e-6 {
			t.Fatalf("weaker pole %v, want %v", r.WeakerPole, weaker)
		}
		if parallel := plus * minus / (plus + minus); math.Abs(r.Parallel/parallel-1) > 1e-6 {
			t.Fatalf("parallel %v, want %v", r.Parallel, parallel)
		}
	})
}

// The propagated uncertainty against the scatter of a large sample drawn with
// the same independent errors (GUM supplement 1, propagation of distributions).
func TestVoltmeterUncertaintyAgreesWithPropagatedDistributions(t *testing.T) {
	base := measure(400, 1e6, 3e6, 200e3, math.Inf(1))
	r, err := base.Evaluate()
	if err != nil {
		t.Fatal(err)
	}
	random := newNormals(1)
	var sum, square float64
	const draws = 20000
	for range draws {
		x := base
		for _, v := range []*float64{&x.BusVolts, &x.MinusVolts, &x.LoadedVolts} {
			*v += random() * math.Hypot(.005**v, .05)
		}
		x.ResistorOhms *= 1 + .005*random()
		y := math.Log(x.ResistorOhms * x.BusVolts * (1/x.LoadedVolts - 1/x.MinusVolts))
		sum, square = sum+y, square+y*y
	}
	sd := math.Sqrt(square/draws - sum/draws*sum/draws)
	near(t, "uncertainty", r.LogUncertainty/sd, 1, .03)
}

func TestVoltmeterTreatsAVanishedVoltageAsABound(t *testing.T) {
	test := measure(400, 1e6, 3e6, 200e3, math.Inf(1))
	test.LoadedVolts = 0
	r, err := test.Evaluate()
	if err != nil {
		t.Fatal(err)
	}
	if r.Relation != insulation.Above || !r.TooHigh || r.Meets500 != insulation.Met || !math.IsInf(r.Interval95.High, 1) {
		t.Errorf("%+v", r)
	}
}

func TestVoltmeterNamesImpossibleVoltages(t *testing.T) {
	for field, change := range map[string]func(*insulation.VoltmeterTest){
		"loaded_volts":       func(v *insulation.VoltmeterTest) { v.LoadedVolts = 300 },
		"loaded_volts -1":    func(v *insulation.VoltmeterTest) { v.LoadedVolts = -1 },
		"loaded_volts NaN":   func(v *insulation.VoltmeterTest) { v.LoadedVolts = nan },
		"minus_volts":        func(v *insulation.VoltmeterTest) { v.MinusVolts = -300 },
		"plus_volts NaN":     func(v *insulation.VoltmeterTest) { v.PlusVolts = nan },
		"resistor_ohms 0":    func(v *insulation.VoltmeterTest) { v.ResistorOhms = 0 },
		"bus_volts":          func(v *insulation.VoltmeterTest) { v.BusVolts = 200 },
		"meter_ohms":         func(v *insulation.VoltmeterTest) { v.MeterOhms = -1 },
		"volts_relative":     func(v *insulation.VoltmeterTest) { v.VoltsRelative = 2 },
		"working_volts +Inf": func(v *insulation.VoltmeterTest) { v.WorkingVolts = math.Inf(1) },
	} {
		test := measure(400, 1e6, 3e6, 200e3, math.Inf(1))
		change(&test)
		if _, err := test.Evaluate(); err == nil || !strings.Contains(err.Error(), field) || !strings.Contains(err.Error(), "allowed is") {
			t.Errorf("%s: %v", field, err)
		}
	}
}

// IEEE 43: PI of at least 1.5 for class A, 2.0 for B, F and H; void above 5000 Mohm.
func TestPublishedPolarizationIndexMinimums(t *testing.T) {
	run := func(one, ten float64, class insulation.ThermalClass) insulation.AbsorptionResult {
		r, err := insulation.AbsorptionRun{Class: class, TestVolts: 500, Readings: []insulation.TimedOhms{{600, ten, insulation.Equal}, {30, one / 1.3, insulation.Equal}, {60, one, insulation.Equal}}}.Evaluate()
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for _, c := range []struct {
		class insulation.ThermalClass
		pi    float64
		want  insulation.Verdict
	}{{insulation.ClassA, 1.5, insulation.Met}, {insulation.ClassA, 1.49, insulation.NotMet}, {insulation.ClassB, 2, insulation.Met}, {insulation.ClassF, 1.9, insulation.NotMet}, {insulation.ClassH, 2.1, insulation.Met}, {0, 3, insulation.NotApplicable}} {
		r := run(100e6, c.pi*100e6, c.class)
		near(t, "DAR", r.DAR.Value, 1.3, 1e-12)
		near(t, "PI", r.PI.Value, c.pi, 1e-12)
		if r.PIVerdict != c.want || r.Void || r.DAR.Band != "fair" {
			t.Errorf("class %v, PI %v: %v, void %v, DAR %s", c.class, c.pi, r.PIVerdict, r.Void, r.DAR.Band)
		}
	}
	if r := run(5001e6, 5002e6, insulation.ClassF); !r.Void || r.PIVerdict != insulation.NotApplicable {
		t.Errorf("above 5000 Mohm: %+v", r)
	}
	if r := run(100e6, 900e6, insulation.ClassF); len(r.Remarks) != 1 || !strings.Contains(r.Remarks[0], "brittle") {
		t.Errorf("PI 9: %q", r.Remarks)
	}
	near(t, "kV + 1", insulation.OtherWinding.MinimumOhms(600), 1.6e6, 1e-6)
	near(t, "form wound", insulation.FormWound.MinimumOhms(600), 100e6, 0)
	near(t, "random wound", insulation.RandomWound.MinimumOhms(600), 5e6, 0)
}

func TestAbsorptionOfAWholeBusIsInformationOnly(t *testing.T) {
	r, err := insulation.AbsorptionRun{WholeBus: true, Class: insulation.ClassF, Readings: []insulation.TimedOhms{{60, 1e6, insulation.Equal}, {600, 1.02e6, insulation.Equal}}}.Evaluate()
	if err != nil || !r.InformationOnly || r.PIVerdict != insulation.NotApplicable || r.PI.Band != "" {
		t.Errorf("%+v, %v", r, err)
	}
}

func TestAbsorptionRatiosOfBoundsAreBounds(t *testing.T) {
	r, err := insulation.AbsorptionRun{Class: insulation.ClassF, Readings: []insulation.TimedOhms{{30, 100e6, insulation.Equal}, {60, 200e6, insulation.Equal}, {600, 550e6, insulation.Above}}}.Evaluate()
	if err != nil || r.PI.Relation != insulation.Above || r.PIVerdict != insulation.Met {
		t.Errorf("%+v, %v", r, err)
	}
	r, err = insulation.AbsorptionRun{Class: insulation.ClassF, Readings: []insulation.TimedOhms{{60, 550e6, insulation.Above}, {600, 550e6, insulation.Above}}}.Evaluate()
	if err != nil || !math.IsNaN(r.PI.Value) || r.PIVerdict != insulation.NotApplicable {
		t.Errorf("two bounds: %+v, %v", r, err)
	}
}

func TestAbsorptionFitFindsWhatMadeTheRun(t *testing.T) {
	var readings []insulation.TimedOhms
	for _, s := range []float64{15, 30, 45, 60, 120, 180, 300, 600} {
		readings = append(readings, insulation.TimedOhms{Seconds: s, Ohms: 1 / (2e-7*math.Pow(s, -.8) + 5e-10), Relation: insulation.Equal})
	}
	r, err := insulation.AbsorptionRun{Readings: readings}.Evaluate()
	if err != nil || !r.Fit.Done {
		t.Fatalf("%+v, %v", r, err)
	}
	near(t, "A", r.Fit.Absorption/2e-7, 1, 1e-5)
	near(t, "n", r.Fit.Exponent, .8, 1e-6)
	near(t, "1/G", r.Fit.FinalOhms/2e9, 1, 1e-5)
	few, err := insulation.AbsorptionRun{Readings: readings[:4]}.Evaluate()
	if err != nil || few.Fit.Done || few.Fit.Why == "" {
		t.Errorf("four values: %+v, %v", few.Fit, err)
	}
}

// scipy 1.10.1: least_squares(lambda p: (exp(p[0])*t**-p[1]+exp(p[2]))*r-1, [log(1e-7), .8, log(1e-9)],
// xtol=1e-15, ftol=1e-15, gtol=1e-15) with t and r (made up) as here.
func TestPublishedAbsorptionFit(t *testing.T) {
	var readings []insulation.TimedOhms
	for i, s := range []float64{15, 30, 45, 60, 120, 180, 300, 600} {
		readings = append(readings, insulation.TimedOhms{Seconds: s, Ohms: []float64{61e6, 105e6, 140e6, 182e6, 300e6, 390e6, 540e6, 760e6}[i], Relation: insulation.Equal})
	}
	r, err := insulation.AbsorptionRun{Readings: readings}.Evaluate()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "A", r.Fit.Absorption/1.569963339623443e-07, 1, 1e-5)
	near(t, "n", r.Fit.Exponent, 0.843682753344639, 1e-6)
	near(t, "1/G", r.Fit.FinalOhms/1680632883.8029099, 1, 1e-5)
	near(t, "residual", r.Fit.RelativeError, 0.013526736152458108, 1e-9)
}

func TestAbsorptionNamesBadInput(t *testing.T) {
	for says, run := range map[string]insulation.AbsorptionRun{
		"readings":                    {},
		"readings[0].seconds -5":      {Readings: []insulation.TimedOhms{{-5, 1e6, insulation.Equal}}},
		"readings[0].resistance_ohms": {Readings: []insulation.TimedOhms{{60, nan, insulation.Equal}}},
		"readings[0].relation":        {Readings: []insulation.TimedOhms{{60, 1e6, 0}}},
		"given twice":                 {Readings: []insulation.TimedOhms{{60, 1e6, insulation.Equal}, {60, 2e6, insulation.Equal}}},
		"class 9":                     {Class: 9, Readings: []insulation.TimedOhms{{60, 1e6, insulation.Equal}}},
	} {
		if _, err := run.Evaluate(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v", says, err)
		}
	}
}

// GUM 5.1 with IEC 61557-2's 30 % and an IEC 61557-8 monitor's 15 %, worked by hand.
func TestPublishedUncertaintiesInLogarithms(t *testing.T) {
	near(t, "30 %", insulation.LogUncertainty(.30), .1732, 5e-5)
	near(t, "15 %", insulation.LogUncertainty(.15), .0866, 5e-5)
	u := insulation.CombineUncertainties(insulation.LogUncertainty(.30), insulation.LogUncertaintyOfTemperature(2))
	near(t, "with 2 C", u, .19080, 5e-6)
	near(t, "k = 2", insulation.CoverageFactor(u, 2), 1.4646, 5e-5)
	near(t, "in decades", insulation.LogUncertainty(.30)/insulation.Decade, .07522, 5e-6)
}

// UN R94 annex and GTR 20 (from memory), worked by hand; R C ln(V/60).
func TestPublishedEnergyAndDischargeTime(t *testing.T) {
	near(t, "1 mF at 400 V", insulation.StoredEnergy(1e-3, 400), 78.2, 1e-9)
	near(t, "1 uF at 300 V", insulation.StoredEnergy(1e-6, 300), .0432, 1e-9)
	near(t, "0.2 J in 1 mF", insulation.StoredEnergy(1e-3, 63.2456), .2, 1e-5)
	near(t, "400 V", insulation.LargestCapacitance(.2, 400), 2.5575e-6, 5e-11)
	near(t, "800 V", insulation.LargestCapacitance(.2, 800), .62854e-6, 5e-12)
	for _, c := range []struct{ ohms, volts, want float64 }{{100e3, 400, 189.71}, {30e3, 400, 56.91}, {100e3, 800, 259.03}, {100e3, 50, 0}} {
		got, err := insulation.DischargeSeconds(c.ohms, 1e-3, c.volts)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "discharge", got, c.want, 5e-3)
	}
	if _, err := insulation.DischargeSeconds(0, 1, 1); err == nil {
		t.Error("no resistance and no error")
	}
}

// SAE J2012 / ISO 15031-6 for the text, ISO 14229-1 for the third byte.
func TestPublishedTroubleCodes(t *testing.T) {
	for text, want := range map[string]string{"C112h": "U0112", "0A80": "P0A80", "P0AA6": "P0AA6", " p0aa6 ": "P0AA6", "0AA600": "P0AA6-00", "P0AA7-49": "P0AA7-49", "0aa749": "P0AA7-49", "P0AA600": "P0AA6-00", "B1234": "B1234", "B123": "B3123", "U3FFF": "U3FFF"} {
		got, err := insulation.ParseTroubleCode(text)
		if err != nil || got.String() != want {
			t.Errorf("%q: %v, %v; want %s", text, got, err, want)
		}
	}
	for _, text := range []string{"", "P", "P4AA6", "P0AAG", "X0AA6", "0A", "0AA60000", "P0AA6-0"} {
		if got, err := insulation.ParseTroubleCode(text); err == nil || !strings.Contains(err.Error(), "allowed is") {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	for code, want := range map[string][2]bool{"P0AA6": {true, false}, "P0DAA": {true, false}, "P0AA7": {false, true}, "P0AA8": {false, true}, "P0AA9": {false, true}, "P0AAA": {false, true}, "P0AAB": {false, true}, "P0AA1": {}, "P0A0A": {}, "U0112": {}} {
		got, err := insulation.ParseTroubleCode(code)
		if err != nil || got.IsolationFault() != want[0] || got.MonitorDefect() != want[1] {
			t.Errorf("%s: isolation %v, monitor %v, %v", code, got.IsolationFault(), got.MonitorDefect(), err)
		}
	}
}

// ISO 14229-1 status byte.
func TestPublishedTroubleStatus(t *testing.T) {
	for status, want := range map[insulation.TroubleStatus]string{
		0xAF: "failed now, failed this cycle, pending, confirmed, failed since cleared, warning lamp requested",
		0x2F: "failed now, failed this cycle, pending, confirmed, failed since cleared",
		0x2C: "pending, confirmed, failed since cleared",
		0x28: "confirmed, failed since cleared",
		0x50: "not completed since cleared, not completed this cycle",
	} {
		if status.String() != want {
			t.Errorf("%#x: %s", byte(status), status)
		}
	}
	if s := insulation.TroubleStatus(0x28); !s.Has(insulation.Confirmed) || s.Has(insulation.TestFailed) {
		t.Error("28h is stored and not present")
	}
}

func FuzzParseTroubleCode(f *testing.F) {
	for _, s := range []string{"P0AA6", "0AA600", "C112h", "B123", "U3FFF-7F", "P-0AA6", "ÿ0AA6"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		code, err := insulation.ParseTroubleCode(s)
		if err != nil {
			return
		}
		again, err := insulation.ParseTroubleCode(code.String())
		if err != nil || again != code {
			t.Fatalf("%q read as %v, again as %v, %v", s, code, again, err)
		}
	})
}
