package services_test

import (
	"math"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
)

func TestTheBenchPlansAssessesAndComputes(t *testing.T) {
	s := start(t)
	key := s.vehicle(t, s.organisation, "truck-17")
	bench, ctx := creepagev1.NewBenchServiceClient(s.conn), s.with(s.shopKey)

	for what, req := range map[string]*creepagev1.MakeTestPlanRequest{"a platform": {Platform: "platforms/harbor-van-400"}, "a vehicle": {Vehicle: "vehicles/truck-17"}} {
		plan, err := bench.MakeTestPlan(ctx, req)
		if err != nil || len(plan.GetPoints()) != 3 || plan.GetPoints()[0].GetLimitOhms() != 1e8 || len(plan.GetCautions()) == 0 || len(plan.GetBefore()) == 0 {
			t.Errorf("plan of %s: %v %v", what, plan, err)
		}
	}

	var visit []*creepagev1.Reading
	for i, w := range []creepagev1.Reading_Conductor{creepagev1.Reading_PHASE_U, creepagev1.Reading_PHASE_V, creepagev1.Reading_PHASE_W} {
		visit = append(visit, good("", func(m *creepagev1.Reading) {
			m.Conductor, m.ResistanceOhms, m.Vehicle, m.MeasureTime, m.TemperatureCelsius = w, []float64{4e8, 5e8, 2e7}[i], "", nil, proto.Float64(20)
		}))
	}
	a, err := bench.AssessVisit(ctx, &creepagev1.AssessVisitRequest{Readings: visit})
	if err != nil || len(a.GetReadings()) != 3 || a.GetReadings()[2].GetAssessment().GetServiceLimit() != creepagev1.Assessment_NOT_MET || len(a.GetContradictions()) == 0 || len(a.GetMeasureAgain()) == 0 {
		t.Errorf("visit: %v %v", a, err)
	}
	s.keep(t, s.organisation, key, good("r-1", func(m *creepagev1.Reading) { m.Visit = proto.String("v-1") }))
	a, err = bench.AssessVisit(ctx, &creepagev1.AssessVisitRequest{Vehicle: "vehicles/truck-17", Visit: "v-1"})
	if err != nil || len(a.GetReadings()) != 1 || a.GetReadings()[0].GetReading().GetReadingId() != "r-1" {
		t.Errorf("stored visit: %v %v", a, err)
	}

	absorption, err := bench.ComputeAbsorption(ctx, &creepagev1.ComputeAbsorptionRequest{ThermalClass: creepagev1.ComputeAbsorptionRequest_CLASS_F, Readings: []*creepagev1.TimedReading{
		{Seconds: 30, ResistanceOhms: 1e8}, {Seconds: 60, ResistanceOhms: 1.5e8}, {Seconds: 600, ResistanceOhms: 4.5e8}}})
	if err != nil || absorption.GetAbsorptionRatio() != 1.5 || absorption.GetPolarisationIndex() != 3 || !strings.HasSuffix(absorption.GetVerdict(), ": met") {
		t.Errorf("absorption: %v %v", absorption, err)
	}

	// Two poles of 2 Mohm and 500 kohm, meter of 10 Gohm, 400 V, 100 kohm across the stronger: by Ohm's law.
	weak, strong, ro, bus := 5e5, 2e6, 1e5, 400.0
	v1 := bus * strong / (weak + strong)
	loaded := strong * ro / (strong + ro)
	v, err := bench.ComputeVoltmeter(ctx, &creepagev1.ComputeVoltmeterRequest{BusVolts: bus, MinusVolts: v1, PlusVolts: bus - v1, LoadedVolts: bus * loaded / (loaded + weak), ResistorOhms: ro, MeterOhms: proto.Float64(1e10)})
	if err != nil || math.Abs(v.GetWeakerPoleOhms()/weak-1) > 0.01 || !v.GetMeets_500() || len(v.GetSteps()) < 2 || v.GetInterval() == nil {
		t.Errorf("voltmeter: %v %v, want a weaker pole of %g ohm", v, err, weak)
	}

	leak, err := bench.LocateLeak(ctx, &creepagev1.LocateLeakRequest{Components: []string{"motor", "heater", "compressor"}, WorkingVolts: proto.Float64(400), Readings: []*creepagev1.CircuitReading{
		{AllConnected: true, ResistanceOhms: 1.2e5}, {Connected: []string{"motor", "heater"}, ResistanceOhms: 5e7}, {Connected: []string{"compressor"}, ResistanceOhms: 1.2e5, Condition: ""}}})
	if err != nil || leak.GetComponents()[0].GetComponent() != "compressor" || leak.GetComponents()[0].GetWorstProbability() < 0.9 || len(leak.GetCautions()) == 0 {
		t.Errorf("leak: %v %v", leak, err)
	}
}

func TestTheBenchNamesWhatIsWrong(t *testing.T) {
	s := start(t)
	bench, ctx := creepagev1.NewBenchServiceClient(s.conn), s.with(s.shopKey)
	for field, err := range map[string]error{
		"platform":              second(bench.MakeTestPlan(ctx, &creepagev1.MakeTestPlanRequest{})).err,
		"readings":              second(bench.AssessVisit(ctx, &creepagev1.AssessVisitRequest{})).err,
		"readings[0].component": second(bench.AssessVisit(ctx, &creepagev1.AssessVisitRequest{Readings: []*creepagev1.Reading{good("", func(m *creepagev1.Reading) { m.Component = 0 })}})).err,
		"limit_ohms":            second(bench.LocateLeak(ctx, &creepagev1.LocateLeakRequest{Components: []string{"a", "b"}})).err,
		"readings[0].condition": second(bench.LocateLeak(ctx, &creepagev1.LocateLeakRequest{Components: []string{"a", "b"}, WorkingVolts: proto.Float64(400), Readings: []*creepagev1.CircuitReading{{AllConnected: true, ResistanceOhms: 1e6, Condition: "muddy"}}})).err,
		"resistor_ohms":         second(bench.ComputeVoltmeter(ctx, &creepagev1.ComputeVoltmeterRequest{BusVolts: 400, MinusVolts: 300, PlusVolts: 100, LoadedVolts: 50})).err,
	} {
		if st := status.Convert(err); st.Code() != codes.InvalidArgument || violation(st, field) == "" {
			t.Errorf("%s: %v %v", field, err, st.Details())
		}
	}
}
