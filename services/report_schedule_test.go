package services_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/store"
)

func (s *system) schedules() creepagev1.ReportScheduleServiceClient {
	return creepagev1.NewReportScheduleServiceClient(s.conn)
}

// order creates a daily schedule of readings to the shelf.
func (s *system) order(t testing.TB, change ...func(*creepagev1.ReportSchedule)) *creepagev1.ReportSchedule {
	t.Helper()
	m := &creepagev1.ReportSchedule{Report: "reports/readings", Frequency: creepagev1.ReportSchedule_DAILY, Destination: "reportDestinations/shelf"}
	for _, f := range change {
		f(m)
	}
	made, err := s.schedules().CreateReportSchedule(s.with(s.fleetKey), &creepagev1.CreateReportScheduleRequest{ReportSchedule: m})
	must(t, err)
	return made
}

// made waits until a run is made.
func (s *system) made(t testing.TB, name string) *creepagev1.ReportRun {
	t.Helper()
	s.db.Exec(t, `INSERT INTO river_job (kind, args, max_attempts, queue) VALUES ('due_reports', '{}', 1, 'default')`) // rather than wait for it
	var run *creepagev1.ReportRun
	until(t, name+" is made", func() (yes bool) {
		var err error
		run, err = s.schedules().GetReportRun(s.with(s.fleetKey), &creepagev1.GetReportRunRequest{Name: name})
		must(t, err)
		if run.GetState() == creepagev1.ReportRun_FAILED {
			t.Fatal(run)
		}
		return run.GetState() == creepagev1.ReportRun_MADE
	})
	return run
}

func TestAScheduleIsKeptChangedDisabledAndDeleted(t *testing.T) {
	s := start(t) // it is Monday, 2 March 2026, 12:00 UTC
	made := s.order(t, func(m *creepagev1.ReportSchedule) {
		m.Title, m.Report, m.Format, m.Frequency, m.MonthDay = "Board of directors", "reports/fleet_summary", "xlsx", creepagev1.ReportSchedule_MONTHLY, proto.Int32(31)
		m.AsOf, m.TimeZone, m.Folder = creepagev1.ReportSchedule_MONTH_END, "Europe/Berlin", "monthly/summary"
	})
	if made.GetHour() != 6 || !made.GetNextRunTime().AsTime().Equal(time.Date(2026, 3, 31, 4, 0, 0, 0, time.UTC)) || made.GetSpan() != creepagev1.ReportSchedule_ALL {
		t.Errorf("%v", made)
	}
	code, _, text := s.rest(t, http.MethodPatch, "/v1/"+made.GetName(), s.fleetKey, `{"frequency": "WEEKLY", "weekday": 5, "hour": 0}`)
	if code != http.StatusOK || !strings.Contains(text, `"nextRunTime":"2026-03-05T23:00:00Z"`) || !strings.Contains(text, "Board of directors") {
		t.Errorf("changed: %d %s", code, text)
	}
	for _, verb := range []string{"disable", "enable"} { // in this order: enabling what is enabled changes nothing
		code, _, text = s.rest(t, http.MethodPost, "/v1/"+made.GetName()+":"+verb, s.fleetKey, "")
		if code != http.StatusOK || strings.Contains(text, "nextRunTime") != (verb == "enable") {
			t.Errorf("%s: %d %s", verb, code, text)
		}
	}
	list, err := s.schedules().ListReportSchedules(s.with(s.adminKey), &creepagev1.ListReportSchedulesRequest{})
	must(t, err)
	if len(list.GetReportSchedules()) != 1 || list.GetReportSchedules()[0].GetFolder() != "monthly/summary" {
		t.Errorf("%v", list)
	}
	_, err = s.schedules().DeleteReportSchedule(s.with(s.fleetKey), &creepagev1.DeleteReportScheduleRequest{Name: made.GetName()})
	must(t, err)
	if _, err := s.schedules().GetReportSchedule(s.with(s.fleetKey), &creepagev1.GetReportScheduleRequest{Name: made.GetName()}); status.Code(err) != codes.NotFound {
		t.Errorf("a deleted one: %v", err)
	}
	places, err := s.schedules().ListReportDestinations(s.with(s.fleetKey), &creepagev1.ListReportDestinationsRequest{})
	must(t, err)
	if len(places.GetReportDestinations()) != 1 || places.GetReportDestinations()[0].GetName() != "reportDestinations/shelf" {
		t.Errorf("places %v: want the one that this organisation may use", places)
	}
	var entries int
	s.db.Query(t, `SELECT count(*) FROM audit WHERE action LIKE '%ReportSchedule'`, &entries)
	if entries != 5 {
		t.Errorf("%d entries of the audit", entries)
	}
}

