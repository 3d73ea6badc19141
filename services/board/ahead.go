package board

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/download"
)

// runsShown is how many of a timetable's files its page lists.
const runsShown = 50

// aheadWord is a choice of the form with what people call it.
type aheadWord struct{ Value, Word string }

var (
	aheadFrequencies = []aheadWord{{"DAILY", "every day"}, {"WEEKLY", "once a week"}, {"MONTHLY", "once a month"}}
	aheadAsOf        = []aheadWord{{"DAY_END", "the end of the day before"}, {"WEEK_END", "the end of the week before"}, {"MONTH_END", "the end of the month before"}, {"DUE_TIME", "the hour it is made"}}
	aheadSpans       = []aheadWord{{"ALL", "all up to then"}, {"DAY", "of the day up to then"}, {"WEEK", "of the week up to then"}, {"MONTH", "of the month up to then"}, {"YEAR", "of the year up to then"}}
	aheadWeekdays    = []aheadWord{{"1", "Monday"}, {"2", "Tuesday"}, {"3", "Wednesday"}, {"4", "Thursday"}, {"5", "Friday"}, {"6", "Saturday"}, {"7", "Sunday"}}
)

func wordOf(words []aheadWord, value string) string {
	for _, w := range words {
		if w.Value == value {
			return w.Word
		}
	}
	return strings.ToLower(value)
}

// aheadForm is the form of a timetable: what it offers, and what stands in it.
type aheadForm struct {
	Form    url.Values // as it was typed, or as it stands
	Wrong   mistakes
	Reports []*creepagev1.Report
	Formats []string
	Places  []*creepagev1.ReportDestination
	Hours   []aheadWord

	Frequencies, AsOf, Spans, Weekdays []aheadWord
}

// aheadArgs is what the template of the form needs.
type aheadArgs struct {
	aheadForm
	Visitor        *visitor
	Action, Button string
}

// For is the form of a page.
func (f aheadForm) For(v *visitor, action, button string) aheadArgs {
	return aheadArgs{f, v, action, button}
}

// TitleOf is what people call a report.
func (f aheadForm) TitleOf(name string) string {
	for _, report := range f.Reports {
		if report.GetName() == name {
			return report.GetTitle()
		}
	}
	return id(name)
}

type aheadPage struct {
	aheadForm
	Schedules []*creepagev1.ReportSchedule
}

// aheadForms asks for what a form offers.
func (b *Board) aheadForms(r *http.Request, f *aheadForm) error {
	f.Frequencies, f.AsOf, f.Spans, f.Weekdays = aheadFrequencies, aheadAsOf, aheadSpans, aheadWeekdays
	for hour := range 24 {
		f.Hours = append(f.Hours, aheadWord{strconv.Itoa(hour), fmt.Sprintf("%02d:00", hour)})
	}
	g, ctx := errgroup.WithContext(r.Context())
	g.Go(func() error {
		res, err := b.reports.ListReports(ctx, &creepagev1.ListReportsRequest{})
		f.Reports = res.GetReports()
		return err
	})
	g.Go(func() error {
		res, err := b.schedules.ListReportDestinations(ctx, &creepagev1.ListReportDestinationsRequest{})
		f.Places = res.GetReportDestinations()
		return err
	})
	if err := g.Wait(); err != nil {
		return err
	}
	for _, report := range f.Reports {
		for _, format := range report.GetFormats() {
			if format != "csvw" && !slices.Contains(f.Formats, format) { // it comes beside a CSV file by itself
				f.Formats = append(f.Formats, format)
			}
		}
	}
	return nil
}

func (b *Board) showAhead(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.aheadPage(w, r, v, http.StatusOK, &aheadPage{})
}

func (b *Board) aheadPage(w http.ResponseWriter, r *http.Request, v *visitor, code int, p *aheadPage) {
	if err := b.aheadForms(r, &p.aheadForm); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	res, err := b.schedules.ListReportSchedules(r.Context(), &creepagev1.ListReportSchedulesRequest{PageSize: 1000})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	p.Schedules = res.GetReportSchedules()
	if p.Form == nil {
		p.Form = url.Values{"frequency": {"WEEKLY"}, "as_of": {"DAY_END"}, "span": {"ALL"}, "hour": {"6"}, "weekday": {"1"}, "month_day": {"1"}, "format": {"csv"}}
		if report := r.URL.Query().Get("report"); report != "" {
			p.Form.Set("report", report)
		}
	}
	b.render(w, r, code, "ahead", "Files made ahead", v, p)
}

