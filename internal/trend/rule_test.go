package trend

import (
	"encoding/json"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"creepage/internal/insulation"
)

// dueBy is an outlook that holds a code within the days of either nearer bound to be so likely, and
// within 90 days little likelier.
func dueBy(day int, p float64) *Outlook {
	far := max(p, 0.2)
	return &Outlook{EvaluatedAt: at(day), Curve: []CurvePoint{{21, p}, {30, p}, {90, far}}, P90: far, Limiting: insulation.Motor, LimitingShare: 0.9}
}

// restarted is the rule's memory as it is after a restart.
func restarted(t *testing.T, rs RuleState) (out RuleState) {
	t.Helper()
	text, err := json.Marshal(rs)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// A warning waits until the probability within the days it is judged by has stood for three days, through a restart too, unless it is three times as high:
// then until an evaluation that is an hour later.
func TestAWarningWaitsThreeDays(t *testing.T) {
	m, policy := model(t), DefaultPolicy()
	for _, c := range []struct {
		name string
		p    []float64 // a day each
		want int       // day on which it is raised; -1: not
	}{
		{"one high day", []float64{.02, .05, .02, .02}, -1},
		{"high, low, high again", []float64{.05, .05, .05, .02, .05, .05, .05, .02}, -1},
		{"stands", []float64{.02, .06, .05, .04, .04, .04}, 4},
		{"three times as high", []float64{.02, .12, .12}, 2},
		{"rises to three times meanwhile", []float64{.05, .15, .15}, 2},
		{"three times as high on one day", []float64{.02, .15, .05, .02}, -1},
	} {
		t.Run(c.name, func(t *testing.T) {
			var rs RuleState
			raised := -1
			for d, p := range c.p {
				var changes []Change
				rs, changes = m.Fold(rs, dueBy(d, p), policy)
				if len(changes) > 0 {
					raised = d
					break
				}
				rs = restarted(t, rs)
			}
			if raised != c.want {
				t.Errorf("raised on day %d, want %d", raised, c.want)
			}
		})
	}
}

// The rows of a visit that come in one by one are each judged with those before them. What only half a visit says raises nothing;
// what the whole visit says does as soon as an evaluation comes that is an hour later.
func TestOfHalfAVisitNothingIsRaised(t *testing.T) {
	m, policy := model(t), DefaultPolicy()
	for _, c := range []struct {
		name   string
		after  map[int]float64 // minutes: chance within the nearer days, and of being below the limit now
		raised int             // after so many minutes; -1: not
	}{
		{"the rest of the visit takes it back", map[int]float64{0: .9, 1: .9, 2: .001, 600: .001}, -1},
		{"it takes it back and comes with it again", map[int]float64{0: .9, 30: .001, 59: .9, 90: .9, 118: .9}, -1},
		{"the whole visit says so", map[int]float64{0: .9, 2: .9, 59: .9, 60: .9}, 60},
		{"and nothing more comes that day", map[int]float64{0: .9, 900: .9}, 900},
	} {
		t.Run(c.name, func(t *testing.T) {
			var rs RuleState
			raised := -1
			for _, minutes := range slices.Sorted(maps.Keys(c.after)) {
				o := dueBy(0, c.after[minutes])
				o.P0, o.EvaluatedAt = c.after[minutes], at(0).Add(time.Duration(minutes)*time.Minute)
				var changes []Change
				rs, changes = m.Fold(restarted(t, rs), o, policy)
				if again, waits := rs.Again(o.EvaluatedAt), c.after[minutes] > .5 && len(rs.Open) == 0; waits != again.After(o.EvaluatedAt) || again.After(o.EvaluatedAt.Add(visitLasts)) {
					t.Errorf("after %d minutes, to be evaluated again at %s: %+v", minutes, again, rs)
				}
				if len(changes) > 0 && raised < 0 {
					raised = minutes
					if len(changes) != 2 || changes[0].Kind != CodeDue || changes[1].Kind != UnderCodeLimit {
						t.Errorf("raised %+v", changes)
					}
				}
			}
			if raised != c.raised {
				t.Errorf("raised after %d minutes, want %d", raised, c.raised)
			}
		})
	}
}

// A vehicle that is followed by its monitor is judged by nearer days than one that only testers look at, in what
// raises a warning, in its state and in what ends it.
func TestAFollowedVehicleIsJudgedByNearerDays(t *testing.T) {
	m, policy := model(t), DefaultPolicy()
	v := seenOnce(t)
	for followed, within := range map[bool]string{true: "21", false: "30"} {
		for _, c := range []struct {
			at21, at30 float64
			want       bool
		}{{.01, .06, !followed}, {.06, .06, true}, {.01, .03, false}} {
			o := Outlook{EvaluatedAt: at(1), Curve: []CurvePoint{{21, c.at21}, {30, c.at30}, {90, .2}}, Followed: followed}
			f := m.forecastAt(v, harborVan(), at(1), allHorizons())
			if got := f.state(&o) == Due; got != c.want {
				t.Errorf("followed %v, %g and %g: due %v", followed, c.at21, c.at30, got)
			}
			f.done()
			var rs RuleState
			for d := range 5 {
				o.EvaluatedAt = at(d)
				rs, _ = m.Fold(rs, &o, policy)
			}
			if got := len(rs.Open) == 1; got != c.want {
				t.Errorf("followed %v, %g and %g: warned %v", followed, c.at21, c.at30, got)
			}
		}
		rs := RuleState{Open: []OpenWarning{{Kind: CodeDue, RaisedAt: at(0), BelowSince: at(0)}}}
		o := dueBy(14, .001)
		o.Followed = followed
		if _, changes := m.Fold(rs, o, policy); len(changes) != 1 || !strings.HasPrefix(changes[0].Reason, "the chance within "+within+" days has been below ") {
			t.Errorf("followed %v: %+v", followed, changes)
		}
	}
}

// A vehicle is followed while its whole was read within 30 days; a part's reading is no look at the whole.
func TestAVehicleIsFollowedWhileItsMonitorIsRead(t *testing.T) {
	m, v, p := model(t), NewVehicle("x"), harborVan()
	add(t, m, v, p, tester(0, insulation.Motor, insulation.PhaseU, 3e9))
	if m.Outlook(v, p, at(1)).Followed {
		t.Error("followed without a monitor")
	}
	add(t, m, v, p, monitor(10, 3e6))
	add(t, m, v, p, tester(60, insulation.Motor, insulation.PhaseU, 3e9))
	for _, d := range []int{60, 90} {
		if o := m.Outlook(v, p, at(d)); o.Followed || !o.Watched {
			t.Errorf("day %d: followed %v, its monitor is known: %v", d, o.Followed, o.Watched)
		}
	}
	add(t, m, v, p, monitor(61, 3e6))
	for d, want := range map[int]bool{61: true, 91: true, 92: false} {
		if o := m.Outlook(v, p, at(d)); o.Followed != want {
			t.Errorf("day %d: followed %v", d, o.Followed)
		}
	}
}

// What limits is the component of the likeliest group; its share is that of all its groups. Worked by hand: of .2 and
// .19 of a battery's poles and a motor's .1 the battery has .39 of .49; of .2, .19 and .3 the motor .3 of .69.
func TestWhatLimitsHasTheLikeliestGroup(t *testing.T) {
	m, v, p := model(t), NewVehicle("x"), harborVan()
	add(t, m, v, p, visit(0, p, rand.New(rand.NewPCG(1, 1)), func(insulation.Component, insulation.Conductor) float64 { return 9 })...)
	f := m.forecastAt(v, p, at(1), allHorizons())
	defer f.done()
	f.raw[horizon90] = .5
	for _, c := range []struct {
		motor, share float64
		want         GroupKey
	}{{.1, .39 / .49, GroupKey{insulation.Battery, Plus}}, {.3, .3 / .69, GroupKey{insulation.Motor, Phases}}} {
		for i := range f.groups {
			x := &f.groups[i]
			x.p[horizon90] = map[GroupKey]float64{{insulation.Battery, Plus}: .2, {insulation.Battery, Minus}: .19, {insulation.Motor, Phases}: c.motor}[x.g.key]
		}
		var o Outlook
		i := f.nameLimiting(&o)
		if i < 0 || f.groups[i].g.key != c.want || o.Limiting != c.want.Component || math.Abs(o.LimitingShare-c.share) > 1e-12 {
			t.Errorf("motor %g: group %d, %s with %.4f", c.motor, i, o.Limiting, o.LimitingShare)
		}
	}
	f.raw[horizon90] = .005
	var o Outlook
	if i := f.nameLimiting(&o); i != -1 || o.Limiting != 0 || o.LimitingShare != 0 {
		t.Errorf("a chance of .005: group %d, %s", i, o.Limiting)
	}
}

// A code that is sure within the lead time is warned of however unlikely it is within the nearer days, whatever the fleet's own
// false calls, after the same wait; a warning ends once it has not been sure for 14 days.
func TestASureCodeIsWarnedOfAllTheWay(t *testing.T) {
	shifted := Default()
	shifted.BoundShift = 1
	for _, m := range []*Model{model(t), mustModel(t, shifted)} {
		for _, c := range []struct {
			lead  float64
			calls FalseCalls
		}{{90, UsualFalseCalls}, {90, FewFalseCalls}, {14, ManyFalseCalls}, {365, FewFalseCalls}} {
			policy := PolicyOf(c.lead, c.calls)
			for chance, sure := range map[float64]bool{.799: false, .801: true} {
				seen := func(day int) *Outlook {
					return &Outlook{EvaluatedAt: at(day), Curve: []CurvePoint{{c.lead * .9, 0}, {c.lead, chance}}, Followed: day%2 == 0}
				}
				raised := -1
				var rs RuleState
				for d := 0; d < 6 && raised < 0; d++ {
					var changes []Change
					if rs, changes = m.Fold(restarted(t, rs), seen(d), policy); len(changes) > 0 {
						raised = d
						if math.Abs(changes[0].Probability-chance) > 1e-12 {
							t.Errorf("said %g, want %g", changes[0].Probability, chance)
						}
					}
				}
				if want := map[bool]int{true: 3, false: -1}[sure]; raised != want {
					t.Errorf("%g days, %d: a chance of %g raised on day %d, want %d", c.lead, c.calls, chance, raised, want)
				}
				rs = RuleState{Open: []OpenWarning{{Kind: CodeDue, RaisedAt: at(0), BelowSince: at(0)}}}
				if _, changes := m.Fold(rs, seen(14), policy); len(changes) == 0 != sure {
					t.Errorf("%g days, %d: at %g %d changes", c.lead, c.calls, chance, len(changes))
				}
			}
		}
		for chance, want := range map[float64]State{.79: Unknown, .81: Due} {
			f := m.forecastAt(seenOnce(t), harborVan(), at(1), allHorizons())
			if got := f.state(&Outlook{Curve: []CurvePoint{{60, .01}, {90, chance}}}); got != want {
				t.Errorf("a chance of %g within 90 days: %s", chance, got)
			}
			f.done()
		}
	}
}

// A vehicle is calm where nothing is near to raising a warning, and none stands or waits that time would end.
func TestAVehicleIsCalmWhereTimeAloneChangesNothing(t *testing.T) {
	m, policy := model(t), DefaultPolicy()
	calm := func() (*RuleState, *Outlook) {
		return &RuleState{}, &Outlook{EvaluatedAt: at(0), Curve: []CurvePoint{{21, .0034}, {30, .0034}, {90, .079}}, P0: .079, Parts: []Part{{Dropped: .19}}}
	}
	for name, c := range map[string]struct {
		change func(*RuleState, *Outlook)
		want   bool
	}{
		"far from all":              {func(*RuleState, *Outlook) {}, true},
		"near to the nearer bound":  {func(_ *RuleState, o *Outlook) { o.Curve[1].Probability = .0036 }, false},
		"far from that of followed": {func(_ *RuleState, o *Outlook) { o.Curve[1].Probability, o.Followed = .0036, true }, true},
		"near to being sure":        {func(_ *RuleState, o *Outlook) { o.Curve[2].Probability = .081 }, false},
		"near to the code limit":    {func(_ *RuleState, o *Outlook) { o.P0 = .081 }, false},
		"may have dropped":          {func(_ *RuleState, o *Outlook) { o.Parts[0].Dropped = .2 }, false},
		"a warning of the code":     {func(rs *RuleState, _ *Outlook) { rs.Open = []OpenWarning{{Kind: CodeDue}} }, false},
		"below the service limit":   {func(rs *RuleState, _ *Outlook) { rs.Open = []OpenWarning{{Kind: UnderServiceLimit}} }, true},
		"about to end":              {func(rs *RuleState, _ *Outlook) { rs.Open = []OpenWarning{{Kind: UnderServiceLimit, BelowSince: at(0)}} }, false},
	} {
		rs, o := calm()
		c.change(rs, o)
		if got := m.calm(rs, o, policy); got != c.want {
			t.Errorf("%s: calm is %v", name, got)
		}
	}
}

// The rule asks for the horizons on either side of its days, and for all up to those it looks closer at.
func TestTheRuleAsksForTheHorizonsAboutItsDays(t *testing.T) {
	for _, c := range []struct {
		near, lead, upTo float64
		want             []float64
	}{
		{30, 90, 0, []float64{0, 30, 90}},
		{30, 90, 30, []float64{0, 1, 3, 7, 14, 21, 30, 90}},
		{30, 90, 90, horizons[:horizon90+1]},
		{horizons[4], horizons[numHorizons-1] + 1, 0, []float64{0, horizons[4], horizons[numHorizons-1]}},
		{horizons[4], horizons[numHorizons-1] + 1, horizons[numHorizons-1] + 1, horizons[:]},
		{(horizons[3] + horizons[4]) / 2, horizons[5], 0, []float64{0, horizons[3], horizons[4], horizons[5]}},
		{horizons[1] / 2, (horizons[6] + horizons[7]) / 2, 0, []float64{0, horizons[1], horizons[6], horizons[7]}},
	} {
		rows, n := decidingRows(c.near, c.lead, c.upTo)
		var got []float64
		for _, h := range rows[:n] {
			got = append(got, horizons[h])
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%g and %g days: %v, want %v", c.near, c.lead, got, c.want)
		}
	}
}

// Between the bound that raises a warning and that which ends it a vehicle stays due, not below it.
func TestWhatDeclinesIsDueWhileAWarningOfItsCodeStands(t *testing.T) {
	for _, c := range []struct {
		state, want State
		open        []OpenWarning
	}{
		{Falling, Due, []OpenWarning{{Kind: CodeDue}}},
		{Falling, Due, []OpenWarning{{Kind: UnderServiceLimit}, {Kind: UnderCodeLimit}}},
		{Falling, Falling, []OpenWarning{{Kind: UnderServiceLimit}, {Kind: SuddenDrop}}},
		{Falling, Falling, nil},
		{Falling, Falling, []OpenWarning{{Kind: CodeDue, BelowSince: at(3)}}},
		{Steady, Due, []OpenWarning{{Kind: CodeDue}}},
		{Steady, Steady, []OpenWarning{{Kind: CodeDue, BelowSince: at(3)}}},
		{Under, Under, []OpenWarning{{Kind: CodeDue}}},
		{Unknown, Due, []OpenWarning{{Kind: CodeDue}}},
		{Unknown, Unknown, []OpenWarning{{Kind: CodeDue, BelowSince: at(3)}}},
	} {
		o := Outlook{State: c.state}
		if o.Warned(&RuleState{Open: c.open}); o.State != c.want {
			t.Errorf("%s with %v: %s, want %s", c.state, c.open, o.State, c.want)
		}
	}
	steady := Account{What: "Steady: the whole vehicle stands at 2 MΩ", Chance: "the chance is small", Also: "One reading is doubted."}
	next := Next{Component: insulation.Motor, Conductor: Phases}
	for measure, want := range map[string]string{"": "Measure the motor winding next.", "Measure the charger now.": "Measure the charger now."} {
		o := Outlook{State: Steady, Account: steady, MeasureNext: next}
		o.Account.Measure = measure
		o.Warned(&RuleState{Open: []OpenWarning{{Kind: CodeDue}}})
		if got := o.Reason(); got != "Steady, and warned of: the whole vehicle stands at 2 MΩ; the chance is small. One reading is doubted. "+want {
			t.Errorf("said is %q", got)
		}
	}
}

// More is asked of a vehicle that is followed by its monitor.
func TestAMonitoredVehiclesChanceMustBeHigher(t *testing.T) {
	m, policy := model(t), DefaultPolicy()
	for _, c := range []struct {
		chance            float64
		followed, testers bool
	}{{.03, false, false}, {.04, false, true}, {.05, true, true}} {
		for followed, want := range map[bool]bool{true: c.followed, false: c.testers} {
			var rs RuleState
			for d := range 5 {
				o := dueBy(d, c.chance)
				o.Followed = followed
				rs, _ = m.Fold(rs, o, policy)
			}
			if got := len(rs.Open) == 1; got != want {
				t.Errorf("a chance of %g, monitor %v: warned %v, want %v", c.chance, followed, got, want)
			}
		}
	}
}

// A warning of the code names what limits: once another component has limited for 14 days on end it
// ends under its name and goes on under the other's, unless the chance would no longer raise it.
func TestAWarningGoesOnUnderTheNameOfWhatLimits(t *testing.T) {
	m, policy := model(t), DefaultPolicy()
	motor, inverter, none := insulation.Motor, insulation.Inverter, insulation.Component(0)
	other := func(d int) insulation.Component { return [...]insulation.Component{motor, inverter}[min(d/5, 1)] }
	for _, c := range []struct {
		name    string
		limits  func(day int) insulation.Component
		share   float64 // of the chance
		chance  float64
		renamed int // day; -1: not
	}{
		{"another from day 5 on", other, .9, .3, 19},
		{"another, by a little", other, .55, .3, -1},
		{"none can be named on day 12", func(d int) insulation.Component {
			if d == 12 {
				return none
			}
			return other(d)
		}, .9, .3, 27},
		{"they take turns", func(d int) insulation.Component { return [...]insulation.Component{motor, inverter}[d/10%2] }, .9, .3, -1},
		{"the chance would not raise it", other, .9, .02, -1},
	} {
		t.Run(c.name, func(t *testing.T) {
			rs, changes := m.Fold(RuleState{AtOnceSince: at(-1)}, dueBy(0, .3), policy)
			if len(changes) != 1 || changes[0].Component != motor {
				t.Fatalf("raised %+v", changes)
			}
			renamed := -1
			for d := 1; d < 60; d++ {
				rs = restarted(t, rs)
				o := dueBy(d, c.chance)
				o.Limiting, o.LimitingShare, o.Account.What = c.limits(d), c.share, "The inverter falls"
				rs, changes = m.Fold(rs, o, policy)
				if len(changes) == 0 {
					continue
				}
				if renamed >= 0 || len(changes) != 2 {
					t.Fatalf("day %d: %+v", d, changes)
				}
				renamed = d
				if e := changes[0]; e.Raised || e.Component != motor || e.Reason != "for 14 days it has been the inverter that limits most: warned of by that name" {
					t.Errorf("ended %+v", e)
				}
				if r := changes[1]; !r.Raised || r.Component != inverter || r.Kind != CodeDue || r.Reason != "The inverter falls." {
					t.Errorf("raised %+v", r)
				}
			}
			if renamed != c.renamed || len(rs.Open) != 1 {
				t.Errorf("renamed on day %d, want %d; open %+v", renamed, c.renamed, rs.Open)
			}
		})
	}
	// After a history two may stand. Those of the kind that are misnamed go together, and one goes on.
	for _, c := range []struct {
		second  OpenWarning
		changes int
	}{{OpenWarning{Kind: CodeDue, Component: inverter, RaisedAt: at(3)}, 1}, {OpenWarning{Kind: CodeDue, Component: insulation.Battery, RaisedAt: at(3), Other: inverter, OtherSince: at(15)}, 3}} {
		rs := RuleState{Open: []OpenWarning{{Kind: CodeDue, Component: motor, RaisedAt: at(0), Other: inverter, OtherSince: at(1)}, c.second}}
		o := dueBy(20, .3)
		o.Limiting = inverter
		next, changes := m.Fold(rs, o, policy)
		if len(changes) != c.changes || changes[0].Raised || len(next.Open) != 1 || next.Open[0].Component != inverter {
			t.Errorf("beside %v: %+v, open %+v", c.second.Component, changes, next.Open)
		}
		if rs.Open[0].Component != motor || rs.Open[0].OtherSince != at(1) {
			t.Errorf("the state before was changed: %+v", rs.Open)
		}
	}
	// Below the code limit now: the same, each kind by itself.
	rs := RuleState{Open: []OpenWarning{{Kind: UnderCodeLimit, Component: none, RaisedAt: at(0), Other: inverter, OtherSince: at(1)}}}
	o := dueBy(20, .01)
	o.Limiting, o.P0 = inverter, 0.9
	if next, changes := m.Fold(rs, o, policy); len(changes) != 2 || len(next.Open) != 1 || next.Open[0].Component != inverter || next.Open[0].Kind != UnderCodeLimit {
		t.Errorf("below the limit: %+v, open %+v", changes, next.Open)
	}
}

// An ended warning is raised again only after another wait.
func TestAWarningThatEndedWaitsAgain(t *testing.T) {
	m, policy := model(t), DefaultPolicy()
	rs := RuleState{Open: []OpenWarning{{Kind: CodeDue, Component: insulation.Motor, RaisedAt: at(0)}}}
	var said []string
	for d, p := range []float64{.1, .01, .01, .01, .01, .01, .01, .01, .01, .01, .01, .01, .01, .01, .01, .01, .1, .1, .1, .1} {
		var changes []Change
		rs, changes = m.Fold(rs, dueBy(d, p), policy)
		for _, c := range changes {
			word := "ended "
			if c.Raised {
				word = "raised "
			}
			said = append(said, word+c.At.Format(time.DateOnly))
		}
	}
	want := []string{"ended " + at(15).Format(time.DateOnly), "raised " + at(19).Format(time.DateOnly)}
	if len(said) != 2 || said[0] != want[0] || said[1] != want[1] {
		t.Errorf("said %v, want %v", said, want)
	}
}

// A value that reads like its limit once it is rounded is not said to be below itself; of a
// bound it is said that the value lies lower, not that it was read.
func TestAReadingJustBelowItsServiceLimitIsSaidToBe(t *testing.T) {
	for _, x := range []struct {
		ohms  float64
		bound bool
		want  string
	}{
		{9.97e6, false, "The charger read just below its service limit of 10 MΩ: a single reading, to be confirmed."},
		{9.4e6, false, "The charger read 9.4 MΩ, below its service limit of 10 MΩ: a single reading, to be confirmed."},
		{9.97e6, true, "The charger read below its service limit of 10 MΩ: a single reading, to be confirmed."},
		{9.4e6, true, "The charger read less than 9.4 MΩ, below its service limit of 10 MΩ: a single reading, to be confirmed."},
	} {
		part := &Part{Group: GroupKey{insulation.Charger, Together}, LastUnderOhms: x.ohms, UnderBound: x.bound, ServiceLimit: 1e7, UnderService: 1}
		c := condition{kind: UnderServiceLimit, part: part}
		if got := c.words(&Outlook{}); got != x.want {
			t.Errorf("%g ohm, a bound: %t: %q, want %q", x.ohms, x.bound, got, x.want)
		}
	}
}

// A policy judges by a third of its lead time, or by 21 of 90 days where the vehicle is followed by its
// monitor, never by fewer than ten days; the odds it asks for grow with the power 1.5 of that, and are 2.4
// times as high with a monitor; one that names none of the three is the usual one.
func TestAPolicyAsksForMoreTheFurtherItLooks(t *testing.T) {
	if p := DefaultPolicy(); p != PolicyOf(90, UsualFalseCalls) || p.HoldDays != 3 || p.EndDays != 14 {
		t.Errorf("the default is %+v", p)
	}
	for _, c := range []struct {
		lead              float64
		calls             FalseCalls
		testers, followed Bounds // worked by hand: odds 35/965, 70/930 and 22/978, times (days/30)^1.5, and 2.4 times that
	}{
		{90, UsualFalseCalls, Bounds{Days: 30, Raise: 0.035}, Bounds{Days: 21, Raise: 0.048507}},
		{180, UsualFalseCalls, Bounds{Days: 60, Raise: 0.093041}, Bounds{Days: 42, Raise: 0.126022}},
		{30, UsualFalseCalls, Bounds{Days: 10, Raise: 0.0069317}, Bounds{Days: 10, Raise: 0.016476}},
		{365, FewFalseCalls, Bounds{Days: 121.66667, Raise: 0.380705}, Bounds{Days: 85.16667, Raise: 0.463539}},
		{14, ManyFalseCalls, Bounds{Days: 10, Raise: 0.0043105}, Bounds{Days: 10, Raise: 0.0102830}},
		{90, 0, Bounds{Days: 30, Raise: 0.035}, Bounds{Days: 21, Raise: 0.048507}},
		{90, ManyFalseCalls + 1, Bounds{Days: 30, Raise: 0.035}, Bounds{Days: 21, Raise: 0.048507}},
	} {
		p := PolicyOf(c.lead, c.calls)
		for _, b := range []struct{ got, want Bounds }{{p.Testers, c.testers}, {p.Followed, c.followed}} {
			if math.Abs(b.got.Raise/b.want.Raise-1) > 1e-4 || math.Abs(b.got.End/b.want.Raise-0.3) > 1e-4 || math.Abs(b.got.Days-b.want.Days) > 1e-4 {
				t.Errorf("%g days, %d: %+v, want %+v and three tenths of it", c.lead, c.calls, b.got, b.want)
			}
		}
		if p.LeadDays != c.lead {
			t.Errorf("%g days became %g", c.lead, p.LeadDays)
		}
	}
}
