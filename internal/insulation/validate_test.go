package insulation_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"creepage/internal/insulation"
)

var now = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func yes() *bool { v := true; return &v }
func no() *bool  { v := false; return &v }

func number(v float64) *float64 { return &v }

// goodReading is a complete reading nothing is to be said about.
func goodReading() insulation.Reading {
	return insulation.Reading{
		ID: "r-1001", Shop: "north-yard", Vehicle: "truck-17", Platform: "harbor-van-400", Visit: "2026-03-02-17",
		MeasuredAt: now.Add(-time.Hour), Method: insulation.Tester, Component: insulation.Motor, Conductor: insulation.PhaseU, Reference: insulation.Chassis,
		Quantity: insulation.Parallel, Relation: insulation.Equal, Ohms: 4.2e8, TestVolts: 500, HoldSeconds: 60, AirCelsius: 21.5, HumidityPct: 48, PartCelsius: 22,
		Meter: "m-7", RangeOhms: 5.5e8, CalibratedAt: now.AddDate(0, -3, 0),
		Precautions: insulation.Precautions{LockedOut: yes(), ZeroVoltsProven: yes(), GlovesTested: now.AddDate(0, -2, 0), GlovesAirTested: yes(), EyeProtection: yes(), DischargedAfter: yes()},
	}
}

func monitorReading() insulation.Reading {
	nan := math.NaN()
	return insulation.Reading{Shop: "north-yard", Vehicle: "truck-17", MeasuredAt: now, Method: insulation.Monitor, Component: insulation.System, Relation: insulation.Equal,
		Ohms: 2e6, TestVolts: nan, HoldSeconds: nan, AirCelsius: nan, HumidityPct: nan, PartCelsius: nan, RangeOhms: nan}
}

func TestValidateAcceptsWhatShopsAndMonitorsSend(t *testing.T) {
	for name, change := range map[string]func(*insulation.Reading){
		"complete":                 func(*insulation.Reading) {},
		"over range":               func(r *insulation.Reading) { r.Relation, r.Ohms = insulation.Above, 5.5e8 },
		"below range":              func(r *insulation.Reading) { r.Relation, r.Ohms = insulation.Below, 1e4 },
		"clock four minutes ahead": func(r *insulation.Reading) { r.MeasuredAt = now.Add(4 * time.Minute) },
		"ten years old": func(r *insulation.Reading) {
			r.MeasuredAt = now.AddDate(-10, 0, 0)
			r.Precautions.GlovesTested = time.Time{}
		},
		"without id": func(r *insulation.Reading) { r.ID = "" },
		"shield of a cable": func(r *insulation.Reading) {
			r.Component, r.Conductor, r.Reference = insulation.Cable, insulation.HVPlus, insulation.Shield
		},
		"monitor":                    func(r *insulation.Reading) { *r = monitorReading() },
		"monitor, defaults filled":   func(r *insulation.Reading) { *r = monitorReading(); r.Defaults() },
		"monitor of the weaker pole": func(r *insulation.Reading) { *r = monitorReading(); r.Quantity = insulation.WeakerPole },
		"voltmeter method": func(r *insulation.Reading) {
			*r = monitorReading()
			r.Method, r.Quantity = insulation.Voltmeter, insulation.WeakerPole
		},
		"nothing taken beside the value": func(r *insulation.Reading) {
			nan := math.NaN()
			r.TestVolts, r.HoldSeconds, r.AirCelsius, r.HumidityPct, r.PartCelsius, r.RangeOhms = nan, nan, nan, nan, nan, nan
			r.Precautions, r.Meter, r.CalibratedAt = insulation.Precautions{}, "", time.Time{}
		},
	} {
		r := goodReading()
		change(&r)
		if v := insulation.Validate(&r, now); v != nil {
			t.Errorf("%s: %v", name, v)
		}
	}
}