// scheduleOf reads the form of a timetable.
func scheduleOf(r *http.Request) *creepagev1.ReportSchedule {
	text := func(name string) string { return strings.TrimSpace(r.PostFormValue(name)) }
	number := func(name string) *int32 {
		n, err := strconv.ParseInt(text(name), 10, 32)
		if err != nil {
			return proto.Int32(-1) // which is refused, with what is allowed
		}
		return proto.Int32(int32(n))
	}
	s := &creepagev1.ReportSchedule{Title: text("title"), Report: "reports/" + text("report"), Format: text("format"), Filter: text("filter"),
		AsOf: creepagev1.ReportSchedule_AsOf(creepagev1.ReportSchedule_AsOf_value[text("as_of")]), Span: creepagev1.ReportSchedule_Span(creepagev1.ReportSchedule_Span_value[text("span")]),
		Frequency: creepagev1.ReportSchedule_Frequency(creepagev1.ReportSchedule_Frequency_value[text("frequency")]), Hour: number("hour"), TimeZone: text("time_zone"),
		Destination: "reportDestinations/" + text("destination"), Folder: text("folder")}
	switch s.GetFrequency() {
	case creepagev1.ReportSchedule_WEEKLY:
		s.Weekday = number("weekday")
	case creepagev1.ReportSchedule_MONTHLY:
		s.MonthDay = number("month_day")
	}
	s.Columns = strings.FieldsFunc(text("columns"), func(c rune) bool { return c == ',' || c == ' ' })
	return s
}

// scheduleForm is what the form of a timetable holds that stands.
func scheduleForm(s *creepagev1.ReportSchedule) url.Values {
	return url.Values{"title": {s.GetTitle()}, "report": {id(s.GetReport())}, "format": {s.GetFormat()}, "filter": {s.GetFilter()}, "columns": {strings.Join(s.GetColumns(), ", ")},
		"as_of": {s.GetAsOf().String()}, "span": {s.GetSpan().String()}, "frequency": {s.GetFrequency().String()}, "hour": {strconv.Itoa(int(s.GetHour()))},
		"weekday": {strconv.Itoa(int(cmp.Or(s.GetWeekday(), 1)))}, "month_day": {strconv.Itoa(int(cmp.Or(s.GetMonthDay(), 1)))}, "time_zone": {s.GetTimeZone()},
		"destination": {id(s.GetDestination())}, "folder": {s.GetFolder()}}
}

func (b *Board) createAhead(w http.ResponseWriter, r *http.Request, v *visitor) {
	made, err := b.schedules.CreateReportSchedule(r.Context(), &creepagev1.CreateReportScheduleRequest{ReportSchedule: scheduleOf(r)})
	if taken(err) {
		b.aheadPage(w, r, v, http.StatusBadRequest, &aheadPage{aheadForm: aheadForm{Form: r.PostForm, Wrong: mistakesOf(err, "No timetable was made.")}})
		return
	}
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/ahead/"+url.PathEscape(id(made.GetName()))+"?done=ahead", http.StatusSeeOther)
}

// aheadOnePage is one timetable with the files made by it.
type aheadOnePage struct {
	aheadForm
	Schedule *creepagev1.ReportSchedule
	Report   string // its title
	Runs     []*creepagev1.ReportRun
	Only     string // of the runs: pending, made, failed
	NextPage string
}

func scheduleName(r *http.Request) string { return "reportSchedules/" + r.PathValue("schedule") }

func (b *Board) showAheadOne(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.aheadOnePage(w, r, v, http.StatusOK, &aheadOnePage{})
}

func (b *Board) aheadOnePage(w http.ResponseWriter, r *http.Request, v *visitor, code int, p *aheadOnePage) {
	var err error
	if p.Schedule, err = b.schedules.GetReportSchedule(r.Context(), &creepagev1.GetReportScheduleRequest{Name: scheduleName(r)}); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	if err := b.aheadForms(r, &p.aheadForm); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	if p.Form == nil {
		p.Form = scheduleForm(p.Schedule)
	}
	p.Report = p.TitleOf(p.Schedule.GetReport())
	q := r.URL.Query()
	req := &creepagev1.ListReportRunsRequest{Parent: scheduleName(r), PageSize: runsShown, PageToken: q.Get("page")}
	if p.Only = q.Get("only"); slices.Contains([]string{"pending", "made", "failed"}, p.Only) {
		req.State = creepagev1.ReportRun_State(creepagev1.ReportRun_State_value[strings.ToUpper(p.Only)])
	}
	res, err := b.schedules.ListReportRuns(r.Context(), req)
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	p.Runs = res.GetRuns()
	if token := res.GetNextPageToken(); token != "" {
		p.NextPage = "?" + url.Values{"only": {p.Only}, "page": {token}}.Encode()
	}
	if r.Method == http.MethodGet && slices.ContainsFunc(p.Runs, func(run *creepagev1.ReportRun) bool {
		return run.GetState() == creepagev1.ReportRun_PENDING && run.LastError == nil
	}) {
		w.Header().Set("Refresh", "2") // what became of it, without any script
	}
	b.render(w, r, code, "aheadone", cmp.Or(p.Schedule.GetTitle(), p.Report), v, p)
}

