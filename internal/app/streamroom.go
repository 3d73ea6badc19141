package app

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"creepage/internal/stream"
)

// streamRoom tells how full the stream is whenever metrics are asked for.
type streamRoom struct {
	stream      *stream.Stream
	used, limit *prometheus.Desc
}

// askStreamWithin bounds the question: metrics are answered without it rather than late.
const askStreamWithin = time.Second

func newStreamRoom(s *stream.Stream) *streamRoom {
	return &streamRoom{
		stream: s,
		used:   prometheus.NewDesc("creepage_stream_bytes", "What the readings occupy in the stream, in byte.", nil, nil),
		limit:  prometheus.NewDesc("creepage_stream_max_bytes", "What they may occupy before new ones are refused, in byte.", nil, nil),
	}
}

// Describe implements prometheus.Collector.
func (r *streamRoom) Describe(out chan<- *prometheus.Desc) {
	out <- r.used
	out <- r.limit
}

// Collect implements prometheus.Collector.
func (r *streamRoom) Collect(out chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), askStreamWithin)
	defer cancel()
	info, err := r.stream.Info(ctx)
	if err != nil {
		return
	}
	out <- prometheus.MustNewConstMetric(r.used, prometheus.GaugeValue, float64(info.Bytes))
	out <- prometheus.MustNewConstMetric(r.limit, prometheus.GaugeValue, float64(info.MaxBytes))
}
