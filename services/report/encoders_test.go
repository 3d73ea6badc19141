package report_test

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	_ "github.com/duckdb/duckdb-go/v2"
	"github.com/google/go-cmp/cmp"

	"creepage/services/report"
)

// Every format is read back by a reader that is none of ours: CSV, JSON lines and Parquet by DuckDB, spreadsheets
// by Debian's python3-openpyxl. All must find the same rows.

var table = report.Table{Name: "sample", Title: "Sample of every kind", Columns: []report.Column{
	{Name: "reading_id", Kind: report.Text, Help: "Identity of the reading."},
	{Name: "resistance_ohm", Kind: report.Number, Unit: "ohm", Help: "Insulation resistance."},
	{Name: "readings", Kind: report.Integer, Help: "How many."},
	{Name: "measured_at", Kind: report.Time, Help: "When it was taken."},
	{Name: "measure_again_by", Kind: report.Date, Help: "Measure again by this day."},
	{Name: "backfill", Kind: report.Flag, Help: "Imported from old records."},
}}

var about = report.About{Query: `readings where vehicle = "truck-17"`, AsOf: time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC), Software: "creepage test"}

// sampleRows has the awkward cells: quotes, commas, line ends, text a spreadsheet would run, empty cells, extremes.
func sampleRows() [][]report.Value {
	at := time.Date(2026, 3, 2, 9, 15, 30, 250_000_000, time.FixedZone("", 3600))
	day := time.Date(2026, 3, 20, 0, 0, 0, 0, time.UTC)
	return [][]report.Value{
		{report.TextValue("r-1"), report.NumberValue(5.5e8), report.IntegerValue(3), report.TimeValue(at), report.TimeValue(day), report.FlagValue(true)},
		{report.TextValue(`say "ohm", twice`), report.NumberValue(0.1), report.IntegerValue(0), report.TimeValue(at.Add(time.Hour)), report.TimeValue(day), report.FlagValue(false)},
		{report.TextValue("two\nlines"), report.NumberValue(math.MaxFloat64), report.IntegerValue(math.MaxInt32), report.TimeValue(at), {}, {}},
		{report.TextValue("Ω µ 漢"), report.NumberValue(math.NaN()), {}, {}, report.TimeValue(day), report.FlagValue(true)},
		{{}, report.NumberValue(-1.25), report.IntegerValue(-7), report.TimeValue(at), report.TimeValue(day), report.FlagValue(false)},
	}
}

