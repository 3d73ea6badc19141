package sheet

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/xuri/excelize/v2"
)

const yardMapping = `{"decimal_comma": true, "time_forms": ["DD.MM.YYYY hh:mm", "serial"], "time_zone": "Europe/Berlin", "ids": ["vehicle"],
  "columns": {"reading_id": "Nr", "vehicle": "Fahrzeug", "measured_at": "Datum", "component": "Bauteil", "temperature_c": "Temperatur"},
  "phases": {"phase_u": "U", "phase_v": "V"}, "units": {"resistance_ohm": "MΩ"}, "words": {"component": {"Fahrmotor": "motor"}},
  "constants": {"shop": "yard", "platform": "van", "method": "tester", "reference": "chassis", "range_ohm": "2 GΩ"}}`

func workbook(t testing.TB, rows ...[]any) string {
	t.Helper()
	book := excelize.NewFile()
	for i, row := range rows {
		cell, err := excelize.CoordinatesToCellName(1, i+1)
		if err != nil {
			t.Fatal(err)
		}
		if err := book.SetSheetRow("Sheet1", cell, &row); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(t.TempDir(), "yard.xlsx")
	if err := book.SaveAs(path); err != nil {
		t.Fatal(err)
	}
	return path
}

// In a workbook numbers that are numbers and numbers that were typed as text
// stand in one column; a point in the one is a decimal point, in the other it
// groups thousands.
func TestAWorkbookMixesNumbersAndTypedNumbers(t *testing.T) {
	path := workbook(t, []any{"Nr", "Fahrzeug", "Datum", "Bauteil", "U", "V", "Temperatur"},
		[]any{1, "LKW 17", time.Date(2025, 7, 1, 10, 15, 0, 0, time.UTC), "Fahrmotor", 412.5, "412,5", 21.5},
		[]any{2, " lkw-17 ", "01.07.2025 10:15", "Fahrmotor", 1.234, "1.234", "21,5"},
		[]any{3, "Müll/3", "01.07.2025 10:15", "Fahrmotor", 1.25e-2, ">550", -3})
	want := []struct {
		vehicle string
		ohms    float64
		celsius float64
	}{{"lkw-17", 412.5e6, 21.5}, {"lkw-17", 412.5e6, 21.5}, {"lkw-17", 1.234e6, 21.5}, {"lkw-17", 1234e6, 21.5}, {"muell-3", 0.0125e6, -3}, {"muell-3", 550e6, -3}}
	rows := rowsOf(t, path, mapping(t, yardMapping))
	if len(rows) != len(want) {
		t.Fatalf("%d readings, want %d", len(rows), len(want))
	}
	at := time.Date(2025, 7, 1, 8, 15, 0, 0, time.UTC) // summer time
	for i, row := range rows {
		if row.Err != nil || row.Reading.Vehicle != want[i].vehicle || row.Reading.Ohms != want[i].ohms || row.Reading.AirCelsius != want[i].celsius || !row.Reading.MeasuredAt.Equal(at) {
			t.Errorf("reading %d: %v %q %g %g %v, want %+v at %v", i, row.Err, row.Reading.Vehicle, row.Reading.Ohms, row.Reading.AirCelsius, row.Reading.MeasuredAt, want[i], at)
		}
	}
}

// The rejects file is read by the very mapping that refused its rows, whether
// they came from a workbook or from a file with another separator.
func TestRejectsAreMendedAndReadByTheSameMapping(t *testing.T) {
	good := []string{"1", "LKW 17", "01.07.2025 10:15", "Fahrmotor", "412,5", ">550", "21,5"}
	bad := slices.Clone(good)
	bad[0], bad[4] = "2", "kaputt"
	header := []string{"Nr", "Fahrzeug", "Datum", "Bauteil", "U", "V", "Temperatur"}
	cells := func(row []string) (out []any) {
		for _, c := range row {
			out = append(out, c)
		}
		return out
	}
	semicolons := strings.Replace(yardMapping, "{", `{"separator": ";", `, 1)
	for name, c := range map[string]struct{ path, mapping string }{
		"workbook":   {workbook(t, cells(header), cells(good), cells(bad), []any{3, "LKW 18", 45839.5, "Fahrmotor", "kaputt", 1.5, 20.25}), yardMapping},
		"semicolons": {file(t, "yard.csv", strings.Join(header, ";")+"\n"+strings.Join(good, ";")+"\n"+strings.Join(bad, ";")+"\n3;LKW 18;01.07.2025 12:00;Fahrmotor;kaputt;1,5;20,25\n"), semicolons},
	} {
		m := mapping(t, c.mapping)
		im := Import{Now: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), Batch: 100}
		dryRun := func(path, rejects string) Counts {
			t.Helper()
			r, err := Open(path, m)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			defer r.Close()
			if im.Rejects, err = NewRejects(rejects, r, 0); err != nil {
				t.Fatal(err)
			}
			n, err := im.Run(context.Background(), r)
			if err := im.Rejects.Close(); err != nil {
				t.Fatal(err)
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			return n
		}
		rejects := c.path + ".rejects.csv"
		if n := dryRun(c.path, rejects); n.Rejected != 2 || n.Accepted != 4 {
			t.Errorf("%s: %+v", name, n)
		}
		text, err := os.ReadFile(rejects)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(rejects, []byte(strings.ReplaceAll(string(text), "kaputt", "300")), 0o600); err != nil {
			t.Fatal(err)
		}
		if n := dryRun(rejects, rejects+".again.csv"); n.Rejected != 0 || n.Accepted != 4 {
			t.Errorf("%s, mended: %+v\n%s", name, n, text)
		}
	}
}

func TestAColumnOfSeveralTimeFormsIsProposedWithEach(t *testing.T) {
	path := workbook(t, []any{"Fahrzeug", "Datum", "Bauteil", "Riso"},
		[]any{"LKW 1", "02.03.2026 10:15", "motor", 1}, []any{"LKW 1", 46083.5, "motor", 1}, []any{"LKW 1", "2.3.26", "motor", 1})
	m, err := Suggest(path, "")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"DD.MM.YYYY hh:mm", "D.M.YY", "serial"}, m.TimeForms); diff != "" {
		t.Error(diff)
	}
	if unsure := strings.Join(m.Unsure, "\n"); strings.Contains(unsure, "time_forms") || !strings.Contains(unsure, `"LKW 1", which would become "lkw-1"`) {
		t.Error(unsure)
	}
}

