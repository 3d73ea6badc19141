package services_test

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/services/report"
)

// reading is a reading of the motor's first phase.
func motorReading(id, vehicle string, at time.Time, ohms float64) *creepagev1.Reading {
	return &creepagev1.Reading{ReadingId: id, Shop: "shops/north-yard", Vehicle: "vehicles/" + vehicle, Platform: proto.String("platforms/harbor-van-400"),
		MeasureTime: timestamppb.New(at), Method: creepagev1.Reading_TESTER, Component: creepagev1.Reading_MOTOR, Conductor: creepagev1.Reading_PHASE_U,
		Reference: creepagev1.Reading_CHASSIS, ResistanceOhms: ohms, TestVolts: proto.Float64(500), HoldSeconds: proto.Float64(60)}
}

// threeReadings keeps readings of two vehicles in two months.
func threeReadings(t testing.TB, s *system) {
	t.Helper()
	a, b := s.vehicle(t, s.organisation, "a"), s.vehicle(t, s.organisation, "b")
	s.keep(t, s.organisation, b, motorReading("r-2", "b", now.AddDate(0, -1, 0), 0.1))
	s.keep(t, s.organisation, a, motorReading("r-1", "a", now.Add(-time.Hour), 123456789.125))
	s.keep(t, s.organisation, a, motorReading("r-3", "a", now.Add(-2*time.Hour), 5.5e8))
}

// download reads a whole report over gRPC.
func (s *system) download(t testing.TB, key string, req *creepagev1.DownloadReportRequest) (metadata.MD, string, error) {
	t.Helper()
	stream, err := creepagev1.NewReportServiceClient(s.conn).DownloadReport(s.with(key), req)
	must(t, err)
	return readDownload(stream)
}

func readDownload(stream grpc.ServerStreamingClient[httpbody.HttpBody]) (metadata.MD, string, error) {
	var file strings.Builder
	for {
		piece, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			md, err := stream.Header()
			return md, file.String(), err
		}
		if err != nil {
			return nil, file.String(), err
		}
		file.Write(piece.GetData())
	}
}

// table reads a CSV file into one map a row.
func table(t testing.TB, text string) []map[string]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	must(t, err)
	var list []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, cell := range row {
			m[rows[0][i]] = cell
		}
		list = append(list, m)
	}
	return list
}

func columnOf(rows []map[string]string, name string) []string {
	var list []string
	for _, r := range rows {
		list = append(list, r[name])
	}
	return list
}

func TestADownloadIsTheFileItselfWithItsNameAndType(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	code, header, body := s.rest(t, "GET", "/v1/reports/readings:download?format=csv&asOfTime=2026-03-02T12:00:00Z", s.fleetKey, "")
	if code != http.StatusOK || header.Get("Content-Type") != "text/csv; charset=utf-8; header=present" ||
		header.Get("Content-Disposition") != `attachment; filename="creepage-readings-20260302T120000Z.csv"` || header.Get("Creepage-As-Of") != "2026-03-02T12:00:00Z" {
		t.Errorf("%d %v", code, header)
	}
	if got := columnOf(table(t, body), "reading_id"); !cmp.Equal(got, []string{"r-2", "r-3", "r-1"}) {
		t.Errorf("rows %q, want them by time", got)
	}
	_, again, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/readings"})
	if err != nil || again != body {
		t.Errorf("over gRPC, %v:\n%s\nover REST:\n%s", err, again, body)
	}
	// The description of the columns lies where the header says.
	link := header.Get("Link")
	path := link[1:strings.IndexByte(link, '>')]
	code, header, body = s.rest(t, "GET", path, s.fleetKey, "")
	var doc map[string]any
	if err := json.Unmarshal([]byte(body), &doc); code != http.StatusOK || err != nil || header.Get("Content-Type") != "application/csvm+json" {
		t.Fatalf("%d %v %v", code, err, header)
	}
	if doc["dc:source"] != "/v1/reports/readings:download?asOfTime=2026-03-02T12%3A00%3A00Z&format=csv" || doc["dc:creator"] != "creepage test" {
		t.Errorf("%v", doc)
	}
}

