package services_test

import (
	"os"
	"regexp"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/wire"
)

// largeFleet is as many vehicles as the fleet summary must stand.
const largeFleet = 20_000

// fillFleet keeps a fleet as the worker leaves it: 40 platforms, 300 shops, a
// year of outlooks and readings.
func fillFleet(t testing.TB, s *system) {
	t.Helper()
	outlook := &creepagev1.Outlook{State: creepagev1.Outlook_FALLING, CodeProbability_30D: 0.004, CodeProbability_90D: 0.02, Reason: "the motor falls", EvaluateTime: wire.Timestamp(now),
		LimitingComponent: creepagev1.Reading_MOTOR.Enum(), MeasureAgainBy: proto.String("2026-03-20")}
	for i := range 24 {
		outlook.Curve = append(outlook.Curve, &creepagev1.CurvePoint{Days: 30 * float64(i+1), Probability: 0.01 * float64(i+1)})
	}
	for c := creepagev1.Reading_BATTERY; c <= creepagev1.Reading_HEATER; c++ {
		outlook.Parts = append(outlook.Parts, &creepagev1.Part{Component: c, Group: "phases", MedianOhms: 1e9, P10Ohms: 8e8, P90Ohms: 1.2e9, DecadesPer_30D: -0.01 * float64(c), ReadingCount: 12})
	}
	details, err := protojson.Marshal(outlook)
	must(t, err)
	s.db.Exec(t, `INSERT INTO platforms (organisation_id, id) SELECT $1, 'platform-' || i FROM generate_series(0, 39) i`, s.organisation)
	s.db.Exec(t, `INSERT INTO vehicles (organisation_id, name, platform, created_at) SELECT $1, 'van-' || i, 'platform-' || i % 40, $2 FROM generate_series(1, $3::int) i`, s.organisation, now.AddDate(-1, 0, 0), largeFleet)
	s.db.Exec(t, `INSERT INTO vehicle_states (vehicle_id, organisation_id, last_shop, last_measured_at) SELECT id, organisation_id, 'shop-' || id % 300, $1 FROM vehicles`, now)
	const said = ` (organisation_id, vehicle_id, evaluated_at, state, p30, p90, days_p50, limiting, reason, details, params_version)
		SELECT organisation_id, id, $1::timestamptz + id * interval '1 second', CASE WHEN id % 100 = 0 THEN 3 ELSE 2 END, 0.01, (id % 997) / 1000.0, id % 400, 4, 'the motor falls',
			$2::jsonb || jsonb_build_object('codeProbability90d', (id % 997) / 20000.0, 'state', CASE WHEN id % 100 = 0 THEN 'DUE' ELSE 'FALLING' END), 'v' FROM vehicles `
	for month := range 12 {
		at := now.AddDate(0, month-11, -1)
		which := `WHERE id % 5 = ` + strconv.Itoa(month%5) // a fifth says something new each month
		if month == 0 {
			which = ""
		}
		s.db.Exec(t, `INSERT INTO outlooks`+said+which, at, string(details))
		s.db.Exec(t, `SELECT make_reading_partition($1::timestamptz::date)`, at)
		s.db.Exec(t, `INSERT INTO readings (organisation_id, reading_id, measured_at, vehicle_id, received_at, vehicle, shop, platform, method, component, conductor, reference, quantity, relation, ohms, content)
			SELECT organisation_id, name || '-' || $2::int, $1, id, $1, name, 'shop-' || id % 300, platform, 1, 3 + id % 6, 1, 1, 1, 1 + (id % 7 = 0)::int, 1e8 * (1 + id % 9), sha256(name::bytea) FROM vehicles `+
			`WHERE $2 IN (0, 11) OR id % 5 = $2 % 5`, at, month)
		s.db.Exec(t, `INSERT INTO warnings (id, organisation_id, vehicle_id, kind, component, raised_at, probability, days_p50, reason)
			SELECT gen_random_uuid(), organisation_id, id, 1, 4, $1, 0.3, 60, 'the motor falls' FROM vehicles WHERE id % 240 = $2`, at, month)
	}
	s.db.Exec(t, `INSERT INTO latest_outlooks`+said, now.Add(-24*time.Hour), string(details))
	s.db.Exec(t, `ANALYZE`)
}

// A fleet of that size is a few pages with their limits said on them, made in
// bounded memory.
func TestTheFleetSummaryOf20000VehiclesIsAFewPages(t *testing.T) {
	s := start(t)
	fillFleet(t, s)
	s.passed.Store(int64(time.Hour))
	debug.FreeOSMemory()
	must(t, os.WriteFile("/proc/self/clear_refs", []byte("5"), 0)) // proc(5): count the peak anew
	began := time.Now()
	_, pdf, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/fleet_summary", Format: "pdf"})
	must(t, err)
	took := time.Since(began)
	status, err := os.ReadFile("/proc/self/status")
	must(t, err)
	held, err := strconv.Atoi(regexp.MustCompile(`VmHWM:\s+(\d+) kB`).FindStringSubmatch(string(status))[1])
	must(t, err)
	if file := os.Getenv("CREEPAGE_KEEP_PDF"); file != "" {
		must(t, os.WriteFile(file, []byte(pdf), 0o600))
	}
	text := pdfText(t, []byte(pdf))
	pages := strings.Count(text, "\f")
	t.Logf("%d vehicles: %s, %d pages, %d kB, at most %d MB held", largeFleet, took.Round(time.Millisecond), pages, len(pdf)>>10, held>>10)
	if pages > 20 || held > 300<<10 {
		t.Errorf("%d pages made with %d kB", pages, held)
	}
	flat := strings.Join(strings.Fields(text), " ")
	for _, word := range []string{"20000: 0 under, 200 due, 19800 falling", "The 100 of 300 shops with most codes expected within 90 days; the report's other formats have all.",
		"The 15 most urgent, of 200; the report outlooks has all.", "6 of 40 platforms"} {
		if !strings.Contains(flat, word) {
			t.Errorf("the pages lack %q", word)
		}
	}
}
