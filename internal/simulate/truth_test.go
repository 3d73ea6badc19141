package simulate

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"creepage/internal/insulation"
)

// lives makes vehicles as New does and keeps what New lets go: their true insulation.
func lives(p Physics, n, days int, seed uint64) (*Physics, []*vehicle) {
	known := days + beyondDays
	world := rand.New(rand.NewPCG(seed, 1<<40))
	models := newModels(world, &p)
	shops := newShops(world, &p, DefaultStart, known, 8)
	out := make([]*vehicle, n)
	for i := range out {
		out[i] = newLife(rand.New(rand.NewPCG(seed, uint64(i))), &p, models, shops, "v", DefaultStart, days, known)
	}
	return &p, out
}

// wholeOhms adds the leaks of a vehicle up from Kirchhoff's law alone: on each
// pole its own parts and every winding; poles in parallel, or the weaker one.
func wholeOhms(v *vehicle, day int, air, work, humidity, wet float64) float64 {
	plus, minus, either := 0.0, 0.0, 0.0
	for i, g := range v.model.groups {
		siemens := math.Pow(10, -v.levelAt(i, day, air+work*g.rise, humidity, wet))
		switch g.conductors[0] {
		case insulation.HVPlus:
			plus += siemens
		case insulation.HVMinus:
			minus += siemens
		default:
			either += siemens
		}
	}
	if v.model.platform.CodeQuantityOrDefault() == insulation.WeakerPole {
		return 1 / (max(plus, minus) + either + 1/(2*v.model.bridge))
	}
	return 1 / (plus + minus + either + 1/v.model.bridge)
}

func TestTheCodeIsDatedToTheFirstDayOnWhichTheWholeIsBelowItsLimit(t *testing.T) {
	const days = 540
	set := 0
	for _, physics := range All() {
		physics.RoutineExchanges = 0 // exchanges that come later would change the past that is recomputed here
		_, all := lives(physics, 60, days, 21)
		for i, v := range all {
			w, limit := v.depot.weather, v.model.platform.CodeLimit()
			first := -1
			for d := 0; d < days+beyondDays && first < 0; d++ {
				if wholeOhms(v, d, w.peak[d], 1, min(w.humidity[d]+10, 100), w.wet[d]) < limit {
					first = d
				}
			}
			want := time.Time{}
			if first >= 0 {
				set++
				want = DefaultStart.AddDate(0, 0, first)
			}
			if !v.truth.CodeAt.Equal(want) {
				t.Errorf("%s, vehicle %d (%s): code dated %s; the whole first falls below %g ohm on %s", physics.Name, i, v.truth.Story, v.truth.CodeAt, limit, want)
			}
			if in := first >= 0 && first < days; in != (len(v.codes) == 1) || in && v.codes[0].Code != "P0AA6" {
				t.Errorf("%s, vehicle %d: code on day %d of %d, codes in the records %v", physics.Name, i, first, days, v.codes)
			}
		}
	}
	if set < 20 {
		t.Errorf("%d codes: too few to show anything", set)
	}
}

func TestRecordsEndTheDayBeforeTheCodeOrGoOnAfterTheRepair(t *testing.T) {
	const days = 540
	for _, physics := range []Physics{Mild(), Coastal()} {
		_, all := lives(physics, 150, days, 22)
		seen := 0
		for i, v := range all {
			if len(v.codes) == 0 {
				continue
			}
			seen++
			code := v.codes[0].SetAt
			after := 0
			for _, r := range v.readings {
				if !r.reading.MeasuredAt.Before(code) {
					after++
				}
			}
			repaired := false
			for _, e := range v.events {
				days := e.OccurredAt.Sub(code).Hours() / 24
				repaired = repaired || e.Component == v.truth.Component && e.Kind == insulation.Replaced && days >= 1 && days <= 12
			}
			switch {
			case physics.After == Ends && (after > 0 || repaired):
				t.Errorf("%s, vehicle %d: %d rows after its code, repaired %v; want none", physics.Name, i, after, repaired)
			case physics.After == Repaired && !repaired:
				t.Errorf("%s, vehicle %d: code of %s on %s, events %v; want it replaced within ten days", physics.Name, i, v.truth.Component, code, v.events)
			}
		}
		if seen < 5 {
			t.Errorf("%s: %d codes: too few to show anything", physics.Name, seen)
		}
	}
}

