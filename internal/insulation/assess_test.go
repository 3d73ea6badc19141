package insulation_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"creepage/internal/insulation"
	"github.com/google/go-cmp/cmp"
)

func van() *insulation.Platform {
	return &insulation.Platform{ID: "harbor-van-400", Title: "Harbor van", MaxWorkingVolts: 400, Points: []insulation.Point{
		{Component: insulation.Motor, Conductor: insulation.PhaseU, Reference: insulation.Chassis, LimitOhms: 1e8, TestVolts: 500},
		{Component: insulation.Motor, Conductor: insulation.PhaseV, Reference: insulation.Chassis, LimitOhms: 1e8, TestVolts: 500},
		{Component: insulation.Motor, Conductor: insulation.PhaseW, Reference: insulation.Chassis, LimitOhms: 1e8, TestVolts: 500},
		{Component: insulation.Cable, Conductor: insulation.HVPlus, Reference: insulation.Shield, LimitOhms: 1e8, TestVolts: 500},
		{Component: insulation.Battery, Conductor: insulation.AllConductors, Reference: insulation.Chassis, LimitOhms: 5e6, TestVolts: 500},
	}}
}

func codes(a insulation.Assessment) []insulation.NoteCode {
	var out []insulation.NoteCode
	for _, n := range a.Notes {
		out = append(out, n.Code)
	}
	return out
}

func TestAssessHoldsAReadingAgainstItsServiceLimit(t *testing.T) {
	for _, c := range []struct {
		relation insulation.Relation
		ohms     float64
		want     insulation.Verdict
		says     string
	}{
		{insulation.Equal, 4.2e8, insulation.Met, "420 MΩ meets the service limit of 100 MΩ"},
		{insulation.Equal, 1e8, insulation.Met, "meets"},
		{insulation.Equal, 0.99e8, insulation.NotMet, "99 MΩ is below the service limit of 100 MΩ"},
		{insulation.Equal, 0.9999e8, insulation.NotMet, "100 MΩ is just below the service limit of 100 MΩ"},
		{insulation.Above, 5.5e8, insulation.Met, ">550 MΩ meets"},
		{insulation.Above, 1e8, insulation.Met, ">100 MΩ meets"},
		{insulation.Above, 5e7, insulation.CannotTell, ">50 MΩ does not tell"},
		{insulation.Below, 1e6, insulation.NotMet, "<1 MΩ is below"},
		{insulation.Below, 1e8, insulation.NotMet, "<100 MΩ is below"},
		{insulation.Below, 2e8, insulation.CannotTell, "<200 MΩ does not tell"},
	} {
		r := goodReading()
		r.Relation, r.Ohms = c.relation, c.ohms
		a := insulation.Assess(&r, van(), now)
		if a.ServiceLimit != c.want || a.LimitOhms != 1e8 || !strings.Contains(a.Sentence(&r), c.says) {
			t.Errorf("%s: %v, limit %v, %q; want %v saying %q", insulation.FormatResistance(c.relation, c.ohms), a.ServiceLimit, a.LimitOhms, a.Sentence(&r), c.want, c.says)
		}
	}
}

func TestAssessSaysNothingOfALimitItDoesNotKnow(t *testing.T) {
	r := goodReading()
	a := insulation.Assess(&r, nil, now)
	if a.ServiceLimit != insulation.NotApplicable || !math.IsNaN(a.LimitOhms) || !slices.Contains(codes(a), insulation.NotePlatformUnknown) {
		t.Errorf("without a platform: %+v", a)
	}
	r.Component = insulation.Generator
	a = insulation.Assess(&r, van(), now)
	if a.ServiceLimit != insulation.NotApplicable || !slices.Contains(codes(a), insulation.NotePointUnknown) {
		t.Errorf("without a test point: %+v", a)
	}
}

