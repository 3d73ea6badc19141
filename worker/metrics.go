package worker

import (
	"fmt"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

type metrics struct {
	readings      *prometheus.CounterVec
	codes         prometheus.Counter
	replays       prometheus.Counter
	quarantined   prometheus.Counter
	unsettled     prometheus.Counter
	failures      prometheus.Counter
	batchSize     prometheus.Histogram
	commit        prometheus.Histogram
	evaluations   prometheus.Counter
	histories     prometheus.Counter
	warnings      *prometheus.CounterVec
	deliveries    *prometheus.CounterVec
	reports       *prometheus.CounterVec
	reportSeconds prometheus.Histogram
	lessons       *prometheus.CounterVec
	lessonSeconds prometheus.Histogram
	lag           prometheus.Gauge
	lagSeconds    prometheus.Gauge
	held          prometheus.Gauge
}

func newMetrics(reg prometheus.Registerer) (*metrics, error) {
	counter := func(name, help string) prometheus.Counter {
		return prometheus.NewCounter(prometheus.CounterOpts{Name: "creepage_worker_" + name, Help: help})
	}
	gauge := func(name, help string) prometheus.Gauge {
		return prometheus.NewGauge(prometheus.GaugeOpts{Name: "creepage_worker_" + name, Help: help})
	}
	m := &metrics{
		readings: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "creepage_worker_readings_total",
			Help: "Readings by what became of them (committed, duplicate, conflict)."}, []string{"outcome"}),
		codes:       counter("codes_total", "Codes committed."),
		replays:     counter("replays_total", "Vehicles replayed from a checkpoint, for a late reading, a void, a repair or a merge."),
		quarantined: counter("quarantined_total", "Messages and entries put into the quarantine."),
		unsettled:   counter("unsettled_total", "Messages whose acknowledgement could not be sent; they come again."),
		failures:    counter("failures_total", "Transactions that failed and are tried again."),
		batchSize: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "creepage_worker_batch_entries",
			Help: "Entries in one transaction.", Buckets: prometheus.ExponentialBuckets(1, 2, 14)}),
		commit: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "creepage_worker_commit_seconds",
			Help: "Time of one transaction.", Buckets: prometheus.ExponentialBuckets(0.001, 2, 14)}),
		evaluations: counter("evaluations_total", "Vehicles evaluated."),
		histories:   counter("histories_total", "Vehicles whose old records were replayed."),
		warnings: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "creepage_worker_warnings_total",
			Help: "Warnings by what became of them (raised, ended)."}, []string{"change"}),
		deliveries: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "creepage_worker_webhook_attempts_total",
			Help: "Attempts to deliver a webhook by what came of them (delivered, tried, given_up)."}, []string{"outcome"}),
		reports: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "creepage_worker_report_attempts_total",
			Help: "Attempts to make a report ahead by what came of them (made, tried, given_up, stopped)."}, []string{"outcome"}),
		reportSeconds: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "creepage_worker_report_seconds",
			Help: "Time that a report made ahead took.", Buckets: prometheus.ExponentialBuckets(0.1, 4, 8)}),
		lessons: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "creepage_worker_lessons_total",
			Help: "Nightly lessons from an organisation's records by what they moved (tracks, forecasts, nothing_new)."}, []string{"moved"}),
		lessonSeconds: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "creepage_worker_lesson_seconds",
			Help: "Time of one nightly lesson.", Buckets: prometheus.ExponentialBuckets(0.1, 3, 9)}),
		lag:        gauge("lag_messages", "Messages in the stream that are not committed yet."),
		lagSeconds: gauge("lag_seconds", "Age of the oldest message that is not committed yet."),
		held:       gauge("quarantine_messages", "Messages in the quarantine."),
	}
	for _, c := range []prometheus.Collector{m.readings, m.codes, m.replays, m.quarantined, m.unsettled, m.failures, m.batchSize, m.commit,
		m.evaluations, m.histories, m.warnings, m.deliveries, m.reports, m.reportSeconds, m.lessons, m.lessonSeconds, m.lag, m.lagSeconds, m.held} {
		if err := reg.Register(c); err != nil {
			return nil, fmt.Errorf("register the worker's metrics: %w", err)
		}
	}
	for _, outcome := range []string{"delivered", "tried", "given_up"} { // a count that begins at 0 has an increase
		m.deliveries.WithLabelValues(outcome)
	}
	for _, outcome := range []string{"made", "tried", "given_up", "stopped"} {
		m.reports.WithLabelValues(outcome)
	}
	return m, nil
}

func (m *metrics) batch(b *batch, done counts, took time.Duration) {
	m.readings.WithLabelValues("committed").Add(float64(done.readings))
	m.readings.WithLabelValues("duplicate").Add(float64(done.duplicates))
	m.readings.WithLabelValues("conflict").Add(float64(done.conflicts))
	m.codes.Add(float64(done.codes))
	m.replays.Add(float64(done.replays))
	m.batchSize.Observe(float64(len(b.entries)))
	m.commit.Observe(took.Seconds())
}
