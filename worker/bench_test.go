package worker

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	streamv1 "creepage/api/creepage/stream/v1"
	"creepage/internal/local/localtest"
	"creepage/internal/stream"
)

// BenchmarkSubmitToCommit measures readings a second from Publisher.Submit
// until the last of them is committed with its vehicle's track, and beside it,
// in the same run and on the same durable database and stream, one COPY of as
// many rows and one synchronous publisher of one reading a message.
func BenchmarkSubmitToCommit(b *testing.B) {
	const (
		callers  = 64
		size     = 100
		vehicles = 500
		perVisit = 10 // readings of one vehicle on one occasion; its next visit is 30 days later
	)
	durable, err := localtest.Start(b.Context(), true)
	if err != nil {
		b.Fatal(err)
	}
	defer func() {
		if err := durable.Stop(); err != nil {
			b.Error(err)
		}
	}()
	shared := server
	server = durable
	defer func() { server = shared }()

	rates := map[string]float64{}
	b.Run("submit to commit", func(b *testing.B) {
		e := newEnv(b, stream.Settings{})
		w := e.worker()
		w.keepAfter = checkpointEntries
		ctx, cancel := context.WithCancel(b.Context())
		var running sync.WaitGroup
		running.Go(func() {
			if err := w.Run(ctx); err != nil {
				b.Error(err)
			}
		})
		defer running.Wait()
		defer cancel()
		// Vehicles known and partitions made, as on an ordinary day.
		start := time.Date(2024, 3, 2, 8, 0, 0, 0, time.UTC)
		var first []*streamv1.Entry
		for v := range vehicles {
			first = append(first, e.reading(v, fmt.Sprintf("first-%d", v), start, 1e9))
		}
		e.submit(first...)
		e.settled()

		calls := make([][]*streamv1.Entry, b.N)
		n := 0
		for i := range calls {
			calls[i] = make([]*streamv1.Entry, size)
			for k := range calls[i] {
				visit := n / perVisit
				at := start.AddDate(0, 0, 30*(1+visit/vehicles)).Add(time.Duration(n%perVisit) * time.Minute)
				calls[i][k] = e.reading(visit%vehicles, fmt.Sprintf("r-%d", n), at, 1e9)
				n++
			}
		}
		next := make(chan []*streamv1.Entry)
		b.ResetTimer()
		var group sync.WaitGroup
		for range callers {
			group.Go(func() {
				for entries := range next {
					if err := e.publisher.Submit(b.Context(), entries); err != nil {
						b.Error(err)
					}
				}
			})
		}
		for _, entries := range calls {
			next <- entries
		}
		close(next)
		group.Wait()
		e.settled()
		b.StopTimer()
		rates["commit"] = float64(b.N*size) / b.Elapsed().Seconds()
		b.ReportMetric(rates["commit"], "readings/s")
		if stored := e.count(`SELECT count(*) FROM readings`); stored != n+vehicles {
			b.Errorf("%d readings are stored, want %d", stored, n+vehicles)
		}
	})
	b.Run("raw/one COPY", func(b *testing.B) {
		e := newEnv(b, stream.Settings{})
		conn, err := pgx.Connect(b.Context(), e.db.OwnerURL())
		if err != nil {
			b.Fatal(err)
		}
		defer conn.Close(context.Background())
		e.db.Exec(b, `SELECT make_reading_partition('2026-03-01')`)
		start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
		content := make([]byte, 32)
		columns := []string{"organisation_id", "reading_id", "measured_at", "vehicle_id", "received_at", "vehicle", "shop", "platform", "method", "component",
			"conductor", "reference", "quantity", "relation", "ohms", "test_volts", "hold_seconds", "air_celsius", "humidity_pct", "content"}
		b.ResetTimer()
		copied, err := conn.CopyFrom(b.Context(), pgx.Identifier{"readings"}, columns, pgx.CopyFromSlice(b.N*size, func(i int) ([]any, error) {
			at := start.Add(time.Duration(i) * 10 * time.Millisecond)
			return []any{e.org, fmt.Sprintf("r-%d", i), at, int64(i % vehicles), at, "van-1", "north-yard", "harbor-van-400", int16(1), int16(4),
				int16(3), int16(1), int16(1), int16(1), 1e9, 500.0, 60.0, 20.0, 45.0, content}, nil
		}))
		b.StopTimer()
		if err != nil || copied != int64(b.N*size) {
			b.Fatalf("%d rows copied, %v", copied, err)
		}
		rates["copy"] = float64(copied) / b.Elapsed().Seconds()
		b.ReportMetric(rates["copy"], "readings/s")
		b.ReportMetric(rates["commit"]/rates["copy"], "commit/COPY")
	})
	b.Run("raw/one synchronous publisher", func(b *testing.B) {
		e := newEnv(b, stream.Settings{})
		id := uuid.New()
		message, err := proto.Marshal(&streamv1.Batch{Entries: []*streamv1.Entry{e.reading(1, id.String(), e.now, 1e9)}})
		if err != nil {
			b.Fatal(err)
		}
		js, err := e.jetstream()
		if err != nil {
			b.Fatal(err)
		}
		for b.Loop() {
			if _, err := js.Publish(b.Context(), "creepage.readings.0", message); err != nil {
				b.Fatal(err)
			}
		}
		rates["raw"] = float64(b.N) / b.Elapsed().Seconds()
		b.ReportMetric(rates["raw"], "readings/s")
		b.ReportMetric(rates["commit"]/rates["raw"], "commit/publisher")
	})
}
