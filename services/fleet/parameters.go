package fleet

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/page"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// ListParameterSets lists what was learned, newest first.
func (s *Service) ListParameterSets(ctx context.Context, req *creepagev1.ListParameterSetsRequest) (*creepagev1.ListParameterSetsResponse, error) {
	var rows, latest []store.ParamSet
	var token string
	err := s.as(ctx, func(c caller.Caller, tx *store.Tx) (err error) {
		rows, token, err = page.Read(s.pages, c.Organisation, req, func(after store.TimeCursor, limit int) ([]store.ParamSet, error) {
			return tx.ParamSets(ctx, after, limit)
		}, func(p *store.ParamSet) store.TimeCursor {
			return store.TimeCursor{At: p.LearnedAt, ID: p.Version}
		})
		if err != nil {
			return err
		}
		latest, err = tx.ParamSets(ctx, store.TimeCursor{}, 1)
		return err
	})
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListParameterSetsResponse{NextPageToken: token}
	for i := range rows {
		resp.ParameterSets = append(resp.ParameterSets, parameterSetMessage(&rows[i], latest))
	}
	return resp, nil
}

// GetParameterSet returns one of them.
func (s *Service) GetParameterSet(ctx context.Context, req *creepagev1.GetParameterSetRequest) (*creepagev1.ParameterSet, error) {
	version, err := idOf("name", wire.ParameterSets, req.GetName())
	if err != nil {
		return nil, err
	}
	var set store.ParamSet
	var latest []store.ParamSet
	err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		if set, err = tx.ParamSet(ctx, version); err != nil {
			return notFound(err, req.GetName())
		}
		latest, err = tx.ParamSets(ctx, store.TimeCursor{}, 1)
		return err
	})
	if err != nil {
		return nil, err
	}
	return parameterSetMessage(&set, latest), nil
}

func parameterSetMessage(p *store.ParamSet, latest []store.ParamSet) *creepagev1.ParameterSet {
	m := &creepagev1.ParameterSet{
		Name: wire.ParameterSets.Name(p.Version), Source: creepagev1.ParameterSet_Source(p.Source), LearnTime: timestamppb.New(p.LearnedAt),
		Current: len(latest) > 0 && latest[0].Version == p.Version, TrackVersion: p.TrackVersion,
		Vehicles: int32(p.Vehicles), Readings: p.Readings, Codes: int32(p.Codes), Reasons: p.Reasons,
	}
	for _, f := range p.Meters {
		m.Meters = append(m.Meters, &creepagev1.LearnedMeter{Meter: f.Meter, OffsetDecades: f.Offset, OffsetDecadesSd: f.SD, Readings: int32(f.Readings)})
	}
	return m
}
