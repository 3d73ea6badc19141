package services_test

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
)

// visitsOf are batches as a shop sends them: one a visit, each of three phases.
func visitsOf(vehicle string, n int) []*creepagev1.SubmitReadingsRequest {
	var batches []*creepagev1.SubmitReadingsRequest
	for i := range n {
		batch := &creepagev1.SubmitReadingsRequest{}
		for k, phase := range []creepagev1.Reading_Conductor{creepagev1.Reading_PHASE_U, creepagev1.Reading_PHASE_V, creepagev1.Reading_PHASE_W} {
			batch.Readings = append(batch.Readings, good(fmt.Sprint(vehicle, "-", i, "-", k), func(m *creepagev1.Reading) {
				m.Vehicle, m.Conductor, m.Visit = "vehicles/"+vehicle, phase, proto.String(fmt.Sprint("v-", i))
				m.MeasureTime, m.ResistanceOhms = timestamppb.New(now.AddDate(0, 0, -20*(n-i))), 9e8-6e7*float64(i)+1e6*float64(k)
			}))
		}
		batches = append(batches, batch)
	}
	return batches
}

// A client that sends everything twice and in random order ends where one does
// that sends everything once and in order, and is told the truth on the way.
func TestAClientThatSendsEverythingTwiceAndInRandomOrder(t *testing.T) {
	s := start(t)
	s.work(t)
	rng := rand.New(rand.NewPCG(7, 11))
	send := func(key string, batch *creepagev1.SubmitReadingsRequest, may ...creepagev1.SubmitResult_Outcome) {
		t.Helper()
		resp, err := s.intake.SubmitReadings(s.with(key), batch)
		must(t, err)
		if len(resp.GetResults()) != len(batch.GetReadings()) {
			t.Fatalf("%d results of %d readings", len(resp.GetResults()), len(batch.GetReadings()))
		}
		for i, r := range resp.GetResults() {
			if !slices.Contains(may, r.GetOutcome()) || r.GetReadingId() != batch.GetReadings()[i].GetReadingId() {
				t.Errorf("%s is %s, want one of %v: %v", batch.GetReadings()[i].GetReadingId(), r.GetOutcome(), may, r.GetError())
			}
		}
	}
	repair := func(vehicle string) {
		t.Helper()
		_, err := s.fleet.CreateRepair(s.with(s.fleetKey), &creepagev1.CreateRepairRequest{Parent: "vehicles/" + vehicle, RequestId: "job of " + vehicle,
			Repair: &creepagev1.Repair{Component: creepagev1.Reading_MOTOR, Kind: creepagev1.Repair_CLEANED, OccurTime: timestamppb.New(now.AddDate(0, 0, -50))}})
		must(t, err)
	}
	void := func(vehicle string) {
		t.Helper()
		_, err := s.intake.VoidReading(s.with(s.shopKey), &creepagev1.VoidReadingRequest{ReadingId: vehicle + "-3-1", Reason: "lead off"})
		if err != nil && status.Code(err) != codes.FailedPrecondition {
			t.Fatal(err)
		}
	}
	const accepted, duplicate = creepagev1.SubmitResult_ACCEPTED, creepagev1.SubmitResult_DUPLICATE

	for _, batch := range visitsOf("tidy", 10) {
		send(s.shopKey, batch, accepted)
	}
	s.committed(t)
	repair("tidy")
	void("tidy")

	twice := slices.Concat(visitsOf("hasty", 10), visitsOf("hasty", 10))
	rng.Shuffle(len(twice), func(i, k int) { twice[i], twice[k] = twice[k], twice[i] })
	for _, batch := range twice {
		rng.Shuffle(len(batch.Readings), func(i, k int) { batch.Readings[i], batch.Readings[k] = batch.Readings[k], batch.Readings[i] })
		send(s.shopKey, batch, accepted, duplicate)
	}
	s.committed(t)
	for range 2 {
		void("hasty")
		repair("hasty")
	}
	for _, batch := range twice { // everything is committed: each is known, and said to be
		send(s.shopKey, batch, duplicate)
	}
	s.committed(t)
	s.evaluated(t, "vehicles/tidy")
	s.evaluated(t, "vehicles/hasty")

	want, got := s.levels(t, "vehicles/tidy"), s.levels(t, "vehicles/hasty")
	if len(want) == 0 || !slices.Equal(slices.Sorted(maps.Keys(want)), slices.Sorted(maps.Keys(got))) {
		t.Fatalf("estimates at %v, want %v", got, want)
	}
	for at, level := range want {
		if math.Abs(got[at]/level-1) > 1e-9 {
			t.Errorf("%s is %g, want %g", at, got[at], level)
		}
	}
	var states [2]string
	for i, vehicle := range []string{"tidy", "hasty"} {
		readings, err := s.fleet.ListReadings(s.with(s.fleetKey), &creepagev1.ListReadingsRequest{Parent: "vehicles/" + vehicle, PageSize: 1000})
		must(t, err)
		repairs, err := s.fleet.ListRepairs(s.with(s.fleetKey), &creepagev1.ListRepairsRequest{Parent: "vehicles/" + vehicle})
		must(t, err)
		if len(readings.GetReadings()) != 30 || len(repairs.GetRepairs()) != 1 {
			t.Errorf("%s: %d readings, %d repairs", vehicle, len(readings.GetReadings()), len(repairs.GetRepairs()))
		}
		slices.SortFunc(readings.Readings, func(a, b *creepagev1.AssessedReading) int {
			return strings.Compare(a.GetReading().GetReadingId(), b.GetReading().GetReadingId())
		})
		states[i] = strings.ReplaceAll(protojson.MarshalOptions{}.Format(readings), vehicle, "vehicle")
		states[i] = strings.ReplaceAll(states[i], " ", "") // protojson varies its blanks
	}
	if states[0] != states[1] {
		t.Errorf("the readings differ:\n%s\n%s", states[0], states[1])
	}
	conflicts, err := s.intake.ListConflicts(s.with(s.shopKey), &creepagev1.ListConflictsRequest{})
	if err != nil || len(conflicts.GetConflicts()) != 0 {
		t.Errorf("conflicts: %v %v", conflicts, err)
	}
}

// A caller that does not wait long is told in time, over REST too, and what was
// taken meanwhile is taken once.
func TestADeadlineIsHonouredOverREST(t *testing.T) {
	s := start(t)
	req, err := http.NewRequest(http.MethodGet, s.url+"/v1/outlooks", nil)
	must(t, err)
	req.Header.Set("Authorization", "Bearer "+s.fleetKey)
	req.Header.Set("Grpc-Timeout", "1n")
	begun := time.Now()
	resp, err := http.DefaultClient.Do(req)
	must(t, err)
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusGatewayTimeout || time.Since(begun) > 5*time.Second {
		t.Errorf("%s after %s", resp.Status, time.Since(begun))
	}
}
