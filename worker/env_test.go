package worker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	streamv1 "creepage/api/creepage/stream/v1"
	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/local/localtest"
	"creepage/internal/store"
	"creepage/internal/stream"
	"creepage/internal/trend"
)

var server *localtest.Server

func TestMain(m *testing.M) {
	os.Exit(localtest.Main(m, false, func(s *localtest.Server) { server = s }))
}

// env is a database, a stream and what tests do with them.
type env struct {
	t         testing.TB
	db        *localtest.Database
	conn      *nats.Conn
	stream    *stream.Stream
	publisher *stream.Publisher
	model     *trend.Model
	org       uuid.UUID
	now       time.Time
	log       *syncBuffer
	consumer  *stream.Consumer // of step; made when it is first needed
}

// syncBuffer takes the log of several goroutines.
type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

var theModel = sync.OnceValues(func() (*trend.Model, error) { return trend.NewModel(trend.Default()) })

func newEnv(t testing.TB, settings stream.Settings) *env {
	t.Helper()
	model, err := theModel()
	if err != nil {
		t.Fatal(err)
	}
	_, conn := localtest.NATS(t)
	s, err := stream.Open(t.Context(), conn, settings)
	if err != nil {
		t.Fatal(err)
	}
	p, err := s.NewPublisher(prometheus.NewRegistry())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	e := &env{t: t, db: server.Database(t), conn: conn, stream: s, publisher: p, model: model, org: uuid.Must(uuid.NewV7()),
		now: time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC), log: new(syncBuffer)}
	e.organisation(e.org, "harbor")
	return e
}

// organisation registers an organisation with a platform, harbor-van-400.
func (e *env) organisation(id uuid.UUID, name string) {
	e.t.Helper()
	e.db.Exec(e.t, `INSERT INTO organisations (id, name, created_at) VALUES ($1, $2, now())`, id, name)
	e.db.Exec(e.t, `INSERT INTO platforms VALUES ($1, 'harbor-van-400')`, id)
	e.db.Exec(e.t, `INSERT INTO platform_versions (organisation_id, platform, valid_from, max_working_volts, code_quantity, points)
		VALUES ($1, 'harbor-van-400', '-infinity', 400, 1, '[
			{"Component": 4, "Conductor": 3, "Reference": 1, "LimitOhms": 1e8, "TestVolts": 500},
			{"Component": 1, "Conductor": 1, "Reference": 1, "LimitOhms": 1e8, "TestVolts": 500},
			{"Component": 2, "Conductor": 1, "Reference": 1, "LimitOhms": 1e8, "TestVolts": 500}]')`, id)
}

// worker makes a worker on the environment's parts.
func (e *env) worker() *Worker {
	e.t.Helper()
	w, err := New(Config{Store: e.db.Store(e.t, store.WorkerLogin), Stream: e.stream, Model: e.model, Clock: func() time.Time { return e.now },
		Log: slog.New(slog.NewTextHandler(e.log, nil)), Registerer: prometheus.NewRegistry(), Limits: DefaultLimits()})
	if err != nil {
		e.t.Fatal(err)
	}
	w.keepAfter = 1 // checkpoints of short histories too
	return w
}

// reading is a tester's reading of a vehicle's motor, received at once.
func (e *env) reading(vehicle int, id string, at time.Time, ohms float64) *streamv1.Entry {
	volts, hold, air, rh := 500.0, 60.0, 20.0, 45.0
	return &streamv1.Entry{OrganisationId: e.org[:], ReceiveTime: timestamppb.New(at.Add(time.Minute)), Content: &streamv1.Entry_Reading{Reading: &creepagev1.Reading{
		ReadingId: id, Vehicle: fmt.Sprintf("vehicles/van-%d", vehicle), Shop: "shops/north-yard", Platform: proto.String("platforms/harbor-van-400"),
		MeasureTime: timestamppb.New(at), Method: creepagev1.Reading_TESTER, Component: creepagev1.Reading_MOTOR, Conductor: creepagev1.Reading_PHASE_U,
		Reference: creepagev1.Reading_CHASSIS, ResistanceOhms: ohms, TestVolts: &volts, HoldSeconds: &hold, TemperatureCelsius: &air, HumidityPercent: &rh}}}
}

