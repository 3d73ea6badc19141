package benchwork

import (
	"math"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/wire"
)

// Voltmeter works the live voltmeter method out.
func Voltmeter(req *creepagev1.ComputeVoltmeterRequest) (*creepagev1.VoltmeterResult, error) {
	t := insulation.VoltmeterTest{BusVolts: req.GetBusVolts(), MinusVolts: req.GetMinusVolts(), PlusVolts: req.GetPlusVolts(), LoadedVolts: req.GetLoadedVolts(),
		ResistorOhms: req.GetResistorOhms(), MeterOhms: insulation.LeastMeterOhms, WorkingVolts: orNaN(req.WorkingVolts),
		VoltsRelative: orNaN(req.VoltsUncertainty), VoltsAbsolute: math.NaN(), ResistorRelative: 0.01}
	if req.BusVolts == 0 {
		t.BusVolts = math.NaN()
	}
	if math.IsNaN(t.WorkingVolts) {
		t.WorkingVolts = t.BusVolts
	}
	if req.MeterOhms != nil {
		t.MeterOhms = req.GetMeterOhms()
	}
	if req.ResistorUncertainty != nil {
		t.ResistorRelative = req.GetResistorUncertainty()
	}
	r, err := t.Evaluate()
	if err != nil {
		return nil, err
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
		ParallelOhms: finite(r.Parallel), WeakerPoleOhms: finite(r.WeakerPole), MeterLoading: r.MeterLoads}
	if r.TooHigh {
		m.Notes = append(m.Notes, &creepagev1.Note{Code: "too_high", Text: "too high for this method: use an insulation tester"})
	}
	for _, remark := range r.Remarks {
		m.Notes = append(m.Notes, &creepagev1.Note{Code: "remark", Text: remark})
	}
	m.Steps = append(m.Steps, &creepagev1.Step{Text: form.Step, Value: wire.Optional(finite(form.Ohms)), Unit: "ohm"})
	for _, step := range r.Steps {
		m.Steps = append(m.Steps, &creepagev1.Step{Text: step})
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