func TestAReportHoldsTheNumbersOfTheList(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	_, file, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/readings"})
	must(t, err)
	list, err := s.fleet.ListReadings(s.with(s.fleetKey), &creepagev1.ListReadingsRequest{Parent: "vehicles/-"})
	must(t, err)
	rows := table(t, file)
	if len(rows) != 3 || len(list.GetReadings()) != 3 {
		t.Fatalf("%d rows, %d in the list", len(rows), len(list.GetReadings()))
	}
	for i, row := range rows {
		m := list.GetReadings()[len(rows)-1-i] // the list is newest first
		ohms, err := strconv.ParseFloat(row["resistance_ohm"], 64)
		if r := m.GetReading(); err != nil || ohms != r.GetResistanceOhms() || row["reading_id"] != r.GetReadingId() || "vehicles/"+row["vehicle"] != r.GetVehicle() ||
			row["measured_at"] != r.GetMeasureTime().AsTime().Format(time.RFC3339Nano) {
			t.Errorf("row %v, list %v", row, m)
		}
		if row["service_limit"] != "met" || row["service_limit_ohm"] != "1e+08" || row["temperature_c"] != "" {
			t.Errorf("row %v", row)
		}
	}
}

func TestAReportIsWhatWasKnownThen(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	ctx := s.with(s.adminKey)
	_, err := s.intake.VoidReading(ctx, &creepagev1.VoidReadingRequest{ReadingId: "r-1", Reason: "lead on the wrong phase"})
	must(t, err)
	s.passed.Store(int64(time.Hour))
	a := s.vehicle(t, s.organisation, "c")
	s.say(t, s.organisation, a, now.Add(-48*time.Hour), creepagev1.Outlook_FALLING, 0.1, nil)
	s.say(t, s.organisation, a, now.Add(-time.Hour), creepagev1.Outlook_DUE, 0.48, proto.Float64(74))
	for asOf, want := range map[string]string{"2026-03-02T11:59:00Z": "", "2026-03-02T12:30:00Z": "lead on the wrong phase"} {
		_, _, body := s.rest(t, "GET", "/v1/reports/readings:download?columns=reading_id,void_reason&asOfTime="+asOf, s.fleetKey, "")
		if rows := table(t, body); len(rows) != 3 || rows[2]["void_reason"] != want || len(rows[2]) != 2 {
			t.Errorf("as of %s: %v", asOf, rows)
		}
	}
	for asOf, want := range map[string][]string{"2026-02-27T00:00:00Z": nil, "2026-03-01T12:00:00Z": {"falling"}, "2026-03-02T12:00:00Z": {"due"}} {
		_, _, body := s.rest(t, "GET", "/v1/reports/outlooks:download?asOfTime="+asOf, s.fleetKey, "")
		if got := columnOf(table(t, body), "state"); !cmp.Equal(got, want) {
			t.Errorf("as of %s: %q, want %q", asOf, got, want)
		}
	}
	if _, _, body := s.rest(t, "GET", "/v1/reports/readings:download?asOfTime=2026-02-20T00:00:00Z", s.fleetKey, ""); len(table(t, body)) != 1 {
		t.Errorf("what came later is in the file:\n%s", body)
	}
}

func TestFiltersAndRangesAreThoseOfTheLists(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	_, err := s.fleet.RenameVehicle(s.with(s.adminKey), &creepagev1.RenameVehicleRequest{Name: "vehicles/a", NewVehicleId: "a2"})
	must(t, err)
	for query, want := range map[string][]string{
		`filter=vehicle = "vehicles/b"`:                                        {"r-2"},
		`filter=vehicle = "a"`:                                                 {"r-3", "r-1"}, // a former name
		`filter=vehicle = "a2" AND shop = "shops/south-yard"`:                  nil,
		`filter=vehicle = "nobody"`:                                            nil,
		`filter=vehicle = "a*" AND component = MOTOR`:                          {"r-3", "r-1"},
		`filter=NOT vehicle = "a2"`:                                            {"r-2"},
		`filter=measure_time < "2026-02-15T00:00:00Z"`:                         {"r-2"},
		`startTime=2026-02-15T00:00:00Z`:                                       {"r-3", "r-1"},
		`endTime=2026-03-02T11:00:00Z&startTime=2026-03-02T10:00:00Z`:          {"r-3"},
		`filter=method = MONITOR OR meter = "m-1" OR platform = "harbor-loop"`: nil,
	} {
		name, value, _ := strings.Cut(query, "=")
		if name == "filter" {
			query = "filter=" + url.QueryEscape(value)
		}
		code, _, body := s.rest(t, "GET", "/v1/reports/readings:download?"+query, s.fleetKey, "")
		if got := columnOf(table(t, body), "reading_id"); code != http.StatusOK || !cmp.Equal(got, want) {
			t.Errorf("%s: %d %q, want %q", query, code, got, want)
		}
	}
}

