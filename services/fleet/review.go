package fleet

import (
	"context"
	"math"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/review"
	"creepage/internal/store"
	"creepage/internal/wire"
)

const (
	// reviewDays is how far a review of shops and meters goes back: two rounds
	// of visits that come every three months.
	reviewDays = 180
	// standsOutBelow is the share of chance findings that is accepted among
	// those that stand out.
	standsOutBelow = 0.05
	// leastCompared is how many vehicles a meter's offset needs.
	leastCompared = 3
)

// ReviewShops reviews how each shop measures. From the usual time on, a review
// is kept for a while.
func (s *Service) ReviewShops(ctx context.Context, req *creepagev1.ReviewShopsRequest) (*creepagev1.ReviewShopsResponse, error) {
	since, err := s.reviewFrom(req.GetStartTime())
	if err != nil {
		return nil, err
	}
	review := func(ctx context.Context) (*creepagev1.ReviewShopsResponse, error) { return s.reviewShops(ctx, since) }
	if req.GetStartTime() != nil {
		return review(ctx)
	}
	return keptFor(ctx, s, &s.shops, review)
}

// keptFor gives the caller's organisation its review out of those kept.
func keptFor[T any](ctx context.Context, s *Service, r *reviews[T], review func(context.Context) (T, error)) (T, error) {
	c, ok := caller.From(ctx)
	if !ok {
		var none T
		return none, problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	return r.of(ctx, c.Organisation, s.now, review)
}

func (s *Service) reviewShops(ctx context.Context, since time.Time) (*creepagev1.ReviewShopsResponse, error) {
	var rows []store.ShopReview
	if err := s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		rows, err = tx.ReviewShops(ctx, since)
		return err
	}); err != nil {
		return nil, err
	}
	resp := &creepagev1.ReviewShopsResponse{StartTime: timestamppb.New(since)}
	for i := range rows {
		r := &rows[i]
		resp.Shops = append(resp.Shops, &creepagev1.ShopReview{Shop: wire.Shops.Name(r.Shop), Readings: r.Readings, WithoutTemperature: r.WithoutTemperature,
			ShortHold: r.ShortHold, HoldNotStated: r.HoldNotStated, OverRange: r.OverRange, Vehicles: r.Vehicles, LastMeasureTime: wire.Timestamp(r.LastMeasuredAt)})
	}
	return resp, nil
}

// reviewFrom is the time asked for, or reviewDays ago.
func (s *Service) reviewFrom(ts *timestamppb.Timestamp) (time.Time, error) {
	if ts == nil {
		return s.now().AddDate(0, 0, -reviewDays), nil
	}
	if err := ts.CheckValid(); err != nil {
		return time.Time{}, problem.InvalidField("start_time", "%v", err)
	}
	return ts.AsTime(), nil
}

// ReviewMeters holds each meter against the others. From the usual time on, a
// review is kept for a while.
func (s *Service) ReviewMeters(ctx context.Context, req *creepagev1.ReviewMetersRequest) (*creepagev1.ReviewMetersResponse, error) {
	since, err := s.reviewFrom(req.GetStartTime())
	if err != nil {
		return nil, err
	}
	review := func(ctx context.Context) (*creepagev1.ReviewMetersResponse, error) { return s.reviewMeters(ctx, since) }
	if req.GetStartTime() != nil {
		return review(ctx)
	}
	return keptFor(ctx, s, &s.meters, review)
}

func (s *Service) reviewMeters(ctx context.Context, since time.Time) (*creepagev1.ReviewMetersResponse, error) {
	var rows []store.MeterReview
	var looks []review.Look
	if err := s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		if rows, err = tx.ReviewMeters(ctx, since); err != nil {
			return err
		}
		looks, err = tx.SharedLooks(ctx, since)
		return err
	}); err != nil {
		return nil, err
	}
	offsets := review.Offsets(looks)
	p := make([]float64, len(rows))
	for i := range rows {
		p[i] = math.NaN()
		if o := offsets[rows[i].Meter]; o.N >= leastCompared {
			p[i] = o.OffZero()
		}
	}
	p = review.Adjust(p)
	resp := &creepagev1.ReviewMetersResponse{StartTime: timestamppb.New(since)}
	for i := range rows {
		r, o := &rows[i], offsets[rows[i].Meter]
		m := &creepagev1.MeterReview{Meter: wire.Meters.Name(r.Meter), Readings: r.Readings, OverRange: r.OverRange,
			LastMeasureTime: wire.Timestamp(r.LastMeasuredAt), ComparedVehicles: int32(o.N)}
		if o.N >= leastCompared {
			low, high, _ := o.Interval()
			m.OffsetDecades, m.OffsetLowDecades, m.OffsetHighDecades, m.AdjustedP = &o.Mean, &low, &high, &p[i]
			m.StandsOut = p[i] <= standsOutBelow
		}
		resp.Meters = append(resp.Meters, m)
	}
	return resp, nil
}

// ReviewAging reviews how the components of each platform have aged within a
// year, each against the same component of the other platforms. A review is kept
// for a while.
func (s *Service) ReviewAging(ctx context.Context, _ *creepagev1.ReviewAgingRequest) (*creepagev1.ReviewAgingResponse, error) {
	return keptFor(ctx, s, &s.aging, s.reviewAging)
}

func (s *Service) reviewAging(ctx context.Context) (*creepagev1.ReviewAgingResponse, error) {
	since := s.now().AddDate(-1, 0, 0)
	var rows []store.ComponentAging
	if err := s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		rows, err = tx.ReviewAging(ctx, since)
		return err
	}); err != nil {
		return nil, err
	}
	type tally struct{ vehicles, aged int }
	all := map[insulation.Component]tally{}
	for i := range rows {
		c := all[rows[i].Component]
		all[rows[i].Component] = tally{c.vehicles + rows[i].Vehicles, c.aged + rows[i].Aged}
	}
	p := make([]float64, len(rows))
	resp := &creepagev1.ReviewAgingResponse{StartTime: timestamppb.New(since)}
	for i := range rows {
		r := &rows[i]
		peers := tally{all[r.Component].vehicles - r.Vehicles, all[r.Component].aged - r.Aged}
		p[i] = math.NaN()
		if peers.vehicles > 0 {
			p[i] = review.MoreThanPeers(r.Aged, r.Vehicles, peers.aged, peers.vehicles)
		}
		resp.Components = append(resp.Components, agingMessage(r, peers.vehicles, peers.aged))
	}
	for i, q := range review.Adjust(p) {
		if !math.IsNaN(q) {
			resp.Components[i].AdjustedP, resp.Components[i].StandsOut = &q, q <= standsOutBelow
		}
	}
	return resp, nil
}

func agingMessage(r *store.ComponentAging, peerVehicles, peerAged int) *creepagev1.ComponentAging {
	m := &creepagev1.ComponentAging{Platform: wire.Platforms.Name(r.Platform), Component: creepagev1.Reading_Component(r.Component),
		Vehicles: int32(r.Vehicles), AgedVehicles: int32(r.Aged), PeerVehicles: int32(peerVehicles), PeerAgedVehicles: int32(peerAged), DecliningVehicles: int32(r.Declining.N)}
	m.ShareLow, m.ShareHigh = review.ShareInterval(r.Aged, r.Vehicles)
	if r.Declining.N > 0 {
		m.DecadesPer_30D = &r.Declining.Mean
	}
	if low, high, ok := r.Declining.Interval(); ok {
		m.DecadesPer_30DLow, m.DecadesPer_30DHigh = &low, &high
	}
	return m
}
