package bench

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/benchwork"
	"creepage/internal/caller"
	"creepage/internal/draw"
	"creepage/internal/insulation"
	"creepage/internal/paper"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/trend"
)

// PrintTestPlan prints a platform's test plan.
func (s *Service) PrintTestPlan(ctx context.Context, req *creepagev1.PrintTestPlanRequest) (*httpbody.HttpBody, error) {
	var p *insulation.Platform
	err := s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		p, err = s.platform(ctx, tx, req.GetPlatform(), "")
		return err
	})
	if err != nil {
		return nil, err
	}
	return printed(ctx, benchwork.PlanDocument(p, s.now()), "test-plan-"+p.ID, req.GetFormat())
}

// PrintVisitRecord prints the record of a stored visit.
func (s *Service) PrintVisitRecord(ctx context.Context, req *creepagev1.PrintVisitRecordRequest) (*httpbody.HttpBody, error) {
	record := benchwork.VisitRecord{Visit: req.GetVisit(), Made: s.now()}
	err := s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		v, err := findVisit(ctx, tx, c, req.GetVehicle(), req.GetVisit())
		if err != nil {
			return err
		}
		record.Organisation, record.Vehicle, record.Readings, record.Voided = c.OrganisationTitle, v.vehicle.Name, v.readings, v.voided
		record.OwnAlone = c.Role == creepagev1.Key_SHOP
		if record.Platform, err = v.platform(ctx, tx); err != nil {
			return err
		}
		if err := onFile(ctx, tx, &record); err != nil {
			return err
		}
		record.Assessment, err = insulation.AssessVisit(record.Readings, record.Platform, s.now(), benchwork.ReferenceCelsius)
		if err != nil {
			return err
		}
		history, err := tx.History(ctx, v.vehicle.Key, time.Time{})
		if err != nil {
			return err
		}
		model, err := tx.Model(ctx, s.models)
		if err != nil {
			return err
		}
		record.Tracks, err = tracks(model, v, &record, c, history)
		return err
	})
	if err != nil {
		return nil, err
	}
	return printed(ctx, record.Document(), "record-"+record.Vehicle+"-"+record.Visit, req.GetFormat())
}

// printed gives a document in the format asked for, named for a file.
func printed(ctx context.Context, d *paper.Document, name string, format creepagev1.Paper_Format) (*httpbody.HttpBody, error) {
	body := &httpbody.HttpBody{}
	var err error
	var ending string
	switch format {
	case creepagev1.Paper_FORMAT_UNSPECIFIED, creepagev1.Paper_PDF:
		body.ContentType, ending = "application/pdf", ".pdf"
		body.Data, err = d.PDF()
	case creepagev1.Paper_HTML:
		body.ContentType, ending = "text/html; charset=utf-8", ".html"
		body.Data, err = d.HTML()
	default:
		return nil, problem.InvalidField("format", "%v is none of PDF, HTML", format)
	}
	if err != nil {
		return nil, problem.Internal(err)
	}
	header := metadata.Pairs("content-disposition", fmt.Sprintf("inline; filename=%q", fileName(name)+ending))
	return body, grpc.SetHeader(ctx, header)
}

// fileName keeps of a name what every system takes as a file's.
func fileName(name string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' || r == '.' {
			return r
		}
		return '-'
	}, name)
}

// onFile adds the shop's title and the meters of the readings.
func onFile(ctx context.Context, tx *store.Tx, record *benchwork.VisitRecord) error {
	first := &record.Readings[0]
	record.Shop = first.Shop
	if first.Shop != "" {
		shop, err := tx.Shop(ctx, first.Shop)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return err
		}
		if shop.Title != "" {
			record.Shop = shop.Title
		}
	}
	meters := map[string]bool{}
	for i := range record.Readings {
		meters[record.Readings[i].Meter] = true
	}
	delete(meters, "")
	if len(meters) == 0 {
		return nil
	}
	ids := make([]string, 0, len(meters))
	for id := range meters {
		ids = append(ids, id)
	}
	known, err := tx.MetersNamed(ctx, ids)
	if err != nil {
		return err
	}
	for _, m := range known {
		one := benchwork.Meter{ID: m.ID, Title: m.Title}
		for _, c := range m.Calibrations { // newest first
			if !c.At.After(first.MeasuredAt) {
				one.CalibratedAt, one.DueAt = c.At, c.DueAt
				break
			}
		}
		record.Meters = append(record.Meters, one)
	}
	return nil
}

