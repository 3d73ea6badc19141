package report

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/emptypb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/destination"
	"creepage/internal/mask"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/timetable"
	"creepage/internal/wire"
)

const (
	mostSchedules = 200 // an organisation
	defaultHour   = 6
)

// Schedules is the contract's ReportScheduleService: what is made ahead, and the
// files that were. The worker makes them.
type Schedules struct {
	creepagev1.UnimplementedReportScheduleServiceServer
	reports      *Service
	pages        *page.Sealer
	destinations *destination.Set
	places       chan struct{}
}

// NewSchedules makes the service. The worker must be told the same destinations.
func NewSchedules(reports *Service, pages *page.Sealer, destinations *destination.Set) *Schedules {
	return &Schedules{reports: reports, pages: pages, destinations: destinations, places: make(chan struct{}, filesAtOnce)}
}

func newID() uuid.UUID { return uuid.Must(uuid.NewV7()) }

// as runs f as the caller's organisation.
func (s *Schedules) as(ctx context.Context, f func(c caller.Caller, tx *store.Tx) error) error {
	c, ok := caller.From(ctx)
	if !ok {
		return problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	return s.reports.store.AsOrganisation(ctx, c.Organisation, func(tx *store.Tx) error { return f(c, tx) })
}

func (s *Schedules) audit(ctx context.Context, tx *store.Tx, c caller.Caller, action, resource, note string) error {
	return tx.Audit(ctx, store.AuditEntry{At: s.reports.now(), Key: c.KeyID, Action: action, Resource: resource, Note: note})
}

// scheduleFields are what callers may state of a schedule.
var scheduleFields = []string{"title", "report", "format", "filter", "columns", "as_of", "span", "frequency", "weekday", "month_day", "hour", "time_zone", "destination", "folder"}

// CreateReportSchedule creates a schedule.
func (s *Schedules) CreateReportSchedule(ctx context.Context, req *creepagev1.CreateReportScheduleRequest) (*creepagev1.ReportSchedule, error) {
	if req.GetReportSchedule() == nil {
		return nil, problem.InvalidField("report_schedule", "is missing")
	}
	made := store.ReportSchedule{ID: newID(), CreatedAt: s.reports.now().Truncate(time.Microsecond)}
	err := s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		if err := s.change(ctx, tx, &made, req.GetReportSchedule(), scheduleFields); err != nil {
			return err
		}
		n, err := tx.CountReportSchedules(ctx)
		if err != nil {
			return err
		}
		if n >= mostSchedules {
			return problem.Precondition("TOO_MANY_SCHEDULES", "the organisation has %d report schedules, the most there may be; delete one", n)
		}
		if err := tx.CreateReportSchedule(ctx, &made); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "CreateReportSchedule", scheduleName(made.ID), "")
	})
	if err != nil {
		return nil, err
	}
	return scheduleMessage(&made), nil
}

