package services_test

import (
	"encoding/json"
	"math"
	"net/http"
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

func TestAnIntermittentLeakIsAnsweredConditionByCondition(t *testing.T) {
	s := start(t)
	var readings []*creepagev1.CircuitReading
	for _, c := range []struct {
		connected []string
		dry, wet  float64
	}{{[]string{"motor", "heater", "charger"}, 2.4e8, 1.5e5}, {[]string{"motor", "charger"}, 3.5e8, 2.9e8}} {
		readings = append(readings, &creepagev1.CircuitReading{Connected: c.connected, ResistanceOhms: c.dry, Condition: "dry"}, &creepagev1.CircuitReading{Connected: c.connected, ResistanceOhms: c.wet, Condition: "wet"})
	}
	leak, err := creepagev1.NewBenchServiceClient(s.conn).LocateLeak(s.with(s.shopKey), &creepagev1.LocateLeakRequest{Components: []string{"motor", "heater", "charger"}, WorkingVolts: proto.Float64(400), Readings: readings})
	must(t, err)
	steps := ""
	for _, step := range leak.GetSteps() {
		steps += step.GetText() + "\n"
	}
	if len(leak.GetConditions()) != 2 || leak.GetConditions()[0].GetNoneProbability() < 0.9 || leak.GetConditions()[1].GetComponents()[0].GetComponent() != "heater" ||
		len(leak.GetIntermittent()) != 1 || !strings.HasPrefix(leak.GetIntermittent()[0], "heater is below its limit wet") || !strings.Contains(steps, "dry 240 MΩ, wet 150 kΩ: a factor of 0.000625") {
		t.Errorf("%v\n%s", leak, steps)
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

// Every slip at the bench is answered over REST with the field's path, the
// value as it was given and what is allowed.
func TestTheBenchNamesFieldValueAndWhatIsAllowedOverREST(t *testing.T) {
	s := start(t)
	const volts = `"busVolts": 400, "minusVolts": 300, "plusVolts": 100, "resistorOhms": 2e5`
	const circuit = `"components": ["motor", "heater"], "workingVolts": 400`
	for _, c := range []struct{ call, body, field, value, allowed string }{
		{"plan", `{}`, "platform", "", "exactly one of platform and vehicle"},
		{"plan", `{"platform": "van"}`, "platform", `"van"`, "platforms/{id}"},
		{"plan", `{"vehicle": "vehicles/Truck 1"}`, "vehicle", "Truck 1", "lower case letters"},
		{"visit", `{}`, "readings", "", "either readings, or vehicle and visit"},
		{"visit", `{"vehicle": "vehicles/truck-17"}`, "visit", "", "is missing"},
		{"visit", `{"readings": [{"method": "TESTER", "component": "MOTR"}]}`, "readings[0].component", `"MOTR"`, "BATTERY"},
		{"visit", `{"readings": [{"method": "TESTER", "component": "MOTOR", "conductor": "PHASE_U", "reference": "CHASSIS", "resistanceOhms": -5}]}`, "readings[0].resistance_ohms", "-5", "allowed"},
		{"visit", `{"readings": [{"method": "TESTER", "component": "MOTOR", "conductor": "PHASE_U", "reference": "CHASSIS", "resistanceOhms": "5 MΩ"}]}`, "readings[0].resistance_ohms", "5 MΩ", "without a unit"},
		{"visit", `{"readings": [{"method": "TESTER", "component": "MOTOR", "conductor": "PHASE_U", "reference": "CHASSIS", "resistanceOhms": 5e8, "humidityPercent": 140}]}`, "readings[0].humidity_percent", "140", "allowed"},
		{"absorption", `{}`, "readings", "", "at least the values"},
		{"absorption", `{"readings": [{"seconds": -5, "resistanceOhms": 1e8}]}`, "readings[0].seconds", "-5", "5 to 7200 s"},
		{"absorption", `{"readings": [{"seconds": 60, "resistanceOhms": 0}]}`, "readings[0].resistance_ohms", "0", "allowed is 0.01"},
		{"absorption", `{"readings": [{"seconds": 60, "resistanceOhms": 1e8}, {"seconds": 60, "resistanceOhms": 2e8}]}`, "readings", "60", "one value for each time"},
		{"absorption", `{"thermalClass": "CLASS_C", "readings": [{"seconds": 60, "resistanceOhms": 1e8}]}`, "thermal_class", "CLASS_C", "CLASS_A, CLASS_B"},
		{"absorption", `{"testVolts": -500, "readings": [{"seconds": 60, "resistanceOhms": 1e8}]}`, "test_volts", "-500", "allowed"},
		{"absorption", `{"testVolts": 0, "readings": [{"seconds": 60, "resistanceOhms": 1e8}]}`, "test_volts", "0", "allowed"},
		{"voltmeter", `{` + volts + `, "loadedVolts": 300}`, "loaded_volts", "300", "less than 300 V"},
		{"voltmeter", `{` + volts + `, "loadedVolts": -1}`, "loaded_volts", "-1", "0 to less than 300 V"},
		{"voltmeter", `{"busVolts": 400, "minusVolts": -300, "plusVolts": 100, "resistorOhms": 2e5, "loadedVolts": 50}`, "minus_volts", "-300", "greater than 0"},
		{"voltmeter", `{"busVolts": 400, "minusVolts": 300, "plusVolts": 100, "loadedVolts": 50}`, "resistor_ohms", "0", "greater than 0"},
		{"voltmeter", `{"busVolts": 200, "minusVolts": 300, "plusVolts": 100, "resistorOhms": 2e5, "loadedVolts": 50}`, "bus_volts", "200", "allowed is at least 363.6 V"},
		{"voltmeter", `{` + volts + `, "loadedVolts": 50, "voltsUncertainty": 2}`, "volts_uncertainty", "2", "0 to less than 1"},
		{"voltmeter", `{` + volts + `, "loadedVolts": 50, "resistorUncertainty": -1}`, "resistor_uncertainty", "-1", "0 to less than 1"},
		{"voltmeter", `{` + volts + `, "loadedVolts": 50, "meterOhms": -1}`, "meter_ohms", "-1", "greater than 0"},
		{"locate", `{"components": ["a", "b"]}`, "limit_ohms", "", "limit_ohms or working_volts"},
		{"locate", `{"workingVolts": 400, "readings": [{"allConnected": true, "resistanceOhms": 1e6}]}`, "components", "0", "2 to 16"},
		{"locate", `{"workingVolts": 400, "components": ["a"], "readings": [{"allConnected": true, "resistanceOhms": 1e6}]}`, "components", "1", "2 to 16"},
		{"locate", `{"workingVolts": 400, "components": ["a", "a"], "readings": [{"connected": ["a"], "resistanceOhms": 1e6}]}`, "components[1]", `"a"`, "once only"},
		{"locate", `{` + circuit + `}`, "readings", "0", "1 to 400"},
		{"locate", `{` + circuit + `, "readings": [{"connected": ["motr"], "resistanceOhms": 1e6}]}`, "readings[0].connected", `"motr"`, "allowed are heater, motor"},
		{"locate", `{` + circuit + `, "readings": [{"resistanceOhms": 1e6}]}`, "readings[0].connected", "[]", "at least one component"},
		{"locate", `{` + circuit + `, "readings": [{"connected": ["motor"], "allConnected": true, "resistanceOhms": 1e6}]}`, "readings[0].connected", "", "all_connected is true"},
		{"locate", `{` + circuit + `, "readings": [{"allConnected": true, "resistanceOhms": 0}]}`, "readings[0].resistance_ohms", "0", "allowed is 0.01"},
		{"locate", `{` + circuit + `, "readings": [{"allConnected": true, "resistanceOhms": 1e6, "relativeUncertainty": 0}]}`, "readings[0].relative_uncertainty", "0", "0.001 to 3"},
		{"locate", `{` + circuit + `, "readings": [{"allConnected": true, "resistanceOhms": 1e6, "relativeUncertainty": 9}]}`, "readings[0].relative_uncertainty", "9", "0.001 to 3"},
		{"locate", `{` + circuit + `, "readings": [{"allConnected": true, "resistanceOhms": 1e6, "condition": "wet dry"}]}`, "readings[0].condition", `"wet dry"`, "one of dry and wet"},
		{"locate", `{"components": ["a", "b"], "workingVolts": 9000, "readings": [{"allConnected": true, "resistanceOhms": 1e6}]}`, "working_volts", "9000", "1500 V"},
		{"locate", `{"components": ["a", "b"], "limitOhms": -1, "readings": [{"allConnected": true, "resistanceOhms": 1e6}]}`, "limit_ohms", "-1", "allowed is 0.01"},
		{"locate", `{` + circuit + `, "healthyOhms": -1, "readings": [{"allConnected": true, "resistanceOhms": 1e6}]}`, "healthy_ohms", "-1", "allowed is 0.01"},
		{"locate", `{` + circuit + `, "rangeOhms": -1, "readings": [{"allConnected": true, "resistanceOhms": 1e6}]}`, "range_ohms", "-1", "allowed is 0.01"},
	} {
		code, _, answer := s.rest(t, "POST", "/v1/bench:"+c.call, s.shopKey, c.body)
		var m struct {
			Details []struct {
				FieldViolations []struct{ Field, Description string }
			}
		}
		must(t, json.Unmarshal([]byte(answer), &m))
		said := ""
		for _, d := range m.Details {
			for _, v := range d.FieldViolations {
				if v.Field == c.field {
					said += v.Description + "\n"
				}
			}
		}
		if code != http.StatusBadRequest || said == "" || !strings.Contains(said, c.value) || !strings.Contains(said, c.allowed) {
			t.Errorf("%s %s: %d, of %s it says %q; want %q and %q\n%s", c.call, c.body, code, c.field, said, c.value, c.allowed, answer)
		}
	}
}