func TestWrongSchedulesAreRefusedByField(t *testing.T) {
	s := start(t)
	for change, want := range map[string][2]string{
		`"report": "reports/horoscopes"`:        {"report", "is none of"},
		`"format": "docx"`:                      {"format", `"docx" is none of`},
		`"format": "csvw"`:                      {"format", "comes beside a CSV file"},
		`"filter": "colour = RED"`:              {"filter", "colour is not a field"},
		`"columns": ["mood"]`:                   {"columns", `"mood" is not a column`},
		`"frequency": "FREQUENCY_UNSPECIFIED"`:  {"frequency", "allowed are DAILY, WEEKLY, MONTHLY"},
		`"hour": 24`:                            {"hour", ""},
		`"weekday": 8`:                          {"weekday", ""},
		`"timeZone": "Berlin"`:                  {"time_zone", "want a name such as Europe/Berlin"},
		`"destination": "reportDestinations/x"`: {"destination", `"x" is none of reportDestinations/shelf`},
		// Not this organisation's; that it is there is not said.
		`"destination": "reportDestinations/theirs"`:    {"destination", `"theirs" is none of reportDestinations/shelf`},
		`"folder": "../other"`:                          {"folder", "does not begin with '.'"},
		`"folder": "a/../../b"`:                         {"folder", "does not begin with '.'"},
		`"folder": "/etc"`:                              {"folder", "want such as monthly/summary"},
		`"folder": "a\\b"`:                              {"folder", "want such as monthly/summary"},
		`"report": "reports/outlooks", "span": "MONTH"`: {"span", "has no range of time"},
	} {
		body := `{"report": "reports/readings", "frequency": "DAILY", "destination": "reportDestinations/shelf", ` + change + `}`
		// The last of two fields of a name counts.
		for _, field := range []string{"report", "frequency", "destination"} {
			if strings.Count(body, `"`+field+`":`) > 1 {
				i := strings.Index(body, `"`+field+`":`)
				body = body[:i] + body[i+strings.Index(body[i:], `, `)+2:]
			}
		}
		code, _, text := s.rest(t, http.MethodPost, "/v1/reportSchedules", s.fleetKey, body)
		if code != http.StatusBadRequest || !strings.Contains(text, `"field":"report_schedule.`+want[0]+`"`) || !strings.Contains(strings.ReplaceAll(text, `\"`, `"`), want[1]) {
			t.Errorf("%s: %d %s, want field %s saying %q", body, code, text, want[0], want[1])
		}
	}
	if code, _, text := s.rest(t, http.MethodGet, "/v1/reportSchedules", s.shopKey, ""); code != http.StatusForbidden {
		t.Errorf("a shop's key: %d %s", code, text)
	}
}

