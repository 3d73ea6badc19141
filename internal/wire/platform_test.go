package wire

import (
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
)

func TestAPlatformComesBackAsItWent(t *testing.T) {
	for _, want := range []insulation.Platform{
		{ID: "van-400", Title: "Harbour van", MaxWorkingVolts: 400, CodeQuantity: insulation.Parallel},
		{ID: "bus-750", MaxWorkingVolts: 750, CodeOhms: 375_000, CodeQuantity: insulation.WeakerPole, ValidFrom: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC),
			Points: []insulation.Point{
				{Component: insulation.Motor, Conductor: insulation.PhaseU, Reference: insulation.Chassis, LimitOhms: 1e8, TestVolts: 500},
				{Component: insulation.Cable, Conductor: insulation.HVPlus, Reference: insulation.Shield, LimitOhms: 1e9, TestVolts: 1000}}},
	} {
		got, err := Platform(PlatformMessage(&want))
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: %s", want.ID, d)
		}
	}
}

func TestEveryWrongFieldOfAPlatformIsNamed(t *testing.T) {
	zero := 0.0
	point := &creepagev1.TestPoint{Component: creepagev1.Reading_MOTOR, Conductor: creepagev1.Reading_PHASE_U, Reference: creepagev1.Reading_CHASSIS, LimitOhms: 1e8, TestVolts: 500}
	_, err := Platform(&creepagev1.Platform{
		Name: "vans/x", CodeOhms: &zero, CodeQuantity: 9,
		TestPoints: []*creepagev1.TestPoint{point, point, {Component: creepagev1.Reading_MOTOR, LimitOhms: -1}},
	})
	var got FieldErrors
	if !errors.As(err, &got) {
		t.Fatalf("error %v", err)
	}
	var fields []string
	for _, e := range got {
		fields = append(fields, e.Field)
	}
	want := []string{"name", "code_quantity", "max_working_volts", "code_ohms", "test_points[1]", "test_points[2].conductor", "test_points[2].reference",
		"test_points[2].limit_ohms", "test_points[2].test_volts"}
	if d := cmp.Diff(want, fields); d != "" {
		t.Error(d)
	}
}
