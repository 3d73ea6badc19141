package app_test

import (
	"context"
	"fmt"
	"io"
	"math"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/app"
	"creepage/internal/client"
	"creepage/internal/record"
	"creepage/testdata/demo"
)

// moved is the demo fleet as the service has loaded it, with its truth.
type moved struct {
	fleet *demo.Fleet
	truth map[string]record.Truth
}

// demoAsLoaded reads the demo fleet moved to the end that the service kept.
func demoAsLoaded(t *testing.T, data string) moved {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(data, "demo.end"))
	if err != nil {
		t.Fatal(err)
	}
	end, err := time.Parse(time.RFC3339, strings.TrimSpace(string(b)))
	if err != nil {
		t.Fatal(err)
	}
	fleet, err := demo.Load(end)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Open("../../testdata/demo/truth.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, bad, err := record.ReadTruth(f, "truth.csv")
	if err != nil || len(bad) > 0 {
		t.Fatal(err, bad)
	}
	// Readings are moved by whole days: by how many, the first one of a vehicle tells.
	first := map[string]time.Time{}
	for _, r := range fleet.Readings {
		if at, ok := first[r.Vehicle]; !ok || r.MeasuredAt.Before(at) {
			first[r.Vehicle] = r.MeasuredAt
		}
	}
	m := moved{fleet: fleet, truth: map[string]record.Truth{}}
	for _, x := range rows {
		by := first[x.Vehicle].Sub(x.FirstAt)
		if !x.CodeAt.IsZero() {
			x.CodeAt = x.CodeAt.Add(by)
		}
		m.truth[x.Vehicle] = x
	}
	return m
}

// sliding says whether a vehicle declines toward a code that is still to come.
func (m moved) sliding(vehicle string, now time.Time) bool {
	x := m.truth[vehicle]
	return (x.Story == "slow" || x.Story == "accelerating") && x.CodeAt.After(now)
}

func allWarnings(t *testing.T, c *client.Client) []*creepagev1.Warning {
	t.Helper()
	var all []*creepagev1.Warning
	token := ""
	for {
		var page creepagev1.ListWarningsResponse
		if err := c.Call(t.Context(), "GET", "/v1/warnings?pageSize=100&pageToken="+url.QueryEscape(token), nil, &page); err != nil {
			t.Fatal(err)
		}
		all = append(all, page.GetWarnings()...)
		if token = page.GetNextPageToken(); token == "" {
			return all
		}
	}
}

func TestTheDemoKeepsItsPromises(t *testing.T) {
	s := &service{bin: program(t), data: reachable(t)}
	s.start(t, "--demo")
	defer s.stop(t)
	key, err := os.ReadFile(app.KeyFile(s.data))
	if err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(app.KeyFile(s.data)); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("admin.key: %v, %v; want mode 0600", info.Mode(), err)
	}
	c, err := client.New(s.url, string(key))
	if err != nil {
		t.Fatal(err)
	}
	m := demoAsLoaded(t, s.data)
	slidingVehiclesComeFirst(t, c, m)
	warningsComeBeforeTheCodes(t, c, m)
	backtestAndServiceSayTheSame(t, s, c, m)
}

func slidingVehiclesComeFirst(t *testing.T, c *client.Client, m moved) {
	var page creepagev1.ListOutlooksResponse
	if err := c.Call(t.Context(), "GET", "/v1/outlooks?pageSize=1000", nil, &page); err != nil {
		t.Fatal(err)
	}
	if len(page.GetOutlooks()) != len(m.truth) {
		t.Fatalf("%d outlooks for %d vehicles", len(page.GetOutlooks()), len(m.truth))
	}
	now := time.Now()
	lastSliding, firstHealthy, sliding, unsettled := -1, len(m.truth), 0, 0
	for i, o := range page.GetOutlooks() {
		id := strings.TrimPrefix(o.GetVehicle(), "vehicles/")
		if m.sliding(id, now) {
			lastSliding = i
			sliding++
			if o.GetState() != creepagev1.Outlook_DUE && o.GetState() != creepagev1.Outlook_FALLING && o.GetState() != creepagev1.Outlook_UNDER {
				t.Errorf("%s slides to its code of %s and is called %s", id, m.truth[id].CodeAt.Format(time.DateOnly), o.GetState())
			}
		}
		if m.truth[id].Story == "healthy" {
			firstHealthy = min(firstHealthy, i)
			// A wrong reading below its limit asks for a second look, of a healthy vehicle too.
			odd := o.GetState() == creepagev1.Outlook_UNKNOWN && strings.HasPrefix(o.GetReason(), "Not settled: ") && strings.Contains(o.GetReason(), " is doubted: ")
			if odd {
				unsettled++
			}
			if o.GetState() != creepagev1.Outlook_STEADY && !odd {
				t.Errorf("%s is healthy and called %s: %s", id, o.GetState(), o.GetReason())
			}
		}
	}
	if unsettled > len(m.truth)/20 {
		t.Errorf("%d healthy vehicles of %d are not settled", unsettled, len(m.truth))
	}
	if sliding < 3 || lastSliding > firstHealthy {
		t.Errorf("%d sliding vehicles, the last at place %d, the first healthy one at %d", sliding, lastSliding, firstHealthy)
	}
}

