package board_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net/url"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/app"
	"creepage/internal/client"
)

// site is the whole service as `up` runs it, with PostgreSQL, the stream and
// the worker, and a small fleet loaded through its API.
type site struct {
	process           *app.Process
	url               string
	adminKey, shopKey string
	api               *client.Client // with the administrator's key
	chromium          context.Context
	loaded            time.Time // when the fleet's records end
	faults            *faults
	data              string // the service's folder
}

// here is the site of this test process, made by TestMain.
var here *site

func TestMain(m *testing.M) {
	code, err := withSite(m)
	if err != nil {
		fmt.Fprintln(os.Stderr, "the board's tests:", err)
		code = 1
	}
	os.Exit(code)
}

// withSite runs the tests between the start and the end of a site. A fault in
// the service's log fails them.
func withSite(m *testing.M) (code int, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), 25*time.Minute)
	defer cancel()
	dir, err := os.MkdirTemp("", "creepage-board-")
	if err != nil {
		return 1, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	if err := os.Chmod(dir, 0o755); err != nil { // the database's account walks through it
		return 1, err
	}
	s := &site{loaded: time.Now().UTC(), faults: &faults{}, data: dir}
	s.process, err = app.StartUp(ctx, app.UpConfig{Common: app.Common{Log: slog.New(s.faults), Clock: time.Now}, Data: dir, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0", WebhooksInside: true})
	if err != nil {
		return 1, err
	}
	defer func() { err = errors.Join(err, s.process.Stop(ctx)) }()
	if err := s.furnish(ctx, app.KeyFile(dir)); err != nil {
		return 1, fmt.Errorf("load the fleet: %w", err)
	}
	stop, err := s.startChromium()
	if err != nil {
		return 1, err
	}
	defer stop()
	here = s
	code = m.Run()
	if n := s.faults.count.Load(); n > 0 {
		return 1, fmt.Errorf("the service logged %d faults", n)
	}
	return code, nil
}

// faults counts and prints what the service logs as an error.
type faults struct{ count atomic.Int64 }

func (f *faults) Enabled(_ context.Context, l slog.Level) bool { return l >= slog.LevelError }
func (f *faults) WithAttrs([]slog.Attr) slog.Handler           { return f }
func (f *faults) WithGroup(string) slog.Handler                { return f }
func (f *faults) Handle(_ context.Context, r slog.Record) error {
	f.count.Add(1)
	fmt.Fprintln(os.Stderr, "logged as a fault:", r.Message)
	r.Attrs(func(a slog.Attr) bool { fmt.Fprintln(os.Stderr, "  ", a); return true })
	return nil
}

// furnish makes shops, keys, a meter and the fleet.
func (s *site) furnish(ctx context.Context, keyFile string) error {
	key, err := os.ReadFile(keyFile)
	if err != nil {
		return err
	}
	s.url, s.adminKey = "http://"+s.process.HTTP, strings.TrimSpace(string(key))
	if s.api, err = client.New(s.url, s.adminKey); err != nil {
		return err
	}
	for _, shop := range []string{"north-yard", "quay"} {
		if err := s.api.Call(ctx, "POST", "/v1/shops?shopId="+shop, &creepagev1.Shop{Title: strings.ToUpper(shop[:1]) + strings.ReplaceAll(shop[1:], "-", " ")}, nil); err != nil {
			return err
		}
	}
	var made creepagev1.CreateKeyResponse
	if err := s.api.Call(ctx, "POST", "/v1/keys", &creepagev1.CreateKeyRequest{Key: &creepagev1.Key{Title: "bay tablet", Role: creepagev1.Key_SHOP, Shop: proto.String("shops/north-yard")}}, &made); err != nil {
		return err
	}
	s.shopKey = made.GetSecret()
	if err := s.api.Call(ctx, "PUT", "/v1/meters/m-7", &creepagev1.Meter{Title: "Bench meter 7", RangeOhms: proto.Float64(5.5e8)}, nil); err != nil {
		return err
	}
	if err := s.api.Call(ctx, "POST", "/v1/meters/m-7:recordCalibration", &creepagev1.Calibration{CalibrateTime: timestamppb.New(s.loaded.AddDate(-1, -1, 0)), DueTime: timestamppb.New(s.loaded.AddDate(0, -1, 0))}, nil); err != nil {
		return err
	}
	if err := s.api.Call(ctx, "PUT", "/v1/platforms/harbor-van-400", vanPlatform(), nil); err != nil {
		return err
	}
	var all []*creepagev1.Reading
	for i := range stories {
		all = append(all, s.readingsOf(&stories[i])...)
	}
	for len(all) > 0 {
		n := min(500, len(all))
		var res creepagev1.SubmitReadingsResponse
		if err := s.api.Call(ctx, "POST", "/v1/readings:submit", &creepagev1.SubmitReadingsRequest{Readings: all[:n], Backfill: true}, &res); err != nil {
			return err
		}
		for i, r := range res.GetResults() {
			if r.GetOutcome() != creepagev1.SubmitResult_ACCEPTED {
				return fmt.Errorf("reading %s: %s", all[i].GetReadingId(), r.GetError().GetMessage())
			}
		}
		all = all[n:]
	}
	return s.process.Settled(ctx)
}

func vanPlatform() *creepagev1.Platform {
	p := &creepagev1.Platform{Title: "Harbor van, 400 V", MaxWorkingVolts: 400}
	add := func(c creepagev1.Reading_Component, limit float64, conductors ...creepagev1.Reading_Conductor) {
		for _, w := range conductors {
			p.TestPoints = append(p.TestPoints, &creepagev1.TestPoint{Component: c, Conductor: w, Reference: creepagev1.Reading_CHASSIS, LimitOhms: limit, TestVolts: 500})
		}
	}
	add(creepagev1.Reading_BATTERY, 2e7, creepagev1.Reading_HV_PLUS, creepagev1.Reading_HV_MINUS)
	add(creepagev1.Reading_COMPRESSOR, 2e7, creepagev1.Reading_HV_PLUS, creepagev1.Reading_HV_MINUS)
	add(creepagev1.Reading_MOTOR, 1e8, creepagev1.Reading_PHASE_U, creepagev1.Reading_PHASE_V, creepagev1.Reading_PHASE_W)
	return p
}

// story is what happens to one made-up vehicle.
type story struct {
	name    string
	falls   creepagev1.Reading_Component // the one that declines
	decades float64                      // it loses from one visit to the next
	visits  int                          // the last ones at which it does
	skips   int                          // of the newest visits that did not take place
	monitor func(day int) float64        // ohm of the whole vehicle as its own monitor sends it
	days    int                          // for how many; 0: monitorDays
}

// visitDays is the time between two visits, and visitsMade how many there are.
const (
	visitDays  = 35
	visitsMade = 11
)

var stories = []story{
	{name: "van-01"},
	{name: "van-02", falls: creepagev1.Reading_COMPRESSOR, decades: 0.45, visits: 7, monitor: func(d int) float64 { return 4e6 * math.Pow(10, -0.007*float64(d)+0.06*math.Sin(float64(d))) }},
	{name: "van-03", monitor: func(d int) float64 { return 3e6 * math.Pow(10, 0.06*math.Sin(float64(d))) }},
	{name: "van-04", monitor: func(d int) float64 { return min(5e6, 4.6e6*math.Pow(10, 0.1*math.Sin(float64(7*d)))) }},
	{name: "van-05"},
	{name: "van-06", falls: creepagev1.Reading_COMPRESSOR, decades: 0.55, visits: 8},
	{name: "van-07", falls: creepagev1.Reading_MOTOR, decades: 0.5, visits: 5},
	{name: "van-08"},
	{name: "van-09", falls: creepagev1.Reading_COMPRESSOR, decades: 0.55, visits: 7},
	{name: "van-10", skips: 8},
	{name: "van-11"},
	{name: "van-12"},
	{name: "van-13", falls: creepagev1.Reading_COMPRESSOR, decades: 0.5, visits: 7},
	{name: "van-14"},
	{name: "van-15", monitor: func(d int) float64 { return min(5e6, 4.9e6*math.Pow(10, 0.2*math.Sin(float64(7*d)))) }, days: 3 * 365},
}

func (s *site) readingsOf(v *story) []*creepagev1.Reading {
	var out []*creepagev1.Reading
	for n := range visitsMade - v.skips {
		at := s.loaded.AddDate(0, 0, -visitDays*(visitsMade-n)+visitDays/2)
		visit := fmt.Sprintf("%s-%d", v.name, n)
		for k, p := range vanPlatform().GetTestPoints() {
			level := 9.4 + 0.05*math.Sin(float64(7*n+k))
			if fallen := n - (visitsMade - v.visits) + 1; p.GetComponent() == v.falls && fallen > 0 {
				level -= v.decades * float64(fallen)
			}
			r := &creepagev1.Reading{ReadingId: fmt.Sprintf("%s-%d-%d", v.name, n, k), Shop: "shops/north-yard", Vehicle: "vehicles/" + v.name, Platform: proto.String("platforms/harbor-van-400"),
				MeasureTime: timestamppb.New(at.Add(time.Duration(k) * 2 * time.Minute)), Method: creepagev1.Reading_TESTER, Component: p.GetComponent(), Conductor: p.GetConductor(), Reference: p.GetReference(),
				Relation: creepagev1.Reading_EQUAL, ResistanceOhms: math.Pow(10, level), TestVolts: proto.Float64(500), HoldSeconds: proto.Float64(60), HumidityPercent: proto.Float64(45),
				Meter: proto.String("meters/m-7"), RangeOhms: proto.Float64(5.5e8), Visit: &visit}
			if n%5 != 3 {
				r.TemperatureCelsius = proto.Float64(18)
			}
			if r.ResistanceOhms > 5.5e8 {
				r.Relation, r.ResistanceOhms = creepagev1.Reading_ABOVE, 5.5e8
			}
			out = append(out, r)
		}
	}
	if v.monitor != nil {
		days := cmp.Or(v.days, monitorDays)
		for d := range days {
			out = append(out, &creepagev1.Reading{ReadingId: fmt.Sprintf("%s-m%d", v.name, d), Vehicle: "vehicles/" + v.name, Platform: proto.String("platforms/harbor-van-400"),
				MeasureTime: timestamppb.New(s.loaded.AddDate(0, 0, d-days)), Method: creepagev1.Reading_MONITOR, Component: creepagev1.Reading_SYSTEM, Conductor: creepagev1.Reading_ALL,
				Reference: creepagev1.Reading_CHASSIS, Relation: creepagev1.Reading_EQUAL, ResistanceOhms: v.monitor(d), Quantity: creepagev1.Reading_PARALLEL.Enum()})
		}
	}
	return out
}

// monitorDays is for how long the monitors have been sending.
const monitorDays = 120

// get asks the API.
func get[M any, P interface {
	*M
	proto.Message
}](t *testing.T, path string) P {
	t.Helper()
	var m M
	if err := here.api.Call(t.Context(), "GET", path, nil, P(&m)); err != nil {
		t.Fatal(err)
	}
	return P(&m)
}

// readings lists a vehicle's readings by the API, newest first, once all that
// was submitted is worked in.
func readings(t *testing.T, vehicle string) []*creepagev1.AssessedReading {
	t.Helper()
	settle(t)
	return get[creepagev1.ListReadingsResponse](t, "/v1/vehicles/"+vehicle+"/readings?pageSize=1000").GetReadings()
}

// settle waits until the worker has nothing left to do.
func settle(t *testing.T) {
	t.Helper()
	if err := here.process.Settled(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// outlooks lists vehicles in the API's order.
func outlooks(t *testing.T, filter string) []string {
	t.Helper()
	var names []string
	for _, o := range get[creepagev1.ListOutlooksResponse](t, "/v1/outlooks?pageSize=100&filter="+url.QueryEscape(filter)).GetOutlooks() {
		names = append(names, strings.TrimPrefix(o.GetVehicle(), "vehicles/"))
	}
	return names
}
