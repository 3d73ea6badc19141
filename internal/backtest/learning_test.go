package backtest

import (
	"context"
	"math"
	"testing"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/simulate"
	"creepage/internal/trend"
)

func learnable(t *testing.T, p simulate.Physics, vehicles int, years float64, seed uint64) *simulate.Fleet {
	t.Helper()
	f, err := simulate.New(simulate.Config{Physics: p, Vehicles: vehicles, Years: years, Seed: seed})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// observed shows a learner a fleet's rows alone and returns what it learns.
func observed(f *simulate.Fleet) (trend.Params, trend.Report) {
	l := trend.NewLearner(trend.Default())
	records := FromFleet(f.Platforms, f.Readings, f.Events, f.Codes)
	for _, h := range records.vehicles {
		entries := make([]trend.Entry, len(h.entries))
		for i, a := range h.entries {
			entries[i] = a.Entry
		}
		l.Observe(h.id, h.platform, entries)
	}
	return l.Learn(records.last.Add(24 * time.Hour))
}

// Meters with errors of their own, most of which top out below what good
// insulation is: those that are named are named rightly, within three of their
// stated standard deviations, and what is large is found.
func TestMetersNamedAsReadingOffReallyDo(t *testing.T) {
	var named, wrong, large, found float64
	for _, p := range []simulate.Physics{simulate.Mild(), simulate.Coastal()} {
		p.MonitorShare = 0
		for seed := uint64(41); seed < 43; seed++ {
			f := learnable(t, p, 250, 2, seed)
			params, report := observed(f)
			for _, x := range report.Meters {
				named++
				if math.Abs(x.Offset-f.MeterErrors[x.Meter]) > 3*x.SD {
					wrong++
					t.Logf("%s %d: %s named %.3f ± %.3f, truly %.3f", p.Name, seed, x.Meter, x.Offset, x.SD, f.MeterErrors[x.Meter])
				}
			}
			for m, e := range f.MeterErrors {
				if math.Abs(e) > 0.12 {
					large++
					if o := params.MeterOffsets[m]; o*e > 0 {
						found++
					}
				}
			}
		}
	}
	t.Logf("%g named, %g of them wrongly; %g truly off by more than 0.12, %g of them found", named, wrong, large, found)
	if named < 3 || wrong > max(1, 0.1*named) {
		t.Errorf("%g meters named, %g of them wrongly", named, wrong)
	}
	if found < 0.5*large {
		t.Errorf("%g meters are off by more than 0.12 decades; %g found", large, found)
	}
}

// A fleet of thirty with two years of records: what it learns stays near the
// defaults, names nobody, leaves the calibration alone, and says nothing worse.
func TestAFleetOfThirtyBehavesSensibly(t *testing.T) {
	f := learnable(t, simulate.Mild(), 30, 2, 44)
	p, report := observed(f)
	d := trend.Default()
	if p.Calibration != d.Calibration || len(report.Components) > 0 {
		t.Errorf("calibration %+v from %d codes; components %v", p.Calibration, report.Codes, report.Components)
	}
	for name, ratio := range map[string]float64{"onset": p.Onset / d.Onset, "whole onset": p.WholeOnset / d.WholeOnset, "reading": p.ReadingSD / d.ReadingSD,
		"visit": p.VisitSD / d.VisitSD, "monitor": p.MonitorSD / d.MonitorSD} {
		if ratio < 0.5 || ratio > 2 {
			t.Errorf("%s is %.2f times the default", name, ratio)
		}
	}
	learning, _ := runLearning(t, f)
	warned := func(r *Result) (n int) {
		sound := map[string]bool{}
		for _, x := range f.Truth {
			sound[x.Vehicle] = x.CodeAt.IsZero()
		}
		for _, w := range r.Warnings {
			if w.Kind == trend.CodeDue.String() && sound[w.Vehicle] {
				n++
			}
		}
		return n
	}
	if with, without := warned(learning), warned(run(t, f)); with > without+1 || without > 4 {
		t.Errorf("%d false warnings while learning, %d on the defaults, in 60 vehicle-years", with, without)
	}
	for _, o := range learning.Outlooks {
		if !(o.P30 >= 0 && o.P30 <= o.P90 && o.P90 <= 1) || o.DaysP10 > o.DaysP50 || o.DaysP50 > o.DaysP90 {
			t.Fatalf("outlook out of order: %+v", o)
		}
	}
}

// lesson replays a fleet on the defaults, with an outlook every 90 days and no
// rule, and returns what there is to learn from all of it.
func lesson(t *testing.T, f *simulate.Fleet) (trend.Params, trend.Report) {
	t.Helper()
	records := FromFleet(f.Platforms, f.Readings, f.Events, f.Codes)
	learner, m := trend.NewLearner(trend.Default()), model(t)
	players := make([]*player, len(records.vehicles))
	for i, h := range records.vehicles {
		r := &Replay{Model: m, Policy: trend.DefaultPolicy(), Origin: startOfDay(records.first), Every: 90 * 24 * time.Hour, Last: h.lastRow, Until: records.first}
		players[i] = r.begin(h.id, func(time.Time) *insulation.Platform { return h.platform }, h.arrivals())
	}
	if err := each(context.Background(), players, (*player).finish); err != nil {
		t.Fatal(err)
	}
	for _, p := range players {
		new(progressOf).show(learner, p, records.last)
	}
	return learner.Learn(records.last.Add(24 * time.Hour))
}

// End to end: a platform whose compressors fail three times as often as its
// peers', seen by testers alone, is found among the thirty-odd components of six
// platforms. At most one more is named: platforms also differ in how well their
// faults can be seen.
func TestAPlatformsBadBatchIsFoundInItsRecords(t *testing.T) {
	p := simulate.Mild()
	p.BadBatch, p.MonitorShare = 3, 0
	f := learnable(t, p, 1800, 2.5, 46)
	platform, all, sick := map[string]string{}, map[string]float64{}, map[string]float64{}
	for _, r := range f.Readings {
		platform[r.Vehicle] = r.Platform
	}
	for _, x := range f.Truth {
		all[platform[x.Vehicle]]++
		if x.Component == insulation.Compressor {
			sick[platform[x.Vehicle]]++
		}
	}
	worst := ""
	for k := range sick {
		if worst == "" || sick[k]/all[k] > sick[worst]/all[worst] {
			worst = k
		}
	}
	_, report := lesson(t, f)
	found := false
	for _, c := range report.Components {
		found = found || c.Platform == worst && c.Component == insulation.Compressor
	}
	if !found || len(report.Components) > 2 {
		t.Errorf("found %+v; want the compressor of %s (faults %v of %v)", report.Components, worst, sick, all)
	}
}
