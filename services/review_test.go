package services_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
)

func TestVehiclesAreCountedByStateAndByPlatformOrShop(t *testing.T) {
	s := start(t)
	five(t, s)
	ctx := s.with(s.fleetKey)
	for _, c := range []struct {
		group, filter string
		want          map[string]int32
		total         int32
	}{
		{"", "", map[string]int32{" DUE": 2, " STEADY": 1, " UNDER": 1, " FALLING": 1}, 5},
		{"platform", "state = DUE", map[string]int32{"platforms/harbor-van-400 DUE": 2}, 2},
		{"last_shop", "NOT state = DUE", map[string]int32{"shops/north-yard STEADY": 1, "shops/north-yard UNDER": 1, "shops/north-yard FALLING": 1}, 3},
	} {
		resp, err := s.fleet.CountOutlooks(ctx, &creepagev1.CountOutlooksRequest{Filter: c.filter, GroupBy: c.group})
		must(t, err)
		got := map[string]int32{}
		for _, n := range resp.GetCounts() {
			got[n.GetGroup()+" "+n.GetState().String()] = n.GetVehicles()
		}
		if diff := cmp.Diff(c.want, got); diff != "" || resp.GetTotalSize() != c.total {
			t.Errorf("%q of %q: total %d (-want +got):\n%s", c.group, c.filter, resp.GetTotalSize(), diff)
		}
	}
	for _, req := range []*creepagev1.CountOutlooksRequest{{GroupBy: "colour"}, {Filter: "colour = RED"}} {
		if _, err := s.fleet.CountOutlooks(ctx, req); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%v is answered %v", req, err)
		}
	}
}

func TestAListOfOutlooksBringsTheNewestReadingsOfTheLimitingComponent(t *testing.T) {
	s := start(t)
	five(t, s)
	var key int64
	s.db.Query(t, `SELECT id FROM vehicles WHERE name = 'a'`, &key)
	for i := range 4 {
		s.keep(t, s.organisation, key, good(fmt.Sprint("r-", i), func(m *creepagev1.Reading) {
			m.MeasureTime, m.ResistanceOhms, m.Vehicle = timestamppb.New(now.AddDate(0, -i, 0)), 1e8*float64(i+1), "vehicles/a"
		}))
	}
	s.keep(t, s.organisation, key, good("battery", func(m *creepagev1.Reading) {
		m.Component, m.Conductor, m.Vehicle = creepagev1.Reading_BATTERY, creepagev1.Reading_HV_PLUS, "vehicles/a"
	}))
	s.db.Exec(t, `UPDATE readings SET voided_at = $1, void_reason = 'slipped' WHERE reading_id = 'r-1'`, now)
	resp, err := s.fleet.ListOutlooks(s.with(s.fleetKey), &creepagev1.ListOutlooksRequest{RecentReadings: 2})
	must(t, err)
	for _, o := range resp.GetOutlooks() {
		var got []float64
		for _, r := range o.GetRecentReadings() {
			got = append(got, r.GetResistanceOhms())
		}
		var want []float64
		if o.GetVehicle() == "vehicles/a" {
			want = []float64{3e8, 1e8} // oldest first, without the void one
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", o.GetVehicle(), diff)
		}
	}
	resp, err = s.fleet.ListOutlooks(s.with(s.fleetKey), &creepagev1.ListOutlooksRequest{})
	must(t, err)
	for _, o := range resp.GetOutlooks() {
		if len(o.GetRecentReadings()) > 0 {
			t.Errorf("%s brings readings nobody asked for", o.GetVehicle())
		}
	}
}

func TestAShopsHabitsAreCounted(t *testing.T) {
	s := start(t)
	key := s.vehicle(t, s.organisation, "truck-17")
	for i, change := range []func(*creepagev1.Reading){
		nil,
		func(m *creepagev1.Reading) { m.HoldSeconds = proto.Float64(15) },
		func(m *creepagev1.Reading) { m.Relation = creepagev1.Reading_ABOVE },
		func(m *creepagev1.Reading) { m.MeasureTime = timestamppb.New(now.AddDate(-1, 0, 0)) }, // too long ago
		func(m *creepagev1.Reading) { m.Method = creepagev1.Reading_MONITOR },
	} {
		s.keep(t, s.organisation, key, good(fmt.Sprint("r-", i), change))
	}
	s.db.Exec(t, `UPDATE readings SET air_celsius = 18 WHERE reading_id = 'r-0'`)
	resp, err := s.review.ReviewShops(s.with(s.fleetKey), &creepagev1.ReviewShopsRequest{})
	must(t, err)
	if len(resp.GetShops()) != 1 {
		t.Fatalf("%v", resp)
	}
	got := resp.GetShops()[0]
	got.LastMeasureTime = nil
	want := &creepagev1.ShopReview{Shop: "shops/north-yard", Readings: 3, WithoutTemperature: 2, ShortHold: 1, OverRange: 1, Vehicles: 1}
	if !proto.Equal(want, got) {
		t.Errorf("%v, want %v", got, want)
	}
	if _, err := s.review.ReviewShops(s.with(s.shopKey), &creepagev1.ReviewShopsRequest{}); status.Code(err) != codes.PermissionDenied {
		t.Errorf("a shop's key is answered %v", err)
	}
}