// 400 V at 500 ohm/V is 200 kohm (UN R100 para 5.1.3, ISO 6469-4 5.2.3).
func TestAssessHoldsTheWholeVehicleAgainstTheCodeLimit(t *testing.T) {
	weaker := van()
	weaker.CodeQuantity = insulation.WeakerPole
	for _, c := range []struct {
		p        *insulation.Platform
		quantity insulation.Quantity
		ohms     float64
		want     insulation.Verdict
	}{
		{van(), insulation.Parallel, 2e5, insulation.Met},
		{van(), insulation.Parallel, 1.9e5, insulation.NotMet},
		// Parallel <= weaker pole <= 2 x parallel: between, the other quantity does not tell.
		{weaker, insulation.Parallel, 2e5, insulation.Met},
		{weaker, insulation.Parallel, 1.5e5, insulation.CannotTell},
		{weaker, insulation.Parallel, 0.99e5, insulation.NotMet},
		{van(), insulation.WeakerPole, 4e5, insulation.Met},
		{van(), insulation.WeakerPole, 3e5, insulation.CannotTell},
		{van(), insulation.WeakerPole, 1.9e5, insulation.NotMet},
	} {
		r := monitorReading()
		r.Quantity, r.Ohms = c.quantity, c.ohms
		r.Defaults()
		a := insulation.Assess(&r, c.p, now)
		if a.ServiceLimit != c.want || a.LimitOhms != 2e5 {
			t.Errorf("%v %v against %v: %v, limit %v, want %v", c.quantity, c.ohms, c.p.CodeQuantityOrDefault(), a.ServiceLimit, a.LimitOhms, c.want)
		}
		differs := c.quantity != c.p.CodeQuantityOrDefault()
		if slices.Contains(codes(a), insulation.NoteQuantityDiffers) != differs {
			t.Errorf("%v against %v: notes %v", c.quantity, c.p.CodeQuantityOrDefault(), codes(a))
		}
	}
}

