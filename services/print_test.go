package services_test

import (
	"bytes"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
)

// pdfText reads a PDF's text back with poppler.
func pdfText(t testing.TB, pdf []byte) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "sheet.pdf")
	must(t, os.WriteFile(file, pdf, 0o600))
	return program(t, "pdftotext", "-layout", file, "-")
}

func program(t testing.TB, name string, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := exec.Command(name, args...)
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s (Debian: poppler-utils): %v\n%s", name, err, errs.String())
	}
	return out.String()
}

// visitRows are three motor phases, one of which contradicts the others, a
// cable without a limit and the whole vehicle.
func visitRows(visit string, at time.Time) []*creepagev1.Reading {
	taken := func(id string, minutes int, change func(m *creepagev1.Reading)) *creepagev1.Reading {
		return good(visit+"-"+id, func(m *creepagev1.Reading) {
			m.Visit, m.MeasureTime = proto.String(visit), timestamppb.New(at.Add(time.Duration(minutes)*time.Minute))
			m.TemperatureCelsius, m.HumidityPercent, m.Meter = proto.Float64(12), proto.Float64(55), proto.String("meters/m-7")
			m.Qualification = proto.String("high-voltage technician, level 2")
			m.Precautions = &creepagev1.Precautions{LockedOut: proto.Bool(true), WaitedSeconds: proto.Float64(300), ZeroVoltsProven: proto.Bool(true),
				GlovesTestTime: timestamppb.New(at.AddDate(0, -2, 0)), GlovesAirTested: proto.Bool(false), ResidualVolts: proto.Float64(1.5)}
			change(m)
		})
	}
	above := func(m *creepagev1.Reading) {
		m.Relation, m.ResistanceOhms = creepagev1.Reading_ABOVE, 5.5e8
	}
	return []*creepagev1.Reading{
		taken("u", 0, above),
		taken("v", 2, func(m *creepagev1.Reading) { above(m); m.Conductor = creepagev1.Reading_PHASE_V }),
		taken("w", 4, func(m *creepagev1.Reading) { m.Conductor, m.ResistanceOhms = creepagev1.Reading_PHASE_W, 2.4e7 }),
		taken("cable", 6, func(m *creepagev1.Reading) {
			m.Component, m.Conductor, m.ResistanceOhms = creepagev1.Reading_CABLE, creepagev1.Reading_HV_PLUS, 3.1e8
		}),
		taken("whole", 8, func(m *creepagev1.Reading) {
			m.Component, m.Conductor, m.ResistanceOhms = creepagev1.Reading_SYSTEM, creepagev1.Reading_ALL, 8.5e6
		}),
	}
}

// withVisits takes four visits in, the last under the given id, and has the
// worker store them.
func withVisits(t testing.TB, visit string) *system {
	t.Helper()
	s := start(t)
	s.work(t)
	admin := s.with(s.adminKey)
	_, err := s.access.UpsertMeter(admin, &creepagev1.UpsertMeterRequest{Meter: &creepagev1.Meter{Name: "meters/m-7", Title: "Insulation tester 7"}})
	must(t, err)
	_, err = s.access.RecordCalibration(admin, &creepagev1.RecordCalibrationRequest{Name: "meters/m-7",
		Calibration: &creepagev1.Calibration{CalibrateTime: timestamppb.New(now.AddDate(0, -5, 0)), DueTime: timestamppb.New(now.AddDate(0, 7, 0))}})
	must(t, err)
	for i, id := range []string{"visit-1", "visit-2", "visit-3", visit} {
		resp, err := s.intake.SubmitReadings(s.with(s.shopKey), &creepagev1.SubmitReadingsRequest{Readings: visitRows(id, now.Add(-3*time.Hour).AddDate(0, 2*(i-3), 0))})
		must(t, err)
		for _, r := range resp.GetResults() {
			if r.GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
				t.Fatalf("arrange: %v", r)
			}
		}
		s.committed(t)
	}
	return s
}

const visitName = "2026/03/02 No. 7: spring"

func recordPath(visit string) string {
	return "/v1/vehicles/truck-17/visits/" + url.PathEscape(visit) + ":record"
}