// The file made ahead, that at the destination and that of the direct download
// are the same, byte for byte.
func TestARunThatWasAskedForIsTheFileOfTheReport(t *testing.T) {
	s := start(t)
	s.work(t)
	threeReadings(t, s)
	schedule := s.order(t, func(m *creepagev1.ReportSchedule) { m.Folder = "daily" })
	run, err := s.schedules().RunReportSchedule(s.with(s.fleetKey), &creepagev1.RunReportScheduleRequest{Name: schedule.GetName()})
	must(t, err)
	run = s.made(t, run.GetName())
	if run.GetPath() != "daily/local-readings-2026-03-01.csv" || !run.GetAsOfTime().AsTime().Equal(time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)) || !run.GetAsked() || run.GetRows() != 1 {
		t.Errorf("%v", run)
	}
	_, _, direct := s.rest(t, http.MethodGet, "/v1/reports/readings:download?asOfTime=2026-03-02T00:00:00Z", s.fleetKey, "")
	kept, err := os.ReadFile(filepath.Join(s.shelf, "local", run.GetPath()))
	must(t, err)
	sum := sha256.Sum256(kept)
	if string(kept) != direct || run.GetSha256() != hex.EncodeToString(sum[:]) || run.GetSizeBytes() != int64(len(kept)) {
		t.Errorf("kept\n%s\ndirect\n%s", kept, direct)
	}
	code, header, body := s.rest(t, http.MethodGet, "/v1/"+run.GetName()+":download", s.fleetKey, "")
	if code != http.StatusOK || body != direct || header.Get("ETag") != `"`+run.GetSha256()+`"` || header.Get("Accept-Ranges") != "bytes" ||
		header.Get("Content-Disposition") != `attachment; filename="local-readings-2026-03-01.csv"` || header.Get("Content-Type") != "text/csv; charset=utf-8; header=present" {
		t.Errorf("%d %v\n%s", code, header, body)
	}
	code, _, body = s.rest(t, http.MethodGet, "/v1/"+run.GetName()+":download?description=true", s.fleetKey, "")
	if code != http.StatusOK || !strings.Contains(body, `"url": "local-readings-2026-03-01.csv"`) || !strings.Contains(body, "asOfTime=2026-03-02T00%3A00%3A00Z") {
		t.Errorf("the description: %d %s", code, body)
	}
	// A second one of the same as-of time is another file, and the first stays.
	second, err := s.schedules().RunReportSchedule(s.with(s.fleetKey), &creepagev1.RunReportScheduleRequest{Name: schedule.GetName()})
	must(t, err)
	if second.GetPath() != "daily/local-readings-2026-03-01-2.csv" {
		t.Errorf("the second run's file is %s", second.GetPath())
	}
	files, err := filepath.Glob(filepath.Join(s.shelf, "local", "daily", ".*"))
	must(t, err)
	if len(files) != 0 {
		t.Errorf("left behind: %v", files)
	}
	// It is this organisation's alone.
	_, stranger := s.newOrganisation(t, "another")
	if code, _, text := s.rest(t, http.MethodGet, "/v1/"+run.GetName()+":download", stranger, ""); code != http.StatusNotFound {
		t.Errorf("another organisation's key: %d %s", code, text)
	}
}

// What a worker makes for print is what a caller gets: of whom it is, and how
// many rows it has.
func TestWhatIsMadeAheadForPrintNamesItsOrganisationAndCountsItsRows(t *testing.T) {
	s := start(t)
	s.work(t)
	threeReadings(t, s)
	s.db.Exec(t, `UPDATE organisations SET title = 'Harbour Lines'`)
	for _, c := range []struct {
		report, format, filter string
		rows                   func(text string) int64
	}{
		{"fleet_summary", "pdf", "", nil},
		{"tracks", "pdf", `vehicle = "a"`, nil},
		{"fleet_summary", "xlsx", "", func(text string) int64 { return int64(len(openWorkbook(t, text).Rows)) }},
		{"readings", "xlsx", "", func(text string) int64 { return int64(len(openWorkbook(t, text).Rows)) }},
	} {
		schedule := s.order(t, func(m *creepagev1.ReportSchedule) {
			m.Report, m.Format, m.Filter, m.AsOf = "reports/"+c.report, c.format, c.filter, creepagev1.ReportSchedule_DUE_TIME
		})
		run, err := s.schedules().RunReportSchedule(s.with(s.fleetKey), &creepagev1.RunReportScheduleRequest{Name: schedule.GetName()})
		must(t, err)
		run = s.made(t, run.GetName())
		kept, err := os.ReadFile(filepath.Join(s.shelf, "local", run.GetPath()))
		must(t, err)
		_, direct, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/" + c.report, Format: c.format, Filter: c.filter, AsOfTime: run.GetAsOfTime()})
		must(t, err)
		if c.rows != nil {
			if n := c.rows(string(kept)); run.GetRows() != n || n == 0 {
				t.Errorf("%s as %s: %d rows on record, %d in the file", c.report, c.format, run.GetRows(), n)
			}
			continue
		}
		text := pdfText(t, kept)
		if text != pdfText(t, []byte(direct)) {
			t.Errorf("%s: made ahead\n%s\ndirect\n%s", c.report, text, pdfText(t, []byte(direct)))
		}
		if !strings.Contains(text, "Harbour Lines") || run.GetRows() == 0 {
			t.Errorf("%s: %d rows, of\n%s", c.report, run.GetRows(), text)
		}
	}
}

