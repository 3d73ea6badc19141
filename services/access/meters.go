package access

import (
	"context"
	"errors"
	"math"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// UpsertMeter states a meter and its range.
func (s *Service) UpsertMeter(ctx context.Context, req *creepagev1.UpsertMeterRequest) (*creepagev1.Meter, error) {
	id, err := wire.Meters.ID(req.GetMeter().GetName())
	if err != nil {
		return nil, problem.InvalidField("meter.name", "%v", err)
	}
	meter := store.Meter{ID: id, Title: req.GetMeter().GetTitle(), RangeOhms: math.NaN(), CreatedAt: s.now()}
	if req.GetMeter().RangeOhms != nil {
		meter.RangeOhms = req.GetMeter().GetRangeOhms()
		if !(meter.RangeOhms >= insulation.MinOhms && meter.RangeOhms <= insulation.MaxOhms) {
			return nil, problem.InvalidField("meter.range_ohms", "%g; allowed is %g to %g ohm, or nothing where it is not known", meter.RangeOhms, float64(insulation.MinOhms), float64(insulation.MaxOhms))
		}
	}
	return s.withMeter(ctx, "UpsertMeter", id, func(tx *store.Tx) error { return tx.UpsertMeter(ctx, meter) })
}

// RecordCalibration adds a calibration. The same one again changes nothing.
func (s *Service) RecordCalibration(ctx context.Context, req *creepagev1.RecordCalibrationRequest) (*creepagev1.Meter, error) {
	id, err := wire.Meters.ID(req.GetName())
	if err != nil {
		return nil, problem.InvalidField("name", "%v", err)
	}
	done, due := req.GetCalibration().GetCalibrateTime(), req.GetCalibration().GetDueTime()
	switch {
	case !done.IsValid():
		return nil, problem.InvalidField("calibration.calibrate_time", "an RFC 3339 time is needed")
	case done.AsTime().After(s.now().Add(24 * time.Hour)):
		return nil, problem.InvalidField("calibration.calibrate_time", "%s lies in the future", done.AsTime().Format(time.RFC3339))
	case due != nil && (!due.IsValid() || !due.AsTime().After(done.AsTime())):
		return nil, problem.InvalidField("calibration.due_time", "must lie after calibrate_time")
	}
	calibration := store.Calibration{At: done.AsTime(), Note: req.GetCalibration().GetNote()}
	if due != nil {
		calibration.DueAt = due.AsTime()
	}
	return s.withMeter(ctx, "RecordCalibration", id, func(tx *store.Tx) error { return tx.RecordCalibration(ctx, id, calibration, s.now()) })
}

// withMeter changes a meter and returns it as it then is.
func (s *Service) withMeter(ctx context.Context, action, id string, change func(*store.Tx) error) (*creepagev1.Meter, error) {
	var after store.Meter
	err := s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		if err := change(tx); err != nil {
			if errors.Is(err, store.ErrInvalid) {
				return problem.NotFound(wire.Meters.Name(id))
			}
			return err
		}
		if err := s.audit(ctx, tx, c, action, wire.Meters.Name(id), ""); err != nil {
			return err
		}
		var err error
		after, err = tx.Meter(ctx, id)
		return err
	})
	if err != nil {
		return nil, err
	}
	return meterMessage(&after), nil
}

// ListMeters lists meters by name.
func (s *Service) ListMeters(ctx context.Context, req *creepagev1.ListMetersRequest) (*creepagev1.ListMetersResponse, error) {
	rows, token, err := list(ctx, s, req, func(tx *store.Tx, after string, limit int) ([]store.Meter, error) {
		return tx.Meters(ctx, after, limit)
	}, func(m *store.Meter) string { return m.ID })
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListMetersResponse{NextPageToken: token}
	for i := range rows {
		resp.Meters = append(resp.Meters, meterMessage(&rows[i]))
	}
	return resp, nil
}

func meterMessage(v *store.Meter) *creepagev1.Meter {
	m := &creepagev1.Meter{Name: wire.Meters.Name(v.ID), Title: v.Title, RangeOhms: wire.Optional(v.RangeOhms), CreateTime: wire.Timestamp(v.CreatedAt)}
	for _, c := range v.Calibrations {
		m.Calibrations = append(m.Calibrations, &creepagev1.Calibration{CalibrateTime: wire.Timestamp(c.At), DueTime: wire.Timestamp(c.DueAt), Note: wire.Text(c.Note)})
	}
	return m
}