// A dry run says of every reading what would become of it.
func TestADryRunTellsOfEveryReading(t *testing.T) {
	path := file(t, "old.csv", "vehicle,platform,measured_at,method,component,conductor,reference,relation,resistance_ohm,test_volt,hold_s,temperature_c,humidity_pct,reading_id,shop\n"+
		"t-1,van,2025-07-01T10:15:00Z,tester,motor,phase_u,chassis,,>550M,500,,,,r-1,yard\nt-1,van,2025-07-01T10:15:00Z,tester,motor,phase_u,chassis,,5 apples,500,,,,r-2,yard\nt-1,van,2099-07-01T10:15:00Z,tester,motor,phase_u,chassis,,5M,500,,,,r-3,yard\n")
	r, err := Open(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var told []string
	im := Import{Now: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), Batch: 100, Judged: func(row Row, refused error) {
		text := row.Reading.ID
		if refused != nil {
			text = "refused"
		}
		told = append(told, text)
	}}
	if im.Rejects, err = NewRejects(path+".rejects.csv", r, 0); err != nil {
		t.Fatal(err)
	}
	defer im.Rejects.Close()
	if _, err := im.Run(context.Background(), r); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"r-1", "refused", "refused"}, told); diff != "" {
		t.Error(diff)
	}
}
