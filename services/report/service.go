package report

import (
	"context"
	"strings"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/problem"
	"creepage/internal/store"
)

// downloadsAtOnce bounds the database connections that downloads hold, of which
// each holds one for as long as its reader takes.
const downloadsAtOnce = 3

// Service is the contract's ReportService.
type Service struct {
	creepagev1.UnimplementedReportServiceServer
	store    *store.Store
	models   *store.Models
	software string
	now      func() time.Time
	places   chan struct{}
}

// New makes the service. software is the name and version that every file carries.
func New(db *store.Store, models *store.Models, software string, now func() time.Time) *Service {
	return &Service{store: db, models: models, software: software, now: now, places: make(chan struct{}, downloadsAtOnce)}
}

const collection = "reports/"

// ListReports lists the reports.
func (s *Service) ListReports(context.Context, *creepagev1.ListReportsRequest) (*creepagev1.ListReportsResponse, error) {
	resp := &creepagev1.ListReportsResponse{}
	for _, r := range catalogue() {
		resp.Reports = append(resp.Reports, message(r))
	}
	return resp, nil
}

// GetReport returns a report's columns, units and formats.
func (s *Service) GetReport(_ context.Context, req *creepagev1.GetReportRequest) (*creepagev1.Report, error) {
	r, err := named(req.GetName())
	if err != nil {
		return nil, err
	}
	return message(r), nil
}

// named finds a report by its resource name.
func named(name string) (*report, error) {
	id, ok := strings.CutPrefix(name, collection)
	r := find(id)
	if !ok || r == nil {
		return nil, problem.InvalidField("name", "%q is none of %s%s", name, collection, strings.Join(names(), ", "+collection))
	}
	return r, nil
}

func message(r *report) *creepagev1.Report {
	m := &creepagev1.Report{Name: collection + r.Name, Title: r.Title, Description: r.description, RangeOf: r.rangeOf}
	for _, c := range r.Columns {
		// The kinds' numbers are those of the contract; a test holds one against the other.
		m.Columns = append(m.Columns, &creepagev1.ReportColumn{Name: c.Name, Kind: creepagev1.ReportColumn_Kind(c.Kind), Unit: c.Unit, Description: c.Help})
	}
	for _, f := range r.fields() {
		m.FilterFields = append(m.FilterFields, f.Name)
	}
	for _, f := range r.formats() {
		m.Formats = append(m.Formats, string(f))
	}
	return m
}

// read runs f as the caller's organisation on one moment's rows.
func (s *Service) read(ctx context.Context, f func(tx *store.Tx) error) error {
	c, ok := caller.From(ctx)
	if !ok {
		return problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	select {
	case s.places <- struct{}{}:
		defer func() { <-s.places }()
	default:
		return problem.Exhausted("DOWNLOADS_BUSY", 5*time.Second, "%d downloads are under way, which is all at a time; wait and ask again", downloadsAtOnce)
	}
	return s.store.ReadAsOrganisation(ctx, c.Organisation, f)
}
