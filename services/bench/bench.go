// Package bench answers the technician's own questions by computation at once:
// what to test, what a visit says, and what a timed test, the voltmeter method
// or a series of disconnections come to. It advises; it never declares a
// vehicle safe.
package bench

import (
	"context"
	"fmt"
	"math"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// Service is the contract's BenchService.
type Service struct {
	creepagev1.UnimplementedBenchServiceServer
	store *store.Store
	now   func() time.Time
}

// New makes the service.
func New(db *store.Store, now func() time.Time) *Service { return &Service{store: db, now: now} }

// as runs f as the caller's organisation.
func (s *Service) as(ctx context.Context, f func(tx *store.Tx) error) error {
	c, ok := caller.From(ctx)
	if !ok {
		return problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	return s.store.AsOrganisation(ctx, c.Organisation, f)
}

// platform finds the platform of a request, by its own name or by a vehicle's.
func (s *Service) platform(ctx context.Context, tx *store.Tx, platform, vehicle string) (*insulation.Platform, error) {
	if (platform == "") == (vehicle == "") {
		return nil, problem.InvalidField("platform", "exactly one of platform and vehicle is needed")
	}
	id, err := wire.Platforms.ID(platform)
	if platform != "" && err != nil {
		return nil, problem.InvalidField("platform", "%v", err)
	}
	if vehicle != "" {
		name, err := wire.Vehicles.ID(vehicle)
		if err != nil {
			return nil, problem.InvalidField("vehicle", "%v", err)
		}
		v, err := tx.Vehicle(ctx, name)
		if err != nil {
			return nil, err
		}
		id = v.Platform
	}
	versions, err := tx.PlatformVersions(ctx)
	if err != nil {
		return nil, err
	}
	var found *insulation.Platform
	for i := range versions { // oldest first
		if v := &versions[i]; v.ID == id && !v.ValidFrom.After(s.now()) {
			found = v
		}
	}
	if found == nil {
		return nil, problem.NotFound(wire.Platforms.Name(id))
	}
	return found, nil
}

// MakeTestPlan returns what to test on a platform's vehicles, in order.
func (s *Service) MakeTestPlan(ctx context.Context, req *creepagev1.MakeTestPlanRequest) (*creepagev1.TestPlan, error) {
	var p *insulation.Platform
	err := s.as(ctx, func(tx *store.Tx) (err error) {
		p, err = s.platform(ctx, tx, req.GetPlatform(), req.GetVehicle())
		return err
	})
	if err != nil {
		return nil, err
	}
	plan := insulation.Plan(p)
	m := &creepagev1.TestPlan{Platform: wire.Platforms.Name(p.ID), PlatformTitle: p.Title, MaxWorkingVolts: p.MaxWorkingVolts,
		Before: plan.Before, After: plan.After, Cautions: plan.Cautions}
	for _, t := range plan.Points {
		point := &creepagev1.PlannedPoint{Component: creepagev1.Reading_Component(t.Component), Conductor: creepagev1.Reading_Conductor(t.Conductor),
			Reference: creepagev1.Reading_Reference(t.Reference), TestVolts: t.TestVolts, HoldSeconds: t.HoldSeconds, Disconnect: t.Disconnect}
		if !math.IsNaN(t.LeastOhms) {
			point.LimitOhms = t.LeastOhms
		}
		m.Points = append(m.Points, point)
	}
	return m, nil
}

// ComputeAbsorption forms the ratios of a timed test and fits its currents.
func (s *Service) ComputeAbsorption(_ context.Context, req *creepagev1.ComputeAbsorptionRequest) (*creepagev1.Absorption, error) {
	run := insulation.AbsorptionRun{Class: insulation.ThermalClass(req.GetThermalClass()), WholeBus: req.GetComponent() == creepagev1.Reading_SYSTEM, TestVolts: orNaN(req.TestVolts)}
	for _, r := range req.GetReadings() {
		run.Readings = append(run.Readings, insulation.TimedOhms{Seconds: r.GetSeconds(), Ohms: r.GetResistanceOhms(), Relation: insulation.Equal})
	}
	r, err := run.Evaluate()
	if err != nil {
		return nil, err
	}
	m := &creepagev1.Absorption{AbsorptionRatio: wire.Optional(r.DAR.Value), PolarisationIndex: wire.Optional(r.PI.Value), InformationOnly: r.InformationOnly,
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

// indexVerdict says what the polarisation index comes to in a sentence.
func indexVerdict(r *insulation.AbsorptionResult) string {
	switch {
	case r.InformationOnly:
		return "information only: the ratios of a whole bus say nothing of its health"
	case math.IsNaN(r.PI.Value):
		return "no polarisation index: it needs values at 60 s and 600 s"
	case r.Void:
		return "the index may mean nothing: the one-minute value is above 5000 MΩ (IEEE 43)"
	case math.IsNaN(r.MinimumPI):
		return fmt.Sprintf("polarisation index %.2f; the least is 1.5 for class A, 2.0 for B, F and H (IEEE 43)", r.PI.Value)
	}
	return fmt.Sprintf("polarisation index %.2f against at least %.1f (IEEE 43): %s", r.PI.Value, r.MinimumPI, r.PIVerdict.Words())
}

// ComputeVoltmeter works the live voltmeter method out.
func (s *Service) ComputeVoltmeter(_ context.Context, req *creepagev1.ComputeVoltmeterRequest) (*creepagev1.VoltmeterResult, error) {
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