// visits are readings of vehicles every 30 days, each a little lower than the last.
func (e *env) visits(vehicles, each int) []*streamv1.Entry {
	start := time.Date(2025, 1, 6, 9, 0, 0, 0, time.UTC)
	var entries []*streamv1.Entry
	for i := range each {
		for v := range vehicles {
			at := start.AddDate(0, 0, 30*i+v%5)
			ohms := 4e9 / (1 + 0.3*float64(i)) * (1 + 0.01*float64(v))
			entries = append(entries, e.reading(v, fmt.Sprintf("r-%d-%d", v, i), at, ohms))
		}
	}
	return entries
}

func (e *env) submit(entries ...*streamv1.Entry) {
	e.t.Helper()
	if err := e.publisher.Submit(e.t.Context(), entries); err != nil {
		e.t.Fatal(err)
	}
}

// run sets workers going until everything in the stream is settled.
func (e *env) run(workers ...*Worker) {
	e.t.Helper()
	ctx, cancel := context.WithCancel(e.t.Context())
	var loops sync.WaitGroup
	for _, w := range workers {
		loops.Go(func() {
			if err := w.Run(ctx); err != nil {
				e.t.Error(err)
			}
		})
	}
	e.settled()
	cancel()
	loops.Wait()
}

// settled waits until no message is left to be committed.
func (e *env) settled() {
	e.t.Helper()
	deadline := time.After(60 * time.Second)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		info, err := e.stream.Info(e.t.Context())
		if err != nil {
			e.t.Fatal(err)
		}
		if info.Lag() == 0 {
			return
		}
		select {
		case <-tick.C:
		case <-deadline:
			e.t.Fatalf("after a minute %d messages are left; log:\n%s", info.Lag(), e.log)
		}
	}
}

// step commits what is in the stream, without loops.
func (e *env) step(w *Worker) {
	e.t.Helper()
	if e.consumer == nil {
		c, err := e.stream.Consume()
		if err != nil {
			e.t.Fatal(err)
		}
		e.t.Cleanup(c.Stop)
		e.consumer = c
	}
	for {
		info, err := e.stream.Info(e.t.Context())
		if err != nil {
			e.t.Fatal(err)
		}
		if info.Lag() == 0 {
			return
		}
		soon, cancel := context.WithTimeout(e.t.Context(), 100*time.Millisecond)
		b, err := e.assemble(soon, w, e.consumer)
		cancel()
		if errors.Is(err, context.DeadlineExceeded) { // the acknowledgement was under way
			continue
		}
		if err != nil {
			e.t.Fatal(err)
		}
		if err := w.process(e.t.Context(), b); err != nil {
			e.t.Fatal(err)
		}
		if err := e.conn.Flush(); err != nil {
			e.t.Fatal(err)
		}
	}
}

// assemble gathers what is in the stream into one batch, as a lane does.
func (e *env) assemble(ctx context.Context, w *Worker, c *stream.Consumer) (*batch, error) {
	var b *batch
	for {
		m, err := c.NextWithin(time.Millisecond)
		if b == nil && m == nil && err == nil {
			m, err = c.Next(ctx)
		}
		if err != nil {
			return nil, err
		}
		if m == nil {
			return b, nil
		}
		switch one := w.read(ctx, m); {
		case one == nil:
		case b == nil:
			b = one
		default:
			b.add(one)
		}
	}
}

func (e *env) count(sql string) int {
	e.t.Helper()
	var n int
	e.db.Query(e.t, sql, &n)
	return n
}

func (e *env) text(sql string) string {
	e.t.Helper()
	var s string
	e.db.Query(e.t, sql, &s)
	return s
}

// memories is a fingerprint of every vehicle's memory, by name.
func (e *env) memories() string {
	e.t.Helper()
	return e.text(`SELECT coalesce(string_agg(v.name || ' ' || md5(s.memory), ', ' ORDER BY v.name), '') FROM vehicle_states s JOIN vehicles v ON v.id = s.vehicle_id`)
}

func outcome(w *Worker, name string) int {
	return int(testutil.ToFloat64(w.metrics.readings.WithLabelValues(name)))
}

func (e *env) jetstream() (jetstream.JetStream, error) { return jetstream.New(e.conn) }
