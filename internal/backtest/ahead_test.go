package backtest

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"creepage/internal/record"
	"creepage/internal/simulate"
	"creepage/internal/trend"
)

// upTo is what of a fleet's records has arrived before a time.
func upTo(f *simulate.Fleet, cut time.Time) *simulate.Fleet {
	short := &simulate.Fleet{Platforms: f.Platforms}
	for _, r := range f.Readings {
		if arrivedAt(&r).Before(cut) {
			short.Readings = append(short.Readings, r)
		}
	}
	for _, e := range f.Events {
		if e.OccurredAt.Before(cut) {
			short.Events = append(short.Events, e)
		}
	}
	for _, c := range f.Codes {
		if c.SetAt.Before(cut) {
			short.Codes = append(short.Codes, c)
		}
	}
	return short
}

func runLearning(t *testing.T, f *simulate.Fleet) (*Result, time.Time) {
	t.Helper()
	records := FromFleet(f.Platforms, f.Readings, f.Events, f.Codes)
	r, err := Run(context.Background(), records, Config{Model: model(t), Policy: trend.DefaultPolicy(), Every: 7 * 24 * time.Hour, Learn: 84 * 24 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	return r, records.last
}

// A fleet that learns shares what it learns, so one vehicle's future could reach
// another's past. It must not.
func TestWhatIsSaidWhileLearningDependsOnNothingThatArrivedLater(t *testing.T) {
	for _, physics := range []simulate.Physics{simulate.Mild(), simulate.Rough()} { // records that end before a code; and late ones
		whole := fleet(t, physics, 24)
		said, _ := runLearning(t, whole)
		standing := map[string]record.Outlook{}
		for _, o := range said.Outlooks {
			standing[o.Vehicle+o.AsOf.String()] = o
		}
		for _, days := range []int{210, 390} {
			before, last := runLearning(t, upTo(whole, simulate.DefaultStart.AddDate(0, 0, days)))
			if len(before.Outlooks) == 0 {
				t.Fatalf("%s, day %d: nothing was said", physics.Name, days)
			}
			for _, o := range before.Outlooks {
				if d := cmp.Diff(standing[o.Vehicle+o.AsOf.String()], o, cmpopts.EquateNaNs()); d != "" {
					t.Fatalf("%s, day %d, %s as of %s: %s", physics.Name, days, o.Vehicle, o.AsOf, d)
				}
			}
			if d := cmp.Diff(raisedUpTo(said.Warnings, last), raisedUpTo(before.Warnings, last), cmpopts.EquateNaNs()); d != "" {
				t.Fatalf("%s, day %d: %s", physics.Name, days, d)
			}
		}
	}
}
