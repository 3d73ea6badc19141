package fleet

import (
	"context"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/trend"
	"creepage/internal/wire"
)

// ListTracks lists a vehicle's tracks with their estimates over time, by the
// very fold that the worker does.
func (s *Service) ListTracks(ctx context.Context, req *creepagev1.ListTracksRequest) (*creepagev1.ListTracksResponse, error) {
	id, err := idOf("parent", wire.Vehicles, req.GetParent())
	if err != nil {
		return nil, err
	}
	var (
		entries  []trend.Entry
		platform insulation.Platform
		model    *trend.Model
	)
	err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		if model, err = tx.Model(ctx, s.models); err != nil {
			return err
		}
		v, err := tx.Vehicle(ctx, id)
		if err != nil {
			return notFound(err, req.GetParent())
		}
		versions, err := tx.PlatformVersions(ctx)
		if err != nil {
			return err
		}
		if p := insulation.Holding(versions, v.Platform, s.now()); p != nil {
			platform = *p
		}
		entries, err = tx.History(ctx, v.Key, time.Time{})
		return err
	})
	if err != nil {
		return nil, err
	}
	tracks, err := model.Tracks(id, &platform, entries)
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListTracksResponse{}
	for i := range tracks {
		resp.Tracks = append(resp.Tracks, wire.TrackMessage(&tracks[i]))
	}
	return resp, nil
}