// What Range, If-Range and ETag mean is RFC 9110, sections 13.1.5, 14 and 8.8.3.
func TestAFileMadeAheadIsReadInParts(t *testing.T) {
	s := start(t)
	s.work(t)
	threeReadings(t, s)
	schedule := s.order(t, func(m *creepagev1.ReportSchedule) { m.AsOf = creepagev1.ReportSchedule_DUE_TIME })
	run, err := s.schedules().RunReportSchedule(s.with(s.fleetKey), &creepagev1.RunReportScheduleRequest{Name: schedule.GetName()})
	must(t, err)
	run = s.made(t, run.GetName())
	path := "/v1/" + run.GetName() + ":download"
	_, _, whole := s.rest(t, http.MethodGet, path, s.fleetKey, "")
	n, etag := len(whole), `"`+run.GetSha256()+`"`
	for _, c := range []struct {
		what, method string
		header       map[string]string
		code         int
		body, part   string
	}{
		{"a part", "GET", map[string]string{"Range": "bytes=10-19"}, 206, whole[10:20], fmt.Sprintf("bytes 10-19/%d", n)},
		{"the rest", "GET", map[string]string{"Range": fmt.Sprintf("bytes=%d-", n-7)}, 206, whole[n-7:], fmt.Sprintf("bytes %d-%d/%d", n-7, n-1, n)},
		{"the last bytes", "GET", map[string]string{"Range": "bytes=-5"}, 206, whole[n-5:], fmt.Sprintf("bytes %d-%d/%d", n-5, n-1, n)},
		{"the rest, of the file that was begun", "GET", map[string]string{"Range": "bytes=10-", "If-Range": etag}, 206, whole[10:], fmt.Sprintf("bytes 10-%d/%d", n-1, n)},
		{"all, for that is another file", "GET", map[string]string{"Range": "bytes=10-", "If-Range": `"of yesterday"`}, 200, whole, ""},
		{"nothing, for it is known", "GET", map[string]string{"If-None-Match": etag}, 304, "", ""},
		{"refused, for it is another", "GET", map[string]string{"If-Match": `"of yesterday"`}, 412, "", ""},
		{"behind the end", "GET", map[string]string{"Range": fmt.Sprintf("bytes=%d-", n)}, 416, "RANGE_NOT_SATISFIABLE", fmt.Sprintf("bytes */%d", n)},
		{"what it is", "HEAD", nil, 200, "", ""},
	} {
		req, err := http.NewRequest(c.method, s.url+path, nil)
		must(t, err)
		req.Header.Set("Authorization", "Bearer "+s.fleetKey)
		for k, v := range c.header {
			req.Header.Set(k, v)
		}
		resp, err := http.DefaultClient.Do(req)
		must(t, err)
		body, err := io.ReadAll(resp.Body)
		must(t, err)
		must(t, resp.Body.Close())
		same := string(body) == c.body || c.code == 416 && strings.Contains(string(body), c.body)
		if resp.StatusCode != c.code || !same || resp.Header.Get("Content-Range") != c.part || c.method == "HEAD" && resp.ContentLength != int64(n) {
			t.Errorf("%s: %d %q %v, want %d, part %q", c.what, resp.StatusCode, body, resp.Header, c.code, c.part)
		}
	}
	// Over gRPC the same by offset and length.
	stream, err := s.schedules().DownloadReportRun(s.with(s.fleetKey), &creepagev1.DownloadReportRunRequest{Name: run.GetName(), Offset: 10, Length: proto.Int64(10)})
	must(t, err)
	if _, got, err := readDownload(stream); err != nil || got != whole[10:20] {
		t.Errorf("%q, %v", got, err)
	}
	// A file that is not the one that was made has no ETag to answer for.
	must(t, os.WriteFile(filepath.Join(s.shelf, "local", run.GetPath()), []byte("something else"), 0o600))
	if code, _, text := s.rest(t, http.MethodGet, path, s.fleetKey, ""); code != http.StatusBadRequest || !strings.Contains(text, "FILE_CHANGED") {
		t.Errorf("%d %s", code, text)
	}
	must(t, os.Remove(filepath.Join(s.shelf, "local", run.GetPath())))
	if code, _, text := s.rest(t, http.MethodGet, path, s.fleetKey, ""); code != http.StatusBadRequest || !strings.Contains(text, "FILE_GONE") {
		t.Errorf("%d %s", code, text)
	}
}

// openFiles counts how often this process has a file open.
func openFiles(t testing.TB, file string) (n int) {
	t.Helper()
	entries, err := os.ReadDir("/proc/self/fd")
	must(t, err)
	for _, e := range entries {
		if to, err := os.Readlink("/proc/self/fd/" + e.Name()); err == nil && to == file {
			n++
		}
	}
	return n
}

