package benchwork

import (
	"math"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/wire"
)

// unloadedShare: where the pole voltages add up to this share of the bus
// voltage or more, a meter whose resistance is not stated is taken as none;
// below it, as one of UN R100's least resistance.
const unloadedShare = 0.995

// Voltmeter works the live voltmeter method out.
func Voltmeter(req *creepagev1.ComputeVoltmeterRequest) (*creepagev1.VoltmeterResult, error) {
	t := insulation.VoltmeterTest{BusVolts: req.GetBusVolts(), MinusVolts: req.GetMinusVolts(), PlusVolts: req.GetPlusVolts(), LoadedVolts: req.GetLoadedVolts(),
		ResistorOhms: req.GetResistorOhms(), MeterOhms: math.NaN(), WorkingVolts: orNaN(req.WorkingVolts),
		VoltsRelative: orNaN(req.VoltsUncertainty), VoltsAbsolute: math.NaN(), ResistorRelative: 0.01}
	if req.BusVolts == 0 {
		t.BusVolts = math.NaN()
	}
	if math.IsNaN(t.WorkingVolts) {
		t.WorkingVolts = t.BusVolts
	}
	switch sum := t.MinusVolts + t.PlusVolts; {
	case req.MeterOhms != nil:
		t.MeterOhms = req.GetMeterOhms()
	case math.IsNaN(t.BusVolts) || sum < unloadedShare*t.BusVolts:
		t.MeterOhms = insulation.LeastMeterOhms
	}
	if req.ResistorUncertainty != nil {
		t.ResistorRelative = req.GetResistorUncertainty()
	}
	r, err := t.Evaluate()
	if err != nil {
		return nil, asFields(err, map[string]string{"volts_relative": "volts_uncertainty", "resistor_relative": "resistor_uncertainty"})
	}
	form := r.UNR100
	switch req.GetForm() {
	case creepagev1.ComputeVoltmeterRequest_TWO_VOLTAGES:
		form = r.FMVSS
	case creepagev1.ComputeVoltmeterRequest_ONE_STEP:
		form = r.OneStep
	}
	m := &creepagev1.VoltmeterResult{ResistanceOhms: finite(form.Ohms), Relation: creepagev1.Reading_Relation(r.Relation), Quantity: creepagev1.Reading_Quantity(form.Quantity),
		Interval: interval(r.Interval95), OhmsPerVolt: finite(r.OhmsPerVolt), Meets_100: r.Meets100 == insulation.Met, Meets_500: r.Meets500 == insulation.Met,
		Against_100: creepagev1.Assessment_ServiceLimit(r.Meets100), Against_500: creepagev1.Assessment_ServiceLimit(r.Meets500), WeakerPole: creepagev1.Reading_Conductor(r.WeakPole),
		ParallelOhms: finite(r.Parallel), WeakerPoleOhms: finite(r.WeakerPole), MeterLoading: r.MeterLoads}
	if r.TooHigh {
		m.Notes = append(m.Notes, &creepagev1.Note{Code: "too_high", Text: "too high for this method: use an insulation tester"})
	}
	for _, remark := range r.Remarks {
		m.Notes = append(m.Notes, &creepagev1.Note{Code: "remark", Text: remark})
	}
	m.Steps = append(m.Steps, &creepagev1.Step{Text: form.Step, Value: wire.Optional(finite(form.Ohms)), Unit: "ohm"})
	for _, step := range r.Steps {
		if step != form.Step {
			m.Steps = append(m.Steps, &creepagev1.Step{Text: step})
		}
	}
	return m, nil
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

// finite is 0 for what is no finite number.
func finite(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}

// interval returns nil where an end is not known.
func interval(v insulation.Interval) *creepagev1.Interval {
	if math.IsNaN(v.Low) || math.IsNaN(v.High) || math.IsInf(v.High, 0) {
		return nil
	}
	return &creepagev1.Interval{LowOhms: v.Low, HighOhms: v.High}
}