func TestTheRecordOfAVisitHoldsEveryReadingWithLimitAndVerdict(t *testing.T) {
	s := withVisits(t, visitName)
	code, header, pdf := s.rest(t, "GET", recordPath(visitName), s.fleetKey, "")
	if code != http.StatusOK || header.Get("Content-Type") != "application/pdf" || !strings.Contains(header.Get("Content-Disposition"), `filename="record-truck-17-2026-03-02-No.-7--spring.pdf"`) {
		t.Fatalf("%d %v %.300s", code, header, pdf)
	}
	text := pdfText(t, []byte(pdf))
	_, header, html := s.rest(t, "GET", recordPath(visitName)+"?format=HTML", s.fleetKey, "")
	if header.Get("Content-Type") != "text/html; charset=utf-8" {
		t.Errorf("HTML comes as %v", header)
	}
	lines := [][]string{ // each of one row of the sheet
		{"1", "09:00", "motor, phase U to chassis", ">550 MΩ", "100 MΩ", "meets the limit"},
		{"2", "09:02", "motor, phase V to chassis", ">550 MΩ", "100 MΩ", "meets the limit"},
		{"3", "09:04", "motor, phase W to chassis", "24 MΩ", "100 MΩ", "below the limit"},
		{"4", "09:06", "cable, HV+ to chassis", "310 MΩ", "none", "no limit known"},
		{"5", "09:08", "whole vehicle to chassis", "8.5 MΩ", "200 kΩ", "meets the limit"},
		{"Insulation tester 7 (m-7)", "calibrated 2 Oct 2025", "by the meter's file", "due 2 Oct 2026"},
	}
	words := []string{"truck-17", visitName, "2 March 2026", "Harbour van (harbor-van-400), working voltage up to 400 V", "north-yard, local", "high-voltage technician, level 2",
		"12 °C", "55 %", "500 V, 60 s", "It is not a release of the vehicle", "Isolated, locked, tagged", "yes, stated", "300 s", "1.5 V", "2 Jan 2026", "NO, stated", "not stated",
		"Contradiction", "Motor winding: readings 1, 2, 3", "High voltage kills.", "Tested by", "Motor, phases U, V, W", "service limit 100 MΩ", "code limit 200 kΩ", "no air test of the gloves on the day"}
	flat := strings.Join(strings.Fields(text), " ")
	for _, line := range lines {
		if !anyLineHas(text, line) && !strings.Contains(flat, strings.Join(line[:2], ": ")) {
			t.Errorf("no line of the PDF holds %q", line)
		}
		for _, cell := range line {
			if !strings.Contains(html, strings.ReplaceAll(strings.ReplaceAll(cell, ">", "&gt;"), "'", "&#39;")) && !strings.Contains(html, strings.ReplaceAll(cell, "+", "&#43;")) {
				t.Errorf("the HTML lacks %q", cell)
			}
		}
	}
	for _, w := range words {
		if !strings.Contains(flat, w) {
			t.Errorf("the PDF lacks %q:\n%s", w, text)
		}
		if !strings.Contains(html, w) {
			t.Errorf("the HTML lacks %q", w)
		}
	}
	// The corrected value and its spread, by the tables themselves.
	for _, ohms := range []float64{2.4e7, 3.1e8, 8.5e6} {
		c, err := insulation.CorrectTemperature(12, 20)
		must(t, err)
		want := c.Apply(ohms)
		low, _, _ := strings.Cut(insulation.FormatOhms(want.Low), " ")
		if spread := low + " to " + insulation.FormatOhms(want.High); !anyLineHas(text, []string{insulation.FormatOhms(want.Mid), spread}) {
			t.Errorf("no line holds %s corrected to 20 °C, %s", insulation.FormatOhms(want.Mid), spread)
		}
	}
	if !strings.Contains(text, "page 2 of 2") {
		t.Errorf("the record does not take two pages:\n%s", text)
	}
}

func anyLineHas(text string, parts []string) bool {
next:
	for line := range strings.Lines(text) {
		for _, p := range parts {
			at := strings.Index(line, p)
			if at < 0 {
				continue next
			}
			line = line[at+len(p):]
		}
		return true
	}
	return false
}

func TestTheRecordLeavesOutWhatWasVoidedAndSaysSo(t *testing.T) {
	s := withVisits(t, "visit-4")
	bench := creepagev1.NewBenchServiceClient(s.conn)
	_, err := s.intake.VoidReading(s.with(s.shopKey), &creepagev1.VoidReadingRequest{ReadingId: "visit-4-w", Reason: "lead on the wrong phase"})
	must(t, err)
	body, err := bench.PrintVisitRecord(s.with(s.fleetKey), &creepagev1.PrintVisitRecordRequest{Vehicle: "vehicles/truck-17", Visit: "visit-4"})
	must(t, err)
	text := strings.Join(strings.Fields(pdfText(t, body.GetData())), " ")
	if !strings.Contains(text, "Voided and left out: visit-4-w (lead on the wrong phase).") || strings.Contains(text, "24 MΩ") {
		t.Errorf("the record does not tell what was voided:\n%s", text)
	}
}

