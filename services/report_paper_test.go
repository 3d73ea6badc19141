package services_test

import (
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/casefile"
	"creepage/internal/insulation"
)

// onPaper downloads a report as PDF and reads it back with poppler.
func (s *system) onPaper(t testing.TB, report, filter string) string {
	t.Helper()
	_, pdf, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/" + report, Format: "pdf", Filter: filter})
	must(t, err)
	file := filepath.Join(t.TempDir(), "report.pdf")
	must(t, os.WriteFile(file, []byte(pdf), 0o600))
	for line := range strings.Lines(program(t, "pdffonts", file)) {
		if strings.Contains(line, "TrueType") && !regexp.MustCompile(`(yes|no)\s+yes|yes\s+(yes|no)\s+yes`).MatchString(line) {
			t.Errorf("a font is not embedded: %s", line)
		}
	}
	info := program(t, "pdfinfo", file)
	if !regexp.MustCompile(`Title: +\S`).MatchString(info) || !strings.Contains(info, "A4") {
		t.Errorf("the metadata lack the title or the size:\n%s", info)
	}
	text := pdfText(t, []byte(pdf))
	pages := regexp.MustCompile(`Pages: +(\d+)`).FindStringSubmatch(info)[1]
	for _, must := range []string{"page 1 of " + pages, "page " + pages + " of " + pages, "prove zero volts", "High voltage kills", "creepage test", "format=pdf", "As of 2026-"} {
		if !strings.Contains(strings.Join(strings.Fields(text), " "), must) {
			t.Errorf("%s: the pages lack %q", report, must)
		}
	}
	return text
}

// rowOf finds the cells of the line of a table that begins with a name, below a heading.
func rowOf(t testing.TB, text, heading, name string) []string {
	t.Helper()
	_, below, _ := strings.Cut(text, heading)
	for line := range strings.Lines(below) {
		cells := regexp.MustCompile(` {2,}`).Split(strings.TrimSpace(line), -1)
		if cells[0] == name && len(cells) > 3 {
			return cells
		}
	}
	t.Fatalf("no line %q below %q:\n%s", name, heading, text)
	return nil
}

func TestTheFleetSummaryOnPaperHoldsTheNumbersOfItsRowsAndOfTheLists(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	twoOutlooks(t, s)
	s.db.Exec(t, `INSERT INTO codes (organisation_id, vehicle_id, code, set_at, received_at) SELECT organisation_id, vehicle_id, 'P0AA6', $1, $1 FROM warnings`, now.Add(11*time.Hour))
	s.passed.Store(int64(24 * time.Hour))
	_, file, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/fleet_summary"})
	must(t, err)
	added := map[string]float64{}
	last := map[string]string{}
	for _, row := range table(t, file) {
		for _, name := range []string{"readings", "warnings", "warnings_with_code", "repairs"} {
			v, err := strconv.ParseFloat(row[name], 64)
			must(t, err)
			added[name] += v
		}
		last = row // the rows are by month
	}
	list, err := s.fleet.ListOutlooks(s.with(s.fleetKey), &creepagev1.ListOutlooksRequest{})
	must(t, err)
	expected := 0.0
	for _, o := range list.GetOutlooks() {
		expected += o.GetCodeProbability_90D()
	}
	text := s.onPaper(t, "fleet_summary", "")
	for heading, name := range map[string]string{"By platform": "harbor-van-400", "By component": "motor", "By shop": "north-yard"} {
		cells := rowOf(t, text, heading, name)
		// Vehicles, readings, over range, change, limited, codes within 30, 90 and 365 days, warnings, with code, lead, repairs.
		want := []string{name, "2", fmt.Sprint(added["readings"]), "0.0 %", "–", last["vehicles_limited"], last["codes_30d"] + " (0 to 1)",
			fmt.Sprintf("%s (%s to %s)", last["codes_90d"], last["codes_90d_p10"], last["codes_90d_p90"]), "–", fmt.Sprint(added["warnings"]), fmt.Sprint(added["warnings_with_code"]), last["lead_d_median"], fmt.Sprint(added["repairs"])}
		if strings.Join(cells, "|") != strings.Join(want, "|") {
			t.Errorf("%s:\n%q, want\n%q", heading, cells, want)
		}
	}
	if last["codes_90d"] != fmt.Sprint(expected) {
		t.Errorf("rows expect %s codes, the list's probabilities add up to %v", last["codes_90d"], expected)
	}
	if cells := rowOf(t, text, "Month by month", "February 2026"); cells[1] != "1" || cells[2] != "1" {
		t.Errorf("February: %q", cells)
	}
	if cells := rowOf(t, text, "Vehicles that need a bay", "c"); cells[3] != "48 %" || cells[4] != "15 May 2026" {
		t.Errorf("the most urgent: %q", cells)
	}
	for _, word := range []string{"within 30 days", "Readings taken in each month", "with a value", "codes_365d_p90", "local"} {
		if !strings.Contains(text, word) {
			t.Errorf("the pages lack %q", word)
		}
	}
	if filtered := s.onPaper(t, "fleet_summary", `shop = "south-yard"`); !strings.Contains(filtered, "nothing to sum up") {
		t.Errorf("of a shop without records:\n%s", filtered)
	}
}

