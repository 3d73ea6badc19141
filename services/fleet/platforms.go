package fleet

import (
	"context"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/insulation"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// UpsertPlatform creates a platform or states new limits for one. Vehicles of
// the platform are computed anew where the limits changed for days past.
func (s *Service) UpsertPlatform(ctx context.Context, req *creepagev1.UpsertPlatformRequest) (*creepagev1.Platform, error) {
	if req.GetPlatform() == nil {
		return nil, problem.InvalidField("platform", "is missing")
	}
	p, err := wire.Platform(req.GetPlatform())
	if err != nil {
		return nil, under("platform", err)
	}
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		if err := tx.UpsertPlatform(ctx, &p, s.now()); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "UpsertPlatform", wire.Platforms.Name(p.ID), "")
	})
	if err != nil {
		return nil, err
	}
	return wire.PlatformMessage(&p), nil
}

// GetPlatform returns the limits that hold now or held at a time.
func (s *Service) GetPlatform(ctx context.Context, req *creepagev1.GetPlatformRequest) (*creepagev1.Platform, error) {
	id, err := idOf("name", wire.Platforms, req.GetName())
	if err != nil {
		return nil, err
	}
	at := s.now()
	if ts := req.GetAsOfTime(); ts != nil {
		at = ts.AsTime()
	}
	var versions []insulation.Platform
	err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		versions, err = tx.PlatformVersions(ctx)
		return err
	})
	if err != nil {
		return nil, err
	}
	found := insulation.Holding(versions, id, at)
	if found == nil {
		return nil, problem.NotFound(req.GetName())
	}
	return wire.PlatformMessage(found), nil
}

// ListPlatforms lists what holds now. Platforms are few: they are read together.
func (s *Service) ListPlatforms(ctx context.Context, req *creepagev1.ListPlatformsRequest) (*creepagev1.ListPlatformsResponse, error) {
	q, err := s.query(ctx, req)
	if err != nil {
		return nil, err
	}
	var after string
	if _, err := q.After(&after); err != nil {
		return nil, err
	}
	var versions []insulation.Platform
	err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		versions, err = tx.PlatformVersions(ctx)
		return err
	})
	if err != nil {
		return nil, err
	}
	now := s.now()
	var rows []insulation.Platform
	for i := range versions {
		if v := &versions[i]; v.ID > after && insulation.Holding(versions, v.ID, now) == v {
			rows = append(rows, *v)
		}
	}
	rows = rows[:min(len(rows), q.Size+1)]
	rows, token, err := page.Cut(q, rows, func(p *insulation.Platform) string { return p.ID })
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListPlatformsResponse{NextPageToken: token}
	for i := range rows {
		resp.Platforms = append(resp.Platforms, wire.PlatformMessage(&rows[i]))
	}
	return resp, nil
}