func TestAShopPrintsVisitsOfItsOwnAlone(t *testing.T) {
	s := withVisits(t, "visit-4")
	bench := creepagev1.NewBenchServiceClient(s.conn)
	req := &creepagev1.PrintVisitRecordRequest{Vehicle: "vehicles/truck-17", Visit: "visit-4"}
	body, err := bench.PrintVisitRecord(s.with(s.shopKey), req)
	must(t, err)
	if text := pdfText(t, body.GetData()); !strings.Contains(text, "Readings of this shop alone.") {
		t.Errorf("the shop's record does not say whose readings the charts hold:\n%s", text)
	}
	other := s.newKey(t, creepagev1.Key_SHOP, "shops/south-yard")
	if _, err := bench.PrintVisitRecord(s.with(other), req); status.Code(err) != codes.NotFound {
		t.Errorf("another shop's visit: %v", err)
	}
	if _, err := bench.AssessVisit(s.with(other), &creepagev1.AssessVisitRequest{Vehicle: req.Vehicle, Visit: req.Visit}); status.Code(err) != codes.NotFound {
		t.Errorf("another shop's visit assessed: %v", err)
	}
	_, stranger := s.newOrganisation(t, "elsewhere")
	if _, err := bench.PrintVisitRecord(s.with(stranger), req); status.Code(err) != codes.NotFound {
		t.Errorf("another organisation's visit: %v", err)
	}
	if _, err := bench.PrintVisitRecord(s.with(s.feederKey), req); status.Code(err) != codes.PermissionDenied {
		t.Errorf("a feeder: %v", err)
	}
}

func TestWhatCannotBePrintedIsNamed(t *testing.T) {
	s := start(t)
	for path, want := range map[string]string{
		"/v1/vehicles/truck-17/visits/v-1:record?format=WORD":   "is none of PDF, HTML",
		"/v1/vehicles/Truck%2017/visits/v-1:record":             "vehicle",
		"/v1/vehicles/nobody/visits/v-1:record":                 "NOT_FOUND",
		"/v1/platforms/nowhere:testPlan":                        "NOT_FOUND",
		"/v1/platforms/harbor-van-400:testPlan?colour=red":      "colour",
		"/v1/platforms/harbor-van-400:testPlan?format=PDF,HTML": "format",
	} {
		if code, _, body := s.rest(t, "GET", path, s.fleetKey, ""); code != http.StatusBadRequest && code != http.StatusNotFound || !strings.Contains(body, want) {
			t.Errorf("%s: %d %s", path, code, body)
		}
	}
}

func TestTheTestPlanPrintsOnOnePage(t *testing.T) {
	s := start(t)
	_, header, pdf := s.rest(t, "GET", "/v1/platforms/harbor-van-400:testPlan", s.shopKey, "")
	if header.Get("Content-Type") != "application/pdf" {
		t.Fatalf("%v %.300s", header, pdf)
	}
	text := pdfText(t, []byte(pdf))
	_, _, html := s.rest(t, "GET", "/v1/platforms/harbor-van-400:testPlan?format=HTML", s.shopKey, "")
	plan, err := creepagev1.NewBenchServiceClient(s.conn).MakeTestPlan(s.with(s.shopKey), &creepagev1.MakeTestPlanRequest{Platform: "platforms/harbor-van-400"})
	must(t, err)
	flat := strings.Join(strings.Fields(text), " ")
	for _, want := range append(append(append([]string{"motor, phase U to chassis", "motor, phase W to chassis", "100 MΩ", "page 1 of 1"}, plan.GetBefore()...), plan.GetAfter()...), plan.GetCautions()...) {
		if !strings.Contains(flat, want) {
			t.Errorf("the PDF lacks %q:\n%s", want, text)
		}
		if !strings.Contains(html, strings.ReplaceAll(want, "'", "&#39;")) && !strings.HasPrefix(want, "page") {
			t.Errorf("the HTML lacks %q", want)
		}
	}
}
