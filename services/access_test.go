package services_test

import (
	"fmt"
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

func TestAKeyIsShownOnceExpiresAndIsRevoked(t *testing.T) {
	s := start(t)
	admin := s.with(s.adminKey)
	made, err := s.access.CreateKey(admin, &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{Title: "yard tablet", Role: creepagev1.Key_FLEET, ExpireTime: timestamppb.New(now.Add(time.Hour))}})
	must(t, err)
	if !strings.HasPrefix(made.GetSecret(), "ck_") || len(made.GetSecret()) != 55 {
		t.Errorf("secret %q, want ck_ and 52 characters (32 bytes in base 32)", made.GetSecret())
	}
	var stored int
	s.db.Query(t, fmt.Sprintf(`SELECT count(*) FROM keys k WHERE k::text LIKE '%%%s%%'`, made.GetSecret()[3:]), &stored)
	if stored != 0 {
		t.Errorf("the secret is stored")
	}
	who, err := s.access.GetCaller(s.with(made.GetSecret()), &creepagev1.GetCallerRequest{})
	if err != nil || who.GetKey().GetRole() != creepagev1.Key_FLEET || who.GetOrganisation() != s.organisation.String() {
		t.Errorf("%v %v", who, err)
	}
	keys, err := s.access.ListKeys(admin, &creepagev1.ListKeysRequest{})
	must(t, err)
	if text := protojson.Format(keys); strings.Contains(text, made.GetSecret()) || len(keys.GetKeys()) != 5 {
		t.Errorf("%s", text)
	}
	if k := keys.GetKeys()[0]; k.GetName() == made.GetKey().GetName() && k.GetLastUseTime() == nil {
		t.Errorf("its use is not noted: %v", k)
	}

	s.passed.Store(int64(2 * time.Hour))
	if _, err := s.access.GetCaller(s.with(made.GetSecret()), &creepagev1.GetCallerRequest{}); status.Code(err) != codes.Unauthenticated {
		t.Errorf("after it expired: %v", err)
	}
	stream, err := s.intake.StreamReadings(s.with(s.shopKey))
	must(t, err)
	must(t, stream.Send(&creepagev1.StreamReadingsRequest{Batch: &creepagev1.SubmitReadingsRequest{}}))
	if _, err := stream.Recv(); err != nil {
		t.Fatal(err)
	}
	for _, k := range keys.GetKeys() {
		if k.GetRole() == creepagev1.Key_SHOP {
			revoked, err := s.access.RevokeKey(admin, &creepagev1.RevokeKeyRequest{Name: k.GetName()})
			if err != nil || revoked.GetRevokeTime() == nil {
				t.Errorf("%v %v", revoked, err)
			}
		}
	}
	s.passed.Add(int64(2 * time.Second))
	if _, err := s.access.GetCaller(s.with(s.shopKey), &creepagev1.GetCallerRequest{}); status.Code(err) != codes.Unauthenticated {
		t.Errorf("two seconds after it was revoked: %v", err)
	}
	must(t, stream.Send(&creepagev1.StreamReadingsRequest{Batch: &creepagev1.SubmitReadingsRequest{}}))
	if _, err := stream.Recv(); status.Code(err) != codes.Unauthenticated {
		t.Errorf("an open stream of the revoked key: %v", err)
	}

	audit, err := s.access.ListAuditEntries(admin, &creepagev1.ListAuditEntriesRequest{})
	must(t, err)
	if text := protojson.Format(audit); audit.GetAuditEntries()[0].GetAction() != "RevokeKey" || strings.Contains(text, "ck_") {
		t.Errorf("%s", text)
	}
}

