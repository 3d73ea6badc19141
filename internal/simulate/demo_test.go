package simulate

import (
	"bytes"
	"flag"
	"io"
	"os"
	"path/filepath"
	"testing"

	"creepage/internal/record"
)

var update = flag.Bool("update", false, "write the demo fleet's files anew")

func TestTheDemoFilesAreThoseOfTheSimulation(t *testing.T) {
	f, err := Demo(DemoStart)
	if err != nil {
		t.Fatal(err)
	}
	for name, write := range map[string]func(io.Writer) error{
		"platforms.json": func(w io.Writer) error { return record.WritePlatforms(w, f.Platforms) },
		"readings.csv":   func(w io.Writer) error { return record.WriteReadings(w, f.Readings) },
		"events.csv":     func(w io.Writer) error { return record.WriteEvents(w, f.Events) },
		"codes.csv":      func(w io.Writer) error { return record.WriteCodes(w, f.Codes) },
		"truth.csv":      func(w io.Writer) error { return record.WriteTruth(w, f.Truth) },
	} {
		var want bytes.Buffer
		if err := write(&want); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join("..", "..", "testdata", "demo", name)
		if *update {
			if err := os.WriteFile(path, want.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want.Bytes()) {
			t.Errorf("%s is not what the simulation makes; go test ./internal/simulate -update writes it anew", name)
		}
	}
}

func TestTheSameConfigurationGivesTheSameFleet(t *testing.T) {
	for _, p := range All() {
		var files [2]bytes.Buffer
		for i := range files {
			f, err := New(Config{Physics: p, Vehicles: 30, Years: 1, Seed: 5})
			if err != nil {
				t.Fatal(err)
			}
			if err := record.WriteReadings(&files[i], f.Readings); err != nil {
				t.Fatal(err)
			}
			if err := record.WriteTruth(&files[i], f.Truth); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(files[0].Bytes(), files[1].Bytes()) {
			t.Errorf("%s: two runs differ", p.Name)
		}
	}
}

func TestACodeSetsWhenTheWholeIsBelowItsLimitAndNotBefore(t *testing.T) {
	f, err := New(Config{Physics: Coastal(), Vehicles: 60, Years: 2, Seed: 9})
	if err != nil {
		t.Fatal(err)
	}
	codes := map[string]int{}
	for _, c := range f.Codes {
		codes[c.Vehicle]++
	}
	set := 0
	for _, x := range f.Truth {
		inRecords := !x.CodeAt.IsZero() && x.CodeAt.Before(DefaultStart.AddDate(2, 0, 0))
		if inRecords != (codes[x.Vehicle] == 1) || codes[x.Vehicle] > 1 {
			t.Errorf("%s: true code %v, %d in the records", x.Vehicle, x.CodeAt, codes[x.Vehicle])
		}
		if Story(x.Story) == Healthy && !x.CodeAt.IsZero() {
			t.Errorf("%s: a healthy vehicle sets its code on %v", x.Vehicle, x.CodeAt)
		}
		if !x.CodeAt.IsZero() {
			set++
			if x.CodeAt.Before(x.OnsetAt) {
				t.Errorf("%s: code on %v before the fault of %v", x.Vehicle, x.CodeAt, x.OnsetAt)
			}
		}
	}
	if set < 5 {
		t.Fatalf("%d codes: too few to show anything", set)
	}
}