// change puts fields of a message into a schedule, sees that a report can be
// made of it, and says when it is due next.
func (s *Schedules) change(ctx context.Context, tx *store.Tx, to *store.ReportSchedule, m *creepagev1.ReportSchedule, fields []string) error {
	has := func(field string) bool { return slices.Contains(fields, field) }
	set(has("title"), &to.Title, m.GetTitle())
	set(has("report"), &to.Report, strings.TrimPrefix(m.GetReport(), collection))
	set(has("format"), &to.Format, orElse(m.GetFormat(), string(CSV)))
	set(has("filter"), &to.Filter, m.GetFilter())
	set(has("columns"), &to.Columns, m.GetColumns())
	set(has("as_of"), &to.AsOf, int16(max(m.GetAsOf(), creepagev1.ReportSchedule_DAY_END)))
	set(has("span"), &to.Span, int16(max(m.GetSpan(), creepagev1.ReportSchedule_ALL)))
	set(has("frequency"), &to.Frequency, int16(m.GetFrequency()))
	set(has("weekday"), &to.Weekday, int(max(m.GetWeekday(), 1)))
	set(has("month_day"), &to.MonthDay, int(max(m.GetMonthDay(), 1)))
	if has("hour") {
		to.Hour = defaultHour
		if m.Hour != nil {
			to.Hour = int(m.GetHour())
		}
	}
	set(has("time_zone"), &to.TimeZone, m.GetTimeZone())
	set(has("destination"), &to.Destination, strings.TrimPrefix(m.GetDestination(), string(wire.ReportDestinations)+"/"))
	set(has("folder"), &to.Folder, m.GetFolder())
	wrong := s.wrongWith(to)
	organisation, err := tx.OrganisationName(ctx)
	if err != nil {
		return err
	}
	if text := s.wrongDestination(organisation, to.Destination); text != "" {
		wrong = append(wrong, problem.Field{Path: "report_schedule.destination", Description: text})
	}
	if len(wrong) > 0 {
		return problem.Invalid(wrong...)
	}
	times, err := to.Times()
	if err != nil {
		return err
	}
	to.NextAt = times.Next(s.reports.now())
	return nil
}

func set[T any](given bool, to *T, value T) {
	if given {
		*to = value
	}
}

func orElse(text, otherwise string) string {
	if text == "" {
		return otherwise
	}
	return text
}

// wrongWith says what a report cannot be made of.
func (s *Schedules) wrongWith(to *store.ReportSchedule) []problem.Field {
	var wrong []problem.Field
	fail := func(field, text string) {
		wrong = append(wrong, problem.Field{Path: "report_schedule." + field, Description: text})
	}
	if to.Frequency < 1 || to.Frequency > 3 {
		fail("frequency", "allowed are DAILY, WEEKLY, MONTHLY")
	}
	if to.AsOf > int16(creepagev1.ReportSchedule_DUE_TIME) {
		fail("as_of", "allowed are DAY_END, WEEK_END, MONTH_END, DUE_TIME")
	}
	if to.Span > int16(creepagev1.ReportSchedule_YEAR) {
		fail("span", "allowed are ALL, DAY, WEEK, MONTH, YEAR")
	}
	if to.Format == string(CSVW) {
		fail("format", "csvw comes beside a CSV file by itself; allowed are "+words(Formats()))
	}
	if err := destination.CheckFolder(to.Folder); err != nil {
		fail("folder", err.Error())
	}
	if _, err := timetable.Zone(to.TimeZone); err != nil {
		fail("time_zone", err.Error())
	}
	if wrong != nil {
		return wrong
	}
	run, err := Order(to, "x", s.reports.now(), true)
	if err != nil {
		fail("time_zone", err.Error())
		return wrong
	}
	if _, err := s.reports.prepare(requestOf(run)); err != nil {
		for _, f := range problem.Of(err).Fields {
			switch f.Path {
			case "name":
				f.Path = "report"
			case "start_time":
				f = problem.Field{Path: "span", Description: "the report " + to.Report + " has no range of time; allowed is ALL"}
			}
			fail(f.Path, f.Description)
		}
	}
	return wrong
}

// wrongDestination says why files cannot go to a place, "" if they can.
func (s *Schedules) wrongDestination(organisation, name string) string {
	if _, err := s.destinations.For(organisation, name); !errors.Is(err, destination.ErrUnknown) {
		if err != nil {
			return err.Error()
		}
		return ""
	}
	var list []string
	for _, d := range s.destinations.Of(organisation) {
		list = append(list, wire.ReportDestinations.Name(d.Name))
	}
	if list == nil {
		return "the operator has set none (CREEPAGE_REPORT_DESTINATIONS), so no files can be made ahead"
	}
	return quoted(name) + " is none of " + strings.Join(list, ", ")
}

func quoted(text string) string { return `"` + text + `"` }