func TestAssessNotesWhatMakesAReadingLessComparable(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		want   []insulation.NoteCode
		change func(*insulation.Reading)
	}{
		{nil, func(*insulation.Reading) {}},
		{nil, func(r *insulation.Reading) { r.Relation, r.Ohms = insulation.Above, 5.5e8 }}, // the limit is met: no more to say
		{[]insulation.NoteCode{insulation.NotePointUnknown, insulation.NoteOverRange}, func(r *insulation.Reading) {
			r.Component, r.Conductor, r.Relation, r.Ohms = insulation.Heater, insulation.AllConductors, insulation.Above, 5.5e8
		}},
		{[]insulation.NoteCode{insulation.NoteOverRange, insulation.NoteRangeTooLow}, func(r *insulation.Reading) { r.Relation, r.Ohms, r.RangeOhms = insulation.Above, 5e7, 5e7 }},
		{[]insulation.NoteCode{insulation.NoteBelowRange, insulation.NoteTestVoltsSagged}, func(r *insulation.Reading) { r.Relation, r.Ohms = insulation.Below, 1e4 }},
		{[]insulation.NoteCode{insulation.NoteImpossible, insulation.NoteTestVoltsSagged}, func(r *insulation.Reading) { r.Ohms = 0.02 }},
		{[]insulation.NoteCode{insulation.NoteImpossible}, func(r *insulation.Reading) { r.Ohms, r.RangeOhms = 1<<32-1, 1e10 }},
		{[]insulation.NoteCode{insulation.NoteTestVoltsSagged}, func(r *insulation.Reading) { r.Ohms = 1 }},
		// IEC 61557-2 6.4: U_N x 1000 ohm/V is 0.5 Mohm at 500 V.
		{[]insulation.NoteCode{insulation.NoteTestVoltsSagged}, func(r *insulation.Reading) { r.Ohms = 4.99e5 }},
		{nil, func(r *insulation.Reading) { r.Ohms = 5.01e5 }},
		{[]insulation.NoteCode{insulation.NoteTemperatureMissing}, func(r *insulation.Reading) { r.AirCelsius, r.PartCelsius = nan, nan }},
		{[]insulation.NoteCode{insulation.NoteHumidityMissing}, func(r *insulation.Reading) { r.HumidityPct = nan }},
		// Dew point of 25 C, 60 % is 16.70 C (Alduchov and Eskridge 1996).
		{[]insulation.NoteCode{insulation.NoteNearDewPoint}, func(r *insulation.Reading) { r.AirCelsius, r.HumidityPct, r.PartCelsius = 25, 60, 19.6 }},
		{nil, func(r *insulation.Reading) { r.AirCelsius, r.HumidityPct, r.PartCelsius = 25, 60, 19.8 }},
		{[]insulation.NoteCode{insulation.NoteBelowDewPoint}, func(r *insulation.Reading) { r.AirCelsius, r.HumidityPct, r.PartCelsius = 25, 60, 16.6 }},
		{[]insulation.NoteCode{insulation.NoteHoldMissing}, func(r *insulation.Reading) { r.HoldSeconds = nan }},
		{[]insulation.NoteCode{insulation.NoteHoldShort}, func(r *insulation.Reading) { r.HoldSeconds = 15 }},
		{[]insulation.NoteCode{insulation.NoteHoldLong}, func(r *insulation.Reading) { r.HoldSeconds = 600 }},
		{[]insulation.NoteCode{insulation.NoteTestVoltsMissing}, func(r *insulation.Reading) { r.TestVolts = nan }},
		{[]insulation.NoteCode{insulation.NoteTestVoltsDiffer}, func(r *insulation.Reading) { r.TestVolts = 1000 }},
		// UN R100 annex: at least half the working voltage; ISO 6469-3 8.2.2: at least the maximum working voltage (here 400 V).
		{[]insulation.NoteCode{insulation.NoteTestVoltsDiffer, insulation.NoteTestVoltsBelowWorking}, func(r *insulation.Reading) { r.TestVolts = 250 }},
		{[]insulation.NoteCode{insulation.NoteTestVoltsDiffer, insulation.NoteTestVoltsBelowHalf}, func(r *insulation.Reading) { r.TestVolts = 100 }},
		{nil, func(r *insulation.Reading) { r.Meter, r.CalibratedAt = "", time.Time{} }},
		{[]insulation.NoteCode{insulation.NoteCalibrationOld}, func(r *insulation.Reading) { r.CalibratedAt = r.MeasuredAt.AddDate(-1, 0, -2) }},
		// IEC 61557-2: rated operating range 0 to 35 C.
		{[]insulation.NoteCode{insulation.NoteMeterTemperature}, func(r *insulation.Reading) { r.AirCelsius, r.PartCelsius = -4, -4+10 }},
		{nil, func(r *insulation.Reading) { r.Precautions.ZeroVoltsProven = nil }},
		{[]insulation.NoteCode{insulation.NoteZeroVoltsNotProven}, func(r *insulation.Reading) { r.Precautions.ZeroVoltsProven = no() }},
		{[]insulation.NoteCode{insulation.NoteResidualVolts}, func(r *insulation.Reading) { r.Precautions.ResidualVolts = number(20) }},
		{nil, func(r *insulation.Reading) { r.Precautions.ResidualVolts = number(19.9) }},
		{[]insulation.NoteCode{insulation.NoteNotLockedOut}, func(r *insulation.Reading) { r.Precautions.LockedOut = no() }},
		{nil, func(r *insulation.Reading) { r.Precautions.GlovesTested = time.Time{} }},
		// 29 CFR 1910.137(c)(2): every six months.
		{[]insulation.NoteCode{insulation.NoteGlovesOld}, func(r *insulation.Reading) { r.Precautions.GlovesTested = r.MeasuredAt.AddDate(0, -6, -1) }},
		{nil, func(r *insulation.Reading) { r.Precautions.GlovesTested = r.MeasuredAt.AddDate(0, -6, 1) }},
		{[]insulation.NoteCode{insulation.NoteGlovesNotAirTested, insulation.NoteNoEyeProtection, insulation.NoteNotDischarged}, func(r *insulation.Reading) {
			r.Precautions.GlovesAirTested, r.Precautions.EyeProtection, r.Precautions.DischargedAfter = no(), no(), no()
		}},
		{[]insulation.NoteCode{insulation.NoteVINFailed}, func(r *insulation.Reading) { r.Vehicle = "1M8GDM9A0KP042788" }},
		{[]insulation.NoteCode{insulation.NoteVINFailed}, func(r *insulation.Reading) { r.Vehicle = "1m8gdm9a0kp042788" }},
		{nil, func(r *insulation.Reading) { r.Vehicle = "1m8gdm9axkp042788" }},
		{nil, func(r *insulation.Reading) { r.Vehicle = "1M8GDM9AXKP042788" }},
		{[]insulation.NoteCode{insulation.NoteVINPlaceholder}, func(r *insulation.Reading) { r.Vehicle = "00000000000000000" }},
	} {
		r := goodReading()
		c.change(&r)
		a := insulation.Assess(&r, van(), now)
		if diff := cmp.Diff(c.want, codes(a)); diff != "" {
			t.Errorf("notes of %+v:\n%s", r, diff)
		}
		for _, n := range a.Notes {
			if n.Text == "" || n.Code.String() == "" || n.Code.Topic().String() == "" {
				t.Errorf("note without words: %+v", n)
			}
		}
	}
}

func TestAssessAsksNoHoldAndNoPrecautionsOfAMonitor(t *testing.T) {
	r := monitorReading()
	r.Defaults()
	want := []insulation.NoteCode{insulation.NoteTemperatureMissing, insulation.NoteHumidityMissing}
	if diff := cmp.Diff(want, codes(insulation.Assess(&r, van(), now))); diff != "" {
		t.Error(diff)
	}
}

func TestNoteCodesReadBack(t *testing.T) {
	all := insulation.NoteCodes()
	if len(all) != int(insulation.NoteVINPlaceholder) {
		t.Fatalf("%d codes", len(all))
	}
	for _, c := range all {
		got, err := insulation.ParseNoteCode(c.String())
		if err != nil || got != c {
			t.Errorf("%v: %v, %v", c, got, err)
		}
	}
}
