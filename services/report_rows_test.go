package services_test

import (
	"bytes"
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	_ "github.com/duckdb/duckdb-go/v2"
	"github.com/google/go-cmp/cmp"

	creepagev1 "creepage/api/creepage/v1"
)

// What a report holds in one format it holds in the others, read back by DuckDB, and a workbook by openpyxl, row by row.
func TestAllFormatsHoldTheSameRows(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	twoOutlooks(t, s)
	threeVisits(t, s, "e", "f")
	db, err := sql.Open("duckdb", "")
	must(t, err)
	defer db.Close()
	for name, least := range map[string]int{"readings": 9, "outlooks": 2, "warnings": 1, "fleet_summary": 3, "tracks": 7} {
		dir := t.TempDir()
		from := map[string]string{}
		for format, read := range map[string]string{"parquet": "read_parquet('%s')", "csv": "read_csv('%s', header=true, all_varchar=true)", "jsonl": "read_json('%s', format='newline_delimited')"} {
			_, _, body := s.rest(t, "GET", "/v1/reports/"+name+":download?format="+format, s.fleetKey, "")
			file := filepath.Join(dir, name+"."+format)
			must(t, os.WriteFile(file, []byte(body), 0o600))
			from[format] = fmt.Sprintf(read, file)
		}
		_, err := db.ExecContext(t.Context(), `CREATE OR REPLACE TABLE p AS SELECT * FROM `+from["parquet"])
		must(t, err)
		// The CSV's cells take the types that Parquet states.
		_, err = db.ExecContext(t.Context(), `CREATE OR REPLACE TABLE c AS SELECT * FROM p WHERE false`)
		must(t, err)
		_, err = db.ExecContext(t.Context(), `INSERT INTO c BY NAME SELECT * FROM `+from["csv"])
		must(t, err)
		_, err = db.ExecContext(t.Context(), `CREATE OR REPLACE TABLE j AS SELECT * FROM p WHERE false`)
		must(t, err)
		_, err = db.ExecContext(t.Context(), `INSERT INTO j BY NAME SELECT * FROM `+from["jsonl"])
		must(t, err)
		_, _, book := s.rest(t, "GET", "/v1/reports/"+name+":download?format=xlsx", s.fleetKey, "")
		sheet := filepath.Join(dir, name+"-sheet.jsonl")
		must(t, os.WriteFile(sheet, sheetRows(t, book), 0o600))
		_, err = db.ExecContext(t.Context(), `CREATE OR REPLACE TABLE x AS SELECT * FROM p WHERE false`)
		must(t, err)
		_, err = db.ExecContext(t.Context(), `INSERT INTO x BY NAME SELECT * FROM read_json('`+sheet+`', format='newline_delimited')`)
		must(t, err)
		var rows, other int
		must(t, db.QueryRowContext(t.Context(), `SELECT count(*) FROM p`).Scan(&rows))
		must(t, db.QueryRowContext(t.Context(), `SELECT (SELECT count(*) FROM (SELECT * FROM p EXCEPT ALL SELECT * FROM c)) + (SELECT count(*) FROM (SELECT * FROM c EXCEPT ALL SELECT * FROM p))
			+ (SELECT count(*) FROM (SELECT * FROM p EXCEPT ALL SELECT * FROM j)) + (SELECT count(*) FROM (SELECT * FROM j EXCEPT ALL SELECT * FROM p))`).Scan(&other))
		if rows < least || other != 0 {
			t.Errorf("%s: %d rows, %d that another format does not hold", name, rows, other)
		}
		// Spreadsheets keep 15 significant digits of a number.
		var list string
		must(t, db.QueryRowContext(t.Context(), `SELECT string_agg(CASE data_type WHEN 'DOUBLE' THEN 'format(''{:.15g}'', "' || column_name || '")' ELSE '"' || column_name || '"' END, ', ')
			FROM information_schema.columns WHERE table_name = 'p'`).Scan(&list))
		must(t, db.QueryRowContext(t.Context(), `SELECT (SELECT count(*) FROM (SELECT `+list+` FROM p EXCEPT ALL SELECT `+list+` FROM x)) + (SELECT count(*) FROM (SELECT `+list+` FROM x EXCEPT ALL SELECT `+list+` FROM p))`).Scan(&other))
		if other != 0 || !strings.Contains(list, "format(") {
			t.Errorf("%s: %d rows that the workbook does not hold, or holds alone", name, other)
		}
	}
}