// IEEE 43-2013's rounded table of K_T to 40 C for thermosetting windings
// (constants from memory): 10 C 0.7, 20 C 0.8, 30 C 0.9, 50 C 1.5, 60 C 2.3,
// 70 C 3.3, 80 C 4.6. ANSI/NETA MTS table 100.14.1: solid insulation to 20 C.
// Arrhenius: R ~ exp(Ea/kT), k = 8.617333e-5 eV/K (CODATA).
func TestTheLawsOfTemperatureAreThePublishedOnes(t *testing.T) {
	for c, want := range map[float64]float64{10: 0.7, 20: 0.8, 30: 0.9, 40: 1, 50: 1.5, 60: 2.3, 70: 3.3, 80: 4.6} {
		// R40 = K R_T, so decades below 40 C's value are log10 K.
		if got := math.Pow(10, thermoset(c)-thermoset(40)); math.Abs(got-want) > 0.05 {
			t.Errorf("K_T at %g C is %.3f; the table's rounded value is %g", c, got, want)
		}
	}
	for c, want := range map[float64]float64{-10: 0.25, 0: 0.40, 20: 1, 30: 1.58, 40: 2.5, 60: 6.3, 70: 10} {
		if got := math.Pow(10, solidTable(c)); math.Abs(got/want-1) > 1e-9 {
			t.Errorf("solid insulation's factor at %g C is %.4f; the table's is %g", c, got, want)
		}
	}
	const ev = 0.46
	ratio := math.Exp(ev / 8.617333e-5 * (1/293.15 - 1/313.15)) // R(20)/R(40)
	if got := math.Pow(10, arrhenius(ev)(40)); math.Abs(got/ratio-1) > 1e-3 {
		t.Errorf("from 20 to 40 C resistance falls by %.4f; Arrhenius gives %.4f", got, ratio)
	}
	for name, law := range map[string]Law{"thermoset": thermoset, "table": solidTable, "arrhenius": arrhenius(ev)} {
		if at20 := law(20); math.Abs(at20) > 1e-12 {
			t.Errorf("%s: %g decades at 20 C; want 0", name, at20)
		}
		for c := -20.0; c < 90; c++ {
			if law(c+1) <= law(c) {
				t.Errorf("%s: not worse at %g than at %g C", name, c+1, c)
			}
		}
	}
}

// A part's level at another temperature and dampness differs by its law and its
// damp alone, and a fault takes from it what its shape says.
func TestALevelIsTheHealthyOneLessTemperatureDampAndLeak(t *testing.T) {
	_, all := lives(Coastal(), 40, 400, 23)
	faults := 0
	for _, v := range all {
		for i := range v.groups {
			q := &v.groups[i]
			const day = 10
			if q.fault != nil && q.fault.onset <= day {
				continue
			}
			dry := v.levelAt(i, day, 20, 30, 0)
			if got := dry - v.levelAt(i, day, 45, 30, 0); math.Abs(got-q.law(45)) > 1e-9 {
				t.Fatalf("25 degrees take %.4f decades; the law takes %.4f", got, q.law(45))
			}
			damp := dampness(95, 0.7) - dampness(30, 0)
			if got := dry - v.levelAt(i, day, 20, 95, 0.7); math.Abs(got-q.damp*damp) > 1e-9 {
				t.Fatalf("damp takes %.4f decades; want %.4f", got, q.damp*damp)
			}
			if q.fault == nil {
				continue
			}
			faults++
			// A leak begins 0.4 decades above the healthy level, in parallel with it.
			d := len(q.fault.fall) - 1
			if q.newDay <= d {
				continue
			}
			healthy := q.level + q.wander*math.Sin(2*math.Pi*float64(d)/700+q.phase)
			leak := healthy + 0.4 - q.fault.fall[d]
			want := -math.Log10(math.Pow(10, -healthy) + math.Pow(10, -leak))
			wet := (q.damp + q.fault.damp[d]) * dampness(30, 0)
			if got := v.levelAt(i, d, 20, 30, 0); math.Abs(got-want) > wet+1e-9 {
				t.Errorf("a %s fault stands at %.3f; its leak beside the healthy part gives %.3f", q.fault.story, got, want)
			}
		}
	}
	if faults < 5 {
		t.Errorf("%d faults: too few to show anything", faults)
	}
}

// What testers write is the true level of that day, with their errors: in the
// middle of all mild readings right, and four in five within a factor of two.
func TestReadingsShowTheTrueLevel(t *testing.T) {
	_, all := lives(Mild(), 40, 540, 24)
	var off []float64
	for _, v := range all {
		for _, a := range v.readings {
			r := &a.reading
			if r.Method != insulation.Tester || r.Relation != insulation.Equal || r.Component == insulation.System || r.HoldSeconds < 60 ||
				math.IsNaN(r.AirCelsius) || math.IsNaN(r.HumidityPct) || r.Ohms > 0.5*r.RangeOhms {
				continue
			}
			i := slices.IndexFunc(v.model.groups, func(g group) bool {
				return g.component == r.Component && slices.Contains(g.conductors, r.Conductor)
			})
			if i < 0 {
				continue // poles tied together
			}
			day := int(r.MeasuredAt.Sub(DefaultStart) / (24 * time.Hour))
			off = append(off, math.Log10(r.Ohms)-v.levelAt(i, day, r.AirCelsius, r.HumidityPct, 0.8*v.depot.weather.wet[day]))
		}
	}
	slices.Sort(off)
	n := len(off)
	// The part is often a little warmer than the air, and what reads high is over-range and not here.
	if middle := off[n/2]; n < 300 || math.Abs(middle) > 0.08 {
		t.Errorf("%d readings, in the middle %.3f decades off", n, middle)
	}
	if low, top := off[n/10], off[n-1-n/10]; low < -0.3 || top > 0.3 {
		t.Errorf("four in five lie from %.2f to %.2f decades off", low, top)
	}
}
