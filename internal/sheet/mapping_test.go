package sheet

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/xuri/excelize/v2"

	"creepage/internal/insulation"
)

func mapping(t testing.TB, text string) *Mapping {
	t.Helper()
	m, err := ReadMapping(strings.NewReader(text), "m.json")
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func file(t testing.TB, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func rowsOf(t testing.TB, path string, m *Mapping) []Row {
	t.Helper()
	r, err := Open(path, m)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	return readAll(t, r)
}

const shopsMapping = `{
  "separator": ";",
  "columns": {"vehicle": "Fahrzeug", "measured_at": ["Datum", "Uhrzeit"], "component": "Bauteil", "test_volt": "Prüfspannung",
    "hold_s": "Haltezeit", "temperature_c": "Temp", "humidity_pct": "Feuchte", "reading_id": "Nr"},
  "phases": {"phase_u": "Riso U", "phase_v": "Riso V", "phase_w": "Riso W"},
  "constants": {"shop": "nord", "platform": "van-400", "method": "tester", "reference": "chassis", "range_ohm": "550 MΩ"},
  "words": {"component": {"Fahrmotor": "motor", "Generator": "generator"}},
  "units": {"resistance_ohm": "MΩ"},
  "decimal_comma": true, "time_forms": ["DD.MM.YYYY hh:mm"], "time_zone": "Europe/Berlin"
}`

func TestATableAsAShopKeepsItBecomesReadings(t *testing.T) {
	path := file(t, "alt.csv", "Nr;Fahrzeug;Datum;Uhrzeit;Bauteil;Riso U;Riso V;Riso W;Prüfspannung;Haltezeit;Temp;Feuchte;Bemerkung\r\n"+
		"17;truck-1;02.03.2026;10:15;Fahrmotor;412,5;OL;1,2 GΩ;500 V;1 min;21,5;48 %;alles gut\r\n"+
		"18;truck-1;02.07.2026;10:15;Fahrmotor;;>550;;0,5 kV;60;70 °F;48;nur V\r\n")
	rows := rowsOf(t, path, mapping(t, shopsMapping))
	type said struct {
		Line                    int
		ID                      string
		At                      time.Time
		Conductor               insulation.Conductor
		Relation                insulation.Relation
		Ohms, Volts, Hold, Temp float64
	}
	var got []said
	for _, r := range rows {
		if r.Err != nil {
			t.Fatalf("line %d: %v", r.Line, r.Err)
		}
		v := r.Reading
		got = append(got, said{r.Line, v.ID, v.MeasuredAt, v.Conductor, v.Relation, v.Ohms, v.TestVolts, v.HoldSeconds, v.AirCelsius})
	}
	winter, summer := time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC), time.Date(2026, 7, 2, 8, 15, 0, 0, time.UTC)
	want := []said{
		{2, "17-phase_u", winter, insulation.PhaseU, insulation.Equal, 4.125e8, 500, 60, 21.5},
		{2, "17-phase_v", winter, insulation.PhaseV, insulation.Above, 5.5e8, 500, 60, 21.5},
		{2, "17-phase_w", winter, insulation.PhaseW, insulation.Equal, 1.2e9, 500, 60, 21.5},
		{3, "18-phase_v", summer, insulation.PhaseV, insulation.Above, 5.5e8, 500, 60, 21.111111111}, // (70 - 32) x 5/9
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestNothingIsGuessed(t *testing.T) {
	for _, c := range []struct{ change, to, want string }{
		{"412,5", "412.5", "decimal comma"},
		{"Fahrmotor", "Lenkhilfe", "the mapping has words for: Fahrmotor, Generator"},
		{"02.03.2026", "2026/03/02", "DD.MM.YYYY hh:mm in Europe/Berlin"},
		{"02.03.2026;10:15", "29.03.2026;02:30", "does not exist in Europe/Berlin"},
		{"02.03.2026;10:15", "25.10.2026;02:30", "came twice in Europe/Berlin"},
		{"500 V", "500 W", "a number, or one with a unit of"},
		{"412,5", "412,5 furlong", `unit "furlong"`},
	} {
		line := strings.Replace("17;truck-1;02.03.2026;10:15;Fahrmotor;412,5;;;500 V;1 min;21,5;48 %", c.change, c.to, 1)
		path := file(t, "alt.csv", "Nr;Fahrzeug;Datum;Uhrzeit;Bauteil;Riso U;Riso V;Riso W;Prüfspannung;Haltezeit;Temp;Feuchte\n"+line+"\n")
		rows := rowsOf(t, path, mapping(t, shopsMapping))
		if len(rows) != 1 || rows[0].Err == nil || !strings.Contains(rows[0].Err.Error(), c.want) {
			t.Errorf("%s: %+v, want an error with %q", c.to, rows, c.want)
		}
	}
}

func TestAMappingThatCannotHoldIsRefused(t *testing.T) {
	for text, want := range map[string]string{
		`{"unsure": ["time_zone: whose?"], "columns": {}}`:                       "time_zone: whose?",
		`{"columns": {"vehicel": "Fahrzeug"}}`:                                   `"vehicel" is no column`,
		`{"columns": {}, "time_forms": ["DD.MM.YYYY"]}`:                          "needs time_zone",
		`{"columns": {}, "time_forms": ["DD.MM"], "time_zone": "Europe/Berlin"}`: "time_forms",
		`{"columns": {}, "time_zone": "Europe/Nowhere"}`:                         "time_zone",
		`{"columns": {}, "phases": {"phase_x": "X"}}`:                            `"phase_x"`,
		`{"columns": {}, "units": {"resistance_ohm": "furlong"}}`:                "units",
		`{"colums": {}}`:         `mapping m.json: "colums" is no field; those are unsure, separator, sheet, columns, phases`,
		"{\n \"columns\": {":     "mapping m.json: line 2, column 13: the JSON ends before it is complete",
		`{"columns": {},}`:       "line 1, column 16: this is no JSON",
		`{"decimal_comma": "x"}`: "decimal_comma holds a string: want true or false",
		`{"columns": {}, "time_of_day": "noon", "time_zone": "UTC", "time_forms": ["D.M.YYYY"]}`: "time_of_day",
	} {
		if _, err := ReadMapping(strings.NewReader(text), "m.json"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v, want one with %q", text, err, want)
		}
	}
	_, err := Open(file(t, "a.csv", "Fahrzeug;Datum\n"), mapping(t, shopsMapping))
	if err == nil || !strings.Contains(err.Error(), "Uhrzeit") {
		t.Errorf("columns that are not there: error %v", err)
	}
}

func TestAWorkbookIsReadByItsStoredValues(t *testing.T) {
	book := excelize.NewFile()
	defer book.Close()
	style, err := book.NewStyle(&excelize.Style{NumFmt: 22}) // shown as m/d/yy h:mm
	if err != nil {
		t.Fatal(err)
	}
	for i, row := range [][]any{
		{"Truck", "Date", "Part", "R (MΩ)", "Temp"},
		{"truck-1", time.Date(2026, 3, 2, 10, 15, 0, 0, time.UTC), "motor", 412.5, 21.123456},
		{},
		{"truck-2", time.Date(2026, 3, 3, 10, 15, 0, 0, time.UTC), "motor", "OL", 20},
	} {
		if err := book.SetSheetRow("Sheet1", fmt.Sprintf("A%d", i+1), &row); err != nil {
			t.Fatal(err)
		}
	}
	if err := book.SetColStyle("Sheet1", "B", style); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "old.xlsx")
	if err := book.SaveAs(path); err != nil {
		t.Fatal(err)
	}
	m := mapping(t, `{"columns": {"vehicle": "Truck", "measured_at": "Date", "component": "Part", "resistance_ohm": "R (MΩ)", "temperature_c": "Temp"},
		"constants": {"platform": "van-400", "method": "tester", "conductor": "phase_u", "reference": "chassis", "range_ohm": "550M"},
		"units": {"resistance_ohm": "MΩ"}, "time_forms": ["serial"], "time_zone": "America/New_York"}`)
	rows := rowsOf(t, path, m)
	if len(rows) != 2 || rows[0].Err != nil || rows[1].Err != nil {
		t.Fatalf("%+v", rows)
	}
	first, second := rows[0].Reading, rows[1].Reading
	if !first.MeasuredAt.Equal(time.Date(2026, 3, 2, 15, 15, 0, 0, time.UTC)) || first.Ohms != 4.125e8 || first.AirCelsius != 21.123456 {
		t.Errorf("first row: %v, %g ohm, %g C", first.MeasuredAt, first.Ohms, first.AirCelsius)
	}
	if second.Relation != insulation.Above || second.Ohms != 5.5e8 || rows[1].Line != 4 {
		t.Errorf("second row: line %d, %v %g", rows[1].Line, second.Relation, second.Ohms)
	}
	r, err := Open(path, m)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.Continue(Place{Offset: 2, Line: 2}); err != nil {
		t.Fatal(err)
	}
	if rest := readAll(t, r); len(rest) != 1 || rest[0].Reading.Vehicle != "truck-2" {
		t.Errorf("after row 2: %+v", rest)
	}
}

func TestAProposalSaysWhatItCannotTell(t *testing.T) {
	path := file(t, "alt.csv", "Nr;Fahrzeug;Messdatum;Bauteil;Riso U [MΩ];Riso V [MΩ];Riso W [MΩ];Prüfspannung [V];Temperatur [°C];Bemerkung\n"+
		"17;truck-1;02.03.2026 10:15;Fahrmotor;412,5;>550;OL;500;21,5;x\n"+
		"18;truck-2;13.03.2026 10:15;Fahrmotor;412,5;>550;OL;500;21,5;x\n")
	m, err := Suggest(path, "")
	if err != nil {
		t.Fatal(err)
	}
	want := &Mapping{
		Unsure: []string{
			"time_zone: whose local time is this? such as Europe/Berlin",
			"words.component: fill in what each cell means (other rows may hold more)",
			"shop: no column looks like it; name one in columns, or the same for every row in constants; a monitor's values need none",
			"platform: no column looks like it; name one in columns, or the same for every row in constants; neither is needed of vehicles that are registered",
			"method: no column looks like it; name one in columns, or the same for every row in constants",
			"reference: no column looks like it; name one in columns, or the same for every row in constants; left out it is chassis",
		},
		Separator:    ";",
		Columns:      map[string]Names{"reading_id": {"Nr"}, "vehicle": {"Fahrzeug"}, "measured_at": {"Messdatum"}, "component": {"Bauteil"}, "test_volt": {"Prüfspannung [V]"}, "temperature_c": {"Temperatur [°C]"}},
		Phases:       map[string]string{"phase_u": "Riso U [MΩ]", "phase_v": "Riso V [MΩ]", "phase_w": "Riso W [MΩ]"},
		Constants:    map[string]string{},
		Words:        map[string]map[string]string{"component": {"Fahrmotor": ""}},
		Units:        map[string]string{"resistance_ohm": "MΩ"},
		DecimalComma: true, TimeForms: []string{"DD.MM.YYYY hh:mm"},
	}
	if d := cmp.Diff(want, m, cmp.AllowUnexported(Mapping{}), cmp.FilterPath(func(p cmp.Path) bool { return p.String() == "zone" || p.String() == "layouts" }, cmp.Ignore())); d != "" {
		t.Error(d)
	}
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ReadMapping(strings.NewReader(string(b)), "m.json"); err == nil || !strings.Contains(err.Error(), "unsure") {
		t.Errorf("a proposal was taken as it stands: %v", err)
	}
}

func TestDayAndMonthThatCouldBeEitherAreLeftToAPerson(t *testing.T) {
	path := file(t, "old.csv", "vehicle,date,component,resistance\ntruck-1,02/03/2026,motor,5M\n")
	m, err := Suggest(path, "")
	if err != nil {
		t.Fatal(err)
	}
	if unsure := strings.Join(m.Unsure, "\n"); !strings.Contains(unsure, "DD/MM/YYYY and MM/DD/YYYY all fit") {
		t.Errorf("unsure:\n%s", unsure)
	}
}

// A number without a unit is taken for ohm only where a person has said so, or is told.
func TestAUnitThatNobodyStatedIsAskedFor(t *testing.T) {
	const rest = "vehicle,shop,platform,date,method,component,conductor,reference,"
	const cells = "truck-1,north-yard,van-400,2026-03-02T09:15:00Z,tester,motor,phase_u,chassis,"
	for _, c := range []struct{ header, cell, unsure, unit string }{
		{"Riso", "550", `units: numbers of resistance_ohm such as "550" have none; say it in units.resistance_ohm, such as MΩ`, ""},
		{"Riso", ">550", `such as ">550" have none`, ""},
		{"Riso", "550M", "", ""},
		{"Riso [MΩ]", "550", "", "MΩ"},
		{"Riso [ohm]", "550", "", "ohm"},
		{"resistance_ohm", "550", "", "ohm"},
		{"Riso U", "550", `units: numbers of resistance_ohm such as "550" have none`, ""},
	} {
		m, err := Suggest(file(t, "old.csv", rest+c.header+"\n"+cells+c.cell+"\n"), "")
		if err != nil {
			t.Fatal(err)
		}
		unsure := strings.Join(m.Unsure, "\n")
		if m.Units["resistance_ohm"] != c.unit || c.unsure == "" && unsure != "" || !strings.Contains(unsure, c.unsure) {
			t.Errorf("%s %s: unit %q, unsure:\n%s", c.header, c.cell, m.Units["resistance_ohm"], unsure)
		}
	}
}

func TestNumbersWithoutAUnitAreRemarkedOn(t *testing.T) {
	const taken = "numbers without a unit, the first in line 2, are taken as ohm (1 in all)"
	for _, c := range []struct{ name, mapping, text, want string }{
		{"plain ohms", "", header + row("r-1", "", "550000000", ""), ""},
		{"with units", "", header + row("r-1", "", "550M", ""), ""},
		{"too low for ohms", "", header + row("r-1", "", "550", ""), `column "resistance_ohm": ` + taken},
		{"beside others", "", header + row("r-1", "", "550000", "") + row("r-2", "", "550M", ""), `column "resistance_ohm": ` + taken},
		{"a range", "", header + row("r-1", "", "1M", "550"), `column "range_ohm": ` + taken},
		{"mapped", `"Riso"`, "Riso\n412.5\n", `column "Riso": ` + taken + "; the mapping may state another in units"},
		{"mapped with a unit", `"Riso"},"units":{"resistance_ohm":"MΩ"`, "Riso\n412.5\n", ""},
	} {
		var r *Reader
		if c.mapping == "" {
			r = open(t, c.text)
		} else {
			m, err := ReadMapping(strings.NewReader(`{"columns":{"resistance_ohm":`+c.mapping+`},"constants":{"vehicle":"a","measured_at":"2026-03-02T09:15:00Z","method":"tester","component":"motor"}}`), "m.json")
			if err != nil {
				t.Fatal(err)
			}
			if r, err = Open(file(t, "old.csv", c.text), m); err != nil {
				t.Fatal(err)
			}
			defer r.Close()
		}
		readAll(t, r)
		if got := strings.Join(r.Remarks(), "\n"); got != c.want {
			t.Errorf("%s: remarks %q, want %q", c.name, got, c.want)
		}
	}
}

func FuzzMapping(f *testing.F) {
	f.Add(shopsMapping)
	f.Add(`{"columns": {"vehicle": "a"}, "time_forms": ["serial", "YYYYMMDD"], "time_zone": "UTC"}`)
	f.Fuzz(func(t *testing.T, text string) {
		m, err := ReadMapping(strings.NewReader(text), "m.json")
		if err != nil {
			return
		}
		for _, cell := range []string{"", "412,5", "1.234,5 MΩ", "29.03.2026 02:30", "46083.42", "70 °F", "OL"} {
			for _, column := range allColumns() {
				if s, err := m.cell(func(string) string { return cell }, column); err == nil && column == "measured_at" && s != "" && m.Constants[column] == "" && m.Words[column] == nil {
					if _, err := time.Parse(time.RFC3339, s); err != nil {
						t.Fatalf("%q gave the time %q", cell, s)
					}
				}
			}
		}
	})
}
