package record_test

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"creepage/internal/insulation"
	"creepage/internal/record"
)

const readingsHeader = "reading_id,shop,vehicle,platform,measured_at,method,component,conductor,reference,relation,resistance_ohm,test_volt,hold_s,temperature_c,humidity_pct"

func TestReadingsComeBackAsWritten(t *testing.T) {
	nan := math.NaN()
	want := []insulation.Reading{{
		ID: "r-1", Shop: "north-yard", Vehicle: "truck-17", Platform: "harbor-van-400", Visit: "v-9",
		MeasuredAt: time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC), ReceivedAt: time.Date(2026, 3, 2, 9, 20, 0, 0, time.UTC),
		Method: insulation.Tester, Component: insulation.Motor, Conductor: insulation.PhaseU, Reference: insulation.Chassis, Quantity: insulation.Parallel,
		Relation: insulation.Above, Ohms: 5.5e8, TestVolts: 500, HoldSeconds: 60, AirCelsius: 21.5, HumidityPct: 48, PartCelsius: nan, Meter: "m-7", RangeOhms: 5.5e8,
	}, {
		ID: "r-2", Vehicle: "truck-17", Platform: "harbor-van-400", MeasuredAt: time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC),
		Method: insulation.Monitor, Component: insulation.System, Conductor: insulation.AllConductors, Reference: insulation.Chassis, Quantity: insulation.WeakerPole,
		Relation: insulation.Equal, Ohms: 4_178_600, TestVolts: nan, HoldSeconds: nan, AirCelsius: nan, HumidityPct: nan, PartCelsius: nan, RangeOhms: nan,
	}}
	var b bytes.Buffer
	if err := record.WriteReadings(&b, want); err != nil {
		t.Fatal(err)
	}
	got, bad, err := record.ReadReadings(&b, "readings.csv")
	if err != nil || len(bad) > 0 {
		t.Fatalf("err %v, bad rows %v", err, bad)
	}
	if d := cmp.Diff(want, got, cmpopts.EquateNaNs()); d != "" {
		t.Error(d)
	}
}

func TestColumnsAreFoundByNameInAnyOrder(t *testing.T) {
	file := "note,resistance_ohm,relation,reference,conductor,component,method,measured_at,platform,vehicle,shop,reading_id,humidity_pct,temperature_c,hold_s,test_volt\n" +
		"x,2e6,=,chassis,all,system,tester,2026-03-02T09:15:00+01:00,p,v,s,r,,,60,500\n"
	got, bad, err := record.ReadReadings(strings.NewReader(file), "readings.csv")
	if err != nil || len(bad) > 0 || len(got) != 1 {
		t.Fatalf("%v %v %v", got, bad, err)
	}
	if got[0].Ohms != 2e6 || !got[0].MeasuredAt.Equal(time.Date(2026, 3, 2, 8, 15, 0, 0, time.UTC)) || !math.IsNaN(got[0].AirCelsius) {
		t.Errorf("%+v", got[0])
	}
}

func TestMissingColumnsAreNamed(t *testing.T) {
	_, _, err := record.ReadReadings(strings.NewReader("reading_id,vehicle,platform,measured_at,method,component,conductor,reference,relation,test_volt,hold_s,temperature_c,humidity_pct\n"), "old.csv")
	if err == nil || err.Error() != "old.csv: header: missing column shop, resistance_ohm" {
		t.Error(err)
	}
}

func TestABadRowNamesRowFieldAndValueAndCostsItselfAlone(t *testing.T) {
	row := func(ohms, method, at, humidity string) string {
		return "id,s,v,p," + at + "," + method + ",system,all,chassis,=," + ohms + ",500,60,20," + humidity + "\n"
	}
	good := row("1e6", "tester", "2026-03-02T09:15:00Z", "40")
	for _, c := range []struct{ row, want string }{
		{row("0", "monitor", "2026-03-02T09:15:00Z", "40"), `row 2: resistance_ohm "0": want a number of ohms above 0`},
		{row("-5", "tester", "2026-03-02T09:15:00Z", "40"), `row 2: resistance_ohm "-5": want`},
		{row("NaN", "tester", "2026-03-02T09:15:00Z", "40"), `row 2: resistance_ohm "NaN": want`},
		{row("", "tester", "2026-03-02T09:15:00Z", "40"), `row 2: resistance_ohm is empty: want`},
		{row("65535000", "monitor", "2026-03-02T09:15:00Z", "40"), `row 2: resistance_ohm "65535000": want a measured resistance: this is a two-byte field of all ones`},
		{row("1e6", "guess", "2026-03-02T09:15:00Z", "40"), `row 2: method "guess": want one of tester, monitor, voltmeter`},
		{row("1e6", "tester", "yesterday", "40"), `row 2: measured_at "yesterday": want an RFC 3339 time`},
		{row("1e6", "tester", "0026-03-02T09:15:00Z", "40"), `row 2: measured_at "0026-03-02T09:15:00Z": want a year from 1990 to 2100`},
		{row("1e6", "tester", "2026-03-02T09:15:00Z", "140"), `row 2: humidity_pct "140": want a number from 0 to 100`},
	} {
		got, bad, err := record.ReadReadings(strings.NewReader(readingsHeader+"\n"+c.row+good), "readings.csv")
		if err != nil || len(bad) != 1 || len(got) != 1 {
			t.Errorf("%s: %d readings, bad %v, err %v", c.want, len(got), bad, err)
			continue
		}
		if !strings.HasPrefix(bad[0].Error(), c.want) {
			t.Errorf("got  %s\nwant %s", bad[0], c.want)
		}
		var fe *record.FieldError
		if !errors.As(bad[0], &fe) {
			t.Errorf("%v is no field error", bad[0])
		}
	}
}

