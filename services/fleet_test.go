package services_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
)

func names(outlooks []*creepagev1.Outlook) []string {
	var list []string
	for _, o := range outlooks {
		list = append(list, strings.TrimPrefix(o.GetVehicle(), "vehicles/"))
	}
	return list
}

// five makes vehicles a to e with outlooks, urgent first: c, e, a, d, b. What is below its limit now is so whatever its chance is.
func five(t testing.TB, s *system) {
	for i, v := range []struct {
		name  string
		state creepagev1.Outlook_State
		p90   float64
		days  *float64
	}{
		{"a", creepagev1.Outlook_DUE, 0.48, proto.Float64(74)}, {"b", creepagev1.Outlook_STEADY, 0, nil}, {"c", creepagev1.Outlook_UNDER, 0.6, proto.Float64(0)},
		{"d", creepagev1.Outlook_FALLING, 0.1, proto.Float64(400)}, {"e", creepagev1.Outlook_DUE, 0.9, proto.Float64(12)},
	} {
		s.say(t, s.organisation, s.vehicle(t, s.organisation, v.name), now.Add(time.Duration(i)*time.Second), v.state, v.p90, v.days)
	}
}

func TestOutlooksComeMostUrgentFirstAndPageByPage(t *testing.T) {
	s := start(t)
	five(t, s)
	ctx := s.with(s.fleetKey)
	for order, want := range map[string][]string{
		"":                                   {"c", "e", "a", "d", "b"},
		"code_probability_90d":               {"b", "d", "a", "c", "e"},
		"days_to_code_p50":                   {"c", "e", "a", "d", "b"},
		"days_to_code_p50 desc":              {"b", "d", "a", "e", "c"},
		"vehicle desc":                       {"e", "d", "c", "b", "a"},
		"code_probability_30d desc, vehicle": {"e", "c", "a", "d", "b"},
	} {
		var got []string
		req := &creepagev1.ListOutlooksRequest{PageSize: 2, OrderBy: order}
		for page := range 3 {
			resp, err := s.fleet.ListOutlooks(ctx, req)
			must(t, err)
			if resp.GetTotalSize() != 5 || (resp.GetNextPageToken() == "") != (page == 2) {
				t.Errorf("%q page %d: total %d, next %q", order, page, resp.GetTotalSize(), resp.GetNextPageToken())
			}
			if o := resp.GetOutlooks()[0]; o.GetParts() != nil || o.GetCurve() != nil || o.GetPlatform() != "platforms/harbor-van-400" || o.GetLastShop() != "shops/north-yard" {
				t.Errorf("a row of the list: %v", o)
			}
			got = append(got, names(resp.GetOutlooks())...)
			req.PageToken = resp.GetNextPageToken()
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("order %q (-want +got):\n%s", order, diff)
		}
	}
	for filter, want := range map[string][]string{
		"state = DUE": {"e", "a"},
		"code_probability_90d >= 0.1 AND NOT state = UNDER":                         {"e", "a", "d"},
		"days_to_code_p50 < 100":                                                    {"c", "e", "a"},
		"NOT days_to_code_p50 < 100":                                                {"d", "b"},
		`platform = "platforms/nowhere"`:                                            nil,
		`last_shop = "shops/north-yard" limiting_component = MOTOR state != STEADY`: {"c", "e", "a", "d"},
	} {
		resp, err := s.fleet.ListOutlooks(ctx, &creepagev1.ListOutlooksRequest{Filter: filter})
		must(t, err)
		if diff := cmp.Diff(want, names(resp.GetOutlooks())); diff != "" || int(resp.GetTotalSize()) != len(want) {
			t.Errorf("filter %q, total %d (-want +got):\n%s", filter, resp.GetTotalSize(), diff)
		}
	}
}

