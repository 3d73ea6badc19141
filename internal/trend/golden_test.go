package trend

import (
	"bufio"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"creepage/internal/insulation"
)

var update = flag.Bool("update", false, "write the golden scripts' outcomes anew")

// TestScripts runs the scripts of testdata/trend: readings in, what is said
// out. A line is
//
//	DATE read COMPONENT CONDUCTOR [<>]OHMS [@CELSIUS] [RH%]
//	DATE monitor OHMS [@CELSIUS]
//	DATE event COMPONENT KIND
//	DATE code CODE
//	DATE say
//
// and after "say" stand the lines that are compared, beginning with "=". The
// warn rule is folded once a day from the first line to the last; what it
// raises and ends stands before the next "say". Lines beginning with # are for
// the reader. Run with -update to write the outcomes anew, then read the diff.
func TestScripts(t *testing.T) {
	files, err := filepath.Glob("../../testdata/trend/*.script")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scripts: %v", err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			got := runScript(t, string(text))
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			if got != string(text) {
				t.Errorf("%s says otherwise now:\n%s", file, got)
			}
		})
	}
}

func runScript(t *testing.T, text string) string {
	m, p, v := model(t), harborVan(), NewVehicle("script")
	var rs RuleState
	var out strings.Builder
	var evaluated time.Time
	var news []string
	lines := bufio.NewScanner(strings.NewReader(text))
	for n := 1; lines.Scan(); n++ {
		line := lines.Text()
		if strings.HasPrefix(line, "=") {
			continue
		}
		fmt.Fprintln(&out, line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Fields(line)
		date, err := time.Parse(time.DateOnly, f[0])
		if err != nil {
			t.Fatalf("line %d: %v", n, err)
		}
		for !evaluated.IsZero() && evaluated.Before(date) {
			evaluated = evaluated.AddDate(0, 0, 1)
			var changes []Change
			rs, changes = m.Evaluate(rs, v, p, evaluated, DefaultPolicy())
			for _, c := range changes {
				word := "ended"
				if c.Raised {
					word = "raised"
				}
				news = append(news, fmt.Sprintf("= %s %s %s %s: %s", evaluated.Format(time.DateOnly), word, c.Kind, c.Component, c.Reason))
			}
		}
		if evaluated.IsZero() {
			evaluated = date
		}
		if f[1] == "say" {
			o := m.Outlook(v, p, date)
			for _, s := range news {
				fmt.Fprintln(&out, s)
			}
			news = nil
			fmt.Fprintf(&out, "= %s, 30 days %.3f, 90 days %.3f, limiting %q\n= %s\n", o.State, o.P30, o.P90, o.Limiting, o.Reason)
			for _, d := range o.Doubts {
				if d.SetAside {
					fmt.Fprintf(&out, "= set aside: %s, %s: %s\n", d.MeasuredAt.Format(time.DateOnly), d.Group, d.Reason)
				}
			}
			continue
		}
		add(t, m, v, p, scriptEntry(t, n, date.Add(9*time.Hour), f[1:]))
	}
	return out.String()
}

func scriptEntry(t *testing.T, n int, when time.Time, f []string) Entry {
	fail := func(err error) {
		if err != nil {
			t.Fatalf("line %d: %v", n, err)
		}
	}
	switch f[0] {
	case "event":
		c, err := insulation.ParseComponent(f[1])
		fail(err)
		k, err := insulation.ParseEventKind(f[2])
		fail(err)
		return Entry{Event: &insulation.Event{Component: c, Kind: k, OccurredAt: when}}
	case "code":
		return Entry{Code: &insulation.Code{Code: f[1], SetAt: when}}
	}
	r := &insulation.Reading{ID: fmt.Sprintf("line-%d", n), Shop: "north-yard", MeasuredAt: when.Add(time.Duration(n) * time.Second), Reference: insulation.Chassis, Relation: insulation.Equal,
		TestVolts: 500, HoldSeconds: 60, AirCelsius: 20, HumidityPct: 45, PartCelsius: math.NaN(), RangeOhms: math.NaN()}
	rest := f[1:]
	if f[0] == "monitor" {
		r.Method, r.Component, r.Conductor, r.HoldSeconds = insulation.Monitor, insulation.System, insulation.AllConductors, math.NaN()
	} else {
		var err error
		r.Method = insulation.Tester
		r.Component, err = insulation.ParseComponent(f[1])
		fail(err)
		r.Conductor, err = insulation.ParseConductor(f[2])
		fail(err)
		rest = f[3:]
	}
	value := rest[0]
	switch value[0] {
	case '>':
		r.Relation, value = insulation.Above, value[1:]
	case '<':
		r.Relation, value = insulation.Below, value[1:]
	}
	var err error
	r.Ohms, err = strconv.ParseFloat(value, 64)
	fail(err)
	for _, x := range rest[1:] {
		if s, ok := strings.CutPrefix(x, "@"); ok {
			r.AirCelsius, err = strconv.ParseFloat(s, 64)
		} else {
			r.HumidityPct, err = strconv.ParseFloat(strings.TrimSuffix(x, "%"), 64)
		}
		fail(err)
	}
	return Entry{Reading: r}
}
