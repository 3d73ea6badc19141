package trend

import (
	"bufio"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
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
//	DATE visit [<>]OHMS [COMPONENT[/CONDUCTOR]=[<>]OHMS ...] [@CELSIUS] [RH%]
//	DATE monitor [about] OHMS [to OHMS] [for N days|weeks] [@CELSIUS] [RH%]
//	DATE event COMPONENT KIND
//	DATE code CODE
//	DATE say
//
// A visit reads every test point of the platform, each at the first value unless
// one of its own is given. A monitor says its value once, or once a day or week
// for so long, on an even way (in the logarithm) from the first value to the
// second; "about" adds a scatter of 0.05 decades. After "say" stand the lines
// that are compared, beginning with "=". The
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
	evaluate := func(date time.Time) {
		if evaluated.IsZero() {
			evaluated = date
		}
		for evaluated.Before(date) {
			evaluated = evaluated.AddDate(0, 0, 1)
			if evaluated.Weekday() == time.Monday {
				o := m.Outlook(v, p, evaluated)
				inParts(t, &o)
			}
			var changes []Change
			rs, changes, _ = m.Evaluate(rs, v, p, evaluated, DefaultPolicy())
			for _, c := range changes {
				word := "ended"
				if c.Raised {
					word = "raised"
				}
				news = append(news, fmt.Sprintf("= %s %s %s %s: %s", evaluated.Format(time.DateOnly), word, c.Kind, c.Component, c.Reason))
			}
		}
	}
	lines := bufio.NewScanner(strings.NewReader(text))
	for n := 1; lines.Scan(); {
		line := lines.Text()
		if strings.HasPrefix(line, "=") {
			continue
		}
		n++ // of lines that are no outcome, so that an update changes no reading
		fmt.Fprintln(&out, line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Fields(line)
		date, err := time.Parse(time.DateOnly, f[0])
		if err != nil {
			t.Fatalf("line %d: %v", n, err)
		}
		evaluate(date)
		if f[1] == "say" {
			o := m.Outlook(v, p, date)
			o.Warned(&rs)
			inParts(t, &o)
			for _, s := range news {
				fmt.Fprintln(&out, s)
			}
			news = nil
			again := "no measurement is pressing"
			if !o.MeasureAgainBy.IsZero() {
				again = "measure again by " + o.MeasureAgainBy.Format(time.DateOnly)
			}
			fmt.Fprintf(&out, "= %s, 30 days %.3f, 90 days %.3f, limiting %q, %s\n= %s\n", o.State, o.P30, o.P90, o.Limiting, again, o.Reason())
			for _, d := range o.Doubts {
				if d.SetAside {
					fmt.Fprintf(&out, "= set aside: %s, %s: %s\n", d.MeasuredAt.Format(time.DateOnly), d.Group, d.Reason)
				}
			}
			continue
		}
		entries, last := scriptEntries(t, p, n, date, f[1:])
		for _, e := range entries {
			evaluate(dayOf(e.Time()).start())
			add(t, m, v, p, e)
		}
		evaluate(last)
	}
	return out.String()
}

// inParts checks that a reason taken apart is what it was put together from.
func inParts(t *testing.T, o *Outlook) {
	t.Helper()
	if got := TakeApart(o.Reason()); got != o.Account {
		t.Errorf("%q is taken apart as\n%+v, want\n%+v", o.Reason(), got, o.Account)
	}
}

// scriptEntries returns what a line adds, and the last day it speaks of.
func scriptEntries(t *testing.T, p *insulation.Platform, n int, date time.Time, f []string) ([]Entry, time.Time) {
	fail := func(err error) {
		if err != nil {
			t.Fatalf("line %d: %v", n, err)
		}
	}
	when := date.Add(9 * time.Hour)
	switch f[0] {
	case "event":
		c, err := insulation.ParseComponent(f[1])
		fail(err)
		k, err := insulation.ParseEventKind(f[2])
		fail(err)
		return []Entry{{Event: &insulation.Event{Component: c, Kind: k, OccurredAt: when}}}, date
	case "code":
		return []Entry{{Code: &insulation.Code{Code: f[1], SetAt: when}}}, date
	}
	blank := insulation.Reading{ID: fmt.Sprintf("line-%d", n), Shop: "north-yard", MeasuredAt: when.Add(time.Duration(n) * time.Second), Method: insulation.Tester,
		Reference: insulation.Chassis, Relation: insulation.Equal, TestVolts: 500, HoldSeconds: 60, AirCelsius: 20, HumidityPct: 45, PartCelsius: math.NaN(), RangeOhms: math.NaN()}
	var words []string
	for _, x := range f[1:] {
		var err error
		if s, ok := strings.CutPrefix(x, "@"); ok {
			blank.AirCelsius, err = strconv.ParseFloat(s, 64)
		} else if s, ok := strings.CutSuffix(x, "%"); ok {
			blank.HumidityPct, err = strconv.ParseFloat(s, 64)
		} else {
			words = append(words, x)
		}
		fail(err)
	}
	switch f[0] {
	case "read":
		var err error
		blank.Component, err = insulation.ParseComponent(words[0])
		fail(err)
		blank.Conductor, err = insulation.ParseConductor(words[1])
		fail(err)
		scriptOhms(t, n, &blank, words[2])
		return []Entry{{Reading: &blank}}, date
	case "visit":
		return scriptVisit(t, p, n, blank, words), date
	case "monitor":
		return scriptMonitor(t, n, blank, words)
	}
	t.Fatalf("line %d: %q is no word of a script", n, f[0])
	return nil, date
}

func scriptOhms(t *testing.T, n int, r *insulation.Reading, value string) {
	switch value[0] {
	case '>':
		r.Relation, value = insulation.Above, value[1:]
	case '<':
		r.Relation, value = insulation.Below, value[1:]
	}
	var err error
	if r.Ohms, err = strconv.ParseFloat(value, 64); err != nil {
		t.Fatalf("line %d: %v", n, err)
	}
}

func scriptVisit(t *testing.T, p *insulation.Platform, n int, blank insulation.Reading, words []string) []Entry {
	used := map[string]bool{}
	var out []Entry
	for i, pt := range p.Points {
		r := blank
		r.ID, r.MeasuredAt = fmt.Sprintf("%s-%d", blank.ID, i), blank.MeasuredAt.Add(time.Duration(i)*time.Minute)
		r.Component, r.Conductor, r.Reference = pt.Component, pt.Conductor, pt.Reference
		value := words[0]
		for _, w := range words[1:] {
			name, x, _ := strings.Cut(w, "=")
			if name == pt.Component.String() || name == pt.Component.String()+"/"+pt.Conductor.String() {
				value, used[w] = x, true
			}
		}
		scriptOhms(t, n, &r, value)
		if r.Relation == insulation.Equal { // no two test points read alike to the last digit
			r.Ohms *= 1 + 0.04*math.Sin(float64(7*i+n))
		}
		out = append(out, Entry{Reading: &r})
	}
	if len(used) != len(words)-1 {
		t.Fatalf("line %d: of %v only %v are test points", n, words[1:], used)
	}
	return out
}

func scriptMonitor(t *testing.T, n int, blank insulation.Reading, words []string) ([]Entry, time.Time) {
	blank.Method, blank.Component, blank.Conductor, blank.HoldSeconds = insulation.Monitor, insulation.System, insulation.AllConductors, math.NaN()
	about := words[0] == "about"
	if about {
		words = words[1:]
	}
	first := blank
	scriptOhms(t, n, &first, words[0])
	last := first
	words = words[1:]
	if len(words) > 1 && words[0] == "to" {
		scriptOhms(t, n, &last, words[1])
		words = words[2:]
	}
	count, every := 1, 1
	if len(words) == 3 && words[0] == "for" {
		var err error
		if count, err = strconv.Atoi(words[1]); err != nil {
			t.Fatalf("line %d: %v", n, err)
		}
		if words[2] == "weeks" {
			every = 7
		}
	}
	var out []Entry
	random := rand.New(rand.NewPCG(uint64(n), 1))
	for i := range count {
		r := blank
		r.ID, r.MeasuredAt = fmt.Sprintf("%s-%d", blank.ID, i), blank.MeasuredAt.AddDate(0, 0, i*every)
		r.Relation, r.Ohms = first.Relation, first.Ohms*math.Pow(last.Ohms/first.Ohms, float64(i)/max(float64(count-1), 1))
		if about {
			r.Ohms *= math.Pow(10, 0.05*random.NormFloat64())
		}
		out = append(out, Entry{Reading: &r})
	}
	return out, dayOf(blank.MeasuredAt).start().AddDate(0, 0, (count-1)*every)
}
