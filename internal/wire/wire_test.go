package wire

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
)

func TestEnumNumbersOfTheContractAreThoseOfTheDomain(t *testing.T) {
	check := func(contract, domain string) {
		t.Helper()
		if domain == "=" || domain == ">" || domain == "<" { // the files' signs for these three
			domain = map[string]string{"=": "equal", ">": "above", "<": "below"}[domain]
		}
		if strings.ToLower(contract) != domain {
			t.Errorf("the contract's %s has the number of the domain's %q", contract, domain)
		}
	}
	for i := range 3 {
		check(creepagev1.Reading_Method(i+1).String(), insulation.Method(i+1).String())
		check(creepagev1.Reading_Relation(i+1).String(), insulation.Relation(i+1).String())
	}
	for i := range 11 {
		check(creepagev1.Reading_Component(i+1).String(), insulation.Component(i+1).String())
	}
	for i := range 6 {
		check(creepagev1.Reading_Conductor(i+1).String(), insulation.Conductor(i+1).String())
	}
	for i := range 2 {
		check(creepagev1.Reading_Reference(i+1).String(), insulation.Reference(i+1).String())
		check(creepagev1.Reading_Quantity(i+1).String(), insulation.Quantity(i+1).String())
		check(creepagev1.Reading_Moisture(i+1).String(), insulation.Moisture(i+1).String())
		check(creepagev1.Reading_Warmth(i+1).String(), insulation.Warmth(i+1).String())
	}
}

// anyReading draws readings in which every field varies.
var anyReading = rapid.Custom(func(t *rapid.T) insulation.Reading {
	id := func(label string) string {
		return rapid.StringMatching(`[a-z0-9._-]{1,12}`).Filter(func(s string) bool { return !insulation.DotsAlone(s) }).Draw(t, label)
	}
	number := func(label string) float64 {
		if rapid.Bool().Draw(t, label+" given") {
			return rapid.Float64Range(-1e9, 1e16).Draw(t, label)
		}
		return math.NaN()
	}
	moment := func(label string) time.Time {
		return time.UnixMicro(rapid.Int64Range(1, 4e15).Draw(t, label)).UTC()
	}
	stated := func(label string) *bool { return rapid.Ptr(rapid.Bool(), true).Draw(t, label) }
	r := insulation.Reading{
		ID: id("id"), Shop: id("shop"), Vehicle: id("vehicle"), Platform: id("platform"), Visit: id("visit"),
		MeasuredAt: moment("measured"), Method: insulation.Method(rapid.IntRange(1, 3).Draw(t, "method")),
		Component: insulation.Component(rapid.IntRange(1, 11).Draw(t, "component")), Conductor: insulation.Conductor(rapid.IntRange(1, 6).Draw(t, "conductor")),
		Reference: insulation.Reference(rapid.IntRange(1, 2).Draw(t, "reference")), Quantity: insulation.Parallel,
		Relation: insulation.Relation(rapid.IntRange(1, 3).Draw(t, "relation")), Ohms: rapid.Float64Range(0, 1e16).Draw(t, "ohms"),
		TestVolts: number("volts"), HoldSeconds: number("hold"), AirCelsius: number("air"), HumidityPct: number("rh"), PartCelsius: number("part"),
		Moisture: insulation.Moisture(rapid.IntRange(0, 2).Draw(t, "moisture")), Warmth: insulation.Warmth(rapid.IntRange(0, 2).Draw(t, "warmth")),
		Meter: id("meter"), RangeOhms: number("range"), CalibratedAt: moment("calibrated"), Qualification: id("qualification"),
		Precautions: insulation.Precautions{
			LockedOut: stated("locked"), ZeroVoltsProven: stated("zero"), GlovesTested: moment("gloves"), GlovesAirTested: stated("air test"),
			EyeProtection: stated("eye"), DischargedAfter: stated("discharged"), SecondPersonNear: stated("second"),
			WaitedSeconds: rapid.Ptr(rapid.Float64Range(0, 1e4), true).Draw(t, "waited"), ResidualVolts: rapid.Ptr(rapid.Float64Range(0, 1e4), true).Draw(t, "residual"),
		},
	}
	if r.Component == insulation.System {
		r.Quantity = insulation.Quantity(rapid.IntRange(1, 2).Draw(t, "quantity"))
	}
	return r
})

func TestReadingMakesTheRoundTripThroughItsBytes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := anyReading.Draw(t, "reading")
		bytes, err := proto.Marshal(ReadingMessage(&want))
		if err != nil {
			t.Fatal(err)
		}
		var m creepagev1.Reading
		if err := proto.Unmarshal(bytes, &m); err != nil {
			t.Fatal(err)
		}
		got, err := Reading(&m)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got, cmpopts.EquateNaNs()); diff != "" {
			t.Fatal(diff)
		}
		if ContentHash(&want) != ContentHash(&got) || DerivedID(&want) != DerivedID(&got) {
			t.Fatal("the round trip changed the content's hash")
		}
	})
}

func TestAMessageWithWhatWasLeftOutReadsAsTheReading(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := anyReading.Draw(t, "reading")
		m := ReadingMessage(&want)
		if rapid.Bool().Draw(t, "left out") {
			m.ReadingId, m.Shop, m.Platform = "", "", nil
		}
		m.ReceiveTime, m.VoidReason = timestamppb.Now(), Text("not a sender's to say")
		Complete(m, &want)
		got, err := Reading(m)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got, cmpopts.EquateNaNs()); diff != "" {
			t.Fatal(diff)
		}
		if m.ReceiveTime != nil || m.VoidReason != nil {
			t.Fatalf("the sender's %v and %q are left", m.ReceiveTime, m.GetVoidReason())
		}
	})
}

