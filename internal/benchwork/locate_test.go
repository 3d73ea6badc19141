package benchwork_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/benchwork"
)

// circuit reads a circuit of which only c leaks, at 100 kohm; the others are
// sound at 1 gigohm and more.
func leakingCircuit() *creepagev1.LocateLeakRequest {
	return &creepagev1.LocateLeakRequest{Components: []string{"motor", "heater", "compressor", "charger"}, WorkingVolts: proto.Float64(400), Readings: []*creepagev1.CircuitReading{
		{AllConnected: true, ResistanceOhms: 1e5},
		{Connected: []string{"motor", "heater", "charger"}, ResistanceOhms: 3.6e8},
		{Connected: []string{"motor", "compressor"}, ResistanceOhms: 1.05e5},
	}}
}

// The code limit of 200 kohm lies four decades below what sound parts read: a
// sound part must not be taken as one just above the limit.
func TestSoundPartsFarAboveTheLimitAreBelieved(t *testing.T) {
	a, err := benchwork.Locate(leakingCircuit())
	if err != nil {
		t.Fatal(err)
	}
	worst := a.GetComponents()[0]
	if worst.GetComponent() != "compressor" || worst.GetFaultProbability() < 0.95 || worst.GetMedianOhms() < 8e4 || worst.GetMedianOhms() > 1.2e5 {
		t.Errorf("%v", a.GetComponents())
	}
	if len(a.GetDoubtedReadings()) > 0 {
		t.Errorf("readings %v are doubted", a.GetDoubtedReadings())
	}
	for _, c := range a.GetComponents()[1:] {
		if c.GetMedianOhms() < 3.6e8 || c.GetFaultProbability() > 0.05 {
			t.Errorf("a part of a set that reads 360 MΩ cannot be below it: %v", c)
		}
	}
}

func TestAnIntermittentLeakIsNamedWithItsCondition(t *testing.T) {
	var readings []*creepagev1.CircuitReading
	for _, c := range []struct {
		without  string
		dry, wet float64
	}{{"", 2.4e8, 1.5e5}, {"motor", 3.6e8, 1.5e5}, {"heater", 3.5e8, 2.9e8}, {"charger", 3.3e8, 1.4e5}} {
		var connected []string
		for _, name := range []string{"motor", "heater", "charger"} {
			if name != c.without {
				connected = append(connected, name)
			}
		}
		readings = append(readings, &creepagev1.CircuitReading{Connected: connected, ResistanceOhms: c.wet, Condition: "wet, cold"},
			&creepagev1.CircuitReading{Connected: connected, ResistanceOhms: c.dry, Condition: "dry, cold"})
	}
	a, err := benchwork.Locate(&creepagev1.LocateLeakRequest{Components: []string{"motor", "heater", "charger"}, WorkingVolts: proto.Float64(400), Readings: readings})
	if err != nil {
		t.Fatal(err)
	}
	if len(a.GetConditions()) != 2 || a.GetConditions()[0].GetCondition() != "dry, cold" || a.GetConditions()[1].GetCondition() != "wet, cold" {
		t.Fatalf("conditions %v", a.GetConditions())
	}
	if len(a.GetIntermittent()) != 1 || !strings.HasPrefix(a.GetIntermittent()[0], "heater is below its limit wet, cold") {
		t.Errorf("intermittent %q", a.GetIntermittent())
	}
	if a.GetComponents()[0].GetComponent() != "heater" || !strings.Contains(a.GetSummary(), "heater leaks, wet, cold") || a.GetConditions()[0].GetNoneProbability() < 0.9 {
		t.Errorf("%s\n%v", a.GetSummary(), a.GetConditions())
	}
	text := ""
	for _, s := range a.GetSteps() {
		text += s.GetText() + "\n"
	}
	for _, want := range []string{"a component below 200 kΩ leaks: 500 ohm per volt of 400 V (UN R100)", "charger + heater + motor: dry, cold 240 MΩ, wet, cold 150 kΩ: a factor of 0.000625", "least squares"} {
		if !strings.Contains(text, want) {
			t.Errorf("the steps lack %q:\n%s", want, text)
		}
	}
}