func warningsComeBeforeTheCodes(t *testing.T, c *client.Client, m moved) {
	warned, dropped := map[string]time.Time{}, map[string]bool{}
	for _, w := range allWarnings(t, c) {
		id := strings.TrimPrefix(w.GetVehicle(), "vehicles/")
		if w.GetReason() == "" {
			t.Errorf("%s: a warning of %s without a reason", id, w.GetKind())
		}
		switch w.GetKind() {
		case creepagev1.Warning_CODE_DUE, creepagev1.Warning_UNDER_CODE_LIMIT:
			x := m.truth[id]
			switch {
			case x.Story == "healthy" || x.Story == "levelling":
				t.Errorf("%s (%s) was warned of: %s", id, x.Story, w.GetReason())
			case !x.CodeAt.IsZero() && !w.GetRaiseTime().AsTime().Before(x.CodeAt):
				t.Errorf("%s was warned of on %s, after its code of %s", id, w.GetRaiseTime().AsTime(), x.CodeAt)
			}
			warned[id] = w.GetRaiseTime().AsTime()
		case creepagev1.Warning_SUDDEN_DROP:
			dropped[id] = true
		}
	}
	for id, x := range m.truth {
		if (x.Story == "slow" || x.Story == "accelerating") && !x.CodeAt.IsZero() && warned[id].IsZero() {
			t.Errorf("%s slid to its code of %s without a warning", id, x.CodeAt.Format(time.DateOnly))
		}
		if (x.Story == "sudden") != dropped[id] {
			t.Errorf("%s (%s): warned of a sudden drop: %v", id, x.Story, dropped[id])
		}
	}
}

// backtestAndServiceSayTheSame runs the backtest command on the very records and
// holds what it says against what the service says. Both learn on the way.
func backtestAndServiceSayTheSame(t *testing.T, s *service, c *client.Client, m moved) {
	dir := t.TempDir()
	file := func(name string) string { return filepath.Join(dir, name) }
	write(t, file("platforms.json"), func(w io.Writer) error { return record.WritePlatforms(w, m.fleet.Platforms) })
	write(t, file("readings.csv"), func(w io.Writer) error { return record.WriteReadings(w, m.fleet.Readings) })
	write(t, file("events.csv"), func(w io.Writer) error { return record.WriteEvents(w, m.fleet.Events) })
	write(t, file("codes.csv"), func(w io.Writer) error { return record.WriteCodes(w, m.fleet.Codes) })
	out, err := exec.CommandContext(t.Context(), s.bin, "backtest", "--platforms", file("platforms.json"), "--readings", file("readings.csv"),
		"--events", file("events.csv"), "--codes", file("codes.csv"), "--every", "168h", "--out", file("said")).CombinedOutput()
	if err != nil {
		t.Fatalf("backtest: %v\n%s", err, out)
	}
	said := readSaid(t, file("said"))
	sameWarnings(t, c, said.warnings, m.fleet)
	sameOutlooks(t, c, said.outlooks)
	var sets creepagev1.ListParameterSetsResponse
	if err := c.Call(t.Context(), "GET", "/v1/parameterSets", nil, &sets); err != nil {
		t.Fatal(err)
	}
	if len(sets.GetParameterSets()) < 4 {
		t.Fatalf("the service has learned %d times from its old records: too few to show anything", len(sets.GetParameterSets()))
	}
	for _, p := range sets.GetParameterSets() {
		if len(p.GetReasons()) == 0 || p.GetVehicles() < 50 || p.GetReadings() == 0 {
			t.Errorf("%s: learned from %d vehicles and %d readings: %q", p.GetName(), p.GetVehicles(), p.GetReadings(), p.GetReasons())
		}
	}
}

