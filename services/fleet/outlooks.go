package fleet

import (
	"context"
	"strings"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/filter"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// GetOutlook returns what is expected of a vehicle, now or as it was believed
// at a time.
func (s *Service) GetOutlook(ctx context.Context, req *creepagev1.GetOutlookRequest) (*creepagev1.Outlook, error) {
	vehicle, ok := strings.CutSuffix(req.GetName(), "/outlook")
	if !ok {
		return nil, problem.InvalidField("name", "%q is not of the form vehicles/{id}/outlook", req.GetName())
	}
	id, err := idOf("name", wire.Vehicles, vehicle)
	if err != nil {
		return nil, err
	}
	var asOf time.Time
	if ts := req.GetAsOfTime(); ts != nil {
		if err := ts.CheckValid(); err != nil {
			return nil, problem.InvalidField("as_of_time", "%v", err)
		}
		asOf = ts.AsTime()
	}
	var (
		v   store.Vehicle
		row store.Outlook
	)
	err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		if v, err = tx.Vehicle(ctx, id); err != nil {
			return notFound(err, vehicle)
		}
		row, err = tx.Outlook(ctx, v.Key, asOf)
		return notFound(err, req.GetName())
	})
	if err != nil {
		return nil, err
	}
	return outlookMessage(&row, true)
}

// ListOutlooks lists outlooks, most urgent first unless told otherwise.
func (s *Service) ListOutlooks(ctx context.Context, req *creepagev1.ListOutlooksRequest) (*creepagev1.ListOutlooksResponse, error) {
	q, err := s.query(ctx, req)
	if err != nil {
		return nil, err
	}
	where, err := store.OutlookFields().Parse(req.GetFilter())
	if err != nil {
		return nil, err
	}
	order, err := filter.ParseOrder(req.GetOrderBy(), store.OutlookOrders())
	if err != nil {
		return nil, err
	}
	var after store.OutlookCursor
	more, err := q.After(&after)
	if err != nil {
		return nil, err
	}
	list := store.OutlookQuery{Where: where, Order: order, Limit: q.Size + 1}
	if more {
		list.After = &after
	}
	var (
		rows   []store.Outlook
		recent map[int64][]store.RecentReading
		total  int
	)
	err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		if total, err = tx.CountOutlooks(ctx, where); err != nil {
			return err
		}
		if rows, err = tx.Outlooks(ctx, list); err != nil || req.GetRecentReadings() == 0 {
			return err
		}
		recent, err = tx.RecentReadings(ctx, rows[:min(len(rows), q.Size)], int(req.GetRecentReadings()))
		return err
	})
	if err != nil {
		return nil, err
	}
	rows, token, err := page.Cut(q, rows, func(o *store.Outlook) store.OutlookCursor { return o.Cursor })
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListOutlooksResponse{NextPageToken: token, TotalSize: int32(total)}
	for i := range rows {
		m, err := outlookMessage(&rows[i], false)
		if err != nil {
			return nil, err
		}
		m.RecentReadings = recentMessages(recent[rows[i].Cursor.Key])
		resp.Outlooks = append(resp.Outlooks, m)
	}
	return resp, nil
}

func recentMessages(rows []store.RecentReading) []*creepagev1.RecentReading {
	var list []*creepagev1.RecentReading
	for _, r := range rows {
		list = append(list, &creepagev1.RecentReading{MeasureTime: wire.Timestamp(r.MeasuredAt), Relation: creepagev1.Reading_Relation(r.Relation), ResistanceOhms: r.Ohms})
	}
	return list
}

// CountOutlooks counts vehicles by state: of all, or of each platform or shop.
func (s *Service) CountOutlooks(ctx context.Context, req *creepagev1.CountOutlooksRequest) (*creepagev1.CountOutlooksResponse, error) {
	where, err := store.OutlookFields().Parse(req.GetFilter())
	if err != nil {
		return nil, err
	}
	var rows []store.OutlookCount
	if err := s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		rows, err = tx.CountOutlooksBy(ctx, where, req.GetGroupBy())
		return err
	}); err != nil {
		return nil, err
	}
	collection := map[string]wire.Collection{"platform": wire.Platforms, "last_shop": wire.Shops}[req.GetGroupBy()]
	resp := &creepagev1.CountOutlooksResponse{}
	for _, r := range rows {
		c := &creepagev1.OutlookCount{State: creepagev1.Outlook_State(r.State), Vehicles: int32(r.Vehicles)}
		if r.Group != "" {
			c.Group = collection.Name(r.Group)
		}
		resp.Counts = append(resp.Counts, c)
		resp.TotalSize += c.Vehicles
	}
	return resp, nil
}
