package backtest

import (
	"context"
	"testing"
	"time"

	"creepage/internal/simulate"
	"creepage/internal/trend"
)

// BenchmarkReplay replays 60 vehicles with three years of rough records: a daily
// evaluation of the rule, a weekly outlook each, and what the fleet teaches.
// Ten times that is a fleet of 600 with 300,000 rows.
func BenchmarkReplay(b *testing.B) {
	f, err := simulate.New(simulate.Config{Physics: simulate.Rough(), Vehicles: 60, Years: 3, Seed: 7})
	if err != nil {
		b.Fatal(err)
	}
	m := model(b)
	records := FromFleet(f.Platforms, f.Readings, f.Events, f.Codes)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Run(context.Background(), records, Config{Model: m, Policy: trend.DefaultPolicy(), Every: 7 * 24 * time.Hour, Learn: LearnEvery}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(records.Rows), "rows")
}