// GetReportSchedule returns a schedule.
func (s *Schedules) GetReportSchedule(ctx context.Context, req *creepagev1.GetReportScheduleRequest) (*creepagev1.ReportSchedule, error) {
	return s.with(ctx, req.GetName(), func(caller.Caller, *store.Tx, *store.ReportSchedule) error { return nil })
}

// with runs do on a schedule and returns it as do has left it.
func (s *Schedules) with(ctx context.Context, name string, do func(caller.Caller, *store.Tx, *store.ReportSchedule) error) (*creepagev1.ReportSchedule, error) {
	text, err := wire.ReportSchedules.ID(name)
	if err != nil {
		return nil, problem.InvalidField("name", "%v", err)
	}
	id, err := uuid.Parse(text)
	if err != nil {
		return nil, problem.NotFound(name)
	}
	var found store.ReportSchedule
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		if found, err = tx.ReportSchedule(ctx, id); err != nil {
			return notFound(err, name)
		}
		return do(c, tx, &found)
	})
	if err != nil {
		return nil, err
	}
	return scheduleMessage(&found), nil
}

func notFound(err error, name string) error {
	if errors.Is(err, store.ErrNotFound) {
		return problem.NotFound(name)
	}
	return err
}

// ListReportSchedules lists schedules, newest first.
func (s *Schedules) ListReportSchedules(ctx context.Context, req *creepagev1.ListReportSchedulesRequest) (*creepagev1.ListReportSchedulesResponse, error) {
	resp := &creepagev1.ListReportSchedulesResponse{}
	err := s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		rows, token, err := page.Read(s.pages, c.Organisation, req, func(after store.TimeCursor, limit int) ([]store.ReportSchedule, error) {
			return tx.ReportSchedules(ctx, after, limit)
		}, func(row *store.ReportSchedule) store.TimeCursor {
			return store.TimeCursor{At: row.CreatedAt, ID: row.ID.String()}
		})
		for i := range rows {
			resp.ReportSchedules = append(resp.ReportSchedules, scheduleMessage(&rows[i]))
		}
		resp.NextPageToken = token
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// UpdateReportSchedule changes the fields that the mask names.
func (s *Schedules) UpdateReportSchedule(ctx context.Context, req *creepagev1.UpdateReportScheduleRequest) (*creepagev1.ReportSchedule, error) {
	fields, err := mask.Of(req.GetReportSchedule(), req.GetUpdateMask(), scheduleFields)
	if err != nil {
		return nil, err
	}
	return s.with(ctx, req.GetReportSchedule().GetName(), func(c caller.Caller, tx *store.Tx, found *store.ReportSchedule) error {
		if err := s.change(ctx, tx, found, req.GetReportSchedule(), fields); err != nil {
			return err
		}
		if err := tx.UpdateReportSchedule(ctx, found); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "UpdateReportSchedule", scheduleName(found.ID), strings.Join(fields, ", "))
	})
}

// DeleteReportSchedule deletes a schedule; its files stay.
func (s *Schedules) DeleteReportSchedule(ctx context.Context, req *creepagev1.DeleteReportScheduleRequest) (*emptypb.Empty, error) {
	_, err := s.with(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, found *store.ReportSchedule) error {
		if err := tx.DeleteReportSchedule(ctx, found.ID, s.reports.now()); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "DeleteReportSchedule", req.GetName(), "")
	})
	if err != nil {
		return nil, err
	}
	return &emptypb.Empty{}, nil
}

// EnableReportSchedule lets a schedule go on. One that is enabled stays as it is.
func (s *Schedules) EnableReportSchedule(ctx context.Context, req *creepagev1.EnableReportScheduleRequest) (*creepagev1.ReportSchedule, error) {
	return s.with(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, found *store.ReportSchedule) error {
		if found.DisabledAt.IsZero() {
			return nil
		}
		times, err := found.Times()
		if err != nil {
			return err
		}
		found.DisabledAt, found.NextAt = time.Time{}, times.Next(s.reports.now())
		return errors.Join(tx.UpdateReportSchedule(ctx, found), s.audit(ctx, tx, c, "EnableReportSchedule", req.GetName(), ""))
	})
}