func TestWhatCannotBeReportedIsSaidBeforeTheFirstByte(t *testing.T) {
	s := start(t)
	for query, want := range map[string][2]string{
		"readings:download?format=docx":                                                      {"format", `"docx" is none of csv, xlsx, parquet, jsonl, csvw`},
		"readings:download?filter=colour+%3D+RED":                                            {"filter", "colour is not a field of this list; allowed are component, method"},
		"readings:download?columns=reading_id,mood":                                          {"columns", `"mood" is not a column of the report readings; allowed are reading_id, shop`},
		"readings:download?columns=shop&columns=shop":                                        {"columns", `"shop" is named twice`},
		"readings:download?startTime=2026-03-02T00:00:00Z&endTime=2026-03-01T00:00:00Z":      {"end_time", "2026-03-01T00:00:00Z does not lie after start_time, 2026-03-02T00:00:00Z"},
		"outlooks:download?startTime=2026-03-02T00:00:00Z":                                   {"start_time", "has one row a vehicle and no range of time"},
		"outlooks:download?asOfTime=2027-03-02T00:00:00Z":                                    {"as_of_time", "lies in the future"},
		"horoscopes:download":                                                                {"name", `"reports/horoscopes" is none of reports/readings, reports/tracks`},
		"readings:download?asOfTime=yesterday":                                               {"as_of_time", "yesterday"},
		"readings:download?fromat=csv":                                                       {"fromat", "is not a field"},
		"horoscopes":                                                                         {"name", `"reports/horoscopes" is none of`},
		"warnings:download?filter=" + url.QueryEscape(`raise_time > "2026"`) + "&format=csv": {"filter", "RFC 3339"},
	} {
		code, header, body := s.rest(t, "GET", "/v1/reports/"+query, s.fleetKey, "")
		var answer struct {
			Details []struct {
				FieldViolations []struct{ Field, Description string }
			}
		}
		if err := json.Unmarshal([]byte(body), &answer); err != nil || code != http.StatusBadRequest || header.Get("Content-Disposition") != "" {
			t.Errorf("%s: %d %v %s", query, code, header, body)
			continue
		}
		found := fmt.Sprint(answer.Details)
		if !strings.Contains(found, "{"+want[0]+" ") || !strings.Contains(found, want[1]) {
			t.Errorf("%s: %s, want field %s saying %q", query, body, want[0], want[1])
		}
	}
}

func TestAReportWithoutRowsIsAFileWithItsHeader(t *testing.T) {
	s := start(t)
	for _, r := range []string{"readings", "tracks", "outlooks", "warnings", "fleet_summary"} {
		for _, f := range append(report.Formats(), report.CSVW) {
			code, _, body := s.rest(t, "GET", "/v1/reports/"+r+":download?format="+string(f), s.fleetKey, "")
			if code != http.StatusOK || body == "" && f != report.JSONL {
				t.Errorf("%s as %s: %d, %d bytes", r, f, code, len(body))
			}
			if f == report.CSV && (strings.Count(body, "\r\n") != 1 || !strings.Contains(","+body, ",vehicle,") && !strings.Contains(body, ",vehicles,")) {
				t.Errorf("%s: %q", r, body)
			}
		}
	}
}

func TestReportsAreForThoseWhoMayReadEverythingOfTheirOwn(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	_, stranger := s.newOrganisation(t, "another")
	for name, c := range map[string]struct {
		key  string
		code int
		rows int
	}{"shop": {s.shopKey, http.StatusForbidden, 0}, "feeder": {s.feederKey, http.StatusForbidden, 0}, "fleet": {s.fleetKey, http.StatusOK, 3},
		"analyst": {s.newKey(t, creepagev1.Key_ANALYST, ""), http.StatusOK, 3}, "administrator": {s.adminKey, http.StatusOK, 3}, "another organisation's": {stranger, http.StatusOK, 0}} {
		code, _, body := s.rest(t, "GET", "/v1/reports/readings:download", c.key, "")
		if code != c.code || code == http.StatusOK && len(table(t, body)) != c.rows {
			t.Errorf("%s: %d %s", name, code, body)
		}
	}
}

