package bench

import (
	"context"
	"slices"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/benchwork"
	"creepage/internal/caller"
	"creepage/internal/filter"
	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// mostVisitReadings is how many readings of a stored visit are assessed.
const mostVisitReadings = 200

// AssessVisit assesses readings of one occasion together: those of the request,
// or a stored visit's.
func (s *Service) AssessVisit(ctx context.Context, req *creepagev1.AssessVisitRequest) (*creepagev1.VisitAssessment, error) {
	stored := req.GetVehicle() != "" || req.GetVisit() != ""
	if stored == (len(req.GetReadings()) > 0) {
		return nil, problem.InvalidField("readings", "either readings, or vehicle and visit, are needed")
	}
	readings, err := benchwork.SentReadings(req.GetReadings(), s.now())
	if err != nil {
		return nil, err
	}
	var p *insulation.Platform
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) (err error) {
		if !stored {
			p, err = s.sentPlatform(ctx, tx, req)
			return err
		}
		v, err := findVisit(ctx, tx, c, req.GetVehicle(), req.GetVisit())
		if err != nil {
			return err
		}
		readings = v.readings
		if req.GetPlatform() != "" {
			p, err = s.platform(ctx, tx, req.GetPlatform(), "")
		} else {
			p, err = v.platform(ctx, tx)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return benchwork.Assess(readings, p, s.now())
}

// sentPlatform finds the platform of readings sent along: the one named, else
// that of the first reading; nil if none is named at all.
func (s *Service) sentPlatform(ctx context.Context, tx *store.Tx, req *creepagev1.AssessVisitRequest) (*insulation.Platform, error) {
	switch {
	case req.GetPlatform() != "":
		return s.platform(ctx, tx, req.GetPlatform(), "")
	case req.GetReadings()[0].GetPlatform() != "":
		return s.platform(ctx, tx, req.GetReadings()[0].GetPlatform(), "")
	}
	return nil, nil
}

// storedVisit is a visit as it is kept.
type storedVisit struct {
	vehicle  store.Vehicle
	readings []insulation.Reading // those that stand, oldest first
	voided   []benchwork.VoidedReading
}

// findVisit reads a visit. A shop's key finds its own shop's readings alone.
func findVisit(ctx context.Context, tx *store.Tx, c caller.Caller, vehicle, visit string) (*storedVisit, error) {
	id, err := wire.Vehicles.ID(vehicle)
	if err != nil {
		return nil, problem.InvalidField("vehicle", "%v", err)
	}
	if visit == "" {
		return nil, problem.InvalidField("visit", "is missing")
	}
	v := &storedVisit{}
	if v.vehicle, err = vehicleOf(ctx, tx, id); err != nil {
		return nil, err
	}
	where := &filter.Expression{Op: filter.Equal, Field: "visit", Value: visit}
	kept, err := tx.ReadingsOf(ctx, v.vehicle.Key, where, store.TimeCursor{}, mostVisitReadings+1)
	if err != nil {
		return nil, err
	}
	if len(kept) > mostVisitReadings {
		return nil, problem.InvalidField("visit", "%q has more than %d readings; that is no one occasion", visit, mostVisitReadings)
	}
	slices.Reverse(kept) // oldest first
	for i := range kept {
		switch r := &kept[i]; {
		case !c.MaySubmitFor(r.Shop):
		case r.VoidReason != "":
			v.voided = append(v.voided, benchwork.VoidedReading{ID: r.ID, Reason: r.VoidReason})
		default:
			v.readings = append(v.readings, r.Reading)
		}
	}
	if len(v.readings) == 0 {
		return nil, problem.NotFound(vehicle + " visit " + visit)
	}
	return v, nil
}

// platform returns the visit's platform as it held at the visit.
func (v *storedVisit) platform(ctx context.Context, tx *store.Tx) (*insulation.Platform, error) {
	return platformAt(ctx, tx, v.vehicle.Platform, v.end())
}

// end is the time of the visit's last reading.
func (v *storedVisit) end() time.Time { return v.readings[len(v.readings)-1].MeasuredAt }