func TestAnOutlookIsGivenAsTheDocumentsShowIt(t *testing.T) {
	s := start(t)
	key := s.vehicle(t, s.organisation, "truck-17")
	s.say(t, s.organisation, key, now.Add(-48*time.Hour), creepagev1.Outlook_FALLING, 0.1, nil)
	s.say(t, s.organisation, key, now.Add(-time.Hour), creepagev1.Outlook_DUE, 0.48, proto.Float64(74))
	code, _, text := s.rest(t, "GET", "/v1/vehicles/truck-17/outlook", s.fleetKey, "")
	var got map[string]any
	if err := json.Unmarshal([]byte(text), &got); err != nil || code != http.StatusOK {
		t.Fatalf("%d %s", code, text)
	}
	for field, want := range map[string]any{"name": "vehicles/truck-17/outlook", "state": "DUE", "codeProbability30d": 0.24, "codeProbability90d": 0.48,
		"daysToCodeP50": 74.0, "limitingComponent": "MOTOR", "reason": "the motor falls", "measureAgainBy": "2026-03-20", "evaluateTime": "2026-03-02T11:00:00Z"} {
		if got[field] != want {
			t.Errorf("%s is %v, want %v", field, got[field], want)
		}
	}
	if _, there := got["daysToCodeP90"]; there {
		t.Errorf("days beyond two years are there: %s", text)
	}
	before, err := s.fleet.GetOutlook(s.with(s.fleetKey), &creepagev1.GetOutlookRequest{Name: "vehicles/truck-17/outlook", AsOfTime: timestamppb.New(now.Add(-24 * time.Hour))})
	must(t, err)
	if before.GetState() != creepagev1.Outlook_FALLING {
		t.Errorf("as of yesterday it was %s, want FALLING", before.GetState())
	}
	_, err = s.fleet.GetOutlook(s.with(s.fleetKey), &creepagev1.GetOutlookRequest{Name: "vehicles/truck-17/outlook", AsOfTime: timestamppb.New(now.Add(-100 * time.Hour))})
	if status.Code(err) != codes.NotFound {
		t.Errorf("before anything was said: %v", err)
	}
}

func TestWarningsAreAcknowledgedEndedAndGivenTheirFindingOnce(t *testing.T) {
	s := start(t)
	key := s.vehicle(t, s.organisation, "truck-17")
	name := s.warn(t, s.organisation, key, now.Add(-time.Hour))
	ctx := s.with(s.fleetKey)
	w, err := s.warnings.AcknowledgeWarning(ctx, &creepagev1.AcknowledgeWarningRequest{Name: name, Note: "bay booked"})
	must(t, err)
	if w.GetAcknowledgeNote() != "bay booked" || w.GetAcknowledgeTime() == nil || w.EndTime != nil || w.GetVehicle() != "vehicles/truck-17" || w.GetDaysToCodeP50() != 70 {
		t.Errorf("%v", w)
	}
	w, err = s.warnings.AcknowledgeWarning(ctx, &creepagev1.AcknowledgeWarningRequest{Name: name, Note: "another"})
	if err != nil || w.GetAcknowledgeNote() != "bay booked" {
		t.Errorf("a second acknowledgement: %v %v", w, err)
	}
	if resp, err := s.warnings.ListWarnings(ctx, &creepagev1.ListWarningsRequest{Filter: "finding = NOT_LOOKED_AT"}); err != nil || len(resp.GetWarnings()) != 1 {
		t.Errorf("before anybody has looked: %v %v", resp, err)
	}
	w, err = s.warnings.RecordFinding(ctx, &creepagev1.RecordFindingRequest{Name: name, Finding: creepagev1.Warning_FAULT_FOUND, Component: creepagev1.Reading_CABLE, Note: "chafed"})
	if err != nil || w.GetFindingComponent() != creepagev1.Reading_CABLE || w.GetFindingNote() != "chafed" {
		t.Errorf("%v %v", w, err)
	}
	_, err = s.warnings.RecordFinding(ctx, &creepagev1.RecordFindingRequest{Name: name, Finding: creepagev1.Warning_NOTHING_FOUND})
	if st := status.Convert(err); st.Code() != codes.FailedPrecondition || reason(st) != "FINDING_STANDS" {
		t.Errorf("a second finding: %v", err)
	}
	if resp, err := s.warnings.ListWarnings(ctx, &creepagev1.ListWarningsRequest{Filter: "standing"}); err != nil || len(resp.GetWarnings()) != 1 {
		t.Errorf("standing: %v %v", resp, err)
	}
	if w, err = s.warnings.EndWarning(ctx, &creepagev1.EndWarningRequest{Name: name, Reason: "cable replaced"}); err != nil || w.GetEndReason() != "cable replaced" {
		t.Errorf("%v %v", w, err)
	}
	for filter, want := range map[string]int{"standing": 0, "NOT standing": 1, `vehicle = "vehicles/truck-17" kind = CODE_DUE component = MOTOR`: 1,
		"finding = FAULT_FOUND": 1, "finding = NOTHING_FOUND": 0, "finding = NOT_LOOKED_AT": 0, `raise_time > "2026-03-02T11:30:00Z"`: 0, "kind = SUDDEN_DROP": 0} {
		if resp, err := s.warnings.ListWarnings(ctx, &creepagev1.ListWarningsRequest{Filter: filter}); err != nil || len(resp.GetWarnings()) != want {
			t.Errorf("%s: %d warnings, want %d (%v)", filter, len(resp.GetWarnings()), want, err)
		}
	}
}

