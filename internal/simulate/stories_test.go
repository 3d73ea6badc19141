package simulate

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/record"
)

// tale is one vehicle of the demo fleet as its records show it.
type tale struct {
	truth    record.Truth
	readings []insulation.Reading
	events   []insulation.Event
	codes    []insulation.Code
}

func tales(t *testing.T) map[string]*tale {
	t.Helper()
	f, err := Demo(DemoStart)
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]*tale{}
	for _, x := range f.Truth {
		all[x.Vehicle] = &tale{truth: x}
	}
	for _, r := range f.Readings {
		all[r.Vehicle].readings = append(all[r.Vehicle].readings, r)
	}
	for _, e := range f.Events {
		all[e.Vehicle].events = append(all[e.Vehicle].events, e)
	}
	for _, c := range f.Codes {
		all[c.Vehicle].codes = append(all[c.Vehicle].codes, c)
	}
	return all
}

// lowest is the lowest level that testers read of a component from one time to
// another, log10 ohm; over-range counts as what it states.
func (x *tale) lowest(c insulation.Component, from, to time.Time) float64 {
	least := math.Inf(1)
	for _, r := range x.readings {
		if r.Component == c && r.Method == insulation.Tester && !r.MeasuredAt.Before(from) && r.MeasuredAt.Before(to) {
			least = min(least, math.Log10(r.Ohms))
		}
	}
	return least
}

// monitored are the on-board values from one time to another, log10 ohm, sorted.
func (x *tale) monitored(from, to time.Time) []float64 {
	var ys []float64
	for _, r := range x.readings {
		if r.Method == insulation.Monitor && !r.MeasuredAt.Before(from) && r.MeasuredAt.Before(to) {
			ys = append(ys, math.Log10(r.Ohms))
		}
	}
	slices.Sort(ys)
	return ys
}

func at(ys []float64, share float64) float64 { return ys[int(share*float64(len(ys)-1))] }

// Each story of the demo fleet can be seen in its records, where a technician
// would look for it.
func TestTheDemoFleetsRecordsShowItsStories(t *testing.T) {
	all := tales(t)
	begin, end := DemoStart, DemoStart.AddDate(0, 0, demoDays)
	count := map[string]int{}
	for name, x := range all {
		count[x.truth.Story]++
		c, onset, code := x.truth.Component, x.truth.OnsetAt, x.truth.CodeAt
		switch Story(x.truth.Story) {
		case Healthy:
			if len(x.events)+len(x.codes) > 0 || !code.IsZero() {
				t.Errorf("%s is healthy, with events %v, codes %v, true code %v", name, x.events, x.codes, code)
			}
		case Slow, Accelerating:
			replaced := end
			if len(x.events) == 1 && x.events[0].Component == c {
				replaced = x.events[0].OccurredAt
			}
			if before, after := x.lowest(c, begin, onset.AddDate(0, 0, 45)), x.lowest(c, replaced.AddDate(0, 0, -110), replaced); !(after < before-0.5) {
				t.Errorf("%s: %s %s, reads %.2f before and %.2f at last", name, x.truth.Story, c, before, after)
			}
			if replaced.Before(end) {
				if again := x.lowest(c, replaced, end); again < 8.7 && !math.IsInf(again, 1) {
					t.Errorf("%s: the new %s reads %.2f", name, c, again)
				}
			}
			inTime := len(x.codes) == 0 && replaced.Before(end)
			switch {
			case len(x.codes) == 1: // code set, repaired, goes on
				if !x.codes[0].SetAt.Equal(code) || !replaced.After(code) || replaced.Sub(code) > 12*24*time.Hour {
					t.Errorf("%s: code %v, true code %v, replaced %v", name, x.codes, code, replaced)
				}
			case inTime && !code.IsZero():
				t.Errorf("%s: replaced in time, and yet its code sets on %v", name, code)
			case !inTime && (code.Before(end.AddDate(0, 0, 7)) || code.After(end.AddDate(0, 0, 60))):
				t.Errorf("%s: slides, its code sets on %v; want a few weeks after the end", name, code)
			}
		case Sudden:
			before, after := x.lowest(c, begin, onset), x.lowest(c, onset, end)
			if !(after < before-1.4) {
				t.Errorf("%s: the %s reads %.2f before and %.2f after its drop", name, c, before, after)
			}
			was, is := x.monitored(onset.AddDate(0, 0, -30), onset), x.monitored(onset.AddDate(0, 0, 2), end)
			if fall := at(was, 0.5) - at(is, 0.5); fall < 0.5 || fall > 2 {
				t.Errorf("%s: the whole vehicle falls by %.2f decades", name, fall)
			}
		case Damp:
			// Read on days that are not very damp, it stays good to the end; its code comes with the damp season.
			if low := x.lowest(c, begin, end); low < math.Log10(50e6) {
				t.Errorf("%s: the %s reads %.2f; want what leaks only when damp to read well otherwise", name, c, low)
			}
			if len(x.codes) > 0 || code.Before(end.AddDate(0, 0, 20)) || code.After(end.AddDate(0, 0, 150)) {
				t.Errorf("%s: code on %s, in the records %v; want it in the damp season to come", name, code, x.codes)
			}
		case Levelling:
			first, early, late := x.lowest(c, begin, onset.AddDate(0, 0, 30)), x.lowest(c, onset.AddDate(0, 0, 120), onset.AddDate(0, 0, 200)), x.lowest(c, onset.AddDate(0, 0, 200), end)
			if !code.IsZero() || first-early < 0.4 || math.Abs(early-late) > 0.2 {
				t.Errorf("%s: the %s reads %.2f, then %.2f, then %.2f, code %v; want a fall and then a plateau", name, c, first, early, late, code)
			}
		default:
			t.Errorf("%s: a story of its own: %s", name, x.truth.Story)
		}
	}
	for story, want := range map[string]int{"healthy": 50, "slow": 5, "accelerating": 1, "sudden": 1, "damp": 2, "levelling": 1} {
		if count[story] != want {
			t.Errorf("%d vehicles %s; want %d", count[story], story, want)
		}
	}
}

// The fifth shop's only meter tops out at 200 megohm: most of what it writes is a bound.
func TestTheDemoFleetsLowMeterWritesBounds(t *testing.T) {
	bounds, rows := 0., 0.
	for _, x := range tales(t) {
		for _, r := range x.readings {
			if r.Meter == "m-5a" && r.Component != insulation.System {
				rows++
				if r.Relation == insulation.Above && r.Ohms == 200e6 {
					bounds++
				}
			}
			if strings.HasPrefix(r.Meter, "m-5") && r.Meter != "m-5a" {
				t.Errorf("reading %s by %s; the shop has one meter", r.ID, r.Meter)
			}
		}
	}
	if rows < 100 || bounds < 0.7*rows {
		t.Errorf("%g of %g rows are over-range at 200 megohm; want most", bounds, rows)
	}
}
