package services_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	creepagev1 "creepage/api/creepage/v1"
)

// readWorkbook reads all of a workbook with openpyxl and prints it as JSON.
const readWorkbook = `
import sys, json, openpyxl
book = openpyxl.load_workbook(sys.argv[1])
sheet = book["rows"]
def value(c):
    v = c.value
    return v.isoformat() if hasattr(v, "isoformat") else v
rows = [[value(c) for c in row] for row in sheet.iter_rows(min_row=2)]
def colour(s, bars):
    p = s.graphicalProperties
    if not bars and p.line.noFill: return ""
    fill = p.solidFill if bars else p.line.solidFill
    return str(fill.srgbClr.val if hasattr(fill.srgbClr, "val") else fill.srgbClr or "") if fill is not None else ""
def chart(c):
    return {"kind": type(c).__name__, "title": "".join(r.t for p in c.title.tx.rich.p for r in (p.r or [])),
      "log": c.y_axis.scaling.logBase, "series": [{"values": (s.yVal or s.val).numRef.f, "name": s.tx.strRef.f, "colour": colour(s, type(c).__name__ == "BarChart")} for s in c.series], "vary": bool(c.varyColors)}
charts = [chart(c) for name in book.sheetnames for c in book[name]._charts]
cells = {}
for name in book.sheetnames:
    if name == "charts":
        cells = {c.coordinate: value(c) for row in book[name].iter_rows() for c in row if c.value is not None}
print(json.dumps({"sheets": book.sheetnames, "frozen": sheet.freeze_panes, "header": [c.value for c in sheet[1]], "notes": [c.comment.text if c.comment else "" for c in sheet[1]],
  "contents": [[c.value for c in row] for row in book["contents"].iter_rows()], "rows": rows, "charts": charts, "cells": cells, "title": book.properties.title, "active": book.active.title}))
`

type workbook struct {
	Sheets, Header, Notes []string
	Frozen, Title, Active string
	Contents, Rows        [][]any
	Charts                []struct {
		Kind, Title string
		Log         float64
		Vary        bool // a colour for each point
		Series      []struct{ Values, Name, Colour string }
	}
	Cells map[string]any
}

func openWorkbook(t testing.TB, body string) workbook {
	t.Helper()
	file := filepath.Join(t.TempDir(), "book.xlsx")
	must(t, os.WriteFile(file, []byte(body), 0o600))
	// Debian's python, where python3-openpyxl lives, whatever other python is first on the path.
	cmd := exec.Command("/usr/bin/python3", "-c", readWorkbook, file)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("openpyxl (Debian package python3-openpyxl) did not read the workbook: %v", err)
	}
	var w workbook
	must(t, json.Unmarshal(out, &w))
	return w
}

// Every report as a workbook, read back by openpyxl: contents, frozen header, notes with units, charts.
func TestEveryReportsWorkbookExplainsItself(t *testing.T) {
	s := start(t)
	threeVisits(t, s, "a", "b")
	twoOutlooks(t, s)
	list, err := creepagev1.NewReportServiceClient(s.conn).ListReports(s.with(s.fleetKey), &creepagev1.ListReportsRequest{})
	must(t, err)
	charts := map[string]int{"reports/tracks": 2, "reports/fleet_summary": 3}
	for _, r := range list.GetReports() {
		_, body, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: r.GetName(), Format: "xlsx"})
		must(t, err)
		w := openWorkbook(t, body)
		sheets := []string{"contents", "rows"}
		if charts[r.GetName()] > 0 {
			sheets = append(sheets, "charts")
		}
		if !cmp.Equal(w.Sheets, sheets) || w.Frozen != "A2" || w.Title != r.GetTitle() || w.Active != "rows" || len(w.Charts) != charts[r.GetName()] || len(w.Rows) == 0 {
			t.Errorf("%s: sheets %q, frozen at %q, title %q, %d charts, %d rows, opens on %q", r.GetName(), w.Sheets, w.Frozen, w.Title, len(w.Charts), len(w.Rows), w.Active)
		}
		said := map[any][]any{}
		for _, line := range w.Contents {
			said[line[0]] = line
		}
		for _, must := range []string{"query", "as of (UTC)", "made by"} {
			if said[must] == nil || said[must][1] == "" {
				t.Errorf("%s: the contents do not say %s", r.GetName(), must)
			}
		}
		for i, c := range r.GetColumns() {
			note := c.GetDescription()
			var unit any
			if c.GetUnit() != "" {
				note += " Unit: " + c.GetUnit() + "."
				unit = c.GetUnit()
			}
			if w.Header[i] != c.GetName() || w.Notes[i] != note {
				t.Errorf("%s: column %d is %q, noted %q; want %q, %q", r.GetName(), i, w.Header[i], w.Notes[i], c.GetName(), note)
			}
			if line := said[c.GetName()]; line == nil || line[1] != unit && !(unit == nil && line[1] == "") || line[2] != c.GetDescription() {
				t.Errorf("%s: the contents explain %s by %v", r.GetName(), c.GetName(), line)
			}
		}
	}
}

