package services_test

import (
	"context"
	"crypto/sha256"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/destination"
	"creepage/internal/local/localtest"
	"creepage/internal/page"
	"creepage/internal/server"
	"creepage/internal/store"
	"creepage/internal/stream"
	"creepage/internal/trend"
	"creepage/internal/webhook"
	"creepage/services/access"
	"creepage/services/bench"
	"creepage/services/fleet"
	"creepage/services/intake"
	"creepage/services/notify"
	"creepage/services/report"
)

var postgres *localtest.Server

func TestMain(m *testing.M) {
	os.Exit(localtest.Main(m, false, func(s *localtest.Server) { postgres = s }))
}

// now is when every test begins.
var now = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// secretKey and inside are what the operator has set for webhooks.
const secretKey = "a secret key of the tests alone"

var inside = webhook.Policy{Inside: true, PlainHTTP: true}

func nan() float64 { return math.NaN() }

// system is the API on a database and a stream of its own.
type system struct {
	db                                     *localtest.Database
	url                                    string
	streams                                *stream.Stream
	model                                  *trend.Model
	conn                                   *grpc.ClientConn
	intake                                 creepagev1.IntakeServiceClient
	fleet                                  creepagev1.FleetServiceClient
	platforms                              creepagev1.PlatformServiceClient
	warnings                               creepagev1.WarningServiceClient
	access                                 creepagev1.AccessServiceClient
	erasure                                creepagev1.ErasureServiceClient
	watches                                *notify.Service
	review                                 creepagev1.ReviewServiceClient
	safe                                   *webhook.Safe
	shelf                                  string // folder of the destination "shelf"
	destinations                           *destination.Set
	log                                    *slog.Logger
	clock                                  func() time.Time
	organisation                           uuid.UUID
	adminKey, shopKey, feederKey, fleetKey string
	passed                                 atomic.Int64 // nanoseconds since now
}

// start brings up the API with one organisation, two shops, a platform and a
// key of each kind, all but the first made through the API itself.
func start(t testing.TB) *system {
	t.Helper()
	return startOn(t, stream.Settings{})
}

