package services_test

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
)

// marker stands in every name, title and note of the organisation that must not
// be seen.
const marker = "zebra"

// furnishMarked makes an organisation that has one of everything, and returns
// its administrator's key and the ids of its resources by collection.
func (s *system) furnishMarked(t testing.TB) (string, map[string]string) {
	t.Helper()
	organisation, key := s.newOrganisation(t, marker)
	admin := s.with(key)
	_, err := s.access.CreateShop(admin, &creepagev1.CreateShopRequest{ShopId: marker + "-yard", Shop: &creepagev1.Shop{Title: marker}})
	must(t, err)
	platform := vanPlatform()
	platform.Name, platform.Title = "platforms/"+marker+"-van", marker
	_, err = s.platforms.UpsertPlatform(admin, &creepagev1.UpsertPlatformRequest{Platform: platform})
	must(t, err)
	_, err = s.access.UpsertMeter(admin, &creepagev1.UpsertMeterRequest{Meter: &creepagev1.Meter{Name: "meters/" + marker + "-meter", Title: marker}})
	must(t, err)
	made, err := s.access.CreateKey(admin, &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{Title: marker, Role: creepagev1.Key_FLEET}})
	must(t, err)
	reading := good(marker+"-1", func(m *creepagev1.Reading) {
		m.Shop, m.Vehicle, m.Platform = "shops/"+marker+"-yard", "vehicles/"+marker+"-truck", proto.String("platforms/"+marker+"-van")
		m.Meter, m.Visit = proto.String("meters/"+marker+"-meter"), proto.String(marker+"-visit")
	})
	other := proto.CloneOf(reading)
	other.ResistanceOhms *= 2
	for _, m := range []*creepagev1.Reading{reading, other} { // the second is a conflict
		resp, err := s.intake.SubmitReadings(admin, &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{m}})
		must(t, err)
		if resp.GetResults()[0].GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
			t.Fatal(resp)
		}
		s.committed(t)
	}
	codes, err := s.intake.SubmitReadings(admin, &creepagev1.SubmitReadingsRequest{Codes: []*creepagev1.CodeSighting{{Vehicle: reading.GetVehicle(), Code: "P0AA6", SetTime: timestamppb.New(now)}}})
	must(t, err)
	if codes.GetCodeResults().GetResults()[0].GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
		t.Fatal(codes)
	}
	repair, err := s.fleet.CreateRepair(admin, &creepagev1.CreateRepairRequest{Parent: reading.GetVehicle(),
		Repair: &creepagev1.Repair{Component: creepagev1.Reading_HEATER, Kind: creepagev1.Repair_CLEANED, OccurTime: timestamppb.New(now.AddDate(0, -1, 0)), Note: proto.String(marker)}})
	must(t, err)
	var vehicle int64
	s.db.Query(t, fmt.Sprintf(`SELECT id FROM vehicles WHERE organisation_id = '%s'`, organisation), &vehicle)
	warning := s.warn(t, organisation, vehicle, now)
	s.db.Exec(t, fmt.Sprintf(`INSERT INTO param_sets (organisation_id, version, track_version, params, created_at, reasons)
		VALUES ('%s', '%s-set', 'default-1', '{"version": "%[2]s-set", "track_version": "default-1"}', '%s', ARRAY['Meter %[2]s reads low.'])`, organisation, marker, now.Format(time.RFC3339)))
	endpoint, err := s.webhooks().CreateWebhookEndpoint(admin, &creepagev1.CreateWebhookEndpointRequest{Endpoint: &creepagev1.WebhookEndpoint{Title: marker, Url: "https://" + marker + ".example/"}})
	must(t, err)
	delivery, err := s.webhooks().TestWebhookEndpoint(admin, &creepagev1.TestWebhookEndpointRequest{Name: endpoint.GetEndpoint().GetName()})
	must(t, err)
	digest, err := creepagev1.NewDigestServiceClient(s.conn).CreateDigest(admin, &creepagev1.CreateDigestRequest{Digest: &creepagev1.Digest{Title: marker, Email: marker + "@yard.example", Frequency: creepagev1.Digest_DAILY}})
	must(t, err)
	schedule, err := s.schedules().CreateReportSchedule(admin, &creepagev1.CreateReportScheduleRequest{ReportSchedule: &creepagev1.ReportSchedule{Title: marker, Report: "reports/readings",
		Frequency: creepagev1.ReportSchedule_DAILY, Destination: "reportDestinations/shelf"}})
	must(t, err)
	run, err := s.schedules().RunReportSchedule(admin, &creepagev1.RunReportScheduleRequest{Name: schedule.GetName()})
	must(t, err)
	_, err = s.warnings.AcknowledgeWarning(admin, &creepagev1.AcknowledgeWarningRequest{Name: warning, Note: marker})
	must(t, err)
	until(t, "the vehicle's outlook knows of its code", func() bool {
		o, err := s.fleet.GetOutlook(admin, &creepagev1.GetOutlookRequest{Name: reading.GetVehicle() + "/outlook"})
		return err == nil && o.GetState() == creepagev1.Outlook_UNDER
	})
	ids := map[string]string{"shops": marker + "-yard", "platforms": marker + "-van", "meters": marker + "-meter", "vehicles": marker + "-truck", "visits": marker + "-visit",
		"parameterSets": marker + "-set"}
	for _, name := range []string{made.GetKey().GetName(), repair.GetName(), warning, endpoint.GetEndpoint().GetName(), delivery.GetName(), digest.GetName(), schedule.GetName(), run.GetName()} {
		parts := strings.Split(name, "/")
		ids[parts[len(parts)-2]] = parts[len(parts)-1]
	}
	return key, ids
}

