package services_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	creepagev1 "creepage/api/creepage/v1"
)

// What was learned can be listed and read, newest first, with its reasons; of an
// organisation that has learned nothing the list is empty.
func TestWhatWasLearnedCanBeReadWithItsReasons(t *testing.T) {
	s := start(t)
	admin := s.with(s.adminKey)
	empty, err := s.review.ListParameterSets(admin, &creepagev1.ListParameterSetsRequest{})
	must(t, err)
	if len(empty.GetParameterSets()) != 0 || empty.GetNextPageToken() != "" {
		t.Errorf("nothing was learned and there is %v", empty)
	}
	for i, source := range []int{2, 1, 1} {
		s.db.Exec(t, fmt.Sprintf(`INSERT INTO param_sets (organisation_id, version, track_version, params, created_at, source, vehicles, readings, codes, reasons, report)
			SELECT id, 'learned-%d', 'learned-%d', '{}', '%s', %d, 40, 900, 2, ARRAY['Meter m-7 reads 0.15 decades low.'], '{"meters": [{"Meter": "m-7", "Offset": -0.15, "SD": 0.02, "Readings": 88}]}'
			FROM organisations`, i, min(i, 1), now.AddDate(0, 0, i-5).Format(time.RFC3339), source))
	}
	var names []string
	token := ""
	for {
		page, err := s.review.ListParameterSets(admin, &creepagev1.ListParameterSetsRequest{PageSize: 2, PageToken: token})
		must(t, err)
		for _, p := range page.GetParameterSets() {
			names = append(names, fmt.Sprint(p.GetName(), " ", p.GetCurrent(), " ", p.GetSource(), " ", p.GetTrackVersion()))
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	want := "parameterSets/learned-2 true NIGHTLY learned-1|parameterSets/learned-1 false NIGHTLY learned-1|parameterSets/learned-0 false OLD_RECORDS learned-0"
	if got := strings.Join(names, "|"); got != want {
		t.Errorf("the list is\n%s\nwant\n%s", got, want)
	}
	one, err := s.review.GetParameterSet(admin, &creepagev1.GetParameterSetRequest{Name: "parameterSets/learned-1"})
	must(t, err)
	if one.GetVehicles() != 40 || one.GetReadings() != 900 || one.GetCodes() != 2 || len(one.GetReasons()) != 1 || len(one.GetMeters()) != 1 ||
		one.GetMeters()[0].GetMeter() != "m-7" || one.GetMeters()[0].GetOffsetDecades() != -0.15 || !one.GetLearnTime().AsTime().Equal(now.AddDate(0, 0, -4).Truncate(time.Second)) {
		t.Errorf("the set is %v", one)
	}
	if code, _, text := s.rest(t, http.MethodGet, "/v1/parameterSets/learned-2", s.adminKey, ""); code != http.StatusOK || !strings.Contains(text, `"current":true`) {
		t.Errorf("over REST %d: %s", code, text)
	}
	for name, code := range map[string]codes.Code{"parameterSets/none": codes.NotFound, "sets/learned-1": codes.InvalidArgument, "": codes.InvalidArgument} {
		if _, err := s.review.GetParameterSet(admin, &creepagev1.GetParameterSetRequest{Name: name}); status.Code(err) != code {
			t.Errorf("%q: %v, want %s", name, err, code)
		}
	}
}