// replayed returns from when a vehicle is to be computed anew.
func replayed(t testing.TB, s *system, key int64) time.Time {
	t.Helper()
	var at *time.Time
	s.db.Query(t, fmt.Sprintf(`SELECT replay_from FROM vehicle_states WHERE vehicle_id = %d AND changed_at IS NOT NULL`, key), &at)
	if at == nil {
		return time.Time{}
	}
	return at.UTC()
}

func TestARepairIsRecordedOnceAndHasTheTrackComputedAnew(t *testing.T) {
	s := start(t)
	key := s.vehicle(t, s.organisation, "truck-17")
	ctx, done := s.with(s.fleetKey), now.Add(-72*time.Hour)
	req := &creepagev1.CreateRepairRequest{Parent: "vehicles/truck-17", RequestId: "job-7",
		Repair: &creepagev1.Repair{Component: creepagev1.Reading_MOTOR, Kind: creepagev1.Repair_REPLACED, OccurTime: timestamppb.New(done), Note: proto.String("seal")}}
	first, err := s.fleet.CreateRepair(ctx, req)
	must(t, err)
	second, err := s.fleet.CreateRepair(ctx, req)
	must(t, err)
	req.RequestId = ""
	third, err := s.fleet.CreateRepair(ctx, req)
	must(t, err)
	if first.GetName() != second.GetName() || first.GetName() != third.GetName() || !strings.HasPrefix(first.GetName(), "vehicles/truck-17/repairs/") {
		t.Errorf("recorded as %s, %s and %s", first.GetName(), second.GetName(), third.GetName())
	}
	if got := replayed(t, s, key); !got.Equal(done) {
		t.Errorf("computed anew from %s, want %s", got, done)
	}
	list, err := s.fleet.ListRepairs(ctx, &creepagev1.ListRepairsRequest{Parent: "vehicles/truck-17"})
	if err != nil || len(list.GetRepairs()) != 1 || list.GetRepairs()[0].GetNote() != "seal" {
		t.Errorf("%v %v", list, err)
	}
	req.Repair.OccurTime, req.Repair.Kind = timestamppb.New(now.Add(time.Hour)), 0
	_, err = s.fleet.CreateRepair(ctx, req)
	if st := status.Convert(err); violation(st, "repair.occur_time") == "" || violation(st, "repair.kind") == "" {
		t.Errorf("a repair in the future without a kind: %v", err)
	}
}

