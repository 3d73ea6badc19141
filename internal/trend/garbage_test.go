package trend

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"creepage/internal/insulation"
)

// A monitor's values that come a thousandfold too low for weeks are a unit that slipped, not a drop, where they
// cannot be what they seem: below the code limit of a vehicle that goes on without a code, or a
// thousandth of the very value at which the monitor tops out. A drop as deep that stays above the
// code limit is believed when it comes again.
func TestARunOfSlippedUnitsIsNoDrop(t *testing.T) {
	p := harborVan() // code limit 200 kohm
	for _, c := range []struct {
		name         string
		before, then float64 // ohm
		scatter      float64
		days         int
		believed     bool
	}{
		{"below the code limit for ten days", 3e6, 3e3, 0.05, 10, false},
		{"below the code limit for six weeks", 3e6, 3e3, 0.05, 45, false},
		{"above the code limit", 9e8, 9e5, 0.05, 10, true},
		{"not to the figure", 3e6, 2e4, 0.05, 10, true},
		{"a thousandth of the ceiling", 5e6, 5e3, 0, 60, false},
		{"a thousandth of the ceiling, above the code limit", 9e8, 9e5, 0, 60, false},
		{"the same for four months", 9e8, 9e5, 0, 120, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, v := model(t), NewVehicle("x")
			rng := rand.New(rand.NewPCG(5, 5))
			day := 0
			read := func(ohms float64, days int) {
				for range days {
					add(t, m, v, p, monitor(day, ohms*math.Pow(10, c.scatter*rng.NormFloat64())))
					day++
				}
			}
			read(c.before, 60)
			usual := m.Outlook(v, p, at(day))
			read(c.then, c.days)
			o := m.Outlook(v, p, at(day))
			if believed := o.P90 > 0.3; believed != c.believed {
				t.Errorf("chance within 90 days %.3f before and %.3f after: believed %v, want %v\n%s", usual.P90, o.P90, believed, c.believed, o.Reason())
			}
			if !c.believed {
				if len(o.Doubts) == 0 || !o.Doubts[len(o.Doubts)-1].SetAside {
					t.Errorf("nothing is said of what was set aside: %+v", o.Doubts)
				}
				if !strings.Contains(o.Reason(), "read the vehicle's code memory") {
					t.Errorf("the reason does not say what to do: %s", o.Reason())
				}
				if o.P90 > usual.P90*1.5+0.01 {
					t.Errorf("chance within 90 days %.3f before and %.3f after", usual.P90, o.P90)
				}
			}
		})
	}
}

// Values a thousandfold too high for weeks neither raise the level, nor make the ceiling of all
// that comes after them, nor a drop of their end.
func TestARunOfUnitsTooHighLeavesNothing(t *testing.T) {
	for name, scatter := range map[string]float64{"a ceiling": 0, "values": 0.05} {
		t.Run(name, func(t *testing.T) {
			p, rng := harborVan(), rand.New(rand.NewPCG(6, 6))
			var said [2]Outlook
			for i, factor := range []float64{1, 1000} {
				m, v := model(t), NewVehicle("x")
				for d := range 200 {
					ohms := 2e7 * math.Pow(10, scatter*rng.NormFloat64())
					if d >= 80 && d < 130 {
						ohms *= factor
					}
					if d == 80 && scatter > 0 {
						ohms /= 15 // a damp day, of all days
					}
					add(t, m, v, p, monitor(d, ohms))
					if d == 120 && factor > 1 {
						if o := m.Outlook(v, p, at(d)); !strings.Contains(o.Reason(), "the monitor sends a thousand times what is usual") {
							t.Errorf("the reason does not say so: %s", o.Reason())
						}
					}
				}
				said[i] = m.Outlook(v, p, at(200))
			}
			if a, b := said[0], said[1]; math.Abs(a.P90-b.P90) > 0.01 || b.State != a.State {
				t.Errorf("chance within 90 days %.3f, %.3f where the unit slipped: %s", a.P90, b.P90, b.Reason())
			}
		})
	}
}

// A fall of three decades within weeks is no slip, though it ends a thousandfold below
// where values stood: it came down step by step.
func TestAFastFallIsNoSlip(t *testing.T) {
	m, p, v := model(t), harborVan(), NewVehicle("x")
	rng := rand.New(rand.NewPCG(8, 8))
	for d := range 100 {
		fallen := min(0.13*float64(max(d-60, 0)), 3)
		add(t, m, v, p, monitor(d, 5e7*math.Pow(10, 0.05*rng.NormFloat64()-fallen)))
	}
	if o := m.Outlook(v, p, at(100)); o.P0 < 0.8 {
		t.Errorf("the chance of standing below the code limit is %.2f: %s", o.P0, o.Reason())
	}
}

// What is no slip: a monitor stuck at the bottom of its range, a fall that other looks bear out,
// a fault that was mended, and values after so long a time that what was usual says little.
func TestWhatIsNoRunOfSlips(t *testing.T) {
	p := harborVan()
	below := func(e Entry) Entry { e.Reading.Relation = insulation.Below; return e }
	voltmeter := func(d int, ohms float64) Entry {
		e := monitor(d, ohms)
		e.Reading.Method = insulation.Voltmeter
		return e
	}
	for name, c := range map[string]struct {
		before float64
		then   func(d int) []Entry
		from   int
		low    bool
	}{
		"below the range of a monitor that tops out three decades higher": {1e7, func(d int) []Entry { return []Entry{below(monitor(d, 1e4))} }, 60, true},
		"borne out by another method": {3e6, func(d int) []Entry {
			if d == 60 || d == 61 {
				return []Entry{voltmeter(d, 3e3)}
			}
			return []Entry{monitor(d, 3e3)}
		}, 60, true},
		"mended":         {2e5, func(d int) []Entry { return []Entry{monitor(d, 2e8)} }, 60, false},
		"half a year on": {3e6, func(d int) []Entry { return []Entry{monitor(d, 3e3)} }, 240, true},
	} {
		t.Run(name, func(t *testing.T) {
			m, v := model(t), NewVehicle("x")
			for d := range 60 {
				add(t, m, v, p, monitor(d, c.before*math.Pow(10, 0.02*math.Sin(float64(d)))))
			}
			for d := c.from; d < c.from+20; d++ {
				add(t, m, v, p, c.then(d)...)
			}
			o := m.Outlook(v, p, at(c.from+20))
			if low := o.P90 > 0.3; low != c.low {
				t.Errorf("the chance of the code within 90 days is %.2f: %s", o.P90, o.Reason())
			}
		})
	}
}

// A bound that comes lower than those before, as where a range was changed, says
// nothing of a fall.
func TestALowerBoundThatFallsIsNoDip(t *testing.T) {
	m, p, v := model(t), harborVan(), NewVehicle("x")
	for d := range 100 {
		e := monitor(d, 5e6)
		e.Reading.Relation = seenAbove
		if d >= 80 {
			e.Reading.Ohms = 5e4
		}
		add(t, m, v, p, e)
	}
	o := m.Outlook(v, p, at(100))
	whole := m.forecastAt(v, p, at(100), allHorizons())
	defer whole.done()
	if sunk := whole.groups[whole.whole].g.dips.sunk(); sunk > 1e-9 || o.P90 > 0.03 || len(o.Doubts) > 0 {
		t.Errorf("sunk by %v, chance within 90 days %.3f, doubts %v", sunk, o.P90, o.Doubts)
	}
}
