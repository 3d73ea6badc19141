package report

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/store"
	"creepage/internal/timetable"
)

// Make writes the file of a run that was made ahead and returns its rows. The
// service's database login is the worker's.
func (s *Service) Make(ctx context.Context, run *store.ReportRun, to io.Writer) (rows int64, err error) {
	d, err := s.prepare(requestOf(run))
	if err != nil {
		return 0, err
	}
	err = s.write(ctx, d, to, func(ctx context.Context, f func(*store.Tx) error) error {
		return s.store.ReportAs(ctx, run.Organisation, f)
	})
	return d.rows, err
}

// Describe returns the description that belongs beside a run's file, and the
// ending of its name; nil where the file describes itself.
func (s *Service) Describe(run *store.ReportRun) (text []byte, ending string, err error) {
	if Format(run.Format) != CSV {
		return nil, "", nil
	}
	d, err := s.prepare(requestOf(run))
	if err != nil {
		return nil, "", err
	}
	file := run.Path[strings.LastIndexByte(run.Path, '/')+1:]
	text, err = CSVMetadata(file, &d.table, d.about)
	return text, descriptionEnding, err
}

// requestOf is a run as it could be asked for over the API.
func requestOf(run *store.ReportRun) *creepagev1.DownloadReportRequest {
	req := &creepagev1.DownloadReportRequest{Name: collection + run.Report, Format: run.Format, Filter: run.Filter, Columns: run.Columns, AsOfTime: timestamppb.New(run.AsOf)}
	if !run.Start.IsZero() {
		req.StartTime, req.EndTime = timestamppb.New(run.Start), timestamppb.New(run.AsOf)
	}
	return req
}

// Order returns the run of a schedule that is due at a time: as of when its rows
// are, from when on, and the name of its file, from organisation, report and date.
func Order(s *store.ReportSchedule, organisation string, due time.Time, asked bool) (*store.ReportRun, error) {
	zone, err := timetable.Zone(s.TimeZone)
	if err != nil {
		return nil, err
	}
	asOf := due.In(zone)
	stamp := asOf.UTC().Format("20060102T150405Z")
	if every, ok := ends[creepagev1.ReportSchedule_AsOf(s.AsOf)]; ok {
		asOf = timetable.Begin(every, asOf)
		stamp = asOf.AddDate(0, 0, -1).Format(time.DateOnly) // the last day that is in it
	}
	run := &store.ReportRun{ID: newID(), Schedule: s.ID, DueAt: due, Asked: asked, AsOf: asOf.UTC(), Start: startOf(creepagev1.ReportSchedule_Span(s.Span), asOf),
		Report: s.Report, Format: s.Format, Filter: s.Filter, Columns: s.Columns, Destination: s.Destination}
	run.Path = Format(s.Format).FileName(fmt.Sprintf("%s-%s-%s", organisation, s.Report, stamp))
	if s.Folder != "" {
		run.Path = s.Folder + "/" + run.Path
	}
	return run, nil
}

// ends are the calendar's spans at whose end a schedule may look.
var ends = map[creepagev1.ReportSchedule_AsOf]timetable.Every{creepagev1.ReportSchedule_DAY_END: timetable.Day, creepagev1.ReportSchedule_WEEK_END: timetable.Week,
	creepagev1.ReportSchedule_MONTH_END: timetable.Month}

// startOf is when the span before an as-of time begins, zero: with the first row.
func startOf(span creepagev1.ReportSchedule_Span, asOf time.Time) time.Time {
	switch span {
	case creepagev1.ReportSchedule_DAY:
		return asOf.AddDate(0, 0, -1).UTC()
	case creepagev1.ReportSchedule_WEEK:
		return asOf.AddDate(0, 0, -7).UTC()
	case creepagev1.ReportSchedule_MONTH:
		return asOf.AddDate(0, -1, 0).UTC()
	case creepagev1.ReportSchedule_YEAR:
		return asOf.AddDate(-1, 0, 0).UTC()
	}
	return time.Time{}
}