func TestPlatformErrorsNameThePlatformAndTheField(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{`{"platforms":[`, "p.json: line 1, column 14: the JSON ends before it is complete"},
		{"{\n\"platforms\": [}", "p.json: line 2, column 15: this is no JSON"},
		{`{"platforms":[{"max_working_volt":"400"}]}`, "p.json: line 1, column 39: platforms.max_working_volt holds a string: want a number"},
		{`{"platforms":[]} {}`, "p.json: line 1, column 18: something follows the JSON object"},
		{``, "p.json: the file is empty"},
		{`{"platforms":[{"platform":"a","max_working_volt":0}]}`, `p.json: platforms[0] "a": max_working_volt "0": want volts above 0`},
		{`{"platforms":[{"platform":"a","max_working_volt":400,"code_ohm":-1}]}`, `p.json: platforms[0] "a": code_ohm "-1": want ohms above 0, or none for 500 ohm per volt`},
		{`{"platforms":[{"platform":"a","max_working_volt":400,"points":[{"component":"motor","conductor":"phase_u","reference":"chassis","limit_ohm":0}]}]}`,
			`p.json: platforms[0] "a": points[0]: limit_ohm "0": want ohms above 0`},
		{`{"platforms":[{"platform":"a","max_working_volt":400,"code_quantity":"both"}]}`, `p.json: platforms[0] "a": code_quantity: quantity "both" is none of parallel, weaker_pole`},
		{`{"platforms":[{"platform":"a","max_working_volt":400,"points":[{"component":"engine"}]}]}`, `p.json: platforms[0] "a": points[0]: component "engine" is none of battery`},
		{`{"platforms":[{"platform":"a","max_working_volt":400},{"platform":"a","max_working_volt":400}]}`, `p.json: platforms[1]: platform "a" stands twice`},
	} {
		_, err := record.ReadPlatforms(strings.NewReader(c.in), "p.json")
		if err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("got  %v\nwant %s", err, c.want)
		}
	}
}

func TestPlatformsComeBackAsWritten(t *testing.T) {
	want := []insulation.Platform{{ID: "harbor-van-400", Title: "Harbour van", MaxWorkingVolts: 400, CodeQuantity: insulation.WeakerPole,
		Points: []insulation.Point{{Component: insulation.Motor, Conductor: insulation.PhaseU, Reference: insulation.Chassis, LimitOhms: 1e8, TestVolts: 500}}}}
	var b bytes.Buffer
	if err := record.WritePlatforms(&b, want); err != nil {
		t.Fatal(err)
	}
	got, err := record.ReadPlatforms(&b, "platforms.json")
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestWhatWasSaidIsWrittenInTheFormatReadersExpect(t *testing.T) {
	var b bytes.Buffer
	at := time.Date(2026, 3, 7, 0, 0, 0, 0, time.UTC)
	if err := record.WriteOutlooks(&b, []record.Outlook{
		{AsOf: at, Vehicle: "truck-17", State: "due", P30: 0.12, P90: 0.4812345, DaysP10: 31, DaysP50: 74.26, DaysP90: math.NaN(), Component: insulation.Motor},
		{AsOf: at, Vehicle: "van-03", State: "steady", P30: 0.001, P90: 0.002, DaysP10: math.NaN(), DaysP50: math.NaN(), DaysP90: math.NaN()},
	}); err != nil {
		t.Fatal(err)
	}
	if err := record.WriteWarnings(&b, []record.Warning{{Vehicle: "truck-17", RaisedAt: at.Add(10 * time.Hour), Kind: "code_due", Component: insulation.Motor,
		Probability: 0.21, DaysP50: math.NaN(), Reason: "motor fell, then fell again"}}); err != nil {
		t.Fatal(err)
	}
	want := `as_of,vehicle,state,code_probability_30d,code_probability_90d,days_to_code_p10,days_to_code_p50,days_to_code_p90,limiting_component
2026-03-07T00:00:00Z,truck-17,due,0.120000,0.481235,31.0,74.3,,motor
2026-03-07T00:00:00Z,van-03,steady,0.001000,0.002000,,,,
vehicle,raised_at,ended_at,kind,component,code_probability,days_to_code_p50,reason
2026-03-07T10:00:00Z,,code_due,motor,0.210000,,"motor fell, then fell again"
`
	want = strings.Replace(want, "\n2026-03-07T10", "\ntruck-17,2026-03-07T10", 1)
	if d := cmp.Diff(want, b.String()); d != "" {
		t.Error(d)
	}
}

func FuzzAnyReadingsFileIsReadToItsEnd(f *testing.F) {
	f.Add(readingsHeader + "\nid,s,v,p,2026-03-02T09:15:00Z,tester,system,all,chassis,=,1e6,500,60,20,40\n")
	f.Add(readingsHeader + "\n\"open,quote\n,,,\n")
	f.Add("")
	f.Fuzz(func(t *testing.T, file string) {
		got, _, err := record.ReadReadings(strings.NewReader(file), "f.csv")
		if err != nil {
			return
		}
		for _, r := range got {
			if !(r.Ohms > 0) || r.Vehicle == "" || r.Method == 0 || r.Component == 0 || r.MeasuredAt.IsZero() {
				t.Errorf("let through: %+v", r)
			}
		}
	})
}
