package trend

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"creepage/internal/insulation"
)

// steadyVan is a van at 10^9.4 ohm seen four times by testers, all but its charger.
func steadyVan(t *testing.T, m *Model, p *insulation.Platform, rng *rand.Rand) *Vehicle {
	t.Helper()
	v := NewVehicle("van-1")
	for d := 0; d < 180; d += 45 {
		add(t, m, v, p, without(insulation.Charger, visit(d, p, rng, func(insulation.Component, insulation.Conductor) float64 { return 9.4 }))...)
	}
	return v
}

func without(c insulation.Component, es []Entry) (out []Entry) {
	for _, e := range es {
		if e.Reading.Component != c {
			out = append(out, e)
		}
	}
	return out
}

// A visit whose values are for the most part a thousandth of what is known was written in another unit: all of it is set
// aside, what was never measured before too, and what reads as ever is kept. A winding whose phases
// all fell, in a visit whose others read as ever, has really fallen.
func TestAVisitSlipsAsAWhole(t *testing.T) {
	p := harborVan()
	for _, c := range []struct {
		name    string
		slipped func(insulation.Component) bool
		aside   []insulation.Component // what is set aside
		kept    []insulation.Component // what is folded
	}{
		{"all", func(insulation.Component) bool { return true },
			[]insulation.Component{insulation.Battery, insulation.Cable, insulation.Motor, insulation.Compressor, insulation.Charger}, nil},
		{"all but one", func(c insulation.Component) bool { return c != insulation.Compressor },
			[]insulation.Component{insulation.Battery, insulation.Cable, insulation.Motor, insulation.Charger}, []insulation.Component{insulation.Compressor}},
		{"four of ten rows", func(c insulation.Component) bool { return c == insulation.Compressor || c == insulation.Cable },
			[]insulation.Component{insulation.Compressor, insulation.Cable}, []insulation.Component{insulation.Battery, insulation.Motor, insulation.Charger}},
		{"one winding", func(c insulation.Component) bool { return c == insulation.Motor },
			nil, []insulation.Component{insulation.Battery, insulation.Cable, insulation.Motor, insulation.Compressor, insulation.Charger}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, rng := model(t), rand.New(rand.NewPCG(9, 4))
			v := steadyVan(t, m, p, rng)
			before := m.Outlook(v, p, at(180))
			add(t, m, v, p, visit(180, p, rng, func(x insulation.Component, _ insulation.Conductor) float64 {
				if c.slipped(x) {
					return 6.4
				}
				return 9.4
			})...)
			o := m.Outlook(v, p, at(181))
			aside := map[insulation.Component]bool{}
			for _, d := range o.Doubts {
				if d.SetAside {
					aside[d.Group.Component] = true
					if d.Cause != SlipOfVisit && d.Cause != SlipOfUnit {
						t.Errorf("%s: %d, %s", d.Group, d.Cause, d.Reason)
					}
				}
			}
			for _, x := range c.aside {
				if !aside[x] {
					t.Errorf("the %s is not set aside", x)
				}
			}
			for _, part := range o.Parts {
				for _, x := range c.kept {
					if part.Group.Component == x && (aside[x] || dayOf(part.LastMeasured) != dayOf(at(180))) {
						t.Errorf("the %s was last looked at on %s", part.Group, part.LastMeasured)
					}
				}
			}
			if len(c.aside) > 0 && o.P90 > before.P90+0.005 {
				t.Errorf("chance within 90 days %.4f before and %.4f after", before.P90, o.P90)
			}
			if len(c.aside) == 0 && o.P90 < 0.05 {
				t.Errorf("of a motor that fell to a thousandth the chance is %.4f", o.P90)
			}
		})
	}
}

