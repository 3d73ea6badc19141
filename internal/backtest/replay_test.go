package backtest

import (
	"bytes"
	"context"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"creepage/internal/insulation"
	"creepage/internal/record"
	"creepage/internal/simulate"
	"creepage/internal/trend"
)

func model(t testing.TB) *trend.Model {
	t.Helper()
	m, err := trend.NewModel(trend.Default())
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func fleet(t testing.TB, physics simulate.Physics, vehicles int) *simulate.Fleet {
	t.Helper()
	f, err := simulate.New(simulate.Config{Physics: physics, Vehicles: vehicles, Years: 1.5, Seed: 7})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func run(t testing.TB, f *simulate.Fleet) *Result {
	t.Helper()
	r, err := Run(context.Background(), FromFleet(f.Platforms, f.Readings, f.Events, f.Codes), Config{Model: model(t), Policy: trend.DefaultPolicy(), Every: 7 * 24 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func arrivedAt(r *insulation.Reading) time.Time {
	if r.ReceivedAt.IsZero() {
		return r.MeasuredAt
	}
	return r.ReceivedAt
}

func TestWhatIsSaidDependsOnNothingThatArrivedLater(t *testing.T) {
	whole := fleet(t, simulate.Rough(), 30)
	said := run(t, whole)
	for _, days := range []int{60, 200, 400} {
		short := upTo(whole, simulate.DefaultStart.AddDate(0, 0, days))
		before := run(t, short)
		if len(before.Outlooks) == 0 {
			t.Fatalf("day %d: nothing was said", days)
		}
		// Every outlook of the short records stands in the whole ones, to the bit.
		standing := map[string]record.Outlook{}
		for _, o := range said.Outlooks {
			standing[o.Vehicle+o.AsOf.String()] = o
		}
		for _, o := range before.Outlooks {
			if d := cmp.Diff(standing[o.Vehicle+o.AsOf.String()], o, cmpopts.EquateNaNs()); d != "" {
				t.Fatalf("day %d, %s as of %s: %s", days, o.Vehicle, o.AsOf, d)
			}
		}
		last := FromFleet(short.Platforms, short.Readings, short.Events, short.Codes).last
		if d := cmp.Diff(raisedUpTo(said.Warnings, last), raisedUpTo(before.Warnings, last), cmpopts.EquateNaNs()); d != "" {
			t.Fatalf("day %d: %s", days, d)
		}
	}
}

// raisedUpTo are the warnings raised by a time, with no end that came after it.
func raisedUpTo(all []record.Warning, at time.Time) []record.Warning {
	var out []record.Warning
	for _, w := range all {
		if w.RaisedAt.After(at) {
			continue
		}
		if w.EndedAt.After(at) {
			w.EndedAt = time.Time{}
		}
		out = append(out, w)
	}
	return out
}

func TestRowsThatArriveLateEndInTheSameMemory(t *testing.T) {
	f := fleet(t, simulate.Rough(), 20)
	late := 0
	records := FromFleet(f.Platforms, f.Readings, f.Events, f.Codes)
	for _, h := range records.vehicles {
		arrivals := h.arrivals()
		inTime := slices.Clone(arrivals)
		for i := range inTime {
			inTime[i].At = inTime[i].Time()
		}
		slices.SortStableFunc(inTime, func(a, b Arrival) int { return a.At.Compare(b.At) })
		for i := range arrivals {
			if arrivals[i].At.After(arrivals[i].Time()) {
				late++
			}
		}
		r := Replay{Model: model(t), Policy: trend.DefaultPolicy()}
		platform := func(time.Time) *insulation.Platform { return h.platform }
		a, err := r.Vehicle(h.id, platform, arrivals)
		if err != nil {
			t.Fatal(err)
		}
		b, err := r.Vehicle(h.id, platform, inTime)
		if err != nil {
			t.Fatal(err)
		}
		x, err := a.Memory.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		y, err := b.Memory.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(x, y) {
			t.Errorf("%s: the memory depends on the order of arrival", h.id)
		}
	}
	if late < 100 {
		t.Fatalf("%d late rows: too few to show anything", late)
	}
}

func TestOutlooksStandAtWholeWeeksFromTheFirstRowToTheVehiclesLast(t *testing.T) {
	f := fleet(t, simulate.Mild(), 12)
	origin := startOfDay(f.Readings[0].MeasuredAt)
	last := map[string]time.Time{}
	for _, r := range f.Readings {
		last[r.Vehicle] = r.MeasuredAt
	}
	weeks := map[string]int{}
	for _, o := range run(t, f).Outlooks {
		days := o.AsOf.Sub(origin).Hours() / 24
		if days <= 0 || days != float64(int(days)) || int(days)%7 != 0 || o.AsOf.After(last[o.Vehicle]) {
			t.Fatalf("%s: outlook at %s, day %g", o.Vehicle, o.AsOf, days)
		}
		weeks[o.Vehicle]++
	}
	for v, at := range last {
		if most := int(at.Sub(origin).Hours()/24) / 7; weeks[v] > most || weeks[v] < most-20 {
			t.Errorf("%s: %d outlooks of at most %d", v, weeks[v], most)
		}
	}
}

// What was learned on the way is all that a vehicle needs of the others: replayed
// by itself with the lessons, it is said of what is said when all are replayed
// side by side.
func TestAVehicleReplayedWithTheLessonsIsSaidTheSameOf(t *testing.T) {
	f := fleet(t, simulate.Rough(), 40)
	records := FromFleet(f.Platforms, f.Readings, f.Events, f.Codes)
	every := 7 * 24 * time.Hour
	want, err := Run(context.Background(), records, Config{Model: model(t), Policy: trend.DefaultPolicy(), Every: every, Learn: LearnEvery})
	if err != nil {
		t.Fatal(err)
	}
	var pupils []Pupil
	for _, h := range records.vehicles {
		pupils = append(pupils, Pupil{ID: h.id, Platform: func(time.Time) *insulation.Platform { return h.platform }, Arrivals: h.arrivals(), LastRow: h.lastRow})
	}
	r := Replay{Model: model(t), Policy: trend.DefaultPolicy(), Origin: startOfDay(records.first), Every: every, Until: records.last, Rows: true}
	lessons, err := Learn(context.Background(), r, LearnEvery, pupils)
	if err != nil {
		t.Fatal(err)
	}
	if len(lessons) < 3 {
		t.Fatalf("%d lessons: too few to show anything", len(lessons))
	}
	r.Lessons = lessons
	said := make([]Said, len(pupils))
	for i, p := range pupils {
		r.Last = p.LastRow
		if said[i], err = r.Vehicle(p.ID, p.Platform, p.Arrivals); err != nil {
			t.Fatal(err)
		}
	}
	got := collect(records, said)
	if d := cmp.Diff(want.Outlooks, got.Outlooks, cmpopts.EquateNaNs()); d != "" {
		t.Errorf("outlooks differ:\n%.2000s", d)
	}
	if d := cmp.Diff(want.Warnings, got.Warnings, cmpopts.EquateNaNs()); d != "" {
		t.Errorf("warnings differ:\n%.2000s", d)
	}
}

// What declines or is steady is said to be due while a warning of its code stands and its chance does not go to end it. An outlook
// of a day is of after the day's evaluation.
func TestAWarnedVehicleIsDueInTheReplayToo(t *testing.T) {
	f := fleet(t, simulate.Rough(), 60)
	records := FromFleet(f.Platforms, f.Readings, f.Events, f.Codes)
	policy := trend.DefaultPolicy()
	byWarning := 0
	for _, h := range records.vehicles {
		r := Replay{Model: model(t), Policy: policy, Origin: startOfDay(records.first), Every: 3 * 24 * time.Hour, Until: records.last, Last: records.last, Rows: true}
		said, err := r.Vehicle(h.id, func(time.Time) *insulation.Platform { return h.platform }, h.arrivals())
		if err != nil {
			t.Fatal(err)
		}
		warned, next := false, 0
		for _, o := range said.Outlooks {
			for ; next < len(said.Changes) && !said.Changes[next].At.After(o.EvaluatedAt); next++ {
				if c := said.Changes[next]; c.Kind == trend.CodeDue {
					warned = c.Raised
				}
			}
			b := policy.Testers
			if o.Followed {
				b = policy.Followed
			}
			near, lead := trend.Within(o.Curve, b.Days), trend.Within(o.Curve, policy.LeadDays)
			switch {
			case !warned || near < b.End:
			case o.State == trend.Falling || o.State == trend.Steady:
				t.Errorf("%s is %s on %s, warned of, at %.3f within %.0f days", h.id, o.State, o.EvaluatedAt, near, b.Days)
			case o.State == trend.Due && near < b.Raise && lead < 0.8:
				byWarning++
			}
		}
	}
	if byWarning < 10 {
		t.Errorf("%d outlooks of a vehicle that is due by its warning alone show little", byWarning)
	}
}

// A vehicle of which nothing arrives is left alone while it is calm, and nothing
// else is said of it than when the rule looks every day.
func TestLeavingCalmVehiclesAloneChangesNothing(t *testing.T) {
	days, calm, warnings := 0, 0, 0
	for _, physics := range []simulate.Physics{simulate.Mild(), simulate.Rough(), simulate.Coastal()} {
		f := fleet(t, physics, 60)
		records := FromFleet(f.Platforms, f.Readings, f.Events, f.Codes)
		for _, h := range records.vehicles {
			// Ended after ten days, no multiple of the calm ones: else a late look would come on the right day.
			policy := trend.DefaultPolicy()
			policy.EndDays = 10
			r := Replay{Model: model(t), Policy: policy, Origin: startOfDay(records.first), Until: records.last}
			platform := func(time.Time) *insulation.Platform { return h.platform }
			said, err := r.Vehicle(h.id, platform, h.arrivals())
			if err != nil {
				t.Fatal(err)
			}
			daily := r.begin(h.id, platform, h.arrivals())
			for day := r.Origin; !day.After(r.Until); day = day.AddDate(0, 0, 1) {
				if err := daily.advance(day); err != nil {
					t.Fatal(err)
				}
				days++
				if day.Before(daily.calm) {
					calm++
				}
				daily.calm = time.Time{}
			}
			if err := daily.finish(); err != nil {
				t.Fatal(err)
			}
			warnings += len(said.Changes)
			if d := cmp.Diff(daily.said.Changes, said.Changes, cmpopts.EquateNaNs()); d != "" {
				t.Errorf("%s:\n%s", h.id, d)
			}
			if d := cmp.Diff(daily.said.Rule, said.Rule); d != "" {
				t.Errorf("%s:\n%s", h.id, d)
			}
		}
	}
	if warnings < 100 || calm < days/2 {
		t.Errorf("%d changes and %d calm days of %d show little", warnings, calm, days)
	}
}