// aheadDone shows a timetable after something was done with it; typed is what
// stands in its form if that was not taken, nil for what it is.
func (b *Board) aheadDone(w http.ResponseWriter, r *http.Request, v *visitor, err error, what string, typed url.Values) {
	if taken(err) {
		b.aheadOnePage(w, r, v, http.StatusBadRequest, &aheadOnePage{aheadForm: aheadForm{Form: typed, Wrong: mistakesOf(err, "Nothing was changed.")}})
		return
	}
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/ahead/"+url.PathEscape(r.PathValue("schedule"))+"?done="+what, http.StatusSeeOther)
}

func (b *Board) changeAhead(w http.ResponseWriter, r *http.Request, v *visitor) {
	s := scheduleOf(r)
	s.Name = scheduleName(r)
	paths := []string{"title", "report", "format", "filter", "columns", "as_of", "span", "frequency", "hour", "time_zone", "destination", "folder"}
	switch {
	case s.Weekday != nil:
		paths = append(paths, "weekday")
	case s.MonthDay != nil:
		paths = append(paths, "month_day")
	}
	_, err := b.schedules.UpdateReportSchedule(r.Context(), &creepagev1.UpdateReportScheduleRequest{ReportSchedule: s, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}})
	b.aheadDone(w, r, v, err, "ahead-changed", r.PostForm)
}

func (b *Board) switchAhead(w http.ResponseWriter, r *http.Request, v *visitor) {
	if r.PostFormValue("to") == "off" {
		_, err := b.schedules.DisableReportSchedule(r.Context(), &creepagev1.DisableReportScheduleRequest{Name: scheduleName(r)})
		b.aheadDone(w, r, v, err, "ahead-off", nil)
		return
	}
	_, err := b.schedules.EnableReportSchedule(r.Context(), &creepagev1.EnableReportScheduleRequest{Name: scheduleName(r)})
	b.aheadDone(w, r, v, err, "ahead-on", nil)
}

func (b *Board) makeAhead(w http.ResponseWriter, r *http.Request, v *visitor) {
	_, err := b.schedules.RunReportSchedule(r.Context(), &creepagev1.RunReportScheduleRequest{Name: scheduleName(r)})
	b.aheadDone(w, r, v, err, "ahead-run", nil)
}

func (b *Board) retryAhead(w http.ResponseWriter, r *http.Request, v *visitor) {
	_, err := b.schedules.RetryReportRun(r.Context(), &creepagev1.RetryReportRunRequest{Name: scheduleName(r) + "/runs/" + r.PathValue("run")})
	b.aheadDone(w, r, v, err, "ahead-run", nil)
}

func (b *Board) removeAhead(w http.ResponseWriter, r *http.Request, v *visitor) {
	if _, err := b.schedules.DeleteReportSchedule(r.Context(), &creepagev1.DeleteReportScheduleRequest{Name: scheduleName(r)}); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	http.Redirect(w, r, "/ahead?done=ahead-removed", http.StatusSeeOther)
}

// giveAhead passes a file on that was made, or the description of its columns.
func (b *Board) giveAhead(w http.ResponseWriter, r *http.Request, v *visitor) {
	stream, err := b.schedules.DownloadReportRun(r.Context(), &creepagev1.DownloadReportRunRequest{Name: scheduleName(r) + "/runs/" + r.PathValue("run"), Description: r.URL.Query().Get("columns") != ""})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	download.Serve(w, stream, func(err error) { b.failWith(w, r, v, err) })
}

// timetableText says when a timetable is due.
func timetableText(s *creepagev1.ReportSchedule) string {
	when := "every day"
	switch s.GetFrequency() {
	case creepagev1.ReportSchedule_WEEKLY:
		when = "every " + wordOf(aheadWeekdays, strconv.Itoa(int(s.GetWeekday())))
	case creepagev1.ReportSchedule_MONTHLY:
		when = fmt.Sprintf("on day %d of every month", s.GetMonthDay())
		if s.GetMonthDay() > 28 {
			when += " (or its last)"
		}
	}
	return fmt.Sprintf("%s at %02d:00, %s", when, s.GetHour(), cmp.Or(s.GetTimeZone(), time.UTC.String()))
}

// runWords says what became of a file.
func runWords(r *creepagev1.ReportRun) string {
	switch {
	case r.GetState() == creepagev1.ReportRun_MADE:
		return "made"
	case r.GetState() == creepagev1.ReportRun_FAILED:
		return "given up"
	case r.LastError != nil:
		return "failed so far, tried again"
	}
	return "on its way"
}
