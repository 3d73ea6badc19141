// Package services_test drives the services as their callers do: over HTTP and
// gRPC, on a real PostgreSQL and a real JetStream.
package services_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
)

const example = `{"readings":[{"readingId":"r-1001","shop":"shops/north-yard","vehicle":"vehicles/truck-17","platform":"platforms/harbor-van-400",
  "measureTime":"2026-03-02T09:15:00Z","visit":"2026-03-02-17","method":"TESTER","component":"MOTOR","conductor":"PHASE_U","reference":"CHASSIS",
  "relation":"ABOVE","resistanceOhms":5.5e8,"testVolts":500,"holdSeconds":60,"temperatureCelsius":21.5,"humidityPercent":48,"meter":"meters/m-7","rangeOhms":5.5e8}]}`

func TestTheExampleOfTheDocumentsIsAnsweredAsWritten(t *testing.T) {
	s := start(t)
	code, _, text := s.rest(t, "POST", "/v1/readings:submit", s.shopKey, example)
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, text)
	}
	var got map[string]any
	if err := json.Unmarshal([]byte(text), &got); err != nil {
		t.Fatal(err)
	}
	want := map[string]any{"results": []any{map[string]any{"readingId": "r-1001", "outcome": "ACCEPTED",
		"assessment": map[string]any{"serviceLimit": "MET", "limitOhms": 1e8, "notes": []any{}}}}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// good is a reading without fault; change makes another of it.
func good(id string, change func(*creepagev1.Reading)) *creepagev1.Reading {
	m := &creepagev1.Reading{
		ReadingId: id, Shop: "shops/north-yard", Vehicle: "vehicles/truck-17", Platform: proto.String("platforms/harbor-van-400"),
		MeasureTime: timestamppb.New(now.Add(-time.Hour)), Method: creepagev1.Reading_TESTER, Component: creepagev1.Reading_MOTOR,
		Conductor: creepagev1.Reading_PHASE_U, Reference: creepagev1.Reading_CHASSIS, Relation: creepagev1.Reading_EQUAL,
		ResistanceOhms: 4.2e8, TestVolts: proto.Float64(500), HoldSeconds: proto.Float64(60),
	}
	if change != nil {
		change(m)
	}
	return m
}

func TestAWrongReadingIsNamedAndLosesNoneBesideIt(t *testing.T) {
	s := start(t)
	zero, nan := 0.0, nan()
	for what, c := range map[string]struct {
		change func(*creepagev1.Reading)
		field  string
		says   string
	}{
		"NaN":                 {func(m *creepagev1.Reading) { m.ResistanceOhms = nan }, "resistance_ohms", "NaN"},
		"negative ohms":       {func(m *creepagev1.Reading) { m.ResistanceOhms = -5 }, "resistance_ohms", "-5: allowed is"},
		"no ohms":             {func(m *creepagev1.Reading) { m.ResistanceOhms = 0 }, "resistance_ohms", "allowed is"},
		"above its range":     {func(m *creepagev1.Reading) { m.RangeOhms = proto.Float64(1e8) }, "resistance_ohms", "range_ohms"},
		"enum number":         {func(m *creepagev1.Reading) { m.Method = 9 }, "method", "9"},
		"no component":        {func(m *creepagev1.Reading) { m.Component = 0 }, "component", "BATTERY"},
		"no time":             {func(m *creepagev1.Reading) { m.MeasureTime = nil }, "measure_time", "RFC 3339"},
		"the future":          {func(m *creepagev1.Reading) { m.MeasureTime = timestamppb.New(now.Add(time.Hour)) }, "measure_time", "future"},
		"NaN volts":           {func(m *creepagev1.Reading) { m.TestVolts = &nan }, "test_volts", "NaN"},
		"no hold":             {func(m *creepagev1.Reading) { m.HoldSeconds = &zero }, "hold_seconds", "0: allowed is more than 0"},
		"humidity":            {func(m *creepagev1.Reading) { m.HumidityPercent = proto.Float64(150) }, "humidity_percent", "150: allowed is"},
		"a vehicle's name":    {func(m *creepagev1.Reading) { m.Vehicle = "truck-17" }, "vehicle", "vehicles/{id}"},
		"no vehicle":          {func(m *creepagev1.Reading) { m.Vehicle = "" }, "vehicle", "is missing"},
		"an unknown platform": {func(m *creepagev1.Reading) { m.Vehicle, m.Platform = "vehicles/new", proto.String("platforms/nowhere") }, "platform", "nowhere"},
		"no platform":         {func(m *creepagev1.Reading) { m.Vehicle, m.Platform = "vehicles/new", nil }, "platform", "not registered"},
		"a long identity":     {func(m *creepagev1.Reading) { m.ReadingId = strings.Repeat("x", 200) }, "reading_id", "allowed are 1 to 128"},
	} {
		resp, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{
			good(what+" before", nil), good(what, c.change), good(what+" after", nil)}})
		if err != nil {
			t.Errorf("%s: %v", what, err)
			continue
		}
		for _, i := range []int{0, 2} {
			if o := resp.GetResults()[i].GetOutcome(); o != creepagev1.SubmitResult_ACCEPTED {
				t.Errorf("%s: the good reading beside it is %s: %v", what, o, resp.GetResults()[i].GetError())
			}
		}
		r := resp.GetResults()[1]
		refused := status.FromProto(r.GetError())
		if r.GetOutcome() != creepagev1.SubmitResult_REJECTED || r.GetAssessment() != nil || reason(refused) == "" {
			t.Errorf("%s: %v", what, r)
		}
		if got := violation(refused, "readings[1]."+c.field); !strings.Contains(got, c.says) {
			t.Errorf("%s: readings[1].%s says %q, want %q in it (%v)", what, c.field, got, c.says, refused.Message())
		}
	}
}

