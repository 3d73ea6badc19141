package services_test

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/store"
	"creepage/internal/stream"
	"creepage/services/report"
	"creepage/worker"
)

// work runs a worker until the test ends.
func (s *system) work(t testing.TB) {
	t.Helper()
	db := s.db.Store(t, store.WorkerLogin)
	reports := report.New(db, store.NewModels(s.model), "creepage test", s.clock)
	w, err := worker.New(worker.Config{Store: db, Stream: s.streams, Model: s.model, Clock: func() time.Time { return now },
		Log: slog.New(slog.NewTextHandler(testLog{t}, nil)), Registerer: prometheus.NewRegistry(), Limits: worker.DefaultLimits(),
		Webhooks: worker.Webhooks{Policy: inside, Safe: s.safe},
		Reports: worker.Reports{Destinations: s.destinations, Make: reports.Make, Describe: reports.Describe,
			Order: func(r *store.ReportSchedule, organisation string, due time.Time) (*store.ReportRun, error) {
				return report.Order(r, organisation, due, false)
			}}})
	must(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the worker ended with %v", err)
		}
	})
}

// until asks again until the answer is the wanted one; a test that waits for
// ever fails by the deadline.
func until(t testing.TB, what string, is func() bool) {
	t.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for !is() {
		if time.Now().After(deadline) {
			t.Fatalf("still not so after 20 s: %s", what)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func (s *system) committed(t testing.TB) {
	t.Helper()
	until(t, "the worker has committed everything", func() bool {
		info, err := s.streams.Info(t.Context())
		must(t, err)
		return info.Lag() == 0
	})
}

func TestWhatIsSentTwiceAndInAnyOrderChangesNothing(t *testing.T) {
	s := start(t)
	s.work(t)
	var readings []*creepagev1.Reading
	for i := range 8 {
		readings = append(readings, good(fmt.Sprint("r-", i), func(m *creepagev1.Reading) {
			m.MeasureTime, m.ResistanceOhms = timestamppb.New(now.AddDate(0, 0, -30*(9-i))), 9e8-5e7*float64(i)
		}))
	}
	send := func(want creepagev1.SubmitResult_Outcome) {
		t.Helper()
		resp, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: readings})
		must(t, err)
		for _, r := range resp.GetResults() {
			if r.GetOutcome() != want {
				t.Errorf("%s is %s, want %s", r.GetReadingId(), r.GetOutcome(), want)
			}
		}
		s.committed(t)
	}
	send(creepagev1.SubmitResult_ACCEPTED)
	var outlook *creepagev1.Outlook
	until(t, "the vehicle has an outlook", func() (there bool) {
		var err error
		outlook, err = s.fleet.GetOutlook(s.with(s.fleetKey), &creepagev1.GetOutlookRequest{Name: "vehicles/truck-17/outlook"})
		return err == nil
	})
	if outlook.GetState() == 0 || outlook.GetReason() == "" || len(outlook.GetParts()) == 0 {
		t.Errorf("%v", outlook)
	}
	slices.Reverse(readings)
	send(creepagev1.SubmitResult_DUPLICATE)
	list, err := s.fleet.ListReadings(s.with(s.fleetKey), &creepagev1.ListReadingsRequest{Parent: "vehicles/truck-17"})
	must(t, err)
	if len(list.GetReadings()) != len(readings) {
		t.Errorf("%d readings are kept, %d were sent", len(list.GetReadings()), len(readings))
	}
	for i, r := range list.GetReadings() {
		r.GetReading().ReceiveTime = nil
		want := proto.CloneOf(readings[i])
		if diff := cmp.Diff(want.String(), r.GetReading().String()); diff != "" {
			t.Errorf("kept otherwise than sent (-sent +kept):\n%s", diff)
		}
	}
}

func TestAnotherContentUnderATakenIdentityIsListedToItsShop(t *testing.T) {
	s := start(t)
	s.work(t)
	for _, ohms := range []float64{4e8, 7e8, 7e8} {
		_, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{
			good("r-1", func(m *creepagev1.Reading) { m.ResistanceOhms = ohms })}})
		must(t, err)
		s.committed(t)
	}
	resp, err := s.intake.ListConflicts(s.with(s.shopKey), &creepagev1.ListConflictsRequest{})
	must(t, err)
	if len(resp.GetConflicts()) != 1 {
		t.Fatalf("%v, want one conflict", resp)
	}
	c := resp.GetConflicts()[0]
	if diff := cmp.Diff([]string{"resistance_ohms"}, c.GetDifferingFields()); diff != "" || c.GetReading().GetResistanceOhms() != 7e8 {
		t.Errorf("%v %s", c, diff)
	}
	other := s.newKey(t, creepagev1.Key_SHOP, "shops/south-yard")
	if resp, err := s.intake.ListConflicts(s.with(other), &creepagev1.ListConflictsRequest{}); err != nil || len(resp.GetConflicts()) != 0 {
		t.Errorf("another shop sees %v (%v)", resp, err)
	}
}