// routesToRead are the contract's routes by GET, with the ids of resources in
// their places; of a collection without an id a name that nobody has.
func routesToRead(ids map[string]string) map[protoreflect.Name]string {
	routes := map[protoreflect.Name]string{}
	for _, m := range methods() {
		rule, ok := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
		if !ok || rule.GetGet() == "" || m.IsStreamingServer() {
			continue
		}
		routes[m.Name()] = fillIn(rule.GetGet(), ids)
	}
	return routes
}

// Every list and every resource that the contract can be asked for, found by
// reflection, asked for with another organisation's administrator and the first
// one's names.
func TestNothingOfAnotherOrganisationIsSeenByAnyRead(t *testing.T) {
	s := start(t)
	s.work(t)
	own, ids := s.furnishMarked(t)
	_, stranger := s.newOrganisation(t, "stranger")
	routes := routesToRead(ids)
	seen := 0
	for name, path := range routes {
		_, _, shown := s.rest(t, http.MethodGet, path, own, "")
		there := strings.Contains(shown, marker) || holdsAny(shown, ids) || strings.HasPrefix(shown, "%PDF") || strings.Contains(shown, `"UNDER"`) || strings.Contains(shown, `"MOTOR"`)
		if there {
			seen++
		}
		code, _, text := s.rest(t, http.MethodGet, path, stranger, "")
		// An error may repeat the name that was asked for, and nothing else.
		refused := (code == http.StatusNotFound || code == http.StatusBadRequest) && strings.Contains(text, `"reason"`)
		if !refused && (code != http.StatusOK || there && text == shown || strings.Contains(text, marker) || holdsAny(text, ids)) {
			t.Errorf("%s %s shows another organisation: %d %.600s", name, path, code, text)
		}
		// The catalogue of reports is the same for everybody, as is that of places.
		if parts := strings.Split(path, "/"); strings.HasPrefix(string(name), "Get") && name != "GetReport" && len(parts) > 3 && code != http.StatusNotFound {
			t.Errorf("%s %s of another organisation is %d, want 404", name, path, code)
		}
	}
	if len(routes) < 25 || seen < len(routes)-4 {
		t.Errorf("of %d routes %d show what is there: the questions are not the right ones", len(routes), seen)
	}
}

func holdsAny(text string, ids map[string]string) bool {
	for _, id := range ids {
		if strings.Contains(text, id) {
			return true
		}
	}
	return false
}

// Every report in every format that is text.
func TestNoReportHoldsRowsOfAnotherOrganisation(t *testing.T) {
	s := start(t)
	s.work(t)
	own, ids := s.furnishMarked(t)
	_, stranger := s.newOrganisation(t, "stranger")
	list, err := creepagev1.NewReportServiceClient(s.conn).ListReports(s.with(stranger), &creepagev1.ListReportsRequest{})
	must(t, err)
	held := 0
	for _, r := range list.GetReports() {
		for _, format := range r.GetFormats() {
			path := "/v1/" + r.GetName() + ":download?format=" + format
			_, _, shown := s.rest(t, http.MethodGet, path, own, "")
			if strings.Contains(shown, marker) {
				held++
			}
			code, _, text := s.rest(t, http.MethodGet, path, stranger, "")
			if code != http.StatusOK || strings.Contains(text, marker) || holdsAny(text, ids) {
				t.Errorf("%s: %d %.600s", path, code, text)
			}
		}
	}
	if held < 4 {
		t.Errorf("%d reports hold the organisation's own rows: the question is not the right one", held)
	}
}

