package app_test

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/app"
	"creepage/internal/local"
	"creepage/internal/server"
)

const (
	benchRounds   = 3
	benchFleets   = 2 // of a round, one after the other
	benchVehicles = 500
	benchVisits   = 20
	benchPerVisit = 10
	benchPerCall  = 100
	benchCallers  = 64
	benchReadings = benchFleets * benchVehicles * benchVisits * benchPerVisit // of a round
	benchMessages = 1000                                                      // of one run of the publisher
)

// BenchmarkCallToCommit measures readings a second from the gRPC call to the
// commit, tracks updated, with everything in one process and every write synced,
// and in the same run the raw rates: one synchronous JetStream publisher of one
// reading a message, and one PostgreSQL COPY of the very same rows into a table
// with the columns, indexes and constraints of the readings. Before and after each
// of several rounds the publisher runs, after each the COPY runs twice, when the
// service has nothing left to do; what is told of each are the medians. Where
// the system tells it, also what a thousand readings cost of the processor, which
// other work on the machine disturbs less. Run it by `make bench`.
func BenchmarkCallToCommit(b *testing.B) {
	data := benchFolder(b)
	p, err := app.StartUp(b.Context(), app.UpConfig{
		Common: app.Common{Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn})), Clock: time.Now},
		Data:   data, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0", Server: server.Config{CallsPerSecond: -1},
	})
	if err != nil {
		b.Fatal(err)
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := p.Stop(ctx); err != nil {
			b.Error(err)
		}
	}()
	ctx, intake := benchClient(b, p, data)

	fleets := 0
	for b.Loop() {
		var acknowledged, committed, published, copied series
		var spending, copying []spent
		for range benchRounds {
			calls, example := benchCalls(b, fleets)
			fleets += benchFleets
			published = append(published, rawStream(b, example))
			begin := time.Now()
			toAcknowledgement, toCommit, cost := drive(b, ctx, intake, calls, example.GetMeasureTime().AsTime(), fleets, data)
			acknowledged, committed, spending = append(acknowledged, toAcknowledgement), append(committed, toCommit), append(spending, cost)
			if err := p.Settled(b.Context()); err != nil {
				b.Fatal(err)
			}
			published = append(published, rawStream(b, example))
			rates, costs := rawCopies(b, data, begin)
			copied, copying = append(copied, rates...), append(copying, costs...)
		}
		commit, stream, rows := committed.median(), published.median(), copied.median()
		fmt.Printf("\nreadings a second, every write synced; the median of so many runs, the least and the most:\n")
		fmt.Printf("  from the call to the acknowledgement  %v   %d readings a run, in calls of %d from %d callers\n", acknowledged, benchReadings, benchPerCall, benchCallers)
		fmt.Printf("  from the call to the commit           %v\n", committed)
		fmt.Printf("  one synchronous JetStream publisher   %v   call to commit is %.1f times that\n", published, commit/stream)
		fmt.Printf("  one PostgreSQL COPY of the same rows  %v   call to commit is %.2f of that\n", copied, commit/rows)
		fmt.Printf("processor-seconds for 1000 readings, medians, where the system tells:\n")
		fmt.Printf("  from the call to the commit: %v\n", medianOf(spending))
		fmt.Printf("  COPY of the same rows:       %v\n", medianOf(copying))
		b.ReportMetric(acknowledged.median(), "acknowledged/s")
		b.ReportMetric(commit, "committed/s")
		b.ReportMetric(commit/stream, "commit/publisher")
		b.ReportMetric(commit/rows, "commit/COPY")
	}
}

// series is what was measured in one run after the other.
type series []float64

