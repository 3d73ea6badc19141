package services_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/store"
)

// rowsHolding returns, table by table of the whole database, how many rows hold
// a text in any column, in bytes too.
func (s *system) rowsHolding(t testing.TB, text string) map[string]int {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.db.OwnerURL())
	must(t, err)
	defer conn.Close(context.Background())
	rows, err := conn.Query(t.Context(), `SELECT oid::regclass::text FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p', 'm') ORDER BY 1`)
	must(t, err)
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	must(t, err)
	if len(tables) < 20 {
		t.Fatalf("%d tables: were they found?", len(tables))
	}
	found := map[string]int{}
	for _, table := range tables {
		var n int
		must(t, conn.QueryRow(t.Context(), fmt.Sprintf(`SELECT count(*) FROM %s AS r WHERE r::text ILIKE '%%' || $1 || '%%' OR r::text ILIKE '%%' || encode(convert_to($1, 'UTF8'), 'hex') || '%%'`, table), text).Scan(&n))
		if n > 0 {
			found[table] = n
		}
	}
	return found
}

// levels are the medians of a vehicle's tracks, and of each only the last.
func (s *system) levels(t testing.TB, vehicle string) map[string]float64 {
	t.Helper()
	resp, err := s.fleet.ListTracks(s.with(s.fleetKey), &creepagev1.ListTracksRequest{Parent: vehicle})
	must(t, err)
	out := map[string]float64{}
	for _, track := range resp.GetTracks() {
		for _, e := range track.GetEstimates() {
			out[track.GetComponent().String()+" "+track.GetGroup()+" "+e.GetTime().AsTime().Format(time.DateOnly)] = e.GetMedianOhms()
		}
	}
	return out
}

const vin = "wbx9lake7730051" // a name of our own that looks like one

// busyVehicle makes a vehicle whose name stands wherever a name can.
func (s *system) busyVehicle(t testing.TB) {
	t.Helper()
	reading := func(i int, id string) *creepagev1.Reading {
		return good(id, func(m *creepagev1.Reading) {
			m.Vehicle = "vehicles/" + vin
			m.MeasureTime, m.ResistanceOhms = timestamppb.New(now.AddDate(0, 0, -30*(9-i))), 9e8-5e7*float64(i)
			m.Visit, m.Qualification = proto.String("visit of "+strings.ToUpper(vin)), proto.String("Jan Berg, level 2")
		})
	}
	var readings []*creepagev1.Reading
	for i := range 6 {
		readings = append(readings, reading(i, fmt.Sprint(vin, "-", i)))
	}
	readings = append(readings, reading(6, ""))
	send := func(readings ...*creepagev1.Reading) {
		resp, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: readings})
		must(t, err)
		for _, r := range resp.GetResults() {
			if r.GetOutcome() == creepagev1.SubmitResult_REJECTED {
				t.Fatal(r)
			}
		}
		s.committed(t)
	}
	send(readings...)
	other := reading(0, vin+"-0")
	other.ResistanceOhms = 3e8
	send(other) // a conflict
	fleet, admin := s.with(s.fleetKey), s.with(s.adminKey)
	_, err := s.fleet.CreateRepair(fleet, &creepagev1.CreateRepairRequest{Parent: "vehicles/" + vin, RequestId: "job " + vin,
		Repair: &creepagev1.Repair{Component: creepagev1.Reading_HEATER, Kind: creepagev1.Repair_CLEANED, OccurTime: timestamppb.New(now.AddDate(0, -1, 0)), Note: proto.String("by jan berg on " + vin)}})
	must(t, err)
	_, err = s.intake.VoidReading(s.with(s.shopKey), &creepagev1.VoidReadingRequest{ReadingId: vin + "-5", Reason: "Jan Berg had the lead on the wrong phase of " + vin})
	must(t, err)
	var key int64
	s.db.Query(t, fmt.Sprintf(`SELECT id FROM vehicles WHERE name = '%s' AND organisation_id = '%s'`, vin, s.organisation), &key)
	warning := s.warn(t, s.organisation, key, now)
	_, err = s.warnings.AcknowledgeWarning(fleet, &creepagev1.AcknowledgeWarningRequest{Name: warning, Note: "Jan Berg looks at " + vin + "."})
	must(t, err)
	_, err = s.fleet.RenameVehicle(admin, &creepagev1.RenameVehicleRequest{Name: "vehicles/" + vin, NewVehicleId: "ferry-of-anna"})
	must(t, err)
	_, err = s.access.CreateKey(admin, &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{Title: "tablet of Jan Berg", Role: creepagev1.Key_FLEET}})
	must(t, err)
	// A file that waits to be entered.
	must(t, s.db.Store(t, store.APILogin).AsOrganisation(t.Context(), s.organisation, func(tx *store.Tx) error {
		return tx.CreateUpload(t.Context(), &store.Upload{ID: uuid.Must(uuid.NewV7()), Key: "k", Title: "records of jan berg.csv", Stage: store.UploadUnsettled, CreatedAt: now, ExpiresAt: now.AddDate(0, 0, 7)},
			[]byte("vehicle,note\n"+vin+",Jan Berg\n"))
	}))
	s.evaluated(t, "vehicles/ferry-of-anna")
}