// drawnInColours checks that what a chart has is drawn, each series in one colour of its own.
func drawnInColours(t testing.TB, chart string, vary bool, series []struct{ Values, Name, Colour string }) {
	t.Helper()
	for i, s := range series {
		if s.Colour == "" || vary || i > 0 && s.Colour == series[i-1].Colour {
			t.Errorf("chart %s: %s is drawn in %q, a colour for each point %v", chart, s.Name, s.Colour, vary)
		}
	}
}

// A workbook's charts draw the rows: of tracks where they lie, of the fleet summary added up.
func TestAWorkbooksChartsDrawItsRows(t *testing.T) {
	s := start(t)
	threeVisits(t, s, "a", "b")
	twoOutlooks(t, s)
	_, body, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/tracks", Format: "xlsx"})
	must(t, err)
	w := openWorkbook(t, body)
	drawn := 0
	for i, c := range w.Charts {
		if c.Kind != "ScatterChart" || c.Log != 10 || c.Title != []string{"a", "b"}[i] {
			t.Errorf("chart %+v", c)
		}
		drawn += len(c.Series)
		drawnInColours(t, c.Title, c.Vary, c.Series)
	}
	if first := w.Charts[0].Series[0]; drawn < 2 || first.Values != "'rows'!$F$2:$F$4" || first.Name != "charts!$B$4" || w.Cells["B4"] != "motor, phases" || w.Header[5] != "median_ohm" {
		t.Errorf("%+v in %+v, cells %v", w.Charts[0], w.Header, w.Cells)
	}
	_, body, err = s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/fleet_summary", Format: "xlsx"})
	must(t, err)
	w = openWorkbook(t, body)
	readings := 0.0
	for _, row := range w.Rows {
		readings += row[5].(float64)
	}
	if w.Header[5] != "readings" || w.Cells["B3"] != "readings" || w.Cells["B4"].(float64)+w.Cells["B5"].(float64)+w.Cells["B6"].(float64) != readings || readings != 6 {
		t.Errorf("readings by month %v and %v, of rows %v", w.Cells["B4"], w.Cells["B5"], readings)
	}
	if got := w.Charts[1]; got.Kind != "LineChart" || len(got.Series) != 3 || got.Series[1].Values != "'charts'!$D$4:$D$6" || w.Cells["D3"] != "codes_90d" {
		t.Errorf("%+v", got)
	}
	for _, c := range w.Charts {
		drawnInColours(t, c.Title, c.Vary, c.Series)
	}
	// Columns that a chart needs but were not asked for: no chart, and no error.
	_, body, err = s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/fleet_summary", Format: "xlsx", Columns: []string{"month", "readings"}})
	must(t, err)
	if w = openWorkbook(t, body); len(w.Charts) != 1 {
		t.Errorf("%d charts of two columns", len(w.Charts))
	}
}
