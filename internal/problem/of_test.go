package problem_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/problem"
)

// What the contract refuses is answered with the field, the value as given and
// what is allowed; a text is cut, and what has no value or no short form has none.
func TestWhatTheContractRefusesIsNamedWithItsValue(t *testing.T) {
	long := strings.Repeat("ä", 201)
	for name, c := range map[string]struct {
		message     proto.Message
		path, leads string
	}{
		"number":  {&creepagev1.SetWarningPolicyRequest{Policy: &creepagev1.WarningPolicy{LeadDays: 366, FalseCalls: creepagev1.WarningPolicy_FEW}}, "policy.lead_days", "366: "},
		"zero":    {&creepagev1.SetWarningPolicyRequest{Policy: &creepagev1.WarningPolicy{FalseCalls: creepagev1.WarningPolicy_FEW}}, "policy.lead_days", "0: "},
		"enum":    {&creepagev1.SetWarningPolicyRequest{Policy: &creepagev1.WarningPolicy{LeadDays: 60, FalseCalls: 9}}, "policy.false_calls", "9: "},
		"text":    {&creepagev1.Shop{Title: long}, "title", `"` + long[:2*64] + `" and 137 characters more: `},
		"no enum": {&creepagev1.SetWarningPolicyRequest{Policy: &creepagev1.WarningPolicy{LeadDays: 60}}, "policy.false_calls", "is missing; allowed are FEW, "},
		"of enum": {&creepagev1.SetWarningPolicyRequest{Policy: &creepagev1.WarningPolicy{LeadDays: 60, FalseCalls: 9}}, "policy.false_calls", "9: allowed are FEW, USUAL, "},
		"list":    {&creepagev1.SubmitReadingsRequest{Codes: make([]*creepagev1.CodeSighting, 1001)}, "codes", "has 1001: must contain"},
		"unset":   {&creepagev1.SetWarningPolicyRequest{}, "policy", "value is required"},
	} {
		t.Run(name, func(t *testing.T) {
			answer := problem.Of(protovalidate.Validate(c.message))
			if answer == nil || len(answer.Fields) == 0 {
				t.Fatalf("nothing was refused of %v: %v", c.message, answer)
			}
			got := answer.Fields[0]
			if got.Path != c.path || !strings.HasPrefix(got.Description, c.leads) || len(got.Description) <= len(c.leads) && name != "unset" {
				t.Errorf("%s %q; want %s, led by %q and followed by what is allowed", got.Path, got.Description, c.path, c.leads)
			}
		})
	}
}

// The domain writes its words as files do; the API answers with its own, and keeps what files are told.
func TestTheDomainsWordsAreAnsweredAsTheAPIWritesThem(t *testing.T) {
	nan := math.NaN()
	good := insulation.Reading{ID: "r-1", Shop: "quay", Vehicle: "truck-1", MeasuredAt: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), Method: insulation.Tester, Component: insulation.Battery,
		Conductor: insulation.HVPlus, Reference: insulation.Chassis, Relation: insulation.Equal, Ohms: 1e8, TestVolts: nan, HoldSeconds: nan, AirCelsius: nan, HumidityPct: nan, PartCelsius: nan, RangeOhms: nan}
	for _, c := range []struct {
		change func(*insulation.Reading)
		want   string
		files  string
	}{
		{func(r *insulation.Reading) { r.Conductor = insulation.PhaseV }, "conductor PHASE_V: a battery has no phases here; allowed are HV_PLUS, HV_MINUS, ALL",
			"phase_v: a battery has no phases here; allowed are hv_plus, hv_minus, all"},
		{func(r *insulation.Reading) { r.Method, r.Conductor = insulation.Monitor, insulation.AllConductors }, "component BATTERY: a monitor reading is of the whole vehicle; allowed is SYSTEM",
			"battery: a monitor reading is of the whole vehicle; allowed is system"},
		{func(r *insulation.Reading) { r.Method = 9 }, "method 9: allowed are TESTER, MONITOR, VOLTMETER", "9: allowed are tester, monitor, voltmeter"},
		{func(r *insulation.Reading) { r.Moisture = 9 }, "moisture 9: it may be left out; allowed are DRY, WET", "9: it may be left out; allowed are dry, wet"},
		{func(r *insulation.Reading) { r.Shop = "all dry" }, `shop "all dry": allowed are letters a to z, digits and - _ . ~`, ""},
	} {
		r := good
		c.change(&r)
		fields := problem.FromDomain(insulation.Validate(&r, r.MeasuredAt))
		if len(fields) != 1 || fields[0].Path+" "+fields[0].Description != c.want || fields[0].InFiles != c.files {
			t.Errorf("%q, want %s, and in files %q", fields, c.want, c.files)
		}
	}
}