// tracks are the charts of what the visit measured, up to the visit: readings
// as taken, and the levels by the very fold that warns. A shop's key gets its
// own shop's readings and no levels, which rest on everybody's.
func tracks(model *trend.Model, v *storedVisit, record *benchwork.VisitRecord, c caller.Caller, history []trend.Entry) ([]draw.Chart, error) {
	p := record.Platform
	history = slices.DeleteFunc(history, func(e trend.Entry) bool { return e.Time().After(v.end()) })
	var estimates []trend.Estimate
	if c.Role != creepagev1.Key_SHOP {
		platform := p
		if platform == nil {
			platform = &insulation.Platform{}
		}
		var err error
		if estimates, err = model.History(v.vehicle.Name, platform, history); err != nil {
			return nil, err
		}
	}
	var charts []draw.Chart
	for _, key := range groupsOf(v.readings, record.Assessment.Items) {
		chart := draw.Chart{ID: fmt.Sprintf("track-%d", len(charts)), Title: groupTitle(key), LimitText: "service limit"}
		var oldest time.Time
		for _, e := range history {
			if r := e.Reading; r != nil && c.MaySubmitFor(r.Shop) && trend.GroupOf(r.Component, r.Conductor, r.Quantity) == key {
				if oldest.IsZero() || r.MeasuredAt.Before(oldest) {
					oldest = r.MeasuredAt
				}
				chart.Readings = append(chart.Readings, draw.Reading{At: r.MeasuredAt, Ohms: r.Ohms, Method: r.Method, Relation: r.Relation})
			}
		}
		chart.From, chart.To = span(oldest, v.end())
		for _, e := range estimates {
			if e.Group == key && !e.Day.Before(chart.From) {
				chart.Estimates = append(chart.Estimates, draw.Estimate{At: e.Day.Add(12 * time.Hour), P10: e.Level.P10, P50: e.Level.P50, P90: e.Level.P90})
			}
		}
		chart.LimitOhms, chart.LimitText = limitOf(key, v.readings, p)
		charts = append(charts, chart)
	}
	return charts, nil
}

// span is the time axis from the first reading to the visit, three months at least.
func span(oldest, end time.Time) (from, to time.Time) {
	if least := end.AddDate(0, -3, 0); oldest.After(least) {
		oldest = least
	}
	margin := end.Sub(oldest)/40 + 24*time.Hour
	return oldest.Add(-margin), end.Add(margin)
}

// groupsOf lists the tracks that readings belong to, each once: first those
// below their limit, for not all of many are drawn.
func groupsOf(readings []insulation.Reading, items []insulation.VisitItem) []trend.GroupKey {
	var below, keys []trend.GroupKey
	for i := range readings {
		r := &readings[i]
		k := trend.GroupOf(r.Component, r.Conductor, r.Quantity)
		if items[i].ServiceLimit == insulation.NotMet && !slices.Contains(below, k) {
			below = append(below, k)
		}
		if !slices.Contains(keys, k) {
			keys = append(keys, k)
		}
	}
	keys = slices.DeleteFunc(keys, func(k trend.GroupKey) bool { return slices.Contains(below, k) })
	return append(below, keys...)
}

// limitOf is what a track is held against: the highest of its points' service
// limits, for the whole vehicle the code limit.
func limitOf(key trend.GroupKey, readings []insulation.Reading, p *insulation.Platform) (ohms float64, text string) {
	if p == nil {
		return 0, ""
	}
	for i := range readings {
		r := &readings[i]
		if trend.GroupOf(r.Component, r.Conductor, r.Quantity) != key {
			continue
		}
		if q := p.Point(r.Component, r.Conductor, r.Reference); q != nil && q.LimitOhms > 0 {
			ohms = math.Max(ohms, q.LimitOhms)
		}
	}
	if ohms == 0 && key.Whole() {
		return p.CodeLimit(), "code limit"
	}
	return ohms, "service limit"
}

func groupTitle(key trend.GroupKey) string {
	return benchwork.TrackTitle(key.Component, key.Conductor.String())
}
