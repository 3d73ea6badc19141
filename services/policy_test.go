package services_test

import (
	"encoding/json"
	"net/http"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	creepagev1 "creepage/api/creepage/v1"
)

func TestAnOrganisationSaysHowItWantsToBeWarned(t *testing.T) {
	s := start(t)
	get := func() *creepagev1.WarningPolicy {
		t.Helper()
		p, err := s.warnings.GetWarningPolicy(s.with(s.fleetKey), &creepagev1.GetWarningPolicyRequest{})
		must(t, err)
		return p
	}
	if p := get(); p.GetLeadDays() != 90 || p.GetFalseCalls() != creepagev1.WarningPolicy_USUAL {
		t.Errorf("before anything is stated: %v", p)
	}
	code, _, text := s.rest(t, "PUT", "/v1/warningPolicy", s.adminKey, `{"leadDays": 60, "falseCalls": "FEW"}`)
	var answer map[string]any
	if err := json.Unmarshal([]byte(text), &answer); err != nil || code != http.StatusOK || answer["leadDays"] != 60.0 || answer["falseCalls"] != "FEW" {
		t.Errorf("%d %s", code, text)
	}
	if p := get(); p.GetLeadDays() != 60 || p.GetFalseCalls() != creepagev1.WarningPolicy_FEW {
		t.Errorf("after it was stated: %v", p)
	}
	for _, bad := range []string{`{"leadDays": 0, "falseCalls": "FEW"}`, `{"leadDays": 366, "falseCalls": "FEW"}`, `{"leadDays": 60}`, `{"leadDays": 60, "falseCalls": "NONE"}`} {
		if code, _, text := s.rest(t, "PUT", "/v1/warningPolicy", s.adminKey, bad); code != http.StatusBadRequest {
			t.Errorf("%s: %d %s", bad, code, text)
		}
	}
	_, err := s.warnings.SetWarningPolicy(s.with(s.shopKey), &creepagev1.SetWarningPolicyRequest{Policy: &creepagev1.WarningPolicy{LeadDays: 60, FalseCalls: creepagev1.WarningPolicy_MANY}})
	if status.Code(err) != codes.PermissionDenied {
		t.Errorf("a shop: %v", err)
	}
	_, other := s.newOrganisation(t, "other")
	p, err := s.warnings.GetWarningPolicy(s.with(other), &creepagev1.GetWarningPolicyRequest{})
	if err != nil || p.GetLeadDays() != 90 {
		t.Errorf("another organisation: %v, %v", p, err)
	}
	entries, err := s.access.ListAuditEntries(s.with(s.adminKey), &creepagev1.ListAuditEntriesRequest{PageSize: 1})
	if err != nil || len(entries.GetAuditEntries()) != 1 || entries.GetAuditEntries()[0].GetAction() != "SetWarningPolicy" {
		t.Errorf("audit: %v, %v", entries, err)
	}
}