func TestAVehiclesPageHoldsTheNumbersOfItsOutlookTracksAndReadings(t *testing.T) {
	s := withVisits(t, "visit-4")
	var o *creepagev1.Outlook
	until(t, "the outlook of four visits", func() bool {
		var err error
		o, err = s.fleet.GetOutlook(s.with(s.fleetKey), &creepagev1.GetOutlookRequest{Name: "vehicles/truck-17/outlook"})
		return err == nil && slices.ContainsFunc(o.GetParts(), func(p *creepagev1.Part) bool { return p.GetReadingCount() == 12 }) // three phases, four times
	})
	s.passed.Store(int64(time.Hour)) // as of now includes what was just said
	text := s.onPaper(t, "tracks", `vehicle = "truck-17"`)
	flat := strings.Join(strings.Fields(text), " ")
	for _, p := range o.GetParts() {
		for _, v := range []float64{p.GetMedianOhms(), p.GetP10Ohms(), p.GetP90Ohms(), p.GetOperatingOhms(), p.GetOperatingP10Ohms(), p.GetOperatingP90Ohms()} {
			if word := insulation.FormatOhms(v); !strings.Contains(flat, word) {
				t.Errorf("%s %s: the page lacks %s", p.GetComponent(), p.GetGroup(), word)
			}
		}
	}
	tracks, err := s.fleet.ListTracks(s.with(s.fleetKey), &creepagev1.ListTracksRequest{Parent: "vehicles/truck-17"})
	must(t, err)
	for _, track := range tracks.GetTracks() {
		// The page shows the outlook's level, of noon; the track's last estimate is of the same day's end.
		i := slices.IndexFunc(o.GetParts(), func(p *creepagev1.Part) bool {
			return p.GetComponent() == track.GetComponent() && p.GetGroup() == track.GetGroup()
		})
		e := track.GetEstimates()
		if i < 0 || len(e) == 0 {
			t.Errorf("%s %s: %d estimates, and it is part %d of the outlook", track.GetComponent(), track.GetGroup(), len(e), i)
		} else if shown, last := o.GetParts()[i].GetMedianOhms(), e[len(e)-1].GetMedianOhms(); math.Abs(shown/last-1) > 0.01 {
			t.Errorf("%s %s: the page shows %g ohm, the track ends at %g", track.GetComponent(), track.GetGroup(), shown, last)
		}
	}
	for _, word := range []string{"Vehicle truck-17", strings.Join(strings.Fields(casefile.Prose(o.GetReason())), " "), "code limit 200 kΩ", "insulation tester", "service limit 100 MΩ", "20 tester; 8 over range", ">550 MΩ", "24 MΩ",
		"Under a service limit, motor", "median_ohm", "harbor-van-400"} {
		if !strings.Contains(flat, word) {
			t.Errorf("the page lacks %q:\n%s", word, text)
		}
	}
	// Before anything was known there is a page that says so.
	_, pdf, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/tracks", Format: "pdf", AsOfTime: timestamppb.New(now.AddDate(-1, 0, 0))})
	must(t, err)
	if early := pdfText(t, []byte(pdf)); !strings.Contains(early, "Nothing had been said of this vehicle by then") || !strings.Contains(early, "Last measured") || !strings.Contains(early, "never") {
		t.Errorf("a year before:\n%s", early)
	}
}