// evaluated waits until nothing of a vehicle is to be computed any more.
func (s *system) evaluated(t testing.TB, vehicle string) {
	t.Helper()
	until(t, "the vehicle is evaluated", func() bool {
		var open int
		s.db.Query(t, `SELECT count(*) FROM vehicle_states WHERE changed_at IS NOT NULL OR replay_from IS NOT NULL`, &open)
		_, err := s.fleet.GetOutlook(s.with(s.fleetKey), &creepagev1.GetOutlookRequest{Name: vehicle + "/outlook"})
		return open == 0 && err == nil
	})
}

func TestAnErasedVehicleKeepsItsNumbersAndItsNameIsNowhere(t *testing.T) {
	s := start(t)
	s.work(t)
	s.busyVehicle(t)
	for _, name := range []string{vin, "ferry-of-anna"} {
		if found := s.rowsHolding(t, name); len(found) < 2 {
			t.Fatalf("before it is erased %s stands in %v alone: the search finds nothing", name, found)
		}
	}
	before := s.levels(t, "vehicles/ferry-of-anna")
	if len(before) == 0 {
		t.Fatal("no tracks")
	}

	resp, err := s.erasure.EraseVehicle(s.with(s.adminKey), &creepagev1.EraseVehicleRequest{Name: "vehicles/" + vin}) // a former name leads to it
	must(t, err)
	if !strings.HasPrefix(resp.GetVehicle(), "vehicles/erased-") || resp.GetChangedCount() < 10 {
		t.Errorf("%v", resp)
	}
	s.evaluated(t, resp.GetVehicle())
	for _, name := range []string{vin, "ferry-of-anna"} {
		if found := s.rowsHolding(t, name); len(found) > 0 {
			t.Errorf("%s still stands in %v", name, found)
		}
		if _, err := s.fleet.GetVehicle(s.with(s.fleetKey), &creepagev1.GetVehicleRequest{Name: "vehicles/" + name}); status.Code(err) != codes.NotFound {
			t.Errorf("%s is still found: %v", name, err)
		}
	}
	after := s.levels(t, resp.GetVehicle())
	if len(after) != len(before) {
		t.Errorf("%d estimates, before %d", len(after), len(before))
	}
	for at, level := range before {
		if math.Abs(after[at]/level-1) > 1e-9 {
			t.Errorf("%s is %g, before %g", at, after[at], level)
		}
	}
	list, err := s.fleet.ListReadings(s.with(s.fleetKey), &creepagev1.ListReadingsRequest{Parent: resp.GetVehicle()})
	must(t, err)
	if len(list.GetReadings()) != 7 || list.GetReadings()[0].GetReading().GetVehicle() != resp.GetVehicle() {
		t.Errorf("%v", list)
	}
	warnings, err := s.warnings.ListWarnings(s.with(s.fleetKey), &creepagev1.ListWarningsRequest{Filter: fmt.Sprintf("vehicle = %q", resp.GetVehicle())})
	if err != nil || len(warnings.GetWarnings()) == 0 {
		t.Errorf("its warnings: %v %v", warnings, err)
	}
	audit, err := s.access.ListAuditEntries(s.with(s.adminKey), &creepagev1.ListAuditEntriesRequest{PageSize: 1})
	must(t, err)
	entry := audit.GetAuditEntries()[0]
	if entry.GetAction() != "EraseVehicle" || entry.GetResource() != resp.GetVehicle() || entry.GetKey() == "" || !entry.GetCreateTime().AsTime().Equal(now) {
		t.Errorf("%v", entry)
	}
}

