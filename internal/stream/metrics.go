package stream

import (
	"errors"
	"fmt"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

type publisherMetrics struct {
	entries  *prometheus.CounterVec
	size     prometheus.Histogram
	callers  prometheus.Histogram
	duration prometheus.Histogram
	retries  prometheus.Counter
}

func newPublisherMetrics(reg prometheus.Registerer) (*publisherMetrics, error) {
	m := &publisherMetrics{
		entries: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "creepage_stream_entries_total", Help: "Entries sent to the stream, by what became of them (stored, full, unavailable)."}, []string{"outcome"}),
		size: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "creepage_stream_message_entries", Help: "Entries in one message.", Buckets: prometheus.ExponentialBuckets(1, 2, 13)}),
		callers: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "creepage_stream_message_callers", Help: "Callers whose entries one message holds.", Buckets: prometheus.ExponentialBuckets(1, 2, 9)}),
		duration: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "creepage_stream_publish_seconds", Help: "Time until a message was on disk, retries included.", Buckets: prometheus.ExponentialBuckets(0.00025, 2, 16)}),
		retries: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "creepage_stream_publish_retries_total", Help: "Attempts at a message after the first."}),
	}
	for _, c := range []prometheus.Collector{m.entries, m.size, m.callers, m.duration, m.retries} {
		if err := reg.Register(c); err != nil {
			return nil, fmt.Errorf("register the publisher's metrics: %w", err)
		}
	}
	return m, nil
}

func (m *publisherMetrics) observe(entries, callers int, took time.Duration, err error) {
	outcome := "stored"
	switch {
	case errors.Is(err, ErrFull):
		outcome = "full"
	case err != nil:
		outcome = "unavailable"
	}
	m.entries.WithLabelValues(outcome).Add(float64(entries))
	m.size.Observe(float64(entries))
	m.callers.Observe(float64(callers))
	m.duration.Observe(took.Seconds())
}
