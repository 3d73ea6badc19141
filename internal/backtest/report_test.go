package backtest

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/record"
	"creepage/internal/simulate"
	"creepage/internal/trend"
)

func TestTheReportTheSummaryAndItsJSONSayTheSameNumbers(t *testing.T) {
	f := fleet(t, simulate.Mild(), 60)
	records := FromFleet(f.Platforms, f.Readings, f.Events, f.Codes)
	r, err := Run(context.Background(), records, Config{Model: model(t), Policy: trend.DefaultPolicy(), Every: 7 * 24 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Compare(context.Background(), records); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := r.Write(dir); err != nil {
		t.Fatal(err)
	}
	j := r.Summary.Judgement
	n := j.fates()
	if j.Codes < 3 || n[0]+n[1]+n[2]+n[3] != j.Codes {
		t.Fatalf("%d codes, fates %v", j.Codes, n)
	}
	var got struct {
		Judgement struct {
			Codes  int `json:"codes"`
			False  int `json:"false_episodes"`
			Fates  []CodeFate
			Scores []struct {
				Name  string
				Value *float64
			} `json:"measures"`
		}
		Rivals []struct{ Name string } `json:"simpler_methods"`
	}
	text, err := os.ReadFile(filepath.Join(dir, "summary.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	if got.Judgement.Codes != j.Codes || got.Judgement.False != j.FalseEpisodes || len(got.Rivals) != 3 || len(got.Judgement.Scores) != len(j.Measures) {
		t.Errorf("summary.json: %+v", got)
	}
	pdf, err := exec.Command("pdftotext", "-layout", filepath.Join(dir, "report.pdf"), "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	html, err := os.ReadFile(filepath.Join(dir, "report.html"))
	if err != nil {
		t.Fatal(err)
	}
	flat := strings.Join(strings.Fields(string(pdf)), " ")
	for _, want := range []string{
		fmt.Sprintf("missed: no warning before %d", n[missed]),
		fmt.Sprintf("no code followed within 180 days: %d,", j.FalseEpisodes),
		fmt.Sprintf("%.1f in 100 vehicle-years", j.falseRate()),
		"least squares, last 8, over-range as value",
		"Prove zero volts first",
	} {
		if !strings.Contains(flat, want) {
			t.Errorf("report.pdf lacks %q", want)
		}
	}
	if !strings.Contains(string(html), fmt.Sprintf("%.1f in 100 vehicle-years", j.falseRate())) {
		t.Error("report.html lacks the false rate")
	}
	if s := r.Summary.String(); !strings.Contains(s, fmt.Sprintf("%d isolation codes: %d warned", j.Codes, n[inTime])) {
		t.Errorf("summary.txt: %s", s)
	}
}

func TestWithoutCodeDatesTheReportClaimsNoScore(t *testing.T) {
	f := fleet(t, simulate.Mild(), 12)
	records := FromFleet(f.Platforms, f.Readings, nil, nil)
	records.Codes = false
	r, err := Run(context.Background(), records, Config{Model: model(t), Policy: trend.DefaultPolicy(), Every: 7 * 24 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Compare(context.Background(), records); err != nil {
		t.Fatal(err)
	}
	html, err := r.Report().HTML()
	if err != nil {
		t.Fatal(err)
	}
	if r.Summary.Judgement != nil || r.Summary.Rivals != nil || !strings.Contains(string(html), "No code dates were given") {
		t.Error("something is scored without code dates")
	}
}

// A vehicle's own records give one code a vehicle: what repeats within 30 days is
// the same, and the truth ends at the next one.
func TestTheTruthOfRecordsEndsAtAVehiclesSecondCode(t *testing.T) {
	p := insulation.Platform{ID: "p", MaxWorkingVolts: 400}
	reading := func(day int) insulation.Reading {
		return insulation.Reading{ID: fmt.Sprint(day), Vehicle: "a", Platform: "p", MeasuredAt: on(day), Method: insulation.Monitor, Component: insulation.System,
			Conductor: insulation.AllConductors, Relation: insulation.Equal, Ohms: 1e6}
	}
	records := FromFleet([]insulation.Platform{p}, []insulation.Reading{reading(0), reading(400)},
		[]insulation.Event{{Vehicle: "a", Component: insulation.Motor, OccurredAt: on(110), Kind: insulation.Replaced}},
		[]insulation.Code{{Vehicle: "a", Code: "P0AA6", SetAt: on(100)}, {Vehicle: "a", Code: "P0AA6", SetAt: on(103)}, {Vehicle: "a", Code: "P0AA6", SetAt: on(300)}})
	got := records.truth()
	want := record.Truth{Vehicle: "a", Component: insulation.Motor, CodeAt: on(100), Monitor: true, FirstAt: on(0), LastAt: on(300), KnownUntil: on(300), WorkedOn: []time.Time{on(110)}}
	if len(got) != 1 || !reflect.DeepEqual(got[0], want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

// Ayer, Brunk, Ewing, Reid and Silverman (1955): of neighbours out of order the
// pooled share is the best. Indices 1 to 4 with outcomes 0 1 0 1 pool to 0, 1/2,
// 1/2, 1: Brier 0.125 against 0.25 of the base rate, skill 1/2; log score
// 2 ln 2 / 4 up to the clipping of 0 and 1.
func TestARivalsBestProbabilitiesPoolNeighboursOutOfOrder(t *testing.T) {
	pool := []judged{{0, 1, false}, {0, 2, true}, {0, 3, false}, {0, 4, true}}
	skill, logs := bestOfIndex(pool)
	if math.Abs(skill-0.5) > 1e-12 || math.Abs(logs-math.Ln2/2) > 2e-6 {
		t.Errorf("skill %g, log score %g", skill, logs)
	}
}