// Every method that changes something, with the first organisation's names and
// another one's key: refused, and nothing is changed.
func TestNothingOfAnotherOrganisationIsChanged(t *testing.T) {
	s := start(t)
	s.work(t)
	_, ids := s.furnishMarked(t)
	_, stranger := s.newOrganisation(t, "stranger")
	before := s.marked(t)
	asked := 0
	for _, m := range methods() {
		rule, ok := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
		if !ok || rule.GetGet() != "" || !slices.ContainsFunc([]string{rule.GetPost(), rule.GetPut(), rule.GetPatch(), rule.GetDelete()}, func(p string) bool { return strings.Contains(p, "{name=") || strings.Contains(p, "{parent=") }) {
			continue
		}
		verb, path := http.MethodPost, rule.GetPost()
		for v, p := range map[string]string{http.MethodPut: rule.GetPut(), http.MethodPatch: rule.GetPatch(), http.MethodDelete: rule.GetDelete()} {
			if p != "" {
				verb, path = v, p
			}
		}
		path = fillIn(path, ids)
		body := map[string]string{"RenameVehicle": `{"newVehicleId": "mine"}`, "MergeVehicles": `{"into": "vehicles/` + marker + `-truck"}`, "EndWarning": `{"reason": "mine"}`,
			"RecordFinding": `{"finding": "NOTHING_FOUND"}`, "RecordCalibration": `{"calibrateTime": "2026-01-01T00:00:00Z"}`,
			"CreateRepair": `{"component": "MOTOR", "kind": "CLEANED", "occurTime": "2026-01-01T00:00:00Z"}`}[string(m.Name())]
		if body == "" && verb != http.MethodDelete {
			body = "{}"
		}
		asked++
		if code, _, text := s.rest(t, verb, path, stranger, body); code != http.StatusNotFound {
			t.Errorf("%s %s with another organisation's key: %d %.300s", verb, path, code, text)
		}
	}
	if asked < 12 {
		t.Errorf("%d methods were asked", asked)
	}
	if after := s.marked(t); after != before {
		t.Errorf("changed:\n%s\nbefore:\n%s", after, before)
	}
}

func fillIn(template string, ids map[string]string) string {
	path := variable.ReplaceAllStringFunc(template, func(v string) string {
		_, pattern, _ := strings.Cut(strings.Trim(v, "{}"), "=")
		return pattern
	})
	parts := strings.Split(path, "/")
	for i, part := range parts {
		if star, verb, has := strings.Cut(part, ":"); star == "*" || star == "**" {
			if parts[i] = ids[parts[i-1]]; parts[i] == "" {
				parts[i] = "none"
			}
			if has {
				parts[i] += ":" + verb
			}
		}
	}
	return strings.Join(parts, "/")
}

// marked is what a stranger might have changed, in words.
func (s *system) marked(t testing.TB) string {
	t.Helper()
	var text string
	s.db.Query(t, `SELECT (SELECT string_agg(v.name || coalesce(v.retired_at::text, ''), ',') FROM vehicles v) || (SELECT string_agg(w::text, ',') FROM warnings w)
		|| (SELECT string_agg(coalesce(k.revoked_at::text, '-'), ',') FROM keys k) || (SELECT count(*) FROM repairs) || (SELECT count(*) FROM calibrations)
		|| (SELECT string_agg(e.title || e.url || coalesce(e.disabled_at::text, '') || coalesce(e.deleted_at::text, ''), ',') FROM webhook_endpoints e)
		|| (SELECT string_agg(c.title || coalesce(c.disabled_at::text, '') || coalesce(c.deleted_at::text, ''), ',') FROM report_schedules c) || (SELECT count(*) FROM report_runs)`, &text)
	return text
}

// The stream of warnings begins with the stranger's own first change, however
// many there are of others.
func TestAWatchShowsNothingOfAnotherOrganisation(t *testing.T) {
	s := start(t)
	s.work(t)
	s.furnishMarked(t)
	organisation, key := s.newOrganisation(t, "stranger")
	_, err := s.platforms.UpsertPlatform(s.with(key), &creepagev1.UpsertPlatformRequest{Platform: vanPlatform()})
	must(t, err)
	ctx, cancel := context.WithTimeout(s.with(key), 30*time.Second)
	defer cancel()
	stream, err := creepagev1.NewWatchServiceClient(s.conn).WatchWarnings(ctx, &creepagev1.WatchWarningsRequest{StartTime: timestamppb.New(now.AddDate(-1, 0, 0))})
	must(t, err)
	own := s.warn(t, organisation, s.vehicle(t, organisation, "truck-1"), now)
	_, err = s.warnings.AcknowledgeWarning(s.with(key), &creepagev1.AcknowledgeWarningRequest{Name: own})
	must(t, err)
	for {
		m, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if m.GetChange() == nil {
			continue
		}
		if m.GetChange().GetWarning().GetName() != own || m.GetChange().GetSequence() != 1 {
			t.Errorf("the first change seen is %s", protojson.Format(m))
		}
		break
	}
	cancel()
	if _, err := stream.Recv(); status.Code(err) != codes.Canceled {
		t.Errorf("after the first change: %v", err)
	}
}