// DisableReportSchedule has a schedule make nothing. One that is disabled stays as it is.
func (s *Schedules) DisableReportSchedule(ctx context.Context, req *creepagev1.DisableReportScheduleRequest) (*creepagev1.ReportSchedule, error) {
	return s.with(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, found *store.ReportSchedule) error {
		if !found.DisabledAt.IsZero() {
			return nil
		}
		found.DisabledAt = s.reports.now().Truncate(time.Microsecond)
		return errors.Join(tx.UpdateReportSchedule(ctx, found), s.audit(ctx, tx, c, "DisableReportSchedule", req.GetName(), ""))
	})
}

// RunReportSchedule orders a file now.
func (s *Schedules) RunReportSchedule(ctx context.Context, req *creepagev1.RunReportScheduleRequest) (*creepagev1.ReportRun, error) {
	var run *store.ReportRun
	_, err := s.with(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, found *store.ReportSchedule) error {
		organisation, err := tx.OrganisationName(ctx)
		if err != nil {
			return err
		}
		now := s.reports.now().Truncate(time.Microsecond)
		if run, err = Order(found, organisation, now, true); err != nil {
			return err
		}
		run.State, run.CreatedAt, run.NextAttemptAt = store.ReportRunPending, now, now
		if err := tx.OrderReport(ctx, run); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "RunReportSchedule", req.GetName(), "")
	})
	if err != nil {
		return nil, err
	}
	return runMessage(run), nil
}

// ListReportDestinations lists the operator's places.
func (s *Schedules) ListReportDestinations(ctx context.Context, _ *creepagev1.ListReportDestinationsRequest) (*creepagev1.ListReportDestinationsResponse, error) {
	resp := &creepagev1.ListReportDestinationsResponse{}
	err := s.as(ctx, func(_ caller.Caller, tx *store.Tx) error {
		organisation, err := tx.OrganisationName(ctx)
		for _, d := range s.destinations.Of(organisation) {
			resp.ReportDestinations = append(resp.ReportDestinations, &creepagev1.ReportDestination{Name: wire.ReportDestinations.Name(d.Name), Kind: creepagev1.ReportDestination_Kind(d.Kind)})
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func scheduleName(id uuid.UUID) string { return wire.ReportSchedules.Name(id.String()) }

func scheduleMessage(s *store.ReportSchedule) *creepagev1.ReportSchedule {
	m := &creepagev1.ReportSchedule{Name: scheduleName(s.ID), Title: s.Title, Report: collection + s.Report, Format: s.Format, Filter: s.Filter, Columns: s.Columns,
		AsOf: creepagev1.ReportSchedule_AsOf(s.AsOf), Span: creepagev1.ReportSchedule_Span(s.Span), Frequency: creepagev1.ReportSchedule_Frequency(s.Frequency),
		Hour: proto.Int32(int32(s.Hour)), TimeZone: s.TimeZone, Destination: wire.ReportDestinations.Name(s.Destination), Folder: s.Folder,
		CreateTime: wire.Timestamp(s.CreatedAt), DisableTime: wire.Timestamp(s.DisabledAt), LastError: wire.Text(s.LastError)}
	switch m.GetFrequency() {
	case creepagev1.ReportSchedule_WEEKLY:
		m.Weekday = proto.Int32(int32(s.Weekday))
	case creepagev1.ReportSchedule_MONTHLY:
		m.MonthDay = proto.Int32(int32(s.MonthDay))
	}
	if s.DisabledAt.IsZero() {
		m.NextRunTime = wire.Timestamp(s.NextAt)
	}
	if s.LastRun != uuid.Nil {
		m.LastRun = runName(s.ID, s.LastRun)
	}
	return m
}