// Of tracks of which little is known none tells a thousandth by itself; where nearly all of a visit lie about there, it looks like one, and the
// vehicle is not settled until another look tells. At a first visit, or after an exchange, nothing is known: there all are what they seem. So they are
// where the vehicle's own monitor reads as low.
func TestAVisitSlipsThoughNoTrackTells(t *testing.T) {
	p := harborVan()
	level := func(to float64) func(insulation.Component, insulation.Conductor) float64 {
		return func(insulation.Component, insulation.Conductor) float64 { return to }
	}
	scattered := func() func(insulation.Component, insulation.Conductor) float64 {
		off, i := []float64{-2.2, -3.8, -2.1, -3.9}, 0
		return func(insulation.Component, insulation.Conductor) float64 { i++; return 9.2 + off[i%len(off)] }
	}
	later := func(es []Entry) []Entry {
		for _, e := range es {
			e.Reading.ID, e.Reading.Shop = "later-"+e.Reading.ID, "south-quay"
			e.Reading.MeasuredAt = e.Reading.MeasuredAt.Add(3 * time.Hour)
		}
		return es
	}
	rng := rand.New(rand.NewPCG(9, 4))
	first, low := visit(0, p, rng, level(9.2)), visit(180, p, rng, scattered())
	exchanged := Entry{Event: &insulation.Event{Vehicle: "van-1", Component: insulation.System, Kind: insulation.Replaced, OccurredAt: at(179)}}
	var sound, falls []Entry
	for d := range 180 {
		sound = append(sound, monitor(d, 3e6))
		falls = append(falls, monitor(d, map[bool]float64{true: 3e6, false: 2.2e5}[d < 177]))
	}
	for _, c := range []struct {
		name   string
		before []Entry
		then   []Entry
		aside  int // how many of the visit's rows are; -1: not counted, for of twelve doubts those go first
		state  State
	}{
		{"looked at before", first, nil, len(low), Unknown},
		{"a first visit", nil, nil, 0, Unknown},
		{"after an exchange", slices.Concat(first, []Entry{exchanged}), nil, 0, Due},
		{"a monitor reads as ever", slices.Concat(first, sound), nil, len(low), Unknown},
		{"a monitor has fallen, too", slices.Concat(first, falls), nil, 0, Due},
		{"the same three hours later", first, later(visit(180, p, rng, scattered())), -1, Due},
		{"one part as low again", first, []Entry{tester(185, insulation.Compressor, insulation.HVPlus, 2e6)}, len(low), Due},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, v := model(t), NewVehicle("van-1")
			add(t, m, v, p, c.before...)
			add(t, m, v, p, low...)
			add(t, m, v, p, c.then...)
			o := m.Outlook(v, p, at(186))
			aside := 0
			for _, d := range o.Doubts {
				if d.SetAside {
					aside++
				}
			}
			if c.aside >= 0 && aside != c.aside || o.State != c.state {
				t.Errorf("%d rows of %d are set aside, want %d; %s, want %s: %s", aside, len(low), c.aside, o.State, c.state, o.Reason())
			}
			if c.state == Unknown && dayOf(o.MeasureAgainBy) != dayOf(at(186)) {
				t.Errorf("to be measured by %s", o.MeasureAgainBy)
			}
			if len(c.then) == 1 {
				for _, part := range o.Parts {
					if part.Group == (GroupKey{insulation.Compressor, Plus}) && part.LevelNow.P50 > 1e7 {
						t.Errorf("what has come again is not believed: %+v", part)
					}
				}
			}
		})
	}
}

// Parts that fall by less than a thousandth beside parts that fall by it have fallen: nothing says that the visit is in another unit.
func TestFallsOfManyKindsAreNoSlip(t *testing.T) {
	m, p, rng := model(t), harborVan(), rand.New(rand.NewPCG(9, 4))
	v := steadyVan(t, m, p, rng)
	add(t, m, v, p, visit(180, p, rng, func(c insulation.Component, _ insulation.Conductor) float64 {
		if c == insulation.Cable || c == insulation.Compressor {
			return 6.4
		}
		return 7.7
	})...)
	o := m.Outlook(v, p, at(181))
	for _, d := range o.Doubts {
		if d.SetAside && d.Ohms > 1e7 {
			t.Errorf("%s: %s: %s", d.Group, Ohms(d.Ohms), d.Reason)
		}
	}
	if o.State == Steady {
		t.Errorf("said is %s: %s", o.State, o.Reason())
	}
}