// sheetRows is a workbook's rows as lines of JSON, read by openpyxl.
func sheetRows(t testing.TB, book string) []byte {
	t.Helper()
	w := openWorkbook(t, book)
	var out bytes.Buffer
	for _, row := range w.Rows {
		line := map[string]any{}
		for i, v := range row {
			line[w.Header[i]] = v
		}
		must(t, json.NewEncoder(&out).Encode(line))
	}
	return out.Bytes()
}

// threeVisits keeps falling readings of some vehicles' motors, a month apart.
func threeVisits(t testing.TB, s *system, vehicles ...string) {
	t.Helper()
	for _, name := range vehicles {
		key := s.vehicle(t, s.organisation, name)
		for i := range 3 {
			s.keep(t, s.organisation, key, motorReading(fmt.Sprint(name, "-", i), name, now.AddDate(0, -i, 0).Add(-time.Hour), 1e9/3+float64(i)*1e8))
		}
	}
}

// twoOutlooks says something of two vehicles and warns of one.
func twoOutlooks(t testing.TB, s *system) {
	t.Helper()
	c, d := s.vehicle(t, s.organisation, "c"), s.vehicle(t, s.organisation, "d")
	days := 74.0
	s.say(t, s.organisation, c, now.Add(-time.Hour), creepagev1.Outlook_DUE, 0.48, &days)
	s.say(t, s.organisation, d, now.Add(-2*time.Hour), creepagev1.Outlook_STEADY, 0.02, nil)
	s.warn(t, s.organisation, c, now.Add(-time.Hour))
}

func TestTheFleetSummaryAddsUpToTheLists(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	twoOutlooks(t, s)
	s.db.Exec(t, `INSERT INTO codes (organisation_id, vehicle_id, code, set_at, received_at) SELECT organisation_id, vehicle_id, 'P0AA6', $1, $1 FROM warnings`, now.Add(11*time.Hour))
	s.passed.Store(int64(24 * time.Hour))
	_, _, body := s.rest(t, "GET", "/v1/reports/fleet_summary:download?filter=component%20%3D%20MOTOR", s.fleetKey, "")
	rows := table(t, body)
	if got := columnOf(rows, "month"); !cmp.Equal(got, []string{"2026-02-01", "2026-03-01"}) {
		t.Fatalf("months %q", got)
	}
	want := map[string]string{"platform": "harbor-van-400", "component": "motor", "shop": "north-yard", "vehicles": "1", "readings": "2", "over_range_share": "0",
		"vehicles_limited": "2", "codes_90d": "0.5", "codes_90d_p10": "0", "codes_90d_p90": "1", "codes_365d": "", "warnings": "1", "warnings_with_code": "1", "lead_d_median": "0.5", "repairs": "0"}
	for name, value := range want {
		if rows[1][name] != value {
			t.Errorf("%s is %q, want %q", name, rows[1][name], value)
		}
	}
	list, err := s.fleet.ListOutlooks(s.with(s.fleetKey), &creepagev1.ListOutlooksRequest{})
	must(t, err)
	sum := 0.0
	for _, o := range list.GetOutlooks() {
		sum += o.GetCodeProbability_90D()
	}
	if got, err := strconv.ParseFloat(rows[1]["codes_90d"], 64); err != nil || got != sum {
		t.Errorf("codes expected %v, the list's probabilities add up to %v", got, sum)
	}
}

func TestEveryFieldOfAReportCanBeFilteredBy(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	twoOutlooks(t, s)
	list, err := creepagev1.NewReportServiceClient(s.conn).ListReports(s.with(s.fleetKey), &creepagev1.ListReportsRequest{})
	must(t, err)
	values := map[string]string{"component": "MOTOR", "limiting_component": "MOTOR", "method": "TESTER", "state": "DUE", "kind": "CODE_DUE", "standing": "true", "finding": "FAULT_FOUND", "retired": "false",
		"measure_time": `"2026-03-02T10:00:00Z"`, "raise_time": `"2026-03-02T10:00:00Z"`, "measure_again_by": `"2026-03-20T00:00:00Z"`,
		"code_probability_30d": "0.5", "code_probability_90d": "0.5", "days_to_code_p50": "74"}
	for _, r := range list.GetReports() {
		for _, field := range r.GetFilterFields() {
			value := values[field]
			if value == "" {
				value = `"x"`
			}
			if _, _, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: r.GetName(), Filter: field + " = " + value}); err != nil {
				t.Errorf("%s, %s = %s: %v", r.GetName(), field, value, err)
			}
		}
	}
}