func TestAnErasedPersonIsNowhereAndTheRecordsStay(t *testing.T) {
	s := start(t)
	s.work(t)
	s.busyVehicle(t)
	if found := s.rowsHolding(t, "Jan Berg"); len(found) < 5 {
		t.Fatalf("before: %v", found)
	}
	for what, text := range map[string]string{"too short": "Ja", "blanks": "    "} {
		if _, err := s.erasure.ErasePerson(s.with(s.adminKey), &creepagev1.ErasePersonRequest{Text: text}); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v", what, err)
		}
	}
	resp, err := s.erasure.ErasePerson(s.with(s.adminKey), &creepagev1.ErasePersonRequest{Text: "Jan Berg"})
	must(t, err)
	if found := s.rowsHolding(t, "jan berg"); len(found) > 0 || resp.GetChangedCount() < 10 {
		t.Errorf("still in %v; %v", found, resp)
	}
	list, err := s.fleet.ListReadings(s.with(s.fleetKey), &creepagev1.ListReadingsRequest{Parent: "vehicles/ferry-of-anna"})
	must(t, err)
	if got := list.GetReadings()[0].GetReading().GetQualification(); got != "[erased], level 2" {
		t.Errorf("qualification %q", got)
	}
	digests := creepagev1.NewDigestServiceClient(s.conn)
	_, err = digests.CreateDigest(s.with(s.adminKey), &creepagev1.CreateDigestRequest{Digest: &creepagev1.Digest{Email: "Jan.Berg@yard.example", Frequency: creepagev1.Digest_DAILY}})
	must(t, err)
	resp, err = s.erasure.ErasePerson(s.with(s.adminKey), &creepagev1.ErasePersonRequest{Text: "jan.berg@yard.example"})
	left, listErr := digests.ListDigests(s.with(s.adminKey), &creepagev1.ListDigestsRequest{})
	if err != nil || listErr != nil || resp.GetChangedCount() == 0 || len(left.GetDigests()) != 0 || len(s.rowsHolding(t, "jan.berg@")) > 0 {
		t.Errorf("an address: %v %v; %v %v; %v", resp, err, left, listErr, s.rowsHolding(t, "jan.berg@"))
	}
	audit, err := s.access.ListAuditEntries(s.with(s.adminKey), &creepagev1.ListAuditEntriesRequest{PageSize: 1})
	must(t, err)
	if text := protojson.Format(audit); !strings.Contains(text, "ErasePerson") || strings.Contains(strings.ToLower(text), "berg") {
		t.Error(text)
	}
}

func TestErasureTouchesNoOtherVehicleAndNoOtherOrganisation(t *testing.T) {
	s := start(t)
	s.work(t)
	other := s.vehicle(t, s.organisation, vin+"-b") // its name begins with the other's
	s.keep(t, s.organisation, other, good("r-b", func(m *creepagev1.Reading) { m.Vehicle = "vehicles/" + vin + "-b" }))
	_, err := s.fleet.CreateRepair(s.with(s.fleetKey), &creepagev1.CreateRepairRequest{Parent: "vehicles/" + vin + "-b",
		Repair: &creepagev1.Repair{Component: creepagev1.Reading_HEATER, Kind: creepagev1.Repair_CLEANED, OccurTime: timestamppb.New(now.AddDate(0, -1, 0))}})
	must(t, err)
	stranger, strangersKey := s.newOrganisation(t, "stranger")
	_, err = s.platforms.UpsertPlatform(s.with(strangersKey), &creepagev1.UpsertPlatformRequest{Platform: vanPlatform()})
	must(t, err)
	s.keep(t, stranger, s.vehicle(t, stranger, vin), good("r-1", func(m *creepagev1.Reading) { m.Vehicle = "vehicles/" + vin }))
	s.busyVehicle(t)

	for _, key := range []string{s.fleetKey, s.shopKey} {
		if _, err := s.erasure.EraseVehicle(s.with(key), &creepagev1.EraseVehicleRequest{Name: "vehicles/" + vin}); status.Code(err) != codes.PermissionDenied {
			t.Errorf("with a key that may not: %v", err)
		}
	}
	if _, err := s.erasure.EraseVehicle(s.with(strangersKey), &creepagev1.EraseVehicleRequest{Name: "vehicles/ferry-of-anna"}); status.Code(err) != codes.NotFound {
		t.Errorf("by another organisation: %v", err)
	}
	_, err = s.erasure.EraseVehicle(s.with(s.adminKey), &creepagev1.EraseVehicleRequest{Name: "vehicles/" + vin})
	must(t, err)
	for key, name := range map[string]string{s.adminKey: vin + "-b", strangersKey: vin} {
		v, err := s.fleet.GetVehicle(s.with(key), &creepagev1.GetVehicleRequest{Name: "vehicles/" + name})
		if err != nil || v.GetName() != "vehicles/"+name {
			t.Errorf("%s: %v %v", name, v, err)
		}
		list, err := s.fleet.ListReadings(s.with(key), &creepagev1.ListReadingsRequest{Parent: "vehicles/" + name})
		if err != nil || len(list.GetReadings()) != 1 || list.GetReadings()[0].GetReading().GetVehicle() != "vehicles/"+name {
			t.Errorf("%s: %v %v", name, list, err)
		}
	}
	audit, err := s.access.ListAuditEntries(s.with(s.adminKey), &creepagev1.ListAuditEntriesRequest{PageSize: 1000})
	must(t, err)
	if text := protojson.Format(audit); !strings.Contains(text, vin+"-b") {
		t.Error("the other vehicle's audit entry was changed")
	}
}
