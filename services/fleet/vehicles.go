package fleet

import (
	"context"
	"errors"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// ListVehicles lists vehicles by name.
func (s *Service) ListVehicles(ctx context.Context, req *creepagev1.ListVehiclesRequest) (*creepagev1.ListVehiclesResponse, error) {
	q, err := s.query(ctx, req)
	if err != nil {
		return nil, err
	}
	where, err := store.VehicleFields().Parse(req.GetFilter())
	if err != nil {
		return nil, err
	}
	var after string
	if _, err := q.After(&after); err != nil {
		return nil, err
	}
	var rows []store.Vehicle
	err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		rows, err = tx.Vehicles(ctx, where, after, q.Size+1)
		return err
	})
	if err != nil {
		return nil, err
	}
	rows, token, err := page.Cut(q, rows, func(v *store.Vehicle) string { return v.Name })
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListVehiclesResponse{NextPageToken: token}
	for i := range rows {
		resp.Vehicles = append(resp.Vehicles, vehicleMessage(&rows[i]))
	}
	return resp, nil
}

func vehicleMessage(v *store.Vehicle) *creepagev1.Vehicle {
	m := &creepagev1.Vehicle{Name: wire.Vehicles.Name(v.Name), Platform: wire.Platforms.Name(v.Platform), CreateTime: timestamppb.New(v.CreatedAt)}
	if v.LastShop != "" {
		shop := wire.Shops.Name(v.LastShop)
		m.LastShop = &shop
	}
	m.LastMeasureTime = wire.Timestamp(v.LastMeasuredAt)
	m.RetireTime = wire.Timestamp(v.RetiredAt)
	for _, alias := range v.Aliases {
		m.Aliases = append(m.Aliases, wire.Vehicles.Name(alias))
	}
	return m
}

// GetVehicle returns a vehicle under its name or a former one.
func (s *Service) GetVehicle(ctx context.Context, req *creepagev1.GetVehicleRequest) (*creepagev1.Vehicle, error) {
	return s.withVehicle(ctx, req.GetName(), func(caller.Caller, *store.Tx, *store.Vehicle) error { return nil })
}

// withVehicle runs change on a vehicle and returns the vehicle as it then is.
func (s *Service) withVehicle(ctx context.Context, name string, change func(caller.Caller, *store.Tx, *store.Vehicle) error) (*creepagev1.Vehicle, error) {
	id, err := idOf("name", wire.Vehicles, name)
	if err != nil {
		return nil, err
	}
	var after store.Vehicle
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		v, err := tx.Vehicle(ctx, id)
		if err != nil {
			return notFound(err, name)
		}
		if err := change(c, tx, &v); err != nil {
			return err
		}
		after, err = tx.VehicleByKey(ctx, v.Key)
		return err
	})
	if err != nil {
		return nil, err
	}
	return vehicleMessage(&after), nil
}

// RenameVehicle gives a vehicle another name; the old one leads to it.
func (s *Service) RenameVehicle(ctx context.Context, req *creepagev1.RenameVehicleRequest) (*creepagev1.Vehicle, error) {
	if err := wire.CheckID(req.GetNewVehicleId()); err != nil {
		return nil, problem.InvalidField("new_vehicle_id", "%v", err)
	}
	return s.withVehicle(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, v *store.Vehicle) error {
		if v.Name == req.GetNewVehicleId() {
			return nil
		}
		if err := tx.RenameVehicle(ctx, v.Key, req.GetNewVehicleId(), s.now()); err != nil {
			return notFound(taken(err, wire.Vehicles.Name(req.GetNewVehicleId())), req.GetName())
		}
		return s.audit(ctx, tx, c, "RenameVehicle", wire.Vehicles.Name(req.GetNewVehicleId()), "formerly "+wire.Vehicles.Name(v.Name))
	})
}

// MergeVehicles makes one vehicle's records another's.
func (s *Service) MergeVehicles(ctx context.Context, req *creepagev1.MergeVehiclesRequest) (*creepagev1.Vehicle, error) {
	into, err := idOf("into", wire.Vehicles, req.GetInto())
	if err != nil {
		return nil, err
	}
	from, err := idOf("name", wire.Vehicles, req.GetName())
	if err != nil {
		return nil, err
	}
	return s.withVehicle(ctx, req.GetInto(), func(c caller.Caller, tx *store.Tx, stays *store.Vehicle) error {
		goes, err := tx.Vehicle(ctx, from)
		if err != nil {
			return notFound(err, req.GetName())
		}
		if goes.Key == stays.Key {
			if from != into && goes.Name != from {
				return nil // merged before
			}
			return problem.InvalidField("into", "%q is the vehicle itself", req.GetInto())
		}
		if goes.Platform != stays.Platform {
			return problem.Precondition("PLATFORMS_DIFFER", "%q is of %q, %q of %q; only vehicles of one platform can be merged",
				req.GetName(), wire.Platforms.Name(goes.Platform), req.GetInto(), wire.Platforms.Name(stays.Platform))
		}
		if err := tx.MergeVehicles(ctx, goes.Key, stays.Key, s.now()); err != nil {
			return notFound(err, req.GetName())
		}
		return s.audit(ctx, tx, c, "MergeVehicles", wire.Vehicles.Name(stays.Name), "took over "+wire.Vehicles.Name(goes.Name))
	})
}

// RetireVehicle ends a vehicle's evaluation; its records stay.
func (s *Service) RetireVehicle(ctx context.Context, req *creepagev1.RetireVehicleRequest) (*creepagev1.Vehicle, error) {
	return s.withVehicle(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, v *store.Vehicle) error {
		if !v.RetiredAt.IsZero() {
			return nil
		}
		if err := tx.RetireVehicle(ctx, v.Key, s.now()); errors.Is(err, store.ErrStands) {
			return nil // by somebody else at the same moment
		} else if err != nil {
			return notFound(err, req.GetName())
		}
		return s.audit(ctx, tx, c, "RetireVehicle", wire.Vehicles.Name(v.Name), "")
	})
}