func TestAMeterThatReadsLowStandsOutAndItsPeersDoNot(t *testing.T) {
	s := start(t)
	for v := range 8 {
		name := fmt.Sprint("truck-", v)
		key := s.vehicle(t, s.organisation, name)
		for m, meter := range []string{"m-1", "m-2", "m-3", "m-low"} {
			level := 8.2 + 0.02*math.Sin(float64(5*v+3*m))
			if meter == "m-low" {
				level -= 0.3 // half the value
			}
			s.keep(t, s.organisation, key, good(fmt.Sprintf("%s-%s", name, meter), func(r *creepagev1.Reading) {
				r.Vehicle, r.Meter, r.ResistanceOhms = "vehicles/"+name, proto.String("meters/"+meter), math.Pow(10, level)
				r.MeasureTime = timestamppb.New(now.AddDate(0, -m, 0))
			}))
		}
	}
	resp, err := s.review.ReviewMeters(s.with(s.fleetKey), &creepagev1.ReviewMetersRequest{StartTime: timestamppb.New(now.AddDate(-1, 0, 0))})
	must(t, err)
	if len(resp.GetMeters()) != 4 {
		t.Fatalf("%d meters", len(resp.GetMeters()))
	}
	for _, m := range resp.GetMeters() {
		low := m.GetMeter() == "meters/m-low"
		if m.GetComparedVehicles() != 8 || m.GetReadings() != 8 {
			t.Errorf("%v", m)
		}
		if low != m.GetStandsOut() || low != (m.GetOffsetDecades() < -0.25 && m.GetOffsetHighDecades() < 0) {
			t.Errorf("%s: %.3f decades (%.3f to %.3f), adjusted p %.4f, stands out %v", m.GetMeter(), m.GetOffsetDecades(), m.GetOffsetLowDecades(), m.GetOffsetHighDecades(), m.GetAdjustedP(), m.GetStandsOut())
		}
	}
}

func TestAComponentThatAgesOnOnePlatformAloneStandsOut(t *testing.T) {
	s := start(t)
	part := func(component string, declining float64) string {
		return fmt.Sprintf(`{"component": %q, "group": "phases", "readingCount": 9, "decliningProbability": %g, "decliningSinceTime": %q, "decadesPer30d": -0.2}`,
			component, declining, now.AddDate(0, -4, 0).Format(time.RFC3339))
	}
	for _, platform := range []string{"quay-bus-600", "yard-truck-800"} {
		p := vanPlatform()
		p.Name = "platforms/" + platform
		_, err := s.platforms.UpsertPlatform(s.with(s.adminKey), &creepagev1.UpsertPlatformRequest{Platform: p})
		must(t, err)
	}
	repairedOne := false
	for i, platform := range []string{"harbor-van-400", "quay-bus-600", "yard-truck-800"} {
		for v := range 10 {
			name := fmt.Sprintf("v-%d-%d", i, v)
			key := s.vehicle(t, s.organisation, name)
			s.db.Exec(t, `UPDATE vehicles SET platform = $2 WHERE id = $1`, key, platform)
			s.say(t, s.organisation, key, now, creepagev1.Outlook_STEADY, 0.01, nil)
			motor, compressor := 0.1, 0.0
			if i == 1 && v < 6 {
				motor = 0.9
			}
			s.db.Exec(t, `UPDATE latest_outlooks SET details = $2 WHERE vehicle_id = $1`, key, fmt.Sprintf(`{"parts": [%s, %s, {"component": "BATTERY", "group": "hv_plus"}]}`, part("MOTOR", motor), part("COMPRESSOR", compressor)))
			if !repairedOne {
				repairedOne = true
				s.db.Exec(t, `INSERT INTO repairs (id, organisation_id, vehicle_id, component, kind, occurred_at, created_at) VALUES ($1, $2, $3, 6, 1, $4, $4)`, uuid.Must(uuid.NewV7()), s.organisation, key, now.AddDate(0, -1, 0))
			}
		}
	}
	resp, err := s.review.ReviewAging(s.with(s.fleetKey), &creepagev1.ReviewAgingRequest{})
	must(t, err)
	if len(resp.GetComponents()) != 6 {
		t.Fatalf("%d components, want motor and compressor of three platforms: the battery was never measured", len(resp.GetComponents()))
	}
	for _, c := range resp.GetComponents() {
		bad := c.GetPlatform() == "platforms/quay-bus-600" && c.GetComponent() == creepagev1.Reading_MOTOR
		if bad != c.GetStandsOut() {
			t.Errorf("%s %s: %d of %d aged, %d of %d elsewhere, adjusted p %.4f, stands out %v", c.GetPlatform(), c.GetComponent(), c.GetAgedVehicles(), c.GetVehicles(),
				c.GetPeerAgedVehicles(), c.GetPeerVehicles(), c.GetAdjustedP(), c.GetStandsOut())
		}
		if bad && (c.GetAgedVehicles() != 6 || c.GetDecliningVehicles() != 6 || math.Abs(c.GetDecadesPer_30D()+0.2) > 1e-9 || !(c.GetShareLow() > 0.25 && c.GetShareHigh() < 0.9)) {
			t.Errorf("%v", c)
		}
		if c.GetPlatform() == "platforms/harbor-van-400" && c.GetComponent() == creepagev1.Reading_COMPRESSOR && c.GetAgedVehicles() != 1 {
			t.Errorf("the replaced compressor does not count: %v", c)
		}
	}
}