func (s series) median() float64 {
	sorted := slices.Sorted(slices.Values(s))
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

func (s series) String() string {
	return fmt.Sprintf("%7.0f of %d (%.0f to %.0f)", s.median(), len(s), slices.Min(s), slices.Max(s))
}

func benchFolder(b testing.TB) string {
	dir, err := os.MkdirTemp("", "creepage-bench-")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil { // the database's account walks through it
		b.Fatal(err)
	}
	return dir + "/data"
}

func benchClient(b *testing.B, p *app.Process, data string) (context.Context, *grpc.ClientConn) {
	key, err := os.ReadFile(app.KeyFile(data))
	if err != nil {
		b.Fatal(err)
	}
	conn, err := grpc.NewClient(p.GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = conn.Close() })
	ctx := metadata.AppendToOutgoingContext(b.Context(), "authorization", "Bearer "+strings.TrimSpace(string(key)))
	if _, err := creepagev1.NewAccessServiceClient(conn).CreateShop(ctx, &creepagev1.CreateShopRequest{ShopId: "bench", Shop: &creepagev1.Shop{}}); err != nil {
		b.Fatal(err)
	}
	if _, err := creepagev1.NewPlatformServiceClient(conn).UpsertPlatform(ctx, &creepagev1.UpsertPlatformRequest{Platform: &creepagev1.Platform{
		Name: "platforms/bench-400", MaxWorkingVolts: 400,
		TestPoints: []*creepagev1.TestPoint{{Component: creepagev1.Reading_MOTOR, Conductor: creepagev1.Reading_PHASE_U, Reference: creepagev1.Reading_CHASSIS, LimitOhms: 1e8, TestVolts: 500}},
	}}); err != nil {
		b.Fatal(err)
	}
	return ctx, conn
}

// encoded is a request or an answer as it goes over the wire: what a caller's own
// program spends on making the one and reading the other is no part of what is
// measured.
type encoded []byte

// encodedCodec sends requests that are encoded already, and leaves answers so.
type encodedCodec struct{}

func (encodedCodec) Name() string { return "proto" }

func (encodedCodec) Marshal(v any) ([]byte, error) {
	if text, ok := v.(encoded); ok {
		return text, nil
	}
	return nil, fmt.Errorf("%T is not encoded", v)
}

func (encodedCodec) Unmarshal(text []byte, v any) error {
	*v.(*encoded) = slices.Clone(text)
	return nil
}

// benchCalls are a round's fleets from a number on: visits of ten readings, ten
// vehicles a call, in order of time.
func benchCalls(b *testing.B, first int) (calls []encoded, example *creepagev1.Reading) {
	begin := time.Now().AddDate(0, 0, -30*benchVisits).Truncate(24 * time.Hour)
	call := &creepagev1.SubmitReadingsRequest{}
	for fleet := range benchFleets {
		for visit := range benchVisits {
			for vehicle := range benchVehicles {
				for i := range benchPerVisit {
					at := begin.AddDate(0, 0, 30*visit).Add(8*time.Hour + time.Duration(vehicle)*time.Minute + time.Duration(i)*2*time.Second)
					call.Readings = append(call.Readings, benchReading(first+fleet, visit, vehicle, i, at))
				}
				if len(call.Readings) == benchPerCall {
					text, err := proto.Marshal(call)
					if err != nil {
						b.Fatal(err)
					}
					calls, example = append(calls, text), call.GetReadings()[0]
					call = &creepagev1.SubmitReadingsRequest{}
				}
			}
		}
	}
	return calls, example
}