func TestTheReportsExplainTheirColumns(t *testing.T) {
	s := start(t)
	list, err := creepagev1.NewReportServiceClient(s.conn).ListReports(s.with(s.fleetKey), &creepagev1.ListReportsRequest{})
	must(t, err)
	for _, r := range list.GetReports() {
		one, err := creepagev1.NewReportServiceClient(s.conn).GetReport(s.with(s.fleetKey), &creepagev1.GetReportRequest{Name: r.GetName()})
		if err != nil || !proto.Equal(one, r) {
			t.Errorf("%s: %v", r.GetName(), err)
		}
		for _, c := range r.GetColumns() {
			if c.GetDescription() == "" || c.GetKind() == 0 || (c.GetKind() == creepagev1.ReportColumn_NUMBER) != (c.GetUnit() != "") {
				t.Errorf("%s: column %v", r.GetName(), c)
			}
		}
	}
	for kind, want := range map[report.Kind]creepagev1.ReportColumn_Kind{report.Text: creepagev1.ReportColumn_TEXT, report.Number: creepagev1.ReportColumn_NUMBER,
		report.Integer: creepagev1.ReportColumn_INTEGER, report.Time: creepagev1.ReportColumn_TIME, report.Date: creepagev1.ReportColumn_DATE, report.Flag: creepagev1.ReportColumn_FLAG} {
		if creepagev1.ReportColumn_Kind(kind) != want {
			t.Errorf("kind %d is %s in the contract", kind, want)
		}
	}
}

func TestADownloadThatItsReaderLeavesFreesItsPlace(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	s.db.Exec(t, `INSERT INTO readings SELECT r.organisation_id, r.reading_id || '-' || i, r.measured_at, r.vehicle_id, r.received_at, r.vehicle, r.shop, r.platform, r.visit, r.meter, r.method,
		r.component, r.conductor, r.reference, r.quantity, r.relation, r.moisture, r.warmth, r.ohms, r.test_volts, r.hold_seconds, r.air_celsius, r.humidity_pct, r.part_celsius, r.range_ohms,
		r.calibrated_at, r.qualification, r.precautions, r.assessment, r.content, r.backfill, r.voided_at, r.void_reason FROM readings r, generate_series(1, 30000) i`)
	reports := creepagev1.NewReportServiceClient(s.conn)
	var streams []grpc.ServerStreamingClient[httpbody.HttpBody]
	ctx, leave := context.WithCancel(s.with(s.fleetKey))
	defer leave()
	for range 3 {
		stream, err := reports.DownloadReport(ctx, &creepagev1.DownloadReportRequest{Name: "reports/readings"})
		must(t, err)
		_, err = stream.Recv() // it is under way, and far from its end
		must(t, err)
		streams = append(streams, stream)
	}
	if _, _, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/readings"}); status.Code(err) != codes.ResourceExhausted {
		t.Errorf("a fourth download at a time: %v", err)
	}
	leave()
	for _, stream := range streams {
		if _, _, err := readDownload(stream); status.Code(err) != codes.Canceled {
			t.Errorf("after its reader left: %v", err)
		}
	}
	deadline := time.Now().Add(20 * time.Second)
	for {
		_, file, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/readings", Columns: []string{"reading_id"}})
		if err == nil {
			if n := strings.Count(file, "\r\n"); n != 90_004 {
				t.Errorf("%d lines, want 90004", n)
			}
			return
		}
		if status.Code(err) != codes.ResourceExhausted || time.Now().After(deadline) {
			t.Fatal(err)
		}
	}
}

// The query of a download whose reader leaves ends in PostgreSQL itself: here it
// waits for a lock that is held all the while, so it cannot have come to its end.
func TestTheQueryOfADownloadThatIsCancelledEndsInTheDatabase(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	owner, err := pgx.Connect(t.Context(), s.db.OwnerURL())
	must(t, err)
	defer func() { must(t, owner.Close(context.Background())) }()
	lock, err := owner.Begin(t.Context())
	must(t, err)
	defer func() { must(t, lock.Rollback(context.Background())) }()
	_, err = lock.Exec(t.Context(), `LOCK TABLE readings IN ACCESS EXCLUSIVE MODE`)
	must(t, err)
	waiting := func() (n int) { // not asked in the lock's transaction, which keeps seeing what it saw at first
		s.db.Query(t, `SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND state = 'active' AND wait_event_type = 'Lock'`, &n)
		return n
	}
	ctx, leave := context.WithCancel(t.Context())
	defer leave()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, s.url+"/v1/reports/readings:download", nil)
	must(t, err)
	req.Header.Set("Authorization", "Bearer "+s.fleetKey)
	ended := make(chan error, 1)
	go func() {
		resp, err := http.DefaultClient.Do(req)
		if err == nil {
			err = resp.Body.Close()
		}
		ended <- err
	}()
	until(t, "the query waits for the lock", func() bool { return waiting() == 1 })
	leave()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("the reader who left: %v", err)
	}
	until(t, "the query is cancelled", func() bool { return waiting() == 0 })
}