func TestReadingsAreListedVoidedAndMakeTracks(t *testing.T) {
	s := start(t)
	key := s.vehicle(t, s.organisation, "truck-17")
	for i := range 10 {
		s.keep(t, s.organisation, key, good(fmt.Sprint("r-", i), func(m *creepagev1.Reading) {
			m.MeasureTime, m.ResistanceOhms = timestamppb.New(now.AddDate(0, 0, -7*(10-i))), 9e8-3e7*float64(i)
		}))
	}
	ctx := s.with(s.fleetKey)
	first, err := s.fleet.ListReadings(ctx, &creepagev1.ListReadingsRequest{Parent: "vehicles/truck-17", PageSize: 6})
	must(t, err)
	second, err := s.fleet.ListReadings(ctx, &creepagev1.ListReadingsRequest{Parent: "vehicles/truck-17", PageSize: 6, PageToken: first.GetNextPageToken()})
	must(t, err)
	if len(first.GetReadings()) != 6 || len(second.GetReadings()) != 4 || first.GetReadings()[0].GetReading().GetReadingId() != "r-9" ||
		second.GetReadings()[3].GetReading().GetReadingId() != "r-0" || first.GetReadings()[0].GetAssessment().GetServiceLimit() != creepagev1.Assessment_MET {
		t.Errorf("%v\n%v", first, second)
	}
	other := s.vehicle(t, s.organisation, "truck-18")
	s.keep(t, s.organisation, other, good("o-1", func(m *creepagev1.Reading) { m.Meter = proto.String("meters/m-7") }))
	s.keep(t, s.organisation, other, good("o-2", func(m *creepagev1.Reading) {
		m.Meter, m.MeasureTime = proto.String("meters/m-7"), timestamppb.New(now.AddDate(0, -3, 0))
	}))
	all, err := s.fleet.ListReadings(ctx, &creepagev1.ListReadingsRequest{Parent: "vehicles/-", Filter: `meter = "meters/m-7" measure_time >= "2026-03-01T00:00:00Z"`})
	if err != nil || len(all.GetReadings()) != 1 || all.GetReadings()[0].GetReading().GetReadingId() != "o-1" {
		t.Errorf("readings of a meter since March: %v %v", all, err)
	}
	voided, err := s.intake.VoidReading(s.with(s.shopKey), &creepagev1.VoidReadingRequest{ReadingId: "r-4", Reason: "wrong lead"})
	must(t, err)
	if voided.GetReading().GetVoidReason() != "wrong lead" || !replayed(t, s, key).Equal(voided.GetReading().GetMeasureTime().AsTime()) {
		t.Errorf("%v, computed anew from %s", voided, replayed(t, s, key))
	}
	again, err := s.intake.VoidReading(s.with(s.shopKey), &creepagev1.VoidReadingRequest{ReadingId: "r-4", Reason: "again"})
	if err != nil || again.GetReading().GetVoidReason() != "wrong lead" {
		t.Errorf("voided again: %v %v", again, err)
	}
	if _, err := s.intake.VoidReading(s.with(s.shopKey), &creepagev1.VoidReadingRequest{ReadingId: "r-99", Reason: "x"}); status.Code(err) != codes.NotFound {
		t.Errorf("a reading that is not there: %v", err)
	}
	tracks, err := s.fleet.ListTracks(ctx, &creepagev1.ListTracksRequest{Parent: "vehicles/truck-17"})
	must(t, err)
	for _, track := range tracks.GetTracks() {
		if track.GetComponent() == creepagev1.Reading_MOTOR {
			e := track.GetEstimates()
			if len(e) != 9 || !(e[0].GetMedianOhms() > e[8].GetMedianOhms()) || !(e[8].GetP10Ohms() < e[8].GetMedianOhms() && e[8].GetMedianOhms() < e[8].GetP90Ohms()) {
				t.Errorf("9 readings stand and fall: %v", e)
			}
			return
		}
	}
	t.Errorf("no track of the motor: %v", tracks)
}

