package wire

import (
	"errors"
	"strings"
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

// Numbers that no vehicle has are refused with the value and what is allowed; what the
// bounds themselves are is taken.
func TestAPlatformOfImpossibleNumbersIsRefused(t *testing.T) {
	platform := func(volts, code, limit, test float64) *creepagev1.Platform {
		return &creepagev1.Platform{Name: "platforms/x", MaxWorkingVolts: volts, CodeOhms: &code, TestPoints: []*creepagev1.TestPoint{
			{Component: creepagev1.Reading_MOTOR, Conductor: creepagev1.Reading_PHASE_U, Reference: creepagev1.Reading_CHASSIS, LimitOhms: limit, TestVolts: test}}}
	}
	for _, c := range []struct {
		message *creepagev1.Platform
		want    string
	}{
		{platform(10, 1e3, 1e3, 50), ""},
		{platform(1500, 1e9, 1e12, 1500), ""},
		{platform(40000, 2e5, 1e8, 500), "max_working_volts: 40000: allowed is 10 to 1500 V"},
		{platform(0.4, 2e5, 1e8, 500), "max_working_volts: 0.4: allowed is 10 to 1500 V"},
		{platform(400, 1, 1e8, 500), "code_ohms: 1: allowed is 1000 to 1000000000 ohm"},
		{platform(400, 2e9, 1e8, 500), "code_ohms: 2000000000: allowed is 1000 to 1000000000 ohm"},
		{platform(400, 2e5, 100, 500), "test_points[0].limit_ohms: 100: allowed is 1000 to 1e+12 ohm"},
		{platform(400, 2e5, 1e8, 14000), "test_points[0].test_volts: 14000: allowed is 50 to 1500 V"},
		{platform(400, 2e5, 1e8, 5), "test_points[0].test_volts: 5: allowed is 50 to 1500 V"},
	} {
		_, err := Platform(c.message)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%v: %v; want %q", c.message, err, c.want)
		}
	}
}