// The report of tracks and the list of a vehicle's tracks are the same numbers, to the last digit.
func TestTheReportOfTracksIsTheListOfTracks(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	threeVisits(t, s, "c", "d", "e")
	_, file, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/tracks"})
	must(t, err)
	rows := table(t, file)
	i := 0
	for _, name := range []string{"a", "b", "c", "d", "e"} {
		list, err := s.fleet.ListTracks(s.with(s.fleetKey), &creepagev1.ListTracksRequest{Parent: "vehicles/" + name})
		must(t, err)
		for _, track := range list.GetTracks() {
			for _, e := range track.GetEstimates() {
				if i >= len(rows) {
					t.Fatalf("%d rows, the lists have more", len(rows))
				}
				row := rows[i]
				i++
				want := map[string]float64{"median_ohm": e.GetMedianOhms(), "p10_ohm": e.GetP10Ohms(), "p90_ohm": e.GetP90Ohms()}
				for column, v := range want {
					if got, err := strconv.ParseFloat(row[column], 64); err != nil || math.Float64bits(got) != math.Float64bits(v) {
						t.Errorf("%s of %s: %s, the list has %v", column, name, row[column], v)
					}
				}
				if row["vehicle"] != name || row["component"] != strings.ToLower(track.GetComponent().String()) || row["group"] != track.GetGroup() || row["day_end"] != e.GetTime().AsTime().Format(time.RFC3339Nano) {
					t.Errorf("row %v, list %s %s", row, track.GetComponent(), e)
				}
			}
		}
	}
	if i != len(rows) || i < 8 {
		t.Errorf("%d rows, the lists have %d", len(rows), i)
	}
}

func TestPaperIsRefusedWhereThereIsNoneAndBounded(t *testing.T) {
	s := start(t)
	for query, want := range map[string]string{
		"readings:download?format=pdf":                             `"pdf" is none of csv, xlsx, parquet, jsonl, csvw, which the report readings comes in; as pdf there are tracks, fleet_summary`,
		"fleet_summary:download?format=pdf&columns=month":          "a PDF is laid out as it is; leave columns out",
		"fleet_summary:download?format=docx":                       `"docx" is none of csv, xlsx, parquet, jsonl, pdf, csvw`,
		"tracks:download?format=pdf&filter=colour%20%3D%20%22x%22": "colour is not a field",
	} {
		code, _, body := s.rest(t, "GET", "/v1/reports/"+query, s.fleetKey, "")
		if code != http.StatusBadRequest || !strings.Contains(strings.ReplaceAll(body, `\"`, `"`), want) {
			t.Errorf("%s: %d %s, want %q", query, code, body, want)
		}
	}
	// No records: one honest page each.
	for report, want := range map[string]string{"fleet_summary": "nothing to sum up", "tracks": "No vehicle is on record"} {
		if text := s.onPaper(t, report, ""); !strings.Contains(text, want) {
			t.Errorf("%s without records:\n%s", report, text)
		}
	}
	for i := range 51 {
		s.vehicle(t, s.organisation, fmt.Sprintf("v-%02d", i))
	}
	_, _, err := s.download(t, s.fleetKey, &creepagev1.DownloadReportRequest{Name: "reports/tracks", Format: "pdf"})
	if status.Code(err) != codes.InvalidArgument || !strings.Contains(fmt.Sprint(status.Convert(err).Details()), "at most 50 vehicles") {
		t.Errorf("of 51 vehicles: %v", err)
	}
	if text := s.onPaper(t, "tracks", `vehicle = "v-0*"`); !strings.Contains(text, "Vehicle v-09") || strings.Contains(text, "v-10") {
		t.Errorf("of ten vehicles:\n%.800s", text)
	}
}