func TestVehiclesAreRenamedMergedAndRetired(t *testing.T) {
	s := start(t)
	old, stays := s.vehicle(t, s.organisation, "old"), s.vehicle(t, s.organisation, "stays")
	s.keep(t, s.organisation, old, good("r-1", func(m *creepagev1.Reading) { m.Vehicle = "vehicles/old" }))
	s.warn(t, s.organisation, old, now.Add(-time.Hour))
	ctx := s.with(s.adminKey)
	v, err := s.fleet.RenameVehicle(ctx, &creepagev1.RenameVehicleRequest{Name: "vehicles/old", NewVehicleId: "new"})
	must(t, err)
	if v.GetName() != "vehicles/new" || len(v.GetAliases()) != 1 {
		t.Errorf("%v", v)
	}
	if v, err = s.fleet.GetVehicle(ctx, &creepagev1.GetVehicleRequest{Name: "vehicles/old"}); err != nil || v.GetName() != "vehicles/new" {
		t.Errorf("under its former name: %v %v", v, err)
	}
	_, err = s.fleet.RenameVehicle(ctx, &creepagev1.RenameVehicleRequest{Name: "vehicles/new", NewVehicleId: "stays"})
	if st := status.Convert(err); st.Code() != codes.AlreadyExists || reason(st) == "" {
		t.Errorf("a name that is taken: %v", err)
	}
	v, err = s.fleet.MergeVehicles(ctx, &creepagev1.MergeVehiclesRequest{Name: "vehicles/new", Into: "vehicles/stays"})
	must(t, err)
	if diff := cmp.Diff([]string{"vehicles/new", "vehicles/old"}, v.GetAliases()); diff != "" || v.GetName() != "vehicles/stays" {
		t.Errorf("%v %s", v, diff)
	}
	readings, err := s.fleet.ListReadings(ctx, &creepagev1.ListReadingsRequest{Parent: "vehicles/old"})
	if err != nil || len(readings.GetReadings()) != 1 || replayed(t, s, stays).IsZero() {
		t.Errorf("%v %v; computed anew from %s", readings, err, replayed(t, s, stays))
	}
	if w, err := s.warnings.ListWarnings(ctx, &creepagev1.ListWarningsRequest{Filter: "standing"}); err != nil || len(w.GetWarnings()) != 0 {
		t.Errorf("the merged vehicle's warning stands: %v %v", w, err)
	}
	if v, err = s.fleet.RetireVehicle(ctx, &creepagev1.RetireVehicleRequest{Name: "vehicles/stays"}); err != nil || v.GetRetireTime() == nil {
		t.Errorf("%v %v", v, err)
	}
	list, err := s.fleet.ListVehicles(ctx, &creepagev1.ListVehiclesRequest{Filter: "NOT retired"})
	if err != nil || len(list.GetVehicles()) != 0 {
		t.Errorf("%v %v", list, err)
	}
}

func TestPlatformLimitsHoldFromTheirDate(t *testing.T) {
	s := start(t)
	ctx := s.with(s.adminKey)
	later := vanPlatform()
	later.CodeOhms, later.ValidFromTime = proto.Float64(5e5), timestamppb.New(now.Add(-24*time.Hour))
	_, err := s.platforms.UpsertPlatform(ctx, &creepagev1.UpsertPlatformRequest{Platform: later})
	must(t, err)
	for asOf, want := range map[time.Time]float64{now: 5e5, now.Add(-48 * time.Hour): 400 * 500} {
		p, err := s.platforms.GetPlatform(ctx, &creepagev1.GetPlatformRequest{Name: "platforms/harbor-van-400", AsOfTime: timestamppb.New(asOf)})
		if err != nil || p.GetEffectiveCodeOhms() != want {
			t.Errorf("as of %s: %v %v, want %g ohm", asOf, p, err, want)
		}
	}
	list, err := s.platforms.ListPlatforms(s.with(s.shopKey), &creepagev1.ListPlatformsRequest{})
	if err != nil || len(list.GetPlatforms()) != 1 || list.GetPlatforms()[0].GetEffectiveCodeOhms() != 5e5 {
		t.Errorf("%v %v", list, err)
	}
	wrong := vanPlatform()
	wrong.MaxWorkingVolts, wrong.TestPoints[1].LimitOhms = -400, 0
	_, err = s.platforms.UpsertPlatform(ctx, &creepagev1.UpsertPlatformRequest{Platform: wrong})
	if st := status.Convert(err); violation(st, "platform.max_working_volts") == "" || violation(st, "platform.test_points[1].limit_ohms") == "" {
		t.Errorf("%v %v", err, st.Details())
	}
}