type saidFiles struct {
	outlooks []record.Outlook
	warnings []record.Warning
}

func readSaid(t *testing.T, dir string) saidFiles {
	t.Helper()
	var s saidFiles
	open := func(name string, read func(io.Reader) (int, error)) {
		f, err := os.Open(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if bad, err := read(f); err != nil || bad > 0 {
			t.Fatalf("%s: %v, %d bad rows", name, err, bad)
		}
	}
	open("outlooks.csv", func(r io.Reader) (int, error) {
		rows, bad, err := record.ReadOutlooks(r, "outlooks.csv")
		s.outlooks = rows
		return len(bad), err
	})
	open("warnings.csv", func(r io.Reader) (int, error) {
		rows, bad, err := record.ReadWarnings(r, "warnings.csv")
		s.warnings = rows
		return len(bad), err
	})
	return s
}

// sameWarnings holds the warnings raised up to the records' end against each other.
func sameWarnings(t *testing.T, c *client.Client, backtest []record.Warning, fleet *demo.Fleet) {
	last := fleet.Readings[len(fleet.Readings)-1].MeasuredAt
	name := func(vehicle, kind, component string, at time.Time) string {
		return fmt.Sprintf("%s %s %s %s", vehicle, kind, component, at.UTC().Truncate(time.Microsecond).Format(time.RFC3339Nano))
	}
	want := map[string]bool{}
	for _, w := range backtest {
		want[name(w.Vehicle, w.Kind, w.Component.String(), w.RaisedAt)] = true
	}
	got := map[string]bool{}
	for _, w := range allWarnings(t, c) {
		if at := w.GetRaiseTime().AsTime(); !at.After(last) {
			component := strings.ToLower(w.GetComponent().String())
			if w.GetComponent() == 0 {
				component = ""
			}
			got[name(strings.TrimPrefix(w.GetVehicle(), "vehicles/"), strings.ToLower(w.GetKind().String()), component, at)] = true
		}
	}
	for w := range want {
		if !got[w] {
			t.Errorf("the backtest raises what the service did not: %s", w)
		}
	}
	for w := range got {
		if !want[w] {
			t.Errorf("the service raised what the backtest does not: %s", w)
		}
	}
	if len(want) < 5 {
		t.Errorf("%d warnings: too few to compare", len(want))
	}
}

// sameOutlooks asks the service what it believed at each tenth outlook of the backtest.
func sameOutlooks(t *testing.T, c *client.Client, backtest []record.Outlook) {
	compared := 0
	for i := 0; i < len(backtest); i += 10 {
		o := backtest[i]
		var got creepagev1.Outlook
		path := fmt.Sprintf("/v1/vehicles/%s/outlook?asOfTime=%s", o.Vehicle, url.QueryEscape(o.AsOf.Format(time.RFC3339)))
		if err := c.Call(context.Background(), "GET", path, nil, &got); err != nil {
			t.Errorf("%s as of %s: %v", o.Vehicle, o.AsOf, err)
			return
		}
		state := strings.ToLower(got.GetState().String())
		if !got.GetEvaluateTime().AsTime().Equal(o.AsOf) || state != o.State || math.Abs(got.GetCodeProbability_30D()-o.P30) > 1e-6 || math.Abs(got.GetCodeProbability_90D()-o.P90) > 1e-6 {
			t.Errorf("%s as of %s: the service says %s, %.6f, %.6f as of %s; the backtest %s, %.6f, %.6f", o.Vehicle, o.AsOf, state,
				got.GetCodeProbability_30D(), got.GetCodeProbability_90D(), got.GetEvaluateTime().AsTime(), o.State, o.P30, o.P90)
			return
		}
		compared++
	}
	if compared < 100 {
		t.Errorf("%d outlooks compared: too few", compared)
	}
}