func benchReading(fleet, visit, vehicle, i int, at time.Time) *creepagev1.Reading {
	volts, hold, celsius, humidity, top := 500.0, 60.0, 15+float64(visit%10), 50.0, 5.5e8
	components := []creepagev1.Reading_Component{creepagev1.Reading_MOTOR, creepagev1.Reading_MOTOR, creepagev1.Reading_MOTOR, creepagev1.Reading_CABLE, creepagev1.Reading_CABLE,
		creepagev1.Reading_BATTERY, creepagev1.Reading_BATTERY, creepagev1.Reading_INVERTER, creepagev1.Reading_INVERTER, creepagev1.Reading_COMPRESSOR}
	conductors := []creepagev1.Reading_Conductor{creepagev1.Reading_PHASE_U, creepagev1.Reading_PHASE_V, creepagev1.Reading_PHASE_W, creepagev1.Reading_HV_PLUS, creepagev1.Reading_HV_MINUS,
		creepagev1.Reading_HV_PLUS, creepagev1.Reading_HV_MINUS, creepagev1.Reading_HV_PLUS, creepagev1.Reading_HV_MINUS, creepagev1.Reading_ALL}
	r := &creepagev1.Reading{
		ReadingId: fmt.Sprintf("b-%d-%d-%d-%d", fleet, visit, vehicle, i), Shop: "shops/bench", Vehicle: fmt.Sprintf("vehicles/bench-%d-%d", fleet, vehicle),
		Platform: new("platforms/bench-400"), MeasureTime: timestamppb.New(at), Method: creepagev1.Reading_TESTER, Component: components[i], Conductor: conductors[i],
		Reference: creepagev1.Reading_CHASSIS, Relation: creepagev1.Reading_EQUAL, ResistanceOhms: 2e8 + 1e6*float64((vehicle*7+visit*13+i*3)%100),
		TestVolts: &volts, HoldSeconds: &hold, TemperatureCelsius: &celsius, HumidityPercent: &humidity, RangeOhms: &top,
	}
	if (vehicle+visit+i)%3 == 0 {
		r.Relation, r.ResistanceOhms = creepagev1.Reading_ABOVE, top
	}
	return r
}

// drive submits every call and returns readings a second until all are
// acknowledged and until all are in the database, which then holds so many fleets,
// and what that costs of the processor.
func drive(b *testing.B, ctx context.Context, intake *grpc.ClientConn, calls []encoded, last time.Time, fleets int, data string) (acknowledged, committed float64, cost spent) {
	answers := make([]encoded, len(calls))
	before, begin := spentBy(data), time.Now()
	var next atomic.Int64
	g, ctx := errgroup.WithContext(ctx)
	for range benchCallers {
		g.Go(func() error {
			for {
				i := int(next.Add(1)) - 1
				if i >= len(calls) {
					return nil
				}
				if err := intake.Invoke(ctx, creepagev1.IntakeService_SubmitReadings_FullMethodName, calls[i], &answers[i], grpc.ForceCodec(encodedCodec{})); err != nil {
					return err
				}
			}
		})
	}
	if err := g.Wait(); err != nil {
		b.Fatal(err)
	}
	acknowledged = benchReadings / time.Since(begin).Seconds()
	conn, err := pgx.Connect(context.WithoutCancel(ctx), ownerURL(data))
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	// Readings are counted only when every vehicle has its last visit: counting costs.
	waitFor(b, conn, fleets*benchVehicles, `SELECT count(*) FROM vehicle_states WHERE last_measured_at >= $1`, last.Truncate(24*time.Hour))
	all := waitFor(b, conn, fleets*benchVehicles*benchVisits*benchPerVisit, `SELECT count(*) FROM readings`)
	cost = spentBy(data).since(before)
	for _, answer := range answers {
		var results creepagev1.SubmitReadingsResponse
		if err := proto.Unmarshal(answer, &results); err != nil {
			b.Fatal(err)
		}
		for _, r := range results.GetResults() {
			if r.GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
				b.Fatalf("a reading was not accepted: %v", r)
			}
		}
	}
	return acknowledged, benchReadings / all.Sub(begin).Seconds(), cost
}

// waitFor waits until a count has reached what it must, and returns the moment at
// which it was asked for and had.
func waitFor(b *testing.B, conn *pgx.Conn, want int, count string, args ...any) (asked time.Time) {
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for n := 0; n < want; <-look.C {
		asked = time.Now()
		if err := conn.QueryRow(context.Background(), count, args...).Scan(&n); err != nil {
			b.Fatal(err)
		}
	}
	return asked
}

// rawStream is how many one-reading messages one publisher stores a second when
// each is synced before the next is sent.
func rawStream(b *testing.B, reading *creepagev1.Reading) float64 {
	n, err := local.StartNATS(local.NATSConfig{Dir: b.TempDir()})
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = n.Stop(context.Background()) }()
	conn, err := n.Connect()
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := js.CreateStream(b.Context(), jetstream.StreamConfig{Name: "RAW", Subjects: []string{"raw"}, Storage: jetstream.FileStorage}); err != nil {
		b.Fatal(err)
	}
	message, err := proto.Marshal(reading)
	if err != nil {
		b.Fatal(err)
	}
	begin := time.Now()
	for range benchMessages {
		if _, err := js.Publish(b.Context(), "raw", message); err != nil {
			b.Fatal(err)
		}
	}
	return benchMessages / time.Since(begin).Seconds()
}