// Readers that go away in the middle free the file and their place; a file that
// ends early is never taken for a whole one.
func TestADownloadOfAFileMadeAheadThatIsCancelledOrBreaks(t *testing.T) {
	s := start(t)
	s.work(t)
	threeReadings(t, s)
	schedule := s.order(t)
	run, err := s.schedules().RunReportSchedule(s.with(s.fleetKey), &creepagev1.RunReportScheduleRequest{Name: schedule.GetName()})
	must(t, err)
	run = s.made(t, run.GetName())
	file := filepath.Join(s.shelf, "local", run.GetPath())
	const size = 16 << 20 // more than lies in buffers on the way
	must(t, os.WriteFile(file, []byte(strings.Repeat("0123456789abcdef", size/16)), 0o600))
	s.db.Exec(t, `UPDATE report_runs SET bytes = $1`, size)
	for range 40 { // more than may read at a time
		ctx, cancel := context.WithCancel(s.with(s.fleetKey))
		stream, err := s.schedules().DownloadReportRun(ctx, &creepagev1.DownloadReportRunRequest{Name: run.GetName()})
		must(t, err)
		if _, err := stream.Recv(); err != nil {
			t.Fatal(err)
		}
		cancel()
		for err == nil {
			_, err = stream.Recv()
		}
		if status.Code(err) != codes.Canceled {
			t.Fatalf("a cancelled download ends with %v", err)
		}
	}
	until(t, "the file is closed by all", func() bool { return openFiles(t, file) == 0 })
	if _, text, err := s.readRun(t, run); err != nil || len(text) != size {
		t.Fatalf("afterwards %d bytes came, %v", len(text), err)
	}
	// The file is cut off while it is read.
	stream, err := s.schedules().DownloadReportRun(s.with(s.fleetKey), &creepagev1.DownloadReportRunRequest{Name: run.GetName()})
	must(t, err)
	_, err = stream.Recv()
	must(t, err)
	must(t, os.Truncate(file, size/2))
	if _, text, err := readDownload(stream); err == nil {
		t.Errorf("a file that was cut off came as a whole one of %d bytes", len(text))
	}
	// Over REST the same breaks the connection off before the length that was announced.
	must(t, os.WriteFile(file, []byte(strings.Repeat("0123456789abcdef", size/16)), 0o600))
	req, err := http.NewRequest(http.MethodGet, s.url+"/v1/"+run.GetName()+":download", nil)
	must(t, err)
	req.Header.Set("Authorization", "Bearer "+s.fleetKey)
	resp, err := http.DefaultClient.Do(req)
	must(t, err)
	defer resp.Body.Close()
	_, err = io.ReadFull(resp.Body, make([]byte, 1000))
	must(t, err)
	must(t, os.Truncate(file, size/2))
	if n, err := io.Copy(io.Discard, resp.Body); err == nil {
		t.Errorf("over REST a file that was cut off ended in order after %d bytes", n+1000)
	}
	until(t, "the file is closed by all", func() bool { return openFiles(t, file) == 0 })
}

// readRun downloads the file of a run.
func (s *system) readRun(t testing.TB, run *creepagev1.ReportRun) (metadata.MD, string, error) {
	t.Helper()
	stream, err := s.schedules().DownloadReportRun(s.with(s.fleetKey), &creepagev1.DownloadReportRunRequest{Name: run.GetName()})
	must(t, err)
	return readDownload(stream)
}

func (s *system) execAs(t testing.TB, login, sql string) error {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.db.URL(login))
	must(t, err)
	defer func() { must(t, conn.Close(t.Context())) }()
	_, err = conn.Exec(t.Context(), sql)
	return err
}

func TestNoRoleMayChangeWhereAFileOfAnotherOrganisationGoes(t *testing.T) {
	s := start(t)
	schedule := s.order(t)
	for _, login := range []string{store.AnalystLogin, store.WorkerLogin} {
		if err := s.execAs(t, login, `UPDATE report_schedules SET destination = 'x'`); err == nil {
			t.Errorf("%s may change a schedule", login)
		}
	}
	if err := s.execAs(t, store.AnalystLogin, `SELECT * FROM report_schedules`); err == nil {
		t.Error("an analyst's login reads schedules")
	}
	if err := s.execAs(t, store.APILogin, `SET ROLE creepage_report`); err == nil {
		t.Errorf("the api may take the worker's role of reports, %s", schedule.GetName())
	}
}
