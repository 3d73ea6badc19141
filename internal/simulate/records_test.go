package simulate

import (
	"math"
	"slices"
	"testing"

	"creepage/internal/insulation"
)

// tally counts what a fleet's records hold.
type tally struct {
	testers, monitors     float64
	above, bareTops       float64 // tester rows at the top of their meter's range, marked and not
	slips                 float64 // a thousand times off the range
	zeros, ones           float64 // monitor rows that are no readings
	late                  float64
	noCelsius, noHumidity float64
	shortHolds            float64
}

func count(t *testing.T, f *Fleet, ceilings []float64) tally {
	t.Helper()
	var n tally
	limits := map[string]float64{}
	for i := range f.Readings {
		r := &f.Readings[i]
		if !r.ReceivedAt.IsZero() && r.ReceivedAt.After(r.MeasuredAt) {
			n.late++
		}
		if r.Method == insulation.Monitor {
			n.monitors++
			switch r.Ohms {
			case 0:
				n.zeros++
			case 65_535_000:
				n.ones++
			default:
				limits[r.Platform] = max(limits[r.Platform], r.Ohms)
			}
			continue
		}
		n.testers++
		if math.IsNaN(r.AirCelsius) {
			n.noCelsius++
		}
		if math.IsNaN(r.HumidityPct) {
			n.noHumidity++
		}
		if r.HoldSeconds < 60 {
			n.shortHolds++
		}
		top := shown(r.RangeOhms)
		switch {
		case r.Relation == insulation.Above && r.Ohms == top:
			n.above++
		case r.Ohms == top:
			n.bareTops++
		case r.Ohms == shown(top*1000) || r.Ohms == shown(top/1000):
			n.slips++
		case r.Relation == insulation.Above:
			t.Errorf("reading %s: over-range at %g ohm by a meter that tops out at %g", r.ID, r.Ohms, r.RangeOhms)
		case r.Ohms > top && r.Ohms > 1000*top:
			t.Errorf("reading %s: %g ohm by a meter that tops out at %g", r.ID, r.Ohms, r.RangeOhms)
		case r.Ohms > top:
			n.slips++
		}
		if !(r.Ohms > 0) {
			t.Errorf("reading %s: a tester shows %g ohm", r.ID, r.Ohms)
		}
	}
	for platform, most := range limits {
		if !slices.ContainsFunc(ceilings, func(c float64) bool { return most <= c }) {
			t.Errorf("%s: a monitor reports %g ohm, above every ceiling", platform, most)
		}
	}
	return n
}

func made(t *testing.T, p Physics) (*Fleet, tally) {
	t.Helper()
	f, err := New(Config{Physics: p, Vehicles: 120, Years: 1.5, Seed: 31})
	if err != nil {
		t.Fatal(err)
	}
	return f, count(t, f, p.Ceilings)
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance {
		t.Errorf("%s: %.4f; want %.4f", what, got, want)
	}
}