func TestAFullStreamRefusesAndSaysWhenToTryAgain(t *testing.T) {
	s := startOn(t, stream.Settings{MaxBytes: 1 << 20})
	batch := &creepagev1.SubmitReadingsRequest{}
	for i := range 1000 {
		batch.Readings = append(batch.Readings, good("", func(m *creepagev1.Reading) { m.ResistanceOhms = 1e8 + float64(i) }))
	}
	var err error
	for range 40 {
		if _, err = s.intake.SubmitReadings(s.with(s.shopKey), batch); err != nil {
			break
		}
	}
	if st := status.Convert(err); st.Code() != codes.ResourceExhausted || reason(st) != "STREAM_FULL" {
		t.Fatalf("40,000 readings into 1 MiB: %v", err)
	}
	body, err := protojson.Marshal(batch)
	must(t, err)
	code, headers, text := s.rest(t, "POST", "/v1/readings:submit", s.shopKey, string(body))
	if code != http.StatusTooManyRequests || headers.Get("Retry-After") != "10" || !strings.Contains(text, "RetryInfo") {
		t.Errorf("%d, Retry-After %q, %.300s", code, headers.Get("Retry-After"), text)
	}
}

func TestAShopMadeAMomentAgoMaySendAtOnce(t *testing.T) {
	s := start(t)
	send := func(id, shop string) creepagev1.SubmitResult_Outcome {
		resp, err := s.intake.SubmitReadings(s.with(s.adminKey), &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{
			good(id, func(m *creepagev1.Reading) { m.Shop = shop })}})
		must(t, err)
		return resp.GetResults()[0].GetOutcome()
	}
	if got := send("a", "shops/new"); got != creepagev1.SubmitResult_REJECTED {
		t.Errorf("before the shop is there: %s", got)
	}
	_, err := s.access.CreateShop(s.with(s.adminKey), &creepagev1.CreateShopRequest{ShopId: "new"})
	must(t, err)
	if got := send("b", "shops/new"); got != creepagev1.SubmitResult_ACCEPTED {
		t.Errorf("as soon as the shop is there: %s", got)
	}
}

// A worker that commits a vehicle's readings and callers who change the vehicle
// take its locks in the same order: nobody is refused for a deadlock.
func TestRepairsAndVoidsGoBesideTheWorker(t *testing.T) {
	s := start(t)
	s.work(t)
	send := func(i int) {
		resp, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{
			good(fmt.Sprint("r-", i), func(m *creepagev1.Reading) { m.MeasureTime = timestamppb.New(now.Add(-time.Duration(i+1) * time.Hour)) })}})
		must(t, err)
		if resp.GetResults()[0].GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
			t.Fatal(resp)
		}
	}
	send(0)
	s.committed(t)
	for i := 1; i <= 40; i++ {
		send(i)
		_, err := s.fleet.CreateRepair(s.with(s.fleetKey), &creepagev1.CreateRepairRequest{Parent: "vehicles/truck-17",
			Repair: &creepagev1.Repair{Component: creepagev1.Reading_MOTOR, Kind: creepagev1.Repair_CLEANED, OccurTime: timestamppb.New(now.Add(-time.Duration(i) * time.Hour))}})
		if err != nil {
			t.Fatalf("repair %d: %v", i, err)
		}
	}
	s.committed(t)
	for i := 0; i <= 40; i++ {
		if _, err := s.intake.VoidReading(s.with(s.shopKey), &creepagev1.VoidReadingRequest{ReadingId: fmt.Sprint("r-", i), Reason: "wrong lead"}); err != nil {
			t.Fatalf("void %d: %v", i, err)
		}
	}
}