func TestValidateNamesFieldValueAndWhatIsAllowed(t *testing.T) {
	for _, c := range []struct {
		field, value, allowed string
		change                func(*insulation.Reading)
	}{
		{"reading_id", `"a\x00b"`, "control", func(r *insulation.Reading) { r.ID = "a\x00b" }},
		{"reading_id", `"\xff"`, "UTF-8", func(r *insulation.Reading) { r.ID = "\xff" }},
		{"shop", `""`, "required", func(r *insulation.Reading) { r.Shop = "" }},
		{"vehicle", `""`, "required", func(r *insulation.Reading) { r.Vehicle = "" }},
		{"vehicle", `"truck 17"`, "allowed are letters", func(r *insulation.Reading) { r.Vehicle = "truck 17" }},
		{"vehicle", `".."`, "not dots alone", func(r *insulation.Reading) { r.Vehicle = ".." }},
		{"platform", `"` + strings.Repeat("p", 65) + `"`, "1 to 64", func(r *insulation.Reading) { r.Platform = strings.Repeat("p", 65) }},
		{"measure_time", `""`, "required", func(r *insulation.Reading) { r.MeasuredAt = time.Time{} }},
		{"measure_time", `"2026-03-02T12:06:00Z"`, "up to 5m0s after", func(r *insulation.Reading) { r.MeasuredAt = now.Add(6 * time.Minute) }},
		{"measure_time", `"1970-01-01T00:00:00Z"`, "too old", func(r *insulation.Reading) {
			r.MeasuredAt = time.Unix(0, 0).UTC()
			r.Precautions.GlovesTested = time.Time{}
		}},
		{"calibration_time", `"2027-03-02T12:00:00Z"`, "last calibrated", func(r *insulation.Reading) { r.CalibratedAt = now.AddDate(1, 0, 0) }},
		{"method", "0", "0: allowed are tester, monitor, voltmeter", func(r *insulation.Reading) { r.Method = 0 }},
		{"component", "99", "battery", func(r *insulation.Reading) { r.Component = 99 }},
		{"component", "motor", "a monitor reading is of the whole vehicle; allowed is system", func(r *insulation.Reading) {
			r.Method, r.Conductor, r.HoldSeconds = insulation.Monitor, insulation.AllConductors, math.NaN()
		}},
		{"conductor", "0", "phase_u", func(r *insulation.Reading) { r.Conductor = 0 }},
		{"conductor", "phase_u", "a battery has no phases here; allowed are hv_plus, hv_minus, all", func(r *insulation.Reading) { r.Component = insulation.Battery }},
		{"conductor", "hv_plus", "allowed is all", func(r *insulation.Reading) { *r = monitorReading(); r.Conductor = insulation.HVPlus }},
		{"reference", "0", "chassis, shield", func(r *insulation.Reading) { r.Reference = 0 }},
		{"reference", "shield", "allowed is chassis", func(r *insulation.Reading) { *r = monitorReading(); r.Reference = insulation.Shield }},
		{"quantity", "7", "parallel, weaker_pole", func(r *insulation.Reading) { r.Quantity = 7 }},
		{"quantity", "weaker_pole", "allowed is parallel", func(r *insulation.Reading) { r.Quantity = insulation.WeakerPole }},
		{"relation", "0", "= (equal)", func(r *insulation.Reading) { r.Relation = 0 }},
		{"resistance_ohms", "NaN", "0.01 to 1e+15", func(r *insulation.Reading) { r.Ohms = math.NaN() }},
		{"resistance_ohms", "-5", "0.01 to 1e+15", func(r *insulation.Reading) { r.Ohms = -5 }},
		{"resistance_ohms", "0", "shows zero", func(r *insulation.Reading) { r.Ohms = 0 }},
		{"resistance_ohms", "+Inf", "0.01 to 1e+15", func(r *insulation.Reading) { r.Ohms = math.Inf(1) }},
		{"resistance_ohms", "6e+08", "at most range_ohms", func(r *insulation.Reading) { r.Ohms = 6e8 }},
		{"resistance_ohms", "6e+08", "over-range reading states", func(r *insulation.Reading) { r.Relation, r.Ohms = insulation.Above, 6e8 }},
		{"range_ohms", "-1", "0.01 to 1e+15", func(r *insulation.Reading) { r.RangeOhms = -1 }},
		{"test_volts", "0", "1 to 15000 V", func(r *insulation.Reading) { r.TestVolts = 0 }},
		{"test_volts", "+Inf", "1 to 15000 V", func(r *insulation.Reading) { r.TestVolts = math.Inf(1) }},
		{"hold_seconds", "0", "more than 0", func(r *insulation.Reading) { r.HoldSeconds = 0 }},
		{"hold_seconds", "-60", "more than 0", func(r *insulation.Reading) { r.HoldSeconds = -60 }},
		{"hold_seconds", "60", "leave it empty", func(r *insulation.Reading) { *r = monitorReading(); r.HoldSeconds = 60 }},
		{"temperature_celsius", "295", "-60 to 85 C", func(r *insulation.Reading) { r.AirCelsius = 295 }},
		{"humidity_percent", "0", "more than 0", func(r *insulation.Reading) { r.HumidityPct = 0 }},
		{"humidity_percent", "130", "at most 100 %", func(r *insulation.Reading) { r.HumidityPct = 130 }},
		{"part_temperature_celsius", "300", "-60 to 250 C", func(r *insulation.Reading) { r.PartCelsius = 300 }},
		{"moisture", "5", "dry, wet", func(r *insulation.Reading) { r.Moisture = 5 }},
		{"warmth", "5", "cold, hot", func(r *insulation.Reading) { r.Warmth = 5 }},
		{"precautions.waited_seconds", "-1", "0 to 604800 s", func(r *insulation.Reading) { r.Precautions.WaitedSeconds = number(-1) }},
		{"precautions.residual_volts", "NaN", "0 to 1500 V", func(r *insulation.Reading) { r.Precautions.ResidualVolts = number(math.NaN()) }},
		{"precautions.gloves_test_time", `"2027-03-02T12:00:00Z"`, "before it", func(r *insulation.Reading) { r.Precautions.GlovesTested = now.AddDate(1, 0, 0) }},
	} {
		r := goodReading()
		c.change(&r)
		v := insulation.Validate(&r, now)
		if len(v) != 1 || v[0].Field != c.field || v[0].Value != c.value || !strings.Contains(v[0].Sentence(), c.allowed) {
			t.Errorf("%s %s: got %#v, want one violation saying %q", c.field, c.value, v, c.allowed)
		}
	}
}