// What Mild, Rough and Coastal say of themselves shows in their records.
func TestThePhysicsDifferAsTheySay(t *testing.T) {
	mild, m := made(t, Mild())
	rough, r := made(t, Rough())
	coastal, c := made(t, Coastal())

	// Mild: clean files, over-range always marked.
	if m.bareTops > 0.002*m.above || m.slips+m.zeros+m.ones+m.late > 0 || m.above == 0 { // a value may round to the top
		t.Errorf("mild: %+v; want over-range marked, no slips, no garbage, nothing late", m)
	}
	// Rough: all of them.
	if r.bareTops == 0 || r.slips == 0 || r.zeros == 0 || r.ones == 0 || r.late == 0 {
		t.Errorf("rough: %+v; want bare tops, slips, garbage of both kinds and late files", r)
	}
	near(t, "rough: garbage rows of the monitors", (r.zeros+r.ones)/r.monitors, Rough().MonitorGarbage, 0.003)
	if share := r.late / r.testers; share < 0.05 || share > 0.4 {
		t.Errorf("rough: %.2f of the rows are late; want about a fifth", share)
	}
	// Coastal: repairs and exchanges, nothing late.
	if c.late > 0 || len(coastal.Events) == 0 || len(mild.Events) > 0 || len(rough.Events) > 0 {
		t.Errorf("coastal: %v late rows; events: coastal %d, mild %d, rough %d; want events in coastal alone", c.late, len(coastal.Events), len(mild.Events), len(rough.Events))
	}
	for _, x := range []struct {
		p Physics
		n tally
	}{{Mild(), m}, {Rough(), r}, {Coastal(), c}} {
		near(t, x.p.Name+": temperature not written", x.n.noCelsius/x.n.testers, x.p.NoTemperature, 0.05)
		near(t, x.p.Name+": humidity not written", x.n.noHumidity/x.n.testers, x.p.NoHumidity, 0.05)
		near(t, x.p.Name+": short holds", x.n.shortHolds/x.n.testers, x.p.ShortHold, 0.04)
	}

	// Tails: three phases of one winding in one visit see one insulation.
	// Student's t with 8 degrees of freedom has its 90 % point 2.6 times as far out
	// as its 50 % point, with 3 degrees 3.1 times (tables of Student's t).
	if tm, tr := tails(mild), tails(rough); tr < tm+0.15 {
		t.Errorf("a winding's phases differ by %.2f times the median difference in one of ten pairs (mild), %.2f (rough); want rough's tails heavier", tm, tr)
	}
	// Stories.
	stories := func(f *Fleet) map[string]int {
		n := map[string]int{}
		for _, x := range f.Truth {
			n[x.Story]++
		}
		return n
	}
	sm, sr, sc := stories(mild), stories(rough), stories(coastal)
	if sm[string(Staircase)]+sm[string(Intermittent)] > 0 || sr[string(Staircase)] == 0 || sr[string(Intermittent)] == 0 || sc[string(Intermittent)] > 0 {
		t.Errorf("stories: mild %v, rough %v, coastal %v", sm, sr, sc)
	}
	for name, n := range map[string]map[string]int{"mild": sm, "rough": sr, "coastal": sc} {
		sick := 120 - n[string(Healthy)]
		if sick < 30 || sick > 75 {
			t.Errorf("%s: %d of 120 vehicles have a fault", name, sick)
		}
	}
}

// tails is the 90 % point of the differences between a winding's phases within
// a visit, log scale, over their median.
func tails(f *Fleet) float64 {
	type at struct{ vehicle, visit string }
	first := map[at]float64{}
	var d []float64
	for _, r := range f.Readings {
		if r.Component != insulation.Motor || r.Method != insulation.Tester || r.Relation != insulation.Equal || r.Ohms >= 0.99*r.RangeOhms {
			continue
		}
		k := at{r.Vehicle, r.Visit}
		y := math.Log10(r.Ohms)
		if x, ok := first[k]; ok {
			d = append(d, math.Abs(y-x))
			continue
		}
		first[k] = y
	}
	slices.Sort(d)
	return d[len(d)*9/10] / d[len(d)/2]
}

// One platform's compressors are a bad batch: they fail more often than the
// same part of the others. Mild has none.
func TestABadBatchMakesOnePlatformsCompressorsFail(t *testing.T) {
	worst := func(p Physics) float64 {
		p.FaultShare = 0.3
		f, err := New(Config{Physics: p, Vehicles: 1500, Years: 0.2, Seed: 32})
		if err != nil {
			t.Fatal(err)
		}
		platform := map[string]string{}
		for _, r := range f.Readings {
			platform[r.Vehicle] = r.Platform
		}
		all, sick := map[string]float64{}, map[string]float64{}
		for _, x := range f.Truth {
			all[platform[x.Vehicle]]++
			if x.Component == insulation.Compressor {
				sick[platform[x.Vehicle]]++
			}
		}
		var shares []float64
		for k, n := range sick {
			shares = append(shares, n/all[k])
		}
		slices.Sort(shares)
		return shares[len(shares)-1] / shares[len(shares)-2]
	}
	if got := worst(Mild()); got > 2 {
		t.Errorf("mild: the worst platform's compressors fail %.1f times as often as the next; want about as often", got)
	}
	if got := worst(Rough()); got < 2 {
		t.Errorf("rough: the worst platform's compressors fail %.1f times as often as the next; want several times", got)
	}
}