// A slip is believed where the next look shows it again, not where one that read as ever lies between.
func TestASlipComesAgainWithoutOthersBetween(t *testing.T) {
	for _, between := range []bool{false, true} {
		m, p, rng := model(t), harborVan(), rand.New(rand.NewPCG(9, 4))
		v := steadyVan(t, m, p, rng)
		add(t, m, v, p, tester(180, insulation.Cable, insulation.HVPlus, 2.5e6))
		if between {
			add(t, m, v, p, tester(200, insulation.Cable, insulation.HVPlus, 2.4e9))
		}
		add(t, m, v, p, tester(220, insulation.Cable, insulation.HVPlus, 2.5e6))
		o := m.Outlook(v, p, at(221))
		if believed := o.State != Unknown; believed == between {
			t.Errorf("a sound look between: %v; said is %s: %s", between, o.State, o.Reason())
		}
	}
}

// A value far below what any drop is expected to reach is not believed alone: it leaves the vehicle unsettled, to be measured
// at once, until another look confirms it or does not.
func TestADeepLookIsSettledByASecond(t *testing.T) {
	p := harborVan()
	for _, c := range []struct {
		name   string
		second float64
		state  State
	}{{"the same", 700, Under}, {"as ever", 2.4e9, Steady}, {"as deep, another value", 4e4, Under}} {
		t.Run(c.name, func(t *testing.T) {
			m, rng := model(t), rand.New(rand.NewPCG(9, 4))
			v := steadyVan(t, m, p, rng)
			read := func(d int, ohms float64) Outlook {
				add(t, m, v, p, tester(d, insulation.Compressor, insulation.HVPlus, ohms))
				return m.Outlook(v, p, at(d))
			}
			o := read(200, 550)
			if o.State != Unknown || o.MeasureNext.Component != insulation.Compressor || dayOf(o.MeasureAgainBy) != dayOf(at(200)) || !strings.Contains(o.Reason(), "Not settled") || strings.Contains(o.Reason(), "chance") {
				t.Errorf("after the first: %s, measure the %s by %s: %s", o.State, o.MeasureNext.Component, o.MeasureAgainBy, o.Reason())
			}
			if o.Unsettled.Ohms != 550 || o.Unsettled.Cause != OffTrack {
				t.Errorf("after the first not settled is %+v", o.Unsettled)
			}
			if f := m.Figures(v, p, at(200)); f.State != o.State {
				t.Errorf("%s as figures", f.State)
			}
			if late := m.Outlook(v, p, at(400)); late.State != Unknown || !strings.Contains(late.Reason(), "550 Ω") {
				t.Errorf("200 days later: %s: %s", late.State, late.Reason())
			}
			o = read(201, c.second)
			if o.State != c.state {
				t.Errorf("after the second: %s, want %s: %s", o.State, c.state, o.Reason())
			}
			if o.Unsettled.Cause != 0 {
				t.Errorf("after the second not settled is %+v", o.Unsettled)
			}
			if c.state == Under && len(o.Doubts) != 0 {
				t.Errorf("what was confirmed is doubted still: %+v", o.Doubts)
			}
		})
	}
}

// At the bottom of a meter's range, twice, on a vehicle of which nothing else is known.
func TestTheBottomOfARangeTwiceIsBelieved(t *testing.T) {
	m, p, v := model(t), harborVan(), NewVehicle("van-2")
	for d := range 2 {
		e := tester(d, insulation.Compressor, insulation.HVPlus, 1e4)
		e.Reading.Relation = insulation.Below
		add(t, m, v, p, e)
		o := m.Outlook(v, p, at(d))
		if want := [...]State{Unknown, Under}[d]; o.State != want {
			t.Errorf("look %d: %s, want %s: %s", d+1, o.State, want, o.Reason())
		}
		if d == 0 && (len(o.Doubts) != 1 || math.Abs(o.Doubts[0].Ohms-1e4) > 1e-9) {
			t.Errorf("doubted: %+v", o.Doubts)
		}
	}
}