// rawCopies is how many rows one COPY brings a second into a table with the
// columns, indexes and constraints of the readings, and what that costs of the
// processor, twice. It copies the rows that came since a time.
func rawCopies(b *testing.B, data string, since time.Time) (rates []float64, costs []spent) {
	conn, err := pgx.Connect(b.Context(), ownerURL(data))
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	rows, err := conn.Query(b.Context(), `SELECT * FROM readings WHERE received_at >= $1 ORDER BY received_at`, since)
	if err != nil {
		b.Fatal(err)
	}
	defer rows.Close()
	var columns []string
	for _, f := range rows.FieldDescriptions() {
		columns = append(columns, f.Name)
	}
	values := make([][]any, 0, benchReadings)
	for rows.Next() {
		row, err := rows.Values()
		if err != nil {
			b.Fatal(err)
		}
		values = append(values, row)
	}
	if err := rows.Err(); err != nil {
		b.Fatal(err)
	}
	for range 2 {
		if _, err := conn.Exec(b.Context(), `CREATE TABLE raw (LIKE readings INCLUDING ALL)`); err != nil {
			b.Fatal(err)
		}
		runtime.GC() // none is needed while it copies
		before, begin := spentBy(data), time.Now()
		n, err := conn.CopyFrom(b.Context(), pgx.Identifier{"raw"}, columns, pgx.CopyFromRows(values))
		if err != nil || n != benchReadings {
			b.Fatal(n, err)
		}
		rates, costs = append(rates, benchReadings/time.Since(begin).Seconds()), append(costs, spentBy(data).since(before))
		if _, err := conn.Exec(b.Context(), "DROP TABLE raw"); err != nil {
			b.Fatal(err)
		}
	}
	debug.FreeOSMemory() // the next round begins with no more memory than the first
	return rates, costs
}

// spent is processor time in seconds: of this program, and of the database's
// processes; not a number where the system does not tell.
type spent struct{ program, postgres float64 }

func (s spent) since(before spent) spent {
	return spent{s.program - before.program, s.postgres - before.postgres}
}

// String tells it for a thousand of a round's readings.
func (s spent) String() string {
	return fmt.Sprintf("program %.4f, PostgreSQL %.4f", s.program/benchReadings*1000, s.postgres/benchReadings*1000)
}

func medianOf(all []spent) spent {
	var program, postgres series
	for _, s := range all {
		program, postgres = append(program, s.program), append(postgres, s.postgres)
	}
	return spent{program.median(), postgres.median()}
}

// spentBy reads what has been spent so far (proc(5): /proc/PID/stat).
func spentBy(data string) spent {
	const ticks = 100 // a second: USER_HZ on every platform of Linux that Go runs on
	var usage syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &usage); err != nil {
		return spent{math.NaN(), math.NaN()}
	}
	s := spent{program: time.Duration(usage.Utime.Nano() + usage.Stime.Nano()).Seconds()}
	pid, err := os.ReadFile(filepath.Join(data, "postgres", "data", "postmaster.pid"))
	if err != nil {
		return spent{s.program, math.NaN()}
	}
	parent, _, _ := strings.Cut(string(pid), "\n")
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	if len(stats) == 0 {
		return spent{s.program, math.NaN()}
	}
	for _, path := range stats {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // has ended
		}
		// After the name, which ends with the last parenthesis: state, parent ... utime stime cutime cstime.
		fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
		own, of := filepath.Base(filepath.Dir(path)) == parent, fields[1] == parent
		last := 12
		if own {
			last = 14
		}
		for i := 11; (own || of) && i <= last; i++ {
			n, _ := strconv.ParseFloat(fields[i], 64)
			s.postgres += n / ticks
		}
	}
	return s
}
