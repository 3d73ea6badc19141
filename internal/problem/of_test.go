package problem_test

import (
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
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
		"number": {&creepagev1.SetWarningPolicyRequest{Policy: &creepagev1.WarningPolicy{LeadDays: 366, FalseCalls: creepagev1.WarningPolicy_FEW}}, "policy.lead_days", "366: "},
		"zero":   {&creepagev1.SetWarningPolicyRequest{Policy: &creepagev1.WarningPolicy{FalseCalls: creepagev1.WarningPolicy_FEW}}, "policy.lead_days", "0: "},
		"enum":   {&creepagev1.SetWarningPolicyRequest{Policy: &creepagev1.WarningPolicy{LeadDays: 60, FalseCalls: 9}}, "policy.false_calls", "9: "},
		"text":   {&creepagev1.Shop{Title: long}, "title", `"` + long[:2*64] + `" and 137 characters more: `},
		"unset":  {&creepagev1.SetWarningPolicyRequest{}, "policy", "value is required"},
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
