package app_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync/atomic"
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
	benchReadings = 100_000
	benchVehicles = 500
	benchPerCall  = 100
	benchCallers  = 64
)

// BenchmarkCallToCommit measures readings a second from the gRPC call to the
// commit, tracks updated, with everything in one process and every write synced,
// and in the same run the raw rate of one synchronous JetStream publisher of one
// reading a message and of one PostgreSQL COPY into a table with a primary key
// and an index like those of the readings. Run it by `make bench`.
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
	calls := benchCalls()

	stream := rawStream(b, calls[0].GetReadings()[0])
	copied := rawCopy(b, data)
	for b.Loop() {
		acknowledged, committed := drive(b, ctx, intake, calls, data)
		b.ReportMetric(acknowledged, "acknowledged/s")
		b.ReportMetric(committed, "committed/s")
		fmt.Printf("\nreadings a second, %d in calls of %d from %d callers, every write synced:\n", benchReadings, benchPerCall, benchCallers)
		fmt.Printf("  from the call to the acknowledgement  %9.0f\n", acknowledged)
		fmt.Printf("  from the call to the commit           %9.0f\n", committed)
		fmt.Printf("  one synchronous JetStream publisher   %9.0f   call to commit is %.1f times that\n", stream, committed/stream)
		fmt.Printf("  one PostgreSQL COPY                   %9.0f   call to commit is %.2f of that\n", copied, committed/copied)
	}
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

func benchClient(b *testing.B, p *app.Process, data string) (context.Context, creepagev1.IntakeServiceClient) {
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
	return ctx, creepagev1.NewIntakeServiceClient(conn)
}

// benchCalls are visits of ten readings, ten vehicles a call, in order of time.
func benchCalls() []*creepagev1.SubmitReadingsRequest {
	const perVisit = 10
	visits := benchReadings / benchVehicles / perVisit
	begin := time.Now().AddDate(0, 0, -30*visits).Truncate(24 * time.Hour)
	var calls []*creepagev1.SubmitReadingsRequest
	call := &creepagev1.SubmitReadingsRequest{}
	for visit := range visits {
		for vehicle := range benchVehicles {
			for i := range perVisit {
				at := begin.AddDate(0, 0, 30*visit).Add(8*time.Hour + time.Duration(vehicle)*time.Minute + time.Duration(i)*2*time.Second)
				call.Readings = append(call.Readings, benchReading(visit, vehicle, i, at))
			}
			if len(call.Readings) == benchPerCall {
				calls = append(calls, call)
				call = &creepagev1.SubmitReadingsRequest{}
			}
		}
	}
	return calls
}

func benchReading(visit, vehicle, i int, at time.Time) *creepagev1.Reading {
	volts, hold, celsius, humidity, top := 500.0, 60.0, 15+float64(visit%10), 50.0, 5.5e8
	components := []creepagev1.Reading_Component{creepagev1.Reading_MOTOR, creepagev1.Reading_MOTOR, creepagev1.Reading_MOTOR, creepagev1.Reading_CABLE, creepagev1.Reading_CABLE,
		creepagev1.Reading_BATTERY, creepagev1.Reading_BATTERY, creepagev1.Reading_INVERTER, creepagev1.Reading_INVERTER, creepagev1.Reading_COMPRESSOR}
	conductors := []creepagev1.Reading_Conductor{creepagev1.Reading_PHASE_U, creepagev1.Reading_PHASE_V, creepagev1.Reading_PHASE_W, creepagev1.Reading_HV_PLUS, creepagev1.Reading_HV_MINUS,
		creepagev1.Reading_HV_PLUS, creepagev1.Reading_HV_MINUS, creepagev1.Reading_HV_PLUS, creepagev1.Reading_HV_MINUS, creepagev1.Reading_ALL}
	r := &creepagev1.Reading{
		ReadingId: fmt.Sprintf("b-%d-%d-%d", visit, vehicle, i), Shop: "shops/bench", Vehicle: fmt.Sprintf("vehicles/bench-%d", vehicle),
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
// acknowledged and until all are in the database.
func drive(b *testing.B, ctx context.Context, intake creepagev1.IntakeServiceClient, calls []*creepagev1.SubmitReadingsRequest, data string) (acknowledged, committed float64) {
	begin := time.Now()
	var next atomic.Int64
	g, ctx := errgroup.WithContext(ctx)
	for range benchCallers {
		g.Go(func() error {
			for {
				i := int(next.Add(1)) - 1
				if i >= len(calls) {
					return nil
				}
				resp, err := intake.SubmitReadings(ctx, calls[i])
				if err != nil {
					return err
				}
				for _, r := range resp.GetResults() {
					if r.GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
						return fmt.Errorf("a reading was not accepted: %v", r)
					}
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
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for n := 0; n < benchReadings; <-look.C {
		if err := conn.QueryRow(context.Background(), "SELECT count(*) FROM readings").Scan(&n); err != nil {
			b.Fatal(err)
		}
	}
	return acknowledged, benchReadings / time.Since(begin).Seconds()
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
	const messages = 2000
	begin := time.Now()
	for range messages {
		if _, err := js.Publish(b.Context(), "raw", message); err != nil {
			b.Fatal(err)
		}
	}
	return messages / time.Since(begin).Seconds()
}

// rawCopy is how many rows one COPY brings into an indexed table a second.
func rawCopy(b *testing.B, data string) float64 {
	conn, err := pgx.Connect(b.Context(), ownerURL(data))
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	if _, err := conn.Exec(b.Context(), `CREATE TABLE raw (organisation_id uuid, reading_id text, measured_at timestamptz, vehicle_id bigint, component smallint, conductor smallint,
		relation smallint, ohms double precision, test_volts double precision, celsius double precision, assessment bytea, PRIMARY KEY (organisation_id, reading_id, measured_at));
		CREATE INDEX ON raw (vehicle_id, component, measured_at)`); err != nil {
		b.Fatal(err)
	}
	organisation, assessment := [16]byte{1}, bytes.Repeat([]byte{7}, 40)
	at := time.Now()
	begin := time.Now()
	n, err := conn.CopyFrom(b.Context(), pgx.Identifier{"raw"}, []string{"organisation_id", "reading_id", "measured_at", "vehicle_id", "component", "conductor", "relation", "ohms", "test_volts", "celsius", "assessment"},
		pgx.CopyFromSlice(benchReadings, func(i int) ([]any, error) {
			return []any{organisation, fmt.Sprintf("b-%d", i), at.Add(time.Duration(i) * time.Second), int64(i % benchVehicles), int16(4), int16(3), int16(1), 2e8, 500.0, 21.0, assessment}, nil
		}))
	if err != nil || n != benchReadings {
		b.Fatal(n, err)
	}
	rate := benchReadings / time.Since(begin).Seconds()
	if _, err := conn.Exec(b.Context(), "DROP TABLE raw"); err != nil {
		b.Fatal(err)
	}
	return rate
}
