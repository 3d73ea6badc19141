// Package bench answers the technician's own questions by computation at once:
// what to test, what a visit says, and what a timed test, the voltmeter method
// or a series of disconnections come to. It advises; it never declares a
// vehicle safe.
package bench

import (
	"context"
	"errors"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/benchwork"
	"creepage/internal/caller"
	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// Service is the contract's BenchService.
type Service struct {
	creepagev1.UnimplementedBenchServiceServer
	store  *store.Store
	models *store.Models
	now    func() time.Time
}

// New makes the service. The models draw the tracks of a visit's record.
func New(db *store.Store, models *store.Models, now func() time.Time) *Service {
	return &Service{store: db, models: models, now: now}
}

// as runs f as the caller's organisation.
func (s *Service) as(ctx context.Context, f func(c caller.Caller, tx *store.Tx) error) error {
	c, ok := caller.From(ctx)
	if !ok {
		return problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	return s.store.AsOrganisation(ctx, c.Organisation, func(tx *store.Tx) error { return f(c, tx) })
}

// platform finds the platform of a request as it holds now, by its own name or
// by a vehicle's.
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
		v, err := vehicleOf(ctx, tx, name)
		if err != nil {
			return nil, err
		}
		id = v.Platform
	}
	found, err := platformAt(ctx, tx, id, s.now())
	if err == nil && found == nil {
		err = problem.NotFound(wire.Platforms.Name(id))
	}
	return found, err
}

// vehicleOf finds a vehicle by its id.
func vehicleOf(ctx context.Context, tx *store.Tx, id string) (store.Vehicle, error) {
	v, err := tx.Vehicle(ctx, id)
	if errors.Is(err, store.ErrNotFound) {
		err = problem.NotFound(wire.Vehicles.Name(id)).Because(err)
	}
	return v, err
}

// platformAt returns a platform as it held at a time, as its first version
// where that is later; nil if there is none.
func platformAt(ctx context.Context, tx *store.Tx, id string, at time.Time) (*insulation.Platform, error) {
	versions, err := tx.PlatformVersions(ctx)
	if err != nil {
		return nil, err
	}
	var found *insulation.Platform
	for i := range versions { // oldest first
		if v := &versions[i]; v.ID == id && (found == nil || !v.ValidFrom.After(at)) {
			found = v
		}
	}
	return found, nil
}

// MakeTestPlan returns what to test on a platform's vehicles, in order.
func (s *Service) MakeTestPlan(ctx context.Context, req *creepagev1.MakeTestPlanRequest) (*creepagev1.TestPlan, error) {
	var p *insulation.Platform
	err := s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		p, err = s.platform(ctx, tx, req.GetPlatform(), req.GetVehicle())
		return err
	})
	if err != nil {
		return nil, err
	}
	return benchwork.PlanMessage(p), nil
}

// ComputeAbsorption forms the ratios of a timed test and fits its currents.
func (s *Service) ComputeAbsorption(_ context.Context, req *creepagev1.ComputeAbsorptionRequest) (*creepagev1.Absorption, error) {
	return benchwork.Absorption(req)
}

// ComputeVoltmeter works the live voltmeter method out.
func (s *Service) ComputeVoltmeter(_ context.Context, req *creepagev1.ComputeVoltmeterRequest) (*creepagev1.VoltmeterResult, error) {
	return benchwork.Voltmeter(req)
}

// LocateLeak says which component leaks, from readings with some disconnected.
func (s *Service) LocateLeak(_ context.Context, req *creepagev1.LocateLeakRequest) (*creepagev1.LeakLocation, error) {
	return benchwork.Locate(req)
}