// startOn is start with other settings of the stream.
func startOn(t testing.TB, settings stream.Settings) *system {
	t.Helper()
	s := &system{db: postgres.Database(t)}
	db := s.db.Store(t, store.APILogin)
	_, nats := localtest.NATS(t)
	streams, err := stream.Open(t.Context(), nats, settings)
	must(t, err)
	s.streams = streams
	registry := prometheus.NewRegistry()
	publisher, err := streams.NewPublisher(registry)
	must(t, err)
	t.Cleanup(publisher.Close)
	pages, err := page.NewSealer(page.RandomSecret())
	must(t, err)
	model, err := trend.NewModel(trend.Default())
	must(t, err)
	s.model = model
	clock := func() time.Time { return now.Add(time.Duration(s.passed.Load())) }
	readings, err := intake.New(db, publisher, pages, registry, clock)
	must(t, err)
	models := store.NewModels(model)
	vehicles := fleet.New(db, models, pages, clock)
	log := slog.New(slog.NewTextHandler(testLog{t}, nil))
	s.log, s.clock = log, clock
	s.safe, err = webhook.NewSafe([]byte(secretKey))
	must(t, err)
	s.watches = notify.New(notify.Options{Store: db, Pages: pages, Log: log, Now: clock, Policy: inside, Safe: s.safe})
	s.shelf = t.TempDir()
	s.destinations, err = destination.Read(`{"shelf": {"folder": "` + s.shelf + `"}, "theirs": {"folder": "` + s.shelf + `", "organisations": ["another"]}}`)
	must(t, err)
	t.Cleanup(func() { must(t, s.destinations.Close()) })
	front, err := server.New(server.Config{CallsPerSecond: -1}, server.Parts{
		Log: log, Metrics: registry, Now: clock, FindKey: access.FindKey(db),
		Checks: []server.Check{{Name: "database", Do: db.Ping}, {Name: "stream", Do: func(ctx context.Context) error { _, err := streams.Info(ctx); return err }}},
		Services: func(r grpc.ServiceRegistrar) {
			creepagev1.RegisterIntakeServiceServer(r, readings)
			creepagev1.RegisterFleetServiceServer(r, vehicles)
			creepagev1.RegisterPlatformServiceServer(r, vehicles)
			creepagev1.RegisterWarningServiceServer(r, vehicles)
			creepagev1.RegisterReviewServiceServer(r, vehicles)
			keeper := access.New(db, pages, clock)
			creepagev1.RegisterAccessServiceServer(r, keeper)
			creepagev1.RegisterErasureServiceServer(r, keeper)
			creepagev1.RegisterBenchServiceServer(r, bench.New(db, models, clock))
			creepagev1.RegisterWatchServiceServer(r, s.watches)
			creepagev1.RegisterWebhookServiceServer(r, s.watches)
			creepagev1.RegisterDigestServiceServer(r, s.watches)
			reports := report.New(db, models, "creepage test", clock)
			creepagev1.RegisterReportServiceServer(r, reports)
			creepagev1.RegisterReportScheduleServiceServer(r, report.NewSchedules(reports, pages, s.destinations))
		},
	})
	must(t, err)
	web := httptest.NewServer(front.Handler())
	t.Cleanup(func() {
		s.watches.Close()
		web.Close()
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := front.Shutdown(ctx); err != nil {
			t.Error(err)
		}
	})
	s.url, s.conn = web.URL, front.Conn()
	s.intake, s.fleet, s.platforms = creepagev1.NewIntakeServiceClient(s.conn), creepagev1.NewFleetServiceClient(s.conn), creepagev1.NewPlatformServiceClient(s.conn)
	s.warnings, s.access = creepagev1.NewWarningServiceClient(s.conn), creepagev1.NewAccessServiceClient(s.conn)
	s.review = creepagev1.NewReviewServiceClient(s.conn)
	s.erasure = creepagev1.NewErasureServiceClient(s.conn)
	s.organisation, s.adminKey = s.newOrganisation(t, "local")
	s.furnish(t)
	return s
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// testLog writes the server's log into the test's.
type testLog struct{ t testing.TB }

func (l testLog) Write(p []byte) (int, error) {
	l.t.Log(strings.TrimSpace(string(p)))
	return len(p), nil
}

// newOrganisation makes an organisation with an administrator's key, as the
// installation does.
func (s *system) newOrganisation(t testing.TB, name string) (uuid.UUID, string) {
	t.Helper()
	id, secret := uuid.Must(uuid.NewV7()), "ck_administrator_of_"+name
	hash := sha256.Sum256([]byte(secret))
	s.db.Exec(t, `INSERT INTO organisations (id, name, title, created_at) VALUES ($1, $2, $2, $3)`, id, name, now)
	s.db.Exec(t, `INSERT INTO keys (id, organisation_id, role, secret_hash, created_at) VALUES ($1, $2, 5, $3, $4)`, uuid.Must(uuid.NewV7()), id, hash[:], now)
	return id, secret
}

func (s *system) furnish(t testing.TB) {
	t.Helper()
	admin := s.with(s.adminKey)
	for _, shop := range []string{"north-yard", "south-yard"} {
		_, err := s.access.CreateShop(admin, &creepagev1.CreateShopRequest{ShopId: shop, Shop: &creepagev1.Shop{Title: shop}})
		must(t, err)
	}
	_, err := s.platforms.UpsertPlatform(admin, &creepagev1.UpsertPlatformRequest{Platform: vanPlatform()})
	must(t, err)
	s.shopKey = s.newKey(t, creepagev1.Key_SHOP, "shops/north-yard")
	s.feederKey = s.newKey(t, creepagev1.Key_FEEDER, "")
	s.fleetKey = s.newKey(t, creepagev1.Key_FLEET, "")
}

func vanPlatform() *creepagev1.Platform {
	p := &creepagev1.Platform{Name: "platforms/harbor-van-400", Title: "Harbour van", MaxWorkingVolts: 400}
	for _, w := range []creepagev1.Reading_Conductor{creepagev1.Reading_PHASE_U, creepagev1.Reading_PHASE_V, creepagev1.Reading_PHASE_W} {
		p.TestPoints = append(p.TestPoints, &creepagev1.TestPoint{Component: creepagev1.Reading_MOTOR, Conductor: w, Reference: creepagev1.Reading_CHASSIS, LimitOhms: 1e8, TestVolts: 500})
	}
	return p
}

func (s *system) newKey(t testing.TB, role creepagev1.Key_Role, shop string) string {
	t.Helper()
	key := &creepagev1.Key{Title: role.String(), Role: role}
	if shop != "" {
		key.Shop = &shop
	}
	resp, err := s.access.CreateKey(s.with(s.adminKey), &creepagev1.CreateKeyRequest{Key: key})
	must(t, err)
	return resp.GetSecret()
}

// as is a context as the server makes it for an administrator, to call a service without it.
func (s *system) as(organisation uuid.UUID) context.Context {
	return caller.Into(context.Background(), caller.Caller{Organisation: organisation, Role: creepagev1.Key_ADMINISTRATOR})
}

func (s *system) with(secret string) context.Context {
	return metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+secret)
}

// rest sends a REST request and returns status, headers and the answer's text.
func (s *system) rest(t testing.TB, method, path, secret, body string) (int, http.Header, string) {
	t.Helper()
	req, err := http.NewRequest(method, s.url+path, strings.NewReader(body))
	must(t, err)
	req.Header.Set("Authorization", "Bearer "+secret)
	resp, err := http.DefaultClient.Do(req)
	must(t, err)
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	must(t, err)
	return resp.StatusCode, resp.Header, string(text)
}