func TestWrongKeysAndShopsAreNamed(t *testing.T) {
	s := start(t)
	admin := s.with(s.adminKey)
	for what, c := range map[string]struct {
		err   error
		field string
	}{
		"no role":                second(s.access.CreateKey(admin, &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{}})).at("key.role"),
		"a shop key without one": second(s.access.CreateKey(admin, &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{Role: creepagev1.Key_SHOP}})).at("key.shop"),
		"a shop that is not":     second(s.access.CreateKey(admin, &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{Role: creepagev1.Key_SHOP, Shop: proto.String("shops/nowhere")}})).at("key.shop"),
		"an expiry in the past":  second(s.access.CreateKey(admin, &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{Role: creepagev1.Key_FLEET, ExpireTime: timestamppb.New(now.Add(-time.Hour))}})).at("key.expire_time"),
		"a shop in capitals":     second(s.access.CreateShop(admin, &creepagev1.CreateShopRequest{ShopId: "North Yard"})).at("shop_id"),
		"a page of minus one":    second(s.access.ListShops(admin, &creepagev1.ListShopsRequest{PageSize: -1})).at("page_size"),
		"a made-up token":        second(s.access.ListShops(admin, &creepagev1.ListShopsRequest{PageToken: "2"})).at("page_token"),
	} {
		if st := status.Convert(c.err); st.Code() != codes.InvalidArgument || violation(st, c.field) == "" || reason(st) == "" {
			t.Errorf("%s: %v %v, want field %s", what, c.err, st.Details(), c.field)
		}
	}
	_, err := s.access.CreateShop(admin, &creepagev1.CreateShopRequest{ShopId: "north-yard"})
	if st := status.Convert(err); st.Code() != codes.AlreadyExists || reason(st) != "ALREADY_EXISTS" {
		t.Errorf("a shop that is there: %v", err)
	}
}

type outcome struct{ err error }

func second[T any](_ T, err error) outcome { return outcome{err} }

func (o outcome) at(field string) struct {
	err   error
	field string
} {
	return struct {
		err   error
		field string
	}{o.err, field}
}

func TestMetersKeepTheirCalibrations(t *testing.T) {
	s := start(t)
	ctx := s.with(s.fleetKey)
	_, err := s.access.UpsertMeter(ctx, &creepagev1.UpsertMeterRequest{Meter: &creepagev1.Meter{Name: "meters/m-7", Title: "bench", RangeOhms: proto.Float64(5.5e8)}})
	must(t, err)
	done := timestamppb.New(now.AddDate(-2, 0, 0))
	for range 2 {
		m, err := s.access.RecordCalibration(ctx, &creepagev1.RecordCalibrationRequest{Name: "meters/m-7", Calibration: &creepagev1.Calibration{CalibrateTime: done, Note: proto.String("C-1")}})
		if err != nil || len(m.GetCalibrations()) != 1 || m.GetCalibrations()[0].GetNote() != "C-1" || m.GetRangeOhms() != 5.5e8 {
			t.Errorf("%v %v", m, err)
		}
	}
	resp, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{
		good("r-1", func(m *creepagev1.Reading) { m.Meter = proto.String("meters/m-7") }), good("r-2", func(m *creepagev1.Reading) { m.Meter = proto.String("meters/m-8") })}})
	must(t, err)
	for i, want := range []bool{true, false} {
		noted := slices.ContainsFunc(resp.GetResults()[i].GetAssessment().GetNotes(), func(n *creepagev1.Note) bool { return n.GetCode() == "calibration_old" })
		if noted != want {
			t.Errorf("calibration noted as old: %v, want %v: %v", noted, want, resp.GetResults()[i])
		}
	}
	_, err = s.access.RecordCalibration(ctx, &creepagev1.RecordCalibrationRequest{Name: "meters/none", Calibration: &creepagev1.Calibration{CalibrateTime: done}})
	if status.Code(err) != codes.NotFound {
		t.Errorf("a meter that is not there: %v", err)
	}
	list, err := s.access.ListMeters(s.with(s.shopKey), &creepagev1.ListMetersRequest{})
	if err != nil || len(list.GetMeters()) != 1 {
		t.Errorf("%v %v", list, err)
	}
}

