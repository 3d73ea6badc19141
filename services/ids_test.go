package services_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
)

// RFC 3986, 5.2.4: an address's segments "." and ".." are taken for folders and
// removed, so nothing whose id the caller chooses may be called so. Where the id
// stands in the address, clients and routers remove such a segment before the service sees it unless it is escaped.
func TestNothingCanBeCalledByDotsAlone(t *testing.T) {
	s := start(t)
	const platform = `{"maxWorkingVolts": 400, "testPoints": [{"component": "MOTOR", "conductor": "PHASE_U", "reference": "CHASSIS", "limitOhms": 1e8, "testVolts": 500}]}`
	reading := func(field, name string) string {
		names := map[string]string{"shop": "shops/north-yard", "vehicle": "vehicles/van-1", "platform": "platforms/harbor-van-400"}
		names[field] = name
		return fmt.Sprintf(`{"readings": [{"readingId": "r-1", "shop": %q, "vehicle": %q, "platform": %q, "measureTime": "2026-03-02T09:15:00Z", "method": "TESTER",
			"component": "MOTOR", "conductor": "PHASE_U", "reference": "CHASSIS", "resistanceOhms": 5e8, "testVolts": 500, "holdSeconds": 60}]}`, names["shop"], names["vehicle"], names["platform"])
	}
	if code, _, text := s.rest(t, "POST", "/v1/readings:submit", s.adminKey, reading("", "")); code != http.StatusOK || !strings.Contains(text, "ACCEPTED") {
		t.Fatalf("%d %s", code, text)
	}
	for _, id := range []string{".", "..", "..."} {
		escaped := strings.ReplaceAll(id, ".", "%2E")
		for _, c := range []struct{ method, path, body, field string }{
			{"POST", "/v1/shops?shopId=" + id, `{}`, "shop_id"},
			{"POST", "/v1/vehicles/van-1:rename", `{"newVehicleId": "` + id + `"}`, "new_vehicle_id"},
			{"PUT", "/v1/platforms/" + escaped, platform, "name"},
			{"PUT", "/v1/meters/" + escaped, `{}`, "meter.name"},
			{"POST", "/v1/readings:submit", reading("shop", "shops/"+id), "shop"},
			{"POST", "/v1/readings:submit", reading("vehicle", "vehicles/"+id), "vehicle"},
			{"POST", "/v1/readings:submit", reading("platform", "platforms/"+id), "platform"},
		} {
			code, _, text := s.rest(t, c.method, c.path, s.adminKey, c.body)
			if strings.HasSuffix(c.path, ":submit") && code == http.StatusOK && !strings.Contains(text, "ACCEPTED") {
				code = http.StatusBadRequest // refused one by one
			}
			if code != http.StatusBadRequest || !strings.Contains(text, c.field) || !strings.Contains(text, id) || !strings.Contains(text, "not dots alone") {
				t.Errorf("%s %s: %d %s", c.method, c.path, code, text)
			}
		}
	}
	for _, id := range []string{"yard.", ".yard", "a..b"} {
		if code, _, text := s.rest(t, "POST", "/v1/shops?shopId="+id, s.adminKey, `{}`); code != http.StatusOK {
			t.Errorf("shop %s: %d %s", id, code, text)
		}
	}
	_, _, text := s.rest(t, "GET", "/v1/shops", s.adminKey, "")
	var list struct{ Shops []struct{ Name string } }
	if err := json.Unmarshal([]byte(text), &list); err != nil || len(list.Shops) != 5 {
		t.Errorf("%v %s", err, text)
	}
	if slices.ContainsFunc(list.Shops, func(shop struct{ Name string }) bool { return strings.Trim(shop.Name, ".") == "shops/" }) {
		t.Errorf("%s", text)
	}
}
