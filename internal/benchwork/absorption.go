package benchwork

import (
	"fmt"
	"math"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/wire"
)

// Absorption forms the ratios of a timed test and fits its currents.
func Absorption(req *creepagev1.ComputeAbsorptionRequest) (*creepagev1.Absorption, error) {
	if req.TestVolts != nil && req.GetTestVolts() == 0 {
		return nil, problem.InvalidField("test_volts", "0: allowed is %v to %v V, or nothing", insulation.MinTestVolts, insulation.MaxTestVolts)
	}
	run := insulation.AbsorptionRun{Class: insulation.ThermalClass(req.GetThermalClass()), WholeBus: req.GetComponent() == creepagev1.Reading_SYSTEM, TestVolts: orNaN(req.TestVolts)}
	for _, r := range req.GetReadings() {
		run.Readings = append(run.Readings, insulation.TimedOhms{Seconds: r.GetSeconds(), Ohms: r.GetResistanceOhms(), Relation: relationOf(r.GetRelation())})
	}
	r, err := run.Evaluate()
	if err != nil {
		return nil, err
	}
	steps := ratioSteps(&r)
	m := &creepagev1.Absorption{Steps: steps, AbsorptionRatio: wire.Optional(r.DAR.Value), PolarisationIndex: wire.Optional(r.PI.Value), InformationOnly: r.InformationOnly,
		Verdict: indexVerdict(&r)}
	if f := r.Fit; f.Done {
		m.AbsorptionExponent = &f.Exponent
		if !math.IsInf(f.FinalOhms, 0) {
			m.ConductionOhms = &f.FinalOhms
		}
		if volts := run.TestVolts; !math.IsNaN(volts) {
			absorption, conduction := f.Absorption*volts, f.Conduction*volts
			m.AbsorptionAmpere, m.ConductionAmpere = &absorption, &conduction
		}
		m.Steps = append(m.Steps, &creepagev1.Step{Text: fmt.Sprintf("current over voltage fitted as A t^-n + G (IEEE 43), residuals %.1f %%", 100*f.RelativeError)})
	} else if f.Why != "" {
		m.Steps = append(m.Steps, &creepagev1.Step{Text: "no fit of the currents: " + f.Why})
	}
	for _, remark := range r.Remarks {
		m.Steps = append(m.Steps, &creepagev1.Step{Text: remark})
	}
	return m, nil
}

// ratioSteps is how the two ratios come about.
func ratioSteps(r *insulation.AbsorptionResult) []*creepagev1.Step {
	var steps []*creepagev1.Step
	for _, one := range []struct {
		name  string
		ratio insulation.Ratio
		needs string
	}{{"absorption ratio", r.DAR, "30 s and 60 s"}, {"polarisation index", r.PI, "60 s and 600 s"}} {
		text := one.name + ": needs values at " + one.needs
		if one.ratio.Step != "" {
			text = one.name + ": " + one.ratio.Step
		}
		if one.ratio.Band != "" {
			text += "; customary word: " + one.ratio.Band + " (common practice, no source)"
		}
		steps = append(steps, &creepagev1.Step{Text: text, Value: wire.Optional(one.ratio.Value)})
	}
	return steps
}

// relationOf is a message's relation; left out it is EQUAL.
func relationOf(r creepagev1.Reading_Relation) insulation.Relation {
	if r == creepagev1.Reading_RELATION_UNSPECIFIED {
		return insulation.Equal
	}
	return insulation.Relation(r)
}

// indexVerdict says what the polarisation index comes to in a sentence.
func indexVerdict(r *insulation.AbsorptionResult) string {
	index := fmt.Sprintf("%.2f", r.PI.Value)
	if r.PI.Relation != insulation.Equal {
		index = r.PI.Relation.String() + index
	}
	switch {
	case r.InformationOnly:
		return "information only: the ratios of a whole bus say nothing of its health"
	case math.IsNaN(r.PI.Value):
		return "no polarisation index: it needs values at 60 s and 600 s"
	case r.Void:
		return "the index may mean nothing: the one-minute value is above 5000 MΩ (IEEE 43)"
	case math.IsNaN(r.MinimumPI):
		return fmt.Sprintf("polarisation index %s; the least is 1.5 for class A, 2.0 for B, F and H (IEEE 43)", index)
	}
	return fmt.Sprintf("polarisation index %s against at least %.1f (IEEE 43): %s", index, r.MinimumPI, r.PIVerdict.Words())
}