func TestOneOrganisationNeverSeesAnothers(t *testing.T) {
	s := start(t)
	key := s.vehicle(t, s.organisation, "truck-17")
	s.keep(t, s.organisation, key, good("r-1", nil))
	s.say(t, s.organisation, key, now, creepagev1.Outlook_DUE, 0.5, nil)
	warning := s.warn(t, s.organisation, key, now)
	_, err := s.access.UpsertMeter(s.with(s.adminKey), &creepagev1.UpsertMeterRequest{Meter: &creepagev1.Meter{Name: "meters/m-7"}})
	must(t, err)
	_, stranger := s.newOrganisation(t, "stranger")
	ctx := s.with(stranger)

	for what, rows := range map[string]func() (int, error){
		"vehicles": func() (int, error) {
			r, err := s.fleet.ListVehicles(ctx, &creepagev1.ListVehiclesRequest{})
			return len(r.GetVehicles()), err
		},
		"outlooks": func() (int, error) {
			r, err := s.fleet.ListOutlooks(ctx, &creepagev1.ListOutlooksRequest{})
			return len(r.GetOutlooks()) + int(r.GetTotalSize()), err
		},
		"warnings": func() (int, error) {
			r, err := s.warnings.ListWarnings(ctx, &creepagev1.ListWarningsRequest{})
			return len(r.GetWarnings()), err
		},
		"platforms": func() (int, error) {
			r, err := s.platforms.ListPlatforms(ctx, &creepagev1.ListPlatformsRequest{})
			return len(r.GetPlatforms()), err
		},
		"shops": func() (int, error) {
			r, err := s.access.ListShops(ctx, &creepagev1.ListShopsRequest{})
			return len(r.GetShops()), err
		},
		"meters": func() (int, error) {
			r, err := s.access.ListMeters(ctx, &creepagev1.ListMetersRequest{})
			return len(r.GetMeters()), err
		},
		"audit": func() (int, error) {
			r, err := s.access.ListAuditEntries(ctx, &creepagev1.ListAuditEntriesRequest{})
			return len(r.GetAuditEntries()), err
		},
		"conflicts": func() (int, error) {
			r, err := s.intake.ListConflicts(ctx, &creepagev1.ListConflictsRequest{})
			return len(r.GetConflicts()), err
		},
		"other keys": func() (int, error) {
			r, err := s.access.ListKeys(ctx, &creepagev1.ListKeysRequest{})
			return len(r.GetKeys()) - 1, err // its own is there
		},
	} {
		if n, err := rows(); err != nil || n != 0 {
			t.Errorf("%s: %d rows of another organisation (%v)", what, n, err)
		}
	}
	for what, err := range map[string]error{
		"vehicle":     second(s.fleet.GetVehicle(ctx, &creepagev1.GetVehicleRequest{Name: "vehicles/truck-17"})).err,
		"retire":      second(s.fleet.RetireVehicle(ctx, &creepagev1.RetireVehicleRequest{Name: "vehicles/truck-17"})).err,
		"outlook":     second(s.fleet.GetOutlook(ctx, &creepagev1.GetOutlookRequest{Name: "vehicles/truck-17/outlook"})).err,
		"tracks":      second(s.fleet.ListTracks(ctx, &creepagev1.ListTracksRequest{Parent: "vehicles/truck-17"})).err,
		"readings":    second(s.fleet.ListReadings(ctx, &creepagev1.ListReadingsRequest{Parent: "vehicles/truck-17"})).err,
		"repairs":     second(s.fleet.ListRepairs(ctx, &creepagev1.ListRepairsRequest{Parent: "vehicles/truck-17"})).err,
		"codes":       second(s.fleet.ListCodes(ctx, &creepagev1.ListCodesRequest{Parent: "vehicles/truck-17"})).err,
		"warning":     second(s.warnings.GetWarning(ctx, &creepagev1.GetWarningRequest{Name: warning})).err,
		"acknowledge": second(s.warnings.AcknowledgeWarning(ctx, &creepagev1.AcknowledgeWarningRequest{Name: warning})).err,
		"void":        second(s.intake.VoidReading(ctx, &creepagev1.VoidReadingRequest{ReadingId: "r-1", Reason: "mine"})).err,
		"platform":    second(s.platforms.GetPlatform(ctx, &creepagev1.GetPlatformRequest{Name: "platforms/harbor-van-400"})).err,
	} {
		if st := status.Convert(err); st.Code() != codes.NotFound || reason(st) == "" {
			t.Errorf("%s of another organisation: %v", what, err)
		}
	}
	resp, err := s.intake.SubmitReadings(ctx, &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{good("r-1", nil)}})
	must(t, err)
	if got := violation(status.FromProto(resp.GetResults()[0].GetError()), "readings[0].shop"); got == "" {
		t.Errorf("a reading of another organisation's shop: %v", resp)
	}
}

