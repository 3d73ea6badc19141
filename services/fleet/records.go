package fleet

import (
	"context"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/insulation"
	"creepage/internal/page"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// everyVehicle as the parent of a list means all of the organisation's (AIP-159).
const everyVehicle = "vehicles/-"

// ListReadings lists a vehicle's readings with what was said of them, newest
// first; under vehicles/- those of every vehicle, such as all of one meter.
func (s *Service) ListReadings(ctx context.Context, req *creepagev1.ListReadingsRequest) (*creepagev1.ListReadingsResponse, error) {
	where, err := store.ReadingFields().Parse(req.GetFilter())
	if err != nil {
		return nil, err
	}
	var rows []store.Reading
	q, err := s.ofVehicle(ctx, req, req.GetParent(), true, func(tx *store.Tx, v *store.Vehicle, after store.TimeCursor, limit int) (err error) {
		rows, err = tx.ReadingsOf(ctx, v.Key, where, after, limit)
		return err
	})
	if err != nil {
		return nil, err
	}
	rows, token, err := page.Cut(q, rows, func(r *store.Reading) store.TimeCursor { return store.TimeCursor{At: r.MeasuredAt, ID: r.ID} })
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListReadingsResponse{NextPageToken: token}
	for i := range rows {
		m, err := assessedMessage(&rows[i])
		if err != nil {
			return nil, err
		}
		resp.Readings = append(resp.Readings, m)
	}
	return resp, nil
}

// ofVehicle runs a list over one vehicle's records, or where every says so over
// those of all of them.
func (s *Service) ofVehicle(ctx context.Context, req page.Request, parent string, every bool, list func(tx *store.Tx, v *store.Vehicle, after store.TimeCursor, limit int) error) (*page.Query, error) {
	id, err := idOf("parent", wire.Vehicles, parent)
	if err != nil {
		return nil, err
	}
	q, err := s.query(ctx, req)
	if err != nil {
		return nil, err
	}
	var after store.TimeCursor
	if _, err := q.After(&after); err != nil {
		return nil, err
	}
	return q, s.as(ctx, func(_ caller.Caller, tx *store.Tx) error {
		if parent == everyVehicle && every {
			return list(tx, &store.Vehicle{}, after, q.Size+1)
		}
		v, err := tx.Vehicle(ctx, id)
		if err != nil {
			return notFound(err, parent)
		}
		return list(tx, &v, after, q.Size+1)
	})
}

// CreateRepair records what was done. The vehicle's tracks are computed anew
// from its day on. The same request_id, or the very same repair, is recorded once.
func (s *Service) CreateRepair(ctx context.Context, req *creepagev1.CreateRepairRequest) (*creepagev1.Repair, error) {
	id, err := idOf("parent", wire.Vehicles, req.GetParent())
	if err != nil {
		return nil, err
	}
	event, err := wire.Repair(req.GetRepair(), id, s.now())
	if err != nil {
		return nil, under("repair", err)
	}
	var row store.Repair
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		v, err := tx.Vehicle(ctx, id)
		if err != nil {
			return notFound(err, req.GetParent())
		}
		event.Vehicle = v.Name
		var made bool
		row, made, err = tx.CreateRepair(ctx, v.Key, store.NewRepair{Event: event, Note: req.GetRepair().GetNote(), RequestID: req.GetRequestId(), At: s.now()})
		if err != nil || !made {
			return err
		}
		return s.audit(ctx, tx, c, "CreateRepair", repairName(v.Name, &row), "")
	})
	if err != nil {
		return nil, err
	}
	return repairMessage(event.Vehicle, &row), nil
}

// ListRepairs lists what was done to a vehicle, newest first.
func (s *Service) ListRepairs(ctx context.Context, req *creepagev1.ListRepairsRequest) (*creepagev1.ListRepairsResponse, error) {
	var (
		rows    []store.Repair
		vehicle string
	)
	q, err := s.ofVehicle(ctx, req, req.GetParent(), false, func(tx *store.Tx, v *store.Vehicle, after store.TimeCursor, limit int) (err error) {
		vehicle = v.Name
		rows, err = tx.Repairs(ctx, v.Key, after, limit)
		return err
	})
	if err != nil {
		return nil, err
	}
	rows, token, err := page.Cut(q, rows, func(r *store.Repair) store.TimeCursor { return store.TimeCursor{At: r.OccurredAt, ID: r.ID.String()} })
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListRepairsResponse{NextPageToken: token}
	for i := range rows {
		resp.Repairs = append(resp.Repairs, repairMessage(vehicle, &rows[i]))
	}
	return resp, nil
}

// ListCodes lists trouble codes seen on a vehicle, newest first.
func (s *Service) ListCodes(ctx context.Context, req *creepagev1.ListCodesRequest) (*creepagev1.ListCodesResponse, error) {
	var rows []insulation.Code
	q, err := s.ofVehicle(ctx, req, req.GetParent(), false, func(tx *store.Tx, v *store.Vehicle, after store.TimeCursor, limit int) (err error) {
		rows, err = tx.Codes(ctx, v.Key, after, limit)
		return err
	})
	if err != nil {
		return nil, err
	}
	rows, token, err := page.Cut(q, rows, func(c *insulation.Code) store.TimeCursor { return store.TimeCursor{At: c.SetAt, ID: c.Code} })
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListCodesResponse{NextPageToken: token}
	for i := range rows {
		resp.Codes = append(resp.Codes, wire.CodeMessage(&rows[i]))
	}
	return resp, nil
}