func TestBareReadingHasNothingInTheFieldsLeftOut(t *testing.T) {
	got, err := Reading(&creepagev1.Reading{Vehicle: "vehicles/truck-17", MeasureTime: timestamppb.New(time.Unix(1e9, 1234567)), Method: creepagev1.Reading_TESTER,
		Component: creepagev1.Reading_MOTOR, Conductor: creepagev1.Reading_PHASE_U, Reference: creepagev1.Reading_CHASSIS, ResistanceOhms: 1e9})
	if err != nil {
		t.Fatal(err)
	}
	nan := math.NaN()
	want := insulation.Reading{Vehicle: "truck-17", MeasuredAt: time.Unix(1e9, 1234000).UTC(), Method: insulation.Tester, Component: insulation.Motor,
		Conductor: insulation.PhaseU, Reference: insulation.Chassis, Quantity: insulation.Parallel, Relation: insulation.Equal, Ohms: 1e9,
		TestVolts: nan, HoldSeconds: nan, AirCelsius: nan, HumidityPct: nan, PartCelsius: nan, RangeOhms: nan}
	if diff := cmp.Diff(want, got, cmpopts.EquateNaNs()); diff != "" {
		t.Error(diff)
	}
}

func TestEveryWrongFieldIsNamedAtOnce(t *testing.T) {
	nan := math.NaN()
	_, err := Reading(&creepagev1.Reading{Shop: "north-yard", Vehicle: "vehicles/Truck 17", Method: 9, Conductor: -1, Reference: creepagev1.Reading_CHASSIS,
		Quantity: creepagev1.Reading_WEAKER_POLE.Enum(), Component: creepagev1.Reading_MOTOR, ResistanceOhms: math.Inf(1), TestVolts: &nan,
		CalibrationTime: &timestamppb.Timestamp{Seconds: 1 << 60}, Precautions: &creepagev1.Precautions{ResidualVolts: &nan}})
	var errs FieldErrors
	if !errors.As(err, &errs) {
		t.Fatalf("error is %v, want FieldErrors", err)
	}
	got := map[string]string{}
	for _, e := range errs.Under("readings[3]") {
		got[e.Field] = e.Description
	}
	for _, field := range []string{"shop", "vehicle", "measure_time", "method", "conductor", "quantity", "resistance_ohms", "test_volts", "calibration_time", "precautions.residual_volts"} {
		if got["readings[3]."+field] == "" {
			t.Errorf("nothing said of %s; said: %v", field, err)
		}
	}
	if len(got) != 10 {
		t.Errorf("%d fields named, want 10: %v", len(got), err)
	}
	if want := `"vehicles/Truck 17": the id "Truck 17" contains 'T'; allowed are lower case letters, digits, '-', '_' and '.'`; got["readings[3].vehicle"] != want {
		t.Errorf("of the vehicle it says\n%s, want\n%s", got["readings[3].vehicle"], want)
	}
}

func TestChangingAnyOneFieldChangesTheContentAndIsNamed(t *testing.T) {
	nan := math.NaN()
	base := insulation.Reading{TestVolts: nan, HoldSeconds: nan, AirCelsius: nan, HumidityPct: nan, PartCelsius: nan, RangeOhms: nan}
	fields := reflect.TypeOf(base)
	for i := range fields.NumField() {
		changed := base
		yes := true
		switch f := reflect.ValueOf(&changed).Elem().Field(i); v := f.Addr().Interface().(type) {
		case *string:
			*v = "x"
		case *time.Time:
			*v = time.Unix(1, 0)
		case *float64:
			*v = 1
		case *insulation.Precautions:
			v.LockedOut = &yes
		default:
			f.SetUint(1)
		}
		names := DifferingFields(&base, &changed)
		outside := fields.Field(i).Name == "ID" || fields.Field(i).Name == "ReceivedAt"
		if same := ContentHash(&base) == ContentHash(&changed); same != outside || (len(names) == 0) != outside {
			t.Errorf("changing %s: same content %v, fields named %v", fields.Field(i).Name, same, names)
		}
		known := (&creepagev1.Reading{}).ProtoReflect().Descriptor().Fields()
		for _, name := range names {
			if !nameKnown(name, known.Len(), func(i int) string { return string(known.Get(i).Name()) }) {
				t.Errorf("%s is no field of the contract", name)
			}
		}
	}
}

func nameKnown(name string, n int, at func(int) string) bool {
	for i := range n {
		if at(i) == name {
			return true
		}
	}
	return false
}

func TestCodesAreTroubleCodesOrRefused(t *testing.T) {
	at := timestamppb.New(time.Unix(1e9, 0))
	for _, code := range []string{"P0AA6", "P0AA1", "U3000-1A"} {
		m := &creepagev1.CodeSighting{Vehicle: "vehicles/v", Code: code, SetTime: at}
		v, err := Code(m)
		if err != nil || !proto.Equal(m, CodeMessage(&v)) {
			t.Errorf("%s: %v, %v", code, v, err)
		}
	}
	for _, code := range []string{"", "p0aa6", "P0AA", "P0AA6 ", "X0AA6", "P4AA6"} {
		if _, err := Code(&creepagev1.CodeSighting{Vehicle: "vehicles/v", Code: code, SetTime: at}); err == nil || !strings.HasPrefix(err.Error(), "code: ") {
			t.Errorf("%q: %v", code, err)
		}
	}
}