func violation(st *status.Status, path string) string {
	for _, d := range st.Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				if v.GetField() == path {
					return v.GetDescription()
				}
			}
		}
	}
	return ""
}

func reason(st *status.Status) string {
	for _, d := range st.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == "creepage" {
			return info.GetReason()
		}
	}
	return ""
}

func TestAShopSubmitsForItselfAndAFeederOnBoardValuesAlone(t *testing.T) {
	s := start(t)
	other := good("other shop", func(m *creepagev1.Reading) { m.Shop = "shops/south-yard" })
	resp, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{
		other, good("own shop", nil), good("shop left out", func(m *creepagev1.Reading) { m.Shop = "" })}})
	if err != nil {
		t.Fatal(err)
	}
	refused := status.FromProto(resp.GetResults()[0].GetError())
	if refused.Code() != codes.PermissionDenied || reason(refused) != "SHOP_NOT_ALLOWED" {
		t.Errorf("another shop's reading: %v", refused)
	}
	for _, r := range resp.GetResults()[1:] {
		if r.GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
			t.Errorf("%v", r)
		}
	}
	resp, err = s.intake.SubmitReadings(s.with(s.feederKey), &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{good("tester", nil),
		good("monitor", func(m *creepagev1.Reading) {
			m.Method, m.Component, m.Conductor, m.HoldSeconds, m.TestVolts = creepagev1.Reading_MONITOR, creepagev1.Reading_SYSTEM, creepagev1.Reading_ALL, nil, nil
		})}})
	if err != nil {
		t.Fatal(err)
	}
	if got := reason(status.FromProto(resp.GetResults()[0].GetError())); got != "READING_METHOD_NOT_ALLOWED" {
		t.Errorf("a feeder's tester reading: %v", resp.GetResults()[0])
	}
	if resp.GetResults()[1].GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
		t.Errorf("a feeder's on-board value: %v", resp.GetResults()[1])
	}
}

func TestAReadingWithoutIdentityGetsTheSameOneEachTime(t *testing.T) {
	s := start(t)
	req := &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{good("", nil), good("", nil), good("", func(m *creepagev1.Reading) { m.ResistanceOhms = 4.3e8 })}}
	resp, err := s.intake.SubmitReadings(s.with(s.shopKey), req)
	if err != nil {
		t.Fatal(err)
	}
	a, b, c := resp.GetResults()[0], resp.GetResults()[1], resp.GetResults()[2]
	if a.GetReadingId() == "" || a.GetReadingId() != b.GetReadingId() || a.GetReadingId() == c.GetReadingId() {
		t.Errorf("derived %q, %q of the same content, %q of another", a.GetReadingId(), b.GetReadingId(), c.GetReadingId())
	}
	if a.GetOutcome() != creepagev1.SubmitResult_ACCEPTED || b.GetOutcome() != creepagev1.SubmitResult_DUPLICATE || c.GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
		t.Errorf("%v", resp)
	}
}

func TestAStreamGoesOnAfterARefusedBatch(t *testing.T) {
	s := start(t)
	stream, err := s.intake.StreamReadings(s.with(s.shopKey))
	if err != nil {
		t.Fatal(err)
	}
	many := make([]*creepagev1.Reading, 1001)
	for i := range many {
		many[i] = good("", nil)
	}
	for _, batch := range [][]*creepagev1.Reading{{good("first", nil)}, {good("second", nil), good("wrong", func(m *creepagev1.Reading) { m.Method = 0 })}} {
		if err := stream.Send(&creepagev1.StreamReadingsRequest{Batch: &creepagev1.SubmitReadingsRequest{Readings: batch}}); err != nil {
			t.Fatal(err)
		}
		resp, err := stream.Recv()
		if err != nil || resp.GetBatch().GetResults()[0].GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
			t.Fatalf("%v %v", resp, err)
		}
	}
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	_, err = s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: many})
	if st := status.Convert(err); st.Code() != codes.InvalidArgument || reason(st) == "" || violation(st, "readings") == "" {
		t.Errorf("1001 readings: %v", err)
	}
}

func BenchmarkSubmitReadings(b *testing.B) {
	s := start(b)
	for _, size := range []int{100, 1000} {
		b.Run(map[int]string{100: "100", 1000: "1000"}[size], func(b *testing.B) {
			sent := 0
			for b.Loop() {
				batch := make([]*creepagev1.Reading, size)
				for i := range batch {
					sent++
					batch[i] = good("", func(m *creepagev1.Reading) { m.ResistanceOhms = 1e8 + float64(sent) })
				}
				resp, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: batch})
				if err != nil {
					b.Fatal(err)
				}
				if o := resp.GetResults()[size-1].GetOutcome(); o != creepagev1.SubmitResult_ACCEPTED {
					b.Fatal(resp.GetResults()[size-1])
				}
			}
			b.ReportMetric(float64(size)*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}

// REST is dialled to the very same server: what is measured beside the above is
// what JSON costs.
func BenchmarkSubmitReadingsOverREST(b *testing.B) {
	s := start(b)
	const size = 1000
	sent := 0
	for b.Loop() {
		batch := &creepagev1.SubmitReadingsRequest{}
		for range size {
			sent++
			batch.Readings = append(batch.Readings, good("", func(m *creepagev1.Reading) { m.ResistanceOhms = 1e8 + float64(sent) }))
		}
		body, err := protojson.Marshal(batch)
		must(b, err)
		code, _, text := s.rest(b, "POST", "/v1/readings:submit", s.shopKey, string(body))
		if code != http.StatusOK || strings.Contains(text, "REJECTED") {
			b.Fatalf("%d %.300s", code, text)
		}
	}
	b.ReportMetric(size*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}