func TestAReadingThatIsKnownIsADuplicateAndAnotherContentIsNoted(t *testing.T) {
	s := start(t)
	key := s.vehicle(t, s.organisation, "truck-17")
	s.keep(t, s.organisation, key, good("r-1", nil))
	for range 2 {
		resp, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{good("r-1", nil),
			good("r-1", func(m *creepagev1.Reading) { m.Platform = nil })}})
		must(t, err)
		for _, r := range resp.GetResults() {
			if r.GetOutcome() != creepagev1.SubmitResult_DUPLICATE || r.GetAssessment() == nil {
				t.Errorf("%v", r)
			}
		}
	}
	resp, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{
		good("r-1", func(m *creepagev1.Reading) { m.ResistanceOhms = 7e8 })}})
	must(t, err)
	notes := resp.GetResults()[0].GetAssessment().GetNotes()
	if resp.GetResults()[0].GetOutcome() != creepagev1.SubmitResult_ACCEPTED || len(notes) == 0 || notes[len(notes)-1].GetCode() != "identity_taken" {
		t.Errorf("%v", resp)
	}
}

func TestValidatingSaysWhatWouldBecomeOfEachReadingAndTakesNone(t *testing.T) {
	s := start(t)
	s.work(t)
	s.keep(t, s.organisation, s.vehicle(t, s.organisation, "truck-17"), good("r-1", nil))
	req := &creepagev1.SubmitReadingsRequest{ValidateOnly: true, Backfill: true, Readings: []*creepagev1.Reading{
		good("r-1", nil), good("r-2", nil), good("r-3", func(m *creepagev1.Reading) { m.Vehicle = "vehicles/truck-99" }), good("r-4", func(m *creepagev1.Reading) { m.ResistanceOhms = -1 })}}
	for range 2 {
		resp, err := s.intake.SubmitReadings(s.with(s.shopKey), req)
		must(t, err)
		want := []creepagev1.SubmitResult_Outcome{creepagev1.SubmitResult_DUPLICATE, creepagev1.SubmitResult_ACCEPTED, creepagev1.SubmitResult_ACCEPTED, creepagev1.SubmitResult_REJECTED}
		for i, r := range resp.GetResults() {
			if r.GetOutcome() != want[i] {
				t.Errorf("reading %d: %v, want %v", i, r, want[i])
			}
		}
	}
	// What is taken after it is worked in; what was only asked about is not there.
	_, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{good("r-5", nil)}})
	must(t, err)
	s.committed(t)
	var n, vehicles int
	s.db.Query(t, `SELECT count(*) FROM readings WHERE reading_id IN ('r-2', 'r-3', 'r-4')`, &n)
	s.db.Query(t, `SELECT count(*) FROM vehicles WHERE name = 'truck-99'`, &vehicles)
	if n != 0 || vehicles != 0 {
		t.Errorf("%d readings and %d vehicles were taken", n, vehicles)
	}
}

func TestCodesGoWithAVisit(t *testing.T) {
	s := start(t)
	code := func(vehicle, word string, at time.Time) *creepagev1.CodeSighting {
		return &creepagev1.CodeSighting{Vehicle: vehicle, Code: word, SetTime: timestamppb.New(at)}
	}
	resp, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{good("r-1", nil)},
		Codes: []*creepagev1.CodeSighting{code("vehicles/truck-17", "P0AA6", now), code("vehicles/truck-18", "P0AA6", now), code("vehicles/truck-17", "leak", now), code("vehicles/truck-17", "P0AA6", now.Add(time.Hour))}})
	must(t, err)
	results := resp.GetCodeResults().GetResults()
	if results[0].GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
		t.Errorf("%v", results[0])
	}
	for i, field := range map[int]string{1: "codes[1].vehicle", 2: "codes[2].code", 3: "codes[3].set_time"} {
		if got := violation(status.FromProto(results[i].GetError()), field); got == "" {
			t.Errorf("%v, want field %s", results[i], field)
		}
	}
}