// A part of a visit that stands at a thousandth alone, or with one other, is set aside and asked for again; a whole visit is not.
func TestASlipThatStandsAloneIsNotSettled(t *testing.T) {
	p := harborVan()
	for _, c := range []struct {
		slipped []insulation.Component
		state   State
	}{
		{[]insulation.Component{insulation.Compressor}, Unknown},
		{[]insulation.Component{insulation.Compressor, insulation.Cable}, Unknown},
		{[]insulation.Component{insulation.Battery, insulation.Cable, insulation.Motor, insulation.Compressor}, Steady},
	} {
		m, rng := model(t), rand.New(rand.NewPCG(9, 4))
		v := steadyVan(t, m, p, rng)
		for _, e := range visit(180, p, rng, func(insulation.Component, insulation.Conductor) float64 { return 9.4 }) {
			r := e.Reading
			if slices.Contains(c.slipped, r.Component) && (len(c.slipped) > 2 || r.Conductor == insulation.HVPlus) {
				r.Ohms /= 1000
			}
			add(t, m, v, p, e)
		}
		o := m.Outlook(v, p, at(181))
		if o.State != c.state {
			t.Errorf("%v: %s, want %s: %s", c.slipped, o.State, c.state, o.Reason())
		}
		if c.state == Unknown && !strings.Contains(o.MeasureNext.Why, "2025-07-05") {
			t.Errorf("%v: why: %s", c.slipped, o.MeasureNext.Why)
		}
	}
}

// Another reading of the day settles a doubt, and so does what is done to the part; an exchange leaves nothing by which the new
// part's first look would be a second one.
func TestWhatSettlesADoubt(t *testing.T) {
	p := harborVan()
	begin := func(t *testing.T) (*Model, *Vehicle) {
		m := model(t)
		v := steadyVan(t, m, p, rand.New(rand.NewPCG(9, 4)))
		add(t, m, v, p, tester(200, insulation.Compressor, insulation.HVPlus, 550))
		return m, v
	}
	t.Run("a sound reading of the same day", func(t *testing.T) {
		m, v := begin(t)
		again := tester(200, insulation.Compressor, insulation.HVPlus, 2.4e9)
		again.Reading.ID, again.Reading.Visit, again.Reading.MeasuredAt = "again", "second", at(200).Add(2*time.Hour)
		add(t, m, v, p, again)
		o := m.Outlook(v, p, at(201))
		if o.State != Steady || !strings.Contains(o.Reason(), "Another reading of that day bears the track out.") {
			t.Errorf("%s: %s", o.State, o.Reason())
		}
	})
	t.Run("as deep a reading of the same day", func(t *testing.T) {
		for after, want := range map[time.Duration]State{10 * time.Minute: Due, 2 * time.Hour: Under} {
			m, v := begin(t)
			again := tester(200, insulation.Compressor, insulation.HVPlus, 600)
			again.Reading.ID, again.Reading.Visit, again.Reading.MeasuredAt = "again", "second", at(200).Add(after)
			add(t, m, v, p, again)
			if o := m.Outlook(v, p, at(201)); o.State != want {
				t.Errorf("after %s: %s, want %s: %s", after, o.State, want, o.Reason())
			}
		}
	})
	t.Run("an exchange", func(t *testing.T) {
		m, v := begin(t)
		add(t, m, v, p, Entry{Event: &insulation.Event{Vehicle: "van-1", Component: insulation.Compressor, Kind: insulation.Replaced, OccurredAt: at(201)}})
		if o := m.Outlook(v, p, at(202)); strings.Contains(o.Reason(), "Not settled") {
			t.Errorf("after the exchange: %s", o.Reason())
		}
		add(t, m, v, p, tester(203, insulation.Compressor, insulation.HVPlus, 300))
		if o := m.Outlook(v, p, at(203)); o.State != Unknown {
			t.Errorf("the new part's first look: %s: %s", o.State, o.Reason())
		}
	})
	t.Run("nothing but rows that are no readings", func(t *testing.T) {
		m, v := begin(t)
		for d := 201; d < 230; d++ {
			add(t, m, v, p, monitor(d, 0))
		}
		if o := m.Outlook(v, p, at(230)); o.State != Unknown {
			t.Errorf("after four weeks of zeros: %s: %s", o.State, o.Reason())
		}
		add(t, m, v, p, tester(500, insulation.Compressor, insulation.HVPlus, 700))
		if o := m.Outlook(v, p, at(500)); o.State != Under {
			t.Errorf("after the second look, 300 days later: %s: %s", o.State, o.Reason())
		}
	})
}