func encode(t *testing.T, f report.Format, rows [][]report.Value) []byte {
	t.Helper()
	var out bytes.Buffer
	e, err := report.NewEncoder(f, &out, &table, about)
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows {
		if err := e.Row(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// plain is a row as text, with "-" for an empty cell, so that every reader's answer can be compared.
func plain(rows [][]report.Value) []string {
	var out []string
	for _, row := range rows {
		cells := make([]string, len(row))
		for i, v := range row {
			cells[i] = "-"
			if !v.Given {
				continue
			}
			switch table.Columns[i].Kind {
			case report.Text:
				cells[i] = v.S
			case report.Number:
				cells[i] = fmt.Sprint(v.F)
			case report.Integer:
				cells[i] = fmt.Sprint(v.I)
			case report.Time:
				cells[i] = v.T.UTC().Format("2006-01-02T15:04:05.000000")
			case report.Date:
				cells[i] = v.T.Format(time.DateOnly)
			case report.Flag:
				cells[i] = fmt.Sprint(v.I != 0)
			}
		}
		out = append(out, strings.Join(cells, "|"))
	}
	return out
}

func readWithDuckDB(t *testing.T, query string) []string {
	t.Helper()
	db, err := sql.Open("duckdb", "")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.QueryContext(context.Background(), query)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var (
			id       sql.NullString
			ohm      sql.NullFloat64
			n        sql.NullInt64
			at, by   sql.NullTime
			backfill sql.NullBool
		)
		if err := rows.Scan(&id, &ohm, &n, &at, &by, &backfill); err != nil {
			t.Fatal(err)
		}
		cell := func(valid bool, s string) string {
			if valid {
				return s
			}
			return "-"
		}
		out = append(out, strings.Join([]string{
			cell(id.Valid, id.String), cell(ohm.Valid, fmt.Sprint(ohm.Float64)), cell(n.Valid, fmt.Sprint(n.Int64)),
			cell(at.Valid, at.Time.UTC().Format("2006-01-02T15:04:05.000000")), cell(by.Valid, by.Time.Format(time.DateOnly)),
			cell(backfill.Valid, fmt.Sprint(backfill.Bool)),
		}, "|"))
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}

const columns = "reading_id, resistance_ohm, readings, measured_at, measure_again_by, backfill"

func TestTableFormatsReadBackAsTheSameRowsInDuckDB(t *testing.T) {
	for f, from := range map[report.Format]string{
		report.CSV:     `read_csv(%s, header=true, columns={'reading_id':'VARCHAR','resistance_ohm':'DOUBLE','readings':'BIGINT','measured_at':'TIMESTAMPTZ','measure_again_by':'DATE','backfill':'BOOLEAN'})`,
		report.JSONL:   `read_json(%s, format='newline_delimited', columns={'reading_id':'VARCHAR','resistance_ohm':'DOUBLE','readings':'BIGINT','measured_at':'TIMESTAMPTZ','measure_again_by':'DATE','backfill':'BOOLEAN'})`,
		report.Parquet: `read_parquet(%s)`,
	} {
		t.Run(string(f), func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "sample."+string(f))
			if err := os.WriteFile(file, encode(t, f, sampleRows()), 0o600); err != nil {
				t.Fatal(err)
			}
			got := readWithDuckDB(t, "SELECT "+columns+" FROM "+fmt.Sprintf(from, "'"+file+"'"))
			if d := cmp.Diff(plain(sampleRows()), got); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestParquetCarriesUnitsAndQuery(t *testing.T) {
	file := filepath.Join(t.TempDir(), "sample.parquet")
	if err := os.WriteFile(file, encode(t, report.Parquet, sampleRows()), 0o600); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("duckdb", "")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for key, want := range map[string]string{"unit.resistance_ohm": "ohm", "query": about.Query, "as_of": "2026-03-02T09:15:00Z", "help.readings": "How many."} {
		var got string
		if err := db.QueryRow("SELECT value::VARCHAR FROM parquet_kv_metadata('"+file+"') WHERE key = ?", key).Scan(&got); err != nil {
			t.Fatalf("%s: %v", key, err)
		}
		if strings.ReplaceAll(got, `\x22`, `"`) != want {
			t.Errorf("%s = %q, want %q", key, got, want)
		}
	}
	var compression string
	if err := db.QueryRow("SELECT DISTINCT compression FROM parquet_metadata('" + file + "')").Scan(&compression); err != nil || compression != "ZSTD" {
		t.Errorf("compression %q, %v: want ZSTD in every column", compression, err)
	}
}

// More rows than a row group holds and a page's dictionary bears, in columns
// that differ in how often a text comes again.
func TestALongParquetFileReadsBackInDuckDB(t *testing.T) {
	const n = 150_000
	long := report.Table{Name: "long", Title: "Long", Columns: []report.Column{
		{Name: "reading_id", Kind: report.Text}, {Name: "visit", Kind: report.Text}, {Name: "component", Kind: report.Text}, {Name: "ohm", Kind: report.Number}}}
	file := filepath.Join(t.TempDir(), "long.parquet")
	out, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	e, err := report.NewEncoder(report.Parquet, out, &long, about)
	if err != nil {
		t.Fatal(err)
	}
	words := []string{"motor", "cable", "", "battery"}
	for i := range n {
		row := []report.Value{report.TextValue(fmt.Sprintf("identity-of-reading-%d", i)), report.TextValue(fmt.Sprintf("v-%d", i/10)), report.TextValue(words[i%4]), report.NumberValue(float64(i) / 8)}
		if err := e.Row(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(e.Close(), out.Close()); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("duckdb", "")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	// Each row against the same formula, in the order of the file.
	var rows, same, groups int
	err = db.QueryRow(`SELECT count(*), count(*) FILTER (reading_id = 'identity-of-reading-' || i AND visit = 'v-' || i // 10
		AND component IS NOT DISTINCT FROM (['motor', 'cable', NULL, 'battery'])[i % 4 + 1] AND ohm = i / 8.0)
		FROM (SELECT *, file_row_number AS i FROM read_parquet('`+file+`', file_row_number = true))`).Scan(&rows, &same)
	if err != nil || rows != n || same != n {
		t.Errorf("%d rows, %d of them as written, %v; want %d", rows, same, err, n)
	}
	err = db.QueryRow(`SELECT count(DISTINCT row_group_id) FROM parquet_metadata('` + file + `')`).Scan(&groups)
	if err != nil || groups != 3 {
		t.Errorf("%d row groups, %v: want 3", groups, err)
	}
	// What a reader may leave out by each column's least and most must be true of the rows.
	var found int
	err = db.QueryRow(`SELECT count(*) FROM read_parquet('` + file + `') WHERE reading_id BETWEEN 'identity-of-reading-70000' AND 'identity-of-reading-70009'`).Scan(&found)
	if err != nil || found != 10 { // 700000 and further are more than there are
		t.Errorf("%d rows between two identities, %v: want 10", found, err)
	}
}

const readSheet = `
import sys, json, datetime, openpyxl
book = openpyxl.load_workbook(sys.argv[1])
rows = []
def cell(kind, v):
    if v is None: return "-"
    if kind == "number": return float(v)
    if kind == "time": return v.isoformat(timespec="milliseconds")
    if kind == "date": return v.date().isoformat()
    if kind == "flag": return bool(v)
    return v
kinds = ["text", "number", "integer", "time", "date", "flag"]
sheet = book["rows"]
for row in sheet.iter_rows(min_row=2):
    rows.append([cell(k, c.value) for k, c in zip(kinds, row)])
contents = [[c.value for c in row] for row in book["contents"].iter_rows()]
print(json.dumps({"sheets": book.sheetnames, "frozen": sheet.freeze_panes, "header": [c.value for c in sheet[1]],
  "notes": [c.comment.text for c in sheet[1]], "rows": rows, "contents": contents}))
`

func TestSpreadsheetReadsBackAsTheSameRowsInOpenpyxl(t *testing.T) {
	rows := sampleRows()
	rows[2][1] = report.NumberValue(2.5e12)
	file := filepath.Join(t.TempDir(), "sample.xlsx")
	if err := os.WriteFile(file, encode(t, report.XLSX, rows), 0o600); err != nil {
		t.Fatal(err)
	}
	// Debian's python, where python3-openpyxl lives, whatever other python is first on the path.
	cmd := exec.Command("/usr/bin/python3", "-c", readSheet, file)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("openpyxl (Debian package python3-openpyxl) did not read the spreadsheet: %v", err)
	}
	var got struct {
		Sheets, Header, Notes []string
		Frozen                string
		Rows, Contents        [][]any
	}
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	want := [][]any{
		{"r-1", 5.5e8, 3.0, "2026-03-02T08:15:30.250", "2026-03-20", true},
		{`say "ohm", twice`, 0.1, 0.0, "2026-03-02T09:15:30.250", "2026-03-20", false},
		{"two\nlines", 2.5e12, float64(math.MaxInt32), "2026-03-02T08:15:30.250", "-", "-"},
		{"Ω µ 漢", "-", "-", "-", "2026-03-20", true},
		{"-", -1.25, -7.0, "2026-03-02T08:15:30.250", "2026-03-20", false},
	}
	if d := cmp.Diff(want, got.Rows); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]string{"contents", "rows"}, got.Sheets); d != "" {
		t.Error(d)
	}
	if got.Frozen != "A2" || got.Header[1] != "resistance_ohm" || got.Notes[1] != "Insulation resistance. Unit: ohm." {
		t.Errorf("frozen %q, header %q, notes %q", got.Frozen, got.Header, got.Notes)
	}
	if got.Contents[3][1] != about.Query || got.Contents[10][1] != "ohm" {
		t.Errorf("contents sheet: %v", got.Contents)
	}
}

func TestCSVIsTheSameBytesEachTimeAndSafeInASpreadsheet(t *testing.T) {
	rows := sampleRows()
	rows[0][0] = report.TextValue(`=HYPERLINK("http://example.invalid")`)
	first := encode(t, report.CSV, rows)
	if !bytes.Equal(first, encode(t, report.CSV, rows)) {
		t.Error("the same rows gave other bytes")
	}
	lines := strings.SplitN(string(first), "\r\n", 3)
	if want := "reading_id,resistance_ohm,readings,measured_at,measure_again_by,backfill"; lines[0] != want {
		t.Errorf("header %q, want %q", lines[0], want)
	}
	if want := `"'=HYPERLINK(""http://example.invalid"")",5.5e+08,3,2026-03-02T08:15:30.25Z,2026-03-20,true`; lines[1] != want {
		t.Errorf("row  %s\nwant %s", lines[1], want)
	}
}

func TestAnEmptyTableIsAnHonestFileWithItsHeader(t *testing.T) {
	if got := string(encode(t, report.CSV, nil)); got != columnsHeader() {
		t.Errorf("csv: %q", got)
	}
	file := filepath.Join(t.TempDir(), "empty.parquet")
	if err := os.WriteFile(file, encode(t, report.Parquet, nil), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := readWithDuckDB(t, "SELECT "+columns+" FROM read_parquet('"+file+"')"); len(got) != 0 {
		t.Errorf("parquet: %q", got)
	}
}

func columnsHeader() string { return strings.ReplaceAll(columns, " ", "") + "\r\n" }

func TestARowOfTheWrongWidthIsRefused(t *testing.T) {
	for _, f := range report.Formats() {
		e, err := report.NewEncoder(f, &bytes.Buffer{}, &table, about)
		if err != nil {
			t.Fatal(err)
		}
		if err := e.Row(make([]report.Value, 2)); err == nil || !strings.Contains(err.Error(), "2 cells") {
			t.Errorf("%s: %v", f, err)
		}
	}
}

func TestCSVMetadataDescribesEveryColumn(t *testing.T) {
	raw, err := report.CSVMetadata("sample.csv", &table, about)
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		URL         string `json:"url"`
		Source      string `json:"dc:source"`
		TableSchema struct {
			Columns []struct {
				Name, Datatype string
				Unit           string `json:"schema:unitText"`
			}
		} `json:"tableSchema"`
	}
	if err := json.Unmarshal(raw, &doc); err != nil {
		t.Fatal(err)
	}
	if doc.URL != "sample.csv" || doc.Source != about.Query || len(doc.TableSchema.Columns) != len(table.Columns) {
		t.Fatalf("%s", raw)
	}
	if c := doc.TableSchema.Columns[1]; c.Name != "resistance_ohm" || c.Datatype != "double" || c.Unit != "ohm" {
		t.Errorf("%+v", c)
	}
}