func TestValidateReportsEveryViolationInOrder(t *testing.T) {
	r := goodReading()
	r.Vehicle, r.Ohms, r.HoldSeconds, r.HumidityPct = "", -1, -1, 200
	v := insulation.Validate(&r, now)
	var fields []string
	for _, w := range v {
		fields = append(fields, w.Field)
	}
	if got := strings.Join(fields, " "); got != "vehicle resistance_ohms hold_seconds humidity_percent" {
		t.Errorf("fields %q", got)
	}
	if s := v.Error(); !strings.Contains(s, "hold_seconds -1") || !strings.Contains(s, "humidity_percent 200") {
		t.Errorf("error %q", s)
	}
}

// 1M8GDM9AXKP042788 and seventeen ones are the published test numbers for 49 CFR 565.15.
func TestPublishedVINCheckDigits(t *testing.T) {
	for vin, want := range map[string]insulation.VINCheck{
		"1M8GDM9AXKP042788":  insulation.VINPassed,
		"11111111111111111":  insulation.VINPassed,
		"1M8GDM9A0KP042788":  insulation.VINFailed,
		"00000000000000000":  insulation.VINPlaceholder,
		"1M8GDM9AXKP04278":   insulation.NotAVIN,
		"1M8GDM9AXKP04278O":  insulation.NotAVIN,
		"harbor-van-400-017": insulation.NotAVIN,
		"1m8gdm9axkp042788":  insulation.VINPassed, // as a resource id has it
	} {
		if got := insulation.CheckVIN(vin); got != want {
			t.Errorf("%s: %v, want %v", vin, got, want)
		}
	}
}
