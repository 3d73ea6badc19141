package services_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	creepagev1 "creepage/api/creepage/v1"
)

func TestADigestIsKeptForAPersonAndGoesWithItsAddress(t *testing.T) {
	s := start(t) // it is Monday, 2 March 2026, 12:00 UTC
	digests := creepagev1.NewDigestServiceClient(s.conn)
	d, err := digests.CreateDigest(s.with(s.fleetKey), &creepagev1.CreateDigestRequest{Digest: &creepagev1.Digest{Title: "Vans of Ann", Email: "ann@shop.example",
		Frequency: creepagev1.Digest_WEEKLY, TimeZone: "Europe/Berlin", Filter: "kind = SUDDEN_DROP"}})
	must(t, err)
	if d.GetHour() != 6 || !d.GetNextSendTime().AsTime().Equal(time.Date(2026, 3, 9, 5, 0, 0, 0, time.UTC)) {
		t.Errorf("%v", d)
	}
	code, _, text := s.rest(t, http.MethodPatch, "/v1/"+d.GetName(), s.fleetKey, `{"frequency": "DAILY", "hour": 0}`)
	if code != http.StatusOK || !strings.Contains(text, "2026-03-02T23:00:00Z") || !strings.Contains(text, "ann@shop.example") {
		t.Errorf("changed: %d %s", code, text)
	}
	_, err = digests.SendDigest(s.with(s.fleetKey), &creepagev1.SendDigestRequest{Name: d.GetName()})
	must(t, err)
	list, err := digests.ListDigests(s.with(s.adminKey), &creepagev1.ListDigestsRequest{})
	must(t, err)
	if len(list.GetDigests()) != 1 || list.GetDigests()[0].GetFilter() != "kind = SUDDEN_DROP" {
		t.Errorf("%v", list)
	}
	_, otherKey := s.newOrganisation(t, "other")
	for _, call := range []string{"GET /v1/" + d.GetName(), "POST /v1/" + d.GetName() + ":send", "DELETE /v1/" + d.GetName()} {
		verb, path, _ := strings.Cut(call, " ")
		if code, _, text := s.rest(t, verb, path, otherKey, ""); code != http.StatusNotFound {
			t.Errorf("another organisation's %s: %d %s", call, code, text)
		}
	}
	_, err = digests.DeleteDigest(s.with(s.fleetKey), &creepagev1.DeleteDigestRequest{Name: d.GetName()})
	must(t, err)
	var left int
	s.db.Query(t, `SELECT (SELECT count(*) FROM digests) + (SELECT count(*) FROM audit WHERE note LIKE '%shop.example%' OR resource LIKE '%shop.example%')`, &left)
	if left != 0 {
		t.Errorf("the address of a deleted digest is kept in %d rows", left)
	}
}

func TestWrongDigestsAreRefusedByField(t *testing.T) {
	s := start(t)
	for body, field := range map[string]string{
		`{"email": "ann", "frequency": "DAILY"}`:                                              "digest.email",
		`{"email": "Ann <ann@shop.example>", "frequency": "DAILY"}`:                           "digest.email",
		`{"email": "ann@shop.example\\r\\nBcc: all@shop.example", "frequency": "DAILY"}`:      "digest.email",
		`{"email": "ann@shop.example"}`:                                                       "digest.frequency",
		`{"email": "ann@shop.example", "frequency": "DAILY", "hour": 24}`:                     "digest.hour",
		`{"email": "ann@shop.example", "frequency": "DAILY", "timeZone": "Berlin"}`:           "digest.time_zone",
		`{"email": "ann@shop.example", "frequency": "DAILY", "filter": "colour = \\"red\\""}`: "digest.filter",
	} {
		code, _, text := s.rest(t, http.MethodPost, "/v1/digests", s.fleetKey, strings.ReplaceAll(body, `\\`, `\`))
		if code != http.StatusBadRequest || !strings.Contains(text, `"field":"`+field+`"`) {
			t.Errorf("%s: %d %s", body, code, text)
		}
	}
	if code, _, text := s.rest(t, http.MethodGet, "/v1/digests", s.shopKey, ""); code != http.StatusForbidden {
		t.Errorf("a shop's key: %d %s", code, text)
	}
}
