package server

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc/status"
)

// metrics counts calls. Methods the contract does not have are counted under
// one name, so that a stranger cannot make series.
type metrics struct {
	calls    *prometheus.CounterVec
	duration *prometheus.HistogramVec
	inFlight prometheus.Gauge
	known    map[string]bool
	now      func() time.Time
}

func newMetrics(registerer prometheus.Registerer, now func() time.Time) (*metrics, error) {
	m := &metrics{
		calls: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "creepage_calls_total",
			Help: "Calls answered, by method and gRPC code."}, []string{"method", "code"}),
		duration: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "creepage_call_duration_seconds",
			Help:    "Time from a call's arrival to its answer, in seconds.",
			Buckets: []float64{.001, .002, .005, .01, .02, .05, .1, .2, .5, 1, 2, 5, 10, 30}}, []string{"method"}),
		inFlight: prometheus.NewGauge(prometheus.GaugeOpts{Name: "creepage_calls_in_flight", Help: "Calls being worked on."}),
		known:    map[string]bool{},
		now:      now,
	}
	for _, c := range []prometheus.Collector{m.calls, m.duration, m.inFlight} {
		if err := registerer.Register(c); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// count is the metrics step.
func (m *metrics) count(ctx context.Context, method string, next func(context.Context) error) error {
	begun := m.now()
	m.inFlight.Inc()
	defer m.inFlight.Dec()
	err := next(ctx)
	if !m.known[method] {
		method = "other"
	}
	m.calls.WithLabelValues(method, status.Code(err).String()).Inc()
	m.duration.WithLabelValues(method).Observe(m.now().Sub(begun).Seconds())
	return err
}
