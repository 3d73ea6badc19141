package board_test

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"sort"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/filter"
	"creepage/internal/insulation"
	"creepage/internal/trend"
	"creepage/internal/wire"
	"creepage/services/board"
)

// now is when the tests' fleet stands. Times in it are relative to it.
var now = time.Date(2026, 6, 15, 12, 0, 0, 0, time.UTC)

// The keys of the tests' fleet.
const (
	adminKey = "ck_administrator"
	shopKey  = "ck_shop"
)

// api answers the contract from memory with the project's own trend, wire and
// assessment code, so that pages are tested on true outlooks. It keeps no
// promise of the service but the shape of its answers.
type api struct {
	creepagev1.UnimplementedAccessServiceServer
	creepagev1.UnimplementedFleetServiceServer
	creepagev1.UnimplementedIntakeServiceServer
	creepagev1.UnimplementedPlatformServiceServer
	creepagev1.UnimplementedWarningServiceServer
	creepagev1.UnimplementedBenchServiceServer

	mu       sync.Mutex
	model    *trend.Model
	platform insulation.Platform
	vehicles map[string]*vehicle
	warnings []*creepagev1.Warning
	calls    int
}

type vehicle struct {
	name     string
	readings []insulation.Reading
	voids    map[string]string
	events   []insulation.Event
	outlook  *creepagev1.Outlook
	tracks   []*creepagev1.Track
}

func testPlatform() insulation.Platform {
	p := insulation.Platform{ID: "harbor-van-400", Title: "Harbor van, 400 V", MaxWorkingVolts: 400}
	for _, c := range []insulation.Component{insulation.Battery, insulation.Compressor} {
		for _, w := range []insulation.Conductor{insulation.HVPlus, insulation.HVMinus} {
			p.Points = append(p.Points, insulation.Point{Component: c, Conductor: w, Reference: insulation.Chassis, LimitOhms: 2e7, TestVolts: 500})
		}
	}
	for _, w := range []insulation.Conductor{insulation.PhaseU, insulation.PhaseV, insulation.PhaseW} {
		p.Points = append(p.Points, insulation.Point{Component: insulation.Motor, Conductor: w, Reference: insulation.Chassis, LimitOhms: 1e8, TestVolts: 500})
	}
	return p
}

func newAPI(t testing.TB) *api {
	model, err := trend.NewModel(trend.Default())
	if err != nil {
		t.Fatal(err)
	}
	a := &api{model: model, platform: testPlatform(), vehicles: map[string]*vehicle{}}
	for i := range 14 {
		a.addVehicle(fmt.Sprintf("van-%02d", i+1), i)
	}
	return a
}

// addVehicle makes fifteen months of visits every five weeks: most hold their
// level over range, every fourth has a compressor or motor on the way down.
func (a *api) addVehicle(name string, i int) {
	v := &vehicle{name: name, voids: map[string]string{}}
	a.vehicles[name] = v
	start := now.AddDate(0, -15, i)
	for n := 0; ; n++ {
		at := start.AddDate(0, 0, 35*n)
		if at.After(now) || i == 9 && n > 3 {
			break
		}
		for k, p := range a.platform.Points {
			level := 9.4
			switch {
			case i%4 == 1 && p.Component == insulation.Compressor:
				level = 9.3 - (0.24+0.03*float64(i))*float64(n)
			case i == 6 && p.Component == insulation.Motor && n > 6:
				level = 9.4 - 0.5*float64(n-6)
			}
			r := a.reading(v, fmt.Sprintf("%s-%d-%d", name, n, k), at.Add(time.Duration(k)*2*time.Minute), p, math.Pow(10, level+0.05*math.Sin(float64(7*n+k))))
			r.Visit = fmt.Sprintf("%s-%d", name, n)
			if n%5 == 3 {
				r.AirCelsius = math.NaN()
			}
			v.readings = append(v.readings, r)
		}
	}
	if i == 1 || i == 2 {
		for d := range 120 {
			r := a.reading(v, fmt.Sprintf("%s-m%d", name, d), now.AddDate(0, 0, d-120), insulation.Point{Component: insulation.System, Conductor: insulation.AllConductors, Reference: insulation.Chassis}, 4e6*math.Pow(10, -0.004*float64(d)*float64(i%2)+0.06*math.Sin(float64(d))))
			r.Method, r.TestVolts, r.HoldSeconds, r.Quantity, r.RangeOhms, r.Relation, r.Meter = insulation.Monitor, math.NaN(), math.NaN(), insulation.Parallel, math.NaN(), insulation.Equal, ""
			v.readings = append(v.readings, r)
		}
	}
	a.evaluate(v)
	if s := v.outlook.GetState(); s == creepagev1.Outlook_DUE || s == creepagev1.Outlook_UNDER {
		a.warnings = append(a.warnings, &creepagev1.Warning{Name: fmt.Sprintf("warnings/w-%d", i), Vehicle: "vehicles/" + name, Kind: creepagev1.Warning_CODE_DUE, Component: v.outlook.LimitingComponent,
			CodeProbability: 0.31, Reason: v.outlook.GetReason(), RaiseTime: timestamppb.New(now.AddDate(0, 0, -20))})
	}
}

func (a *api) reading(v *vehicle, id string, at time.Time, p insulation.Point, ohms float64) insulation.Reading {
	r := insulation.Reading{ID: id, Shop: "north-yard", Vehicle: v.name, Platform: a.platform.ID, MeasuredAt: at, ReceivedAt: at, Method: insulation.Tester,
		Component: p.Component, Conductor: p.Conductor, Reference: p.Reference, Relation: insulation.Equal, Ohms: ohms, TestVolts: 500, HoldSeconds: 60,
		AirCelsius: 18, HumidityPct: 45, PartCelsius: math.NaN(), Meter: "m-7", RangeOhms: 5.5e8}
	if ohms > 5.5e8 {
		r.Relation, r.Ohms = insulation.Above, 5.5e8
	}
	return r
}

// evaluate computes outlook and tracks anew, day by day.
func (a *api) evaluate(v *vehicle) {
	memory := trend.NewVehicle(v.name)
	var entries []trend.Entry
	for i := range v.readings {
		if v.voids[v.readings[i].ID] == "" {
			entries = append(entries, trend.Entry{Reading: &v.readings[i]})
		}
	}
	for i := range v.events {
		entries = append(entries, trend.Entry{Event: &v.events[i]})
	}
	sort.SliceStable(entries, func(i, j int) bool { return entries[i].Time().Before(entries[j].Time()) })
	tracks := map[trend.GroupKey]*creepagev1.Track{}
	for i, e := range entries {
		if err := a.model.Add(memory, &a.platform, []trend.Entry{e}); err != nil {
			panic(err)
		}
		end := e.Time().Truncate(24 * time.Hour).Add(24 * time.Hour)
		if i+1 < len(entries) && entries[i+1].Time().Before(end) {
			continue
		}
		o := a.model.Outlook(memory, &a.platform, end)
		for _, p := range o.Parts {
			if tracks[p.Group] == nil {
				tracks[p.Group] = &creepagev1.Track{Component: creepagev1.Reading_Component(p.Group.Component), Group: p.Group.Conductor.String()}
			}
			tracks[p.Group].Estimates = append(tracks[p.Group].Estimates, &creepagev1.Estimate{Time: timestamppb.New(end), MedianOhms: p.LevelNow.P50, P10Ohms: p.LevelNow.P10, P90Ohms: p.LevelNow.P90})
		}
	}
	v.tracks = nil
	for _, t := range tracks {
		v.tracks = append(v.tracks, t)
	}
	o := a.model.Outlook(memory, &a.platform, now)
	v.outlook = wire.OutlookMessage(&o)
	v.outlook.Name, v.outlook.Vehicle, v.outlook.Platform = wire.OutlookName(v.name), "vehicles/"+v.name, "platforms/"+a.platform.ID
	v.outlook.LastShop = proto.String("shops/north-yard")
	if n := len(v.readings); n > 0 {
		v.outlook.LastMeasureTime = timestamppb.New(v.readings[n-1].MeasuredAt)
	}
}

func (a *api) find(name string) (*vehicle, error) {
	if v := a.vehicles[strings.TrimSuffix(strings.TrimPrefix(name, "vehicles/"), "/outlook")]; v != nil {
		return v, nil
	}
	return nil, status.Errorf(codes.NotFound, "%s is not on record", name)
}

func (a *api) GetCaller(ctx context.Context, _ *creepagev1.GetCallerRequest) (*creepagev1.Caller, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	key := &creepagev1.Key{Name: "keys/one", Title: "tests", Role: creepagev1.Key_ADMINISTRATOR}
	if md.Get("authorization")[0] == "Bearer "+shopKey {
		key.Role, key.Shop = creepagev1.Key_SHOP, proto.String("shops/north-yard")
	}
	return &creepagev1.Caller{Organisation: "o", OrganisationTitle: "Harbor operator", Key: key}, nil
}

func (a *api) ListShops(context.Context, *creepagev1.ListShopsRequest) (*creepagev1.ListShopsResponse, error) {
	return &creepagev1.ListShopsResponse{Shops: []*creepagev1.Shop{{Name: "shops/north-yard", Title: "North yard"}, {Name: "shops/quay", Title: "Quay"}}}, nil
}

func (a *api) ListMeters(context.Context, *creepagev1.ListMetersRequest) (*creepagev1.ListMetersResponse, error) {
	return &creepagev1.ListMetersResponse{Meters: []*creepagev1.Meter{{Name: "meters/m-7", Title: "Bench meter 7", RangeOhms: proto.Float64(5.5e8),
		Calibrations: []*creepagev1.Calibration{{CalibrateTime: timestamppb.New(now.AddDate(-1, -1, 0)), DueTime: timestamppb.New(now.AddDate(0, -1, 0))}}}}}, nil
}

func (a *api) ListKeys(context.Context, *creepagev1.ListKeysRequest) (*creepagev1.ListKeysResponse, error) {
	return &creepagev1.ListKeysResponse{Keys: []*creepagev1.Key{{Name: "keys/one", Title: "tests", Role: creepagev1.Key_ADMINISTRATOR, CreateTime: timestamppb.New(now)}, {Name: "keys/two", Title: "bay tablet", Role: creepagev1.Key_SHOP, Shop: proto.String("shops/north-yard"), CreateTime: timestamppb.New(now)}}}, nil
}

func (a *api) ListPlatforms(context.Context, *creepagev1.ListPlatformsRequest) (*creepagev1.ListPlatformsResponse, error) {
	return &creepagev1.ListPlatformsResponse{Platforms: []*creepagev1.Platform{a.platformMessage()}}, nil
}

func (a *api) platformMessage() *creepagev1.Platform { return wire.PlatformMessage(&a.platform) }

func (a *api) GetPlatform(context.Context, *creepagev1.GetPlatformRequest) (*creepagev1.Platform, error) {
	return a.platformMessage(), nil
}

func (a *api) GetVehicle(_ context.Context, req *creepagev1.GetVehicleRequest) (*creepagev1.Vehicle, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	v, err := a.find(req.GetName())
	if err != nil {
		return nil, err
	}
	return &creepagev1.Vehicle{Name: "vehicles/" + v.name, Platform: "platforms/" + a.platform.ID, LastShop: proto.String("shops/north-yard"), CreateTime: timestamppb.New(now.AddDate(-1, 0, 0)), LastMeasureTime: v.outlook.GetLastMeasureTime()}, nil
}

func (a *api) GetOutlook(_ context.Context, req *creepagev1.GetOutlookRequest) (*creepagev1.Outlook, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	v, err := a.find(req.GetName())
	if err != nil {
		return nil, err
	}
	return v.outlook, nil
}

// outlookFields are those the contract lists for ListOutlooks.
func outlookFields() filter.Fields {
	return filter.Fields{{Name: "state", Kind: filter.Word, Words: []string{"steady", "falling", "due", "under", "unknown"}}, {Name: "platform", Kind: filter.Name, Collection: "platforms"},
		{Name: "last_shop", Kind: filter.Name, Collection: "shops"}, {Name: "limiting_component", Kind: filter.Word, Words: []string{"battery", "compressor", "motor", "system"}},
		{Name: "days_to_code_p50", Kind: filter.Number}, {Name: "vehicle", Kind: filter.Name, Collection: "vehicles"}, {Name: "measure_again_by", Kind: filter.Time}}
}

func holds(e *filter.Expression, o *creepagev1.Outlook) bool {
	if e == nil {
		return true
	}
	switch e.Op {
	case filter.And:
		return !slices.ContainsFunc(e.Kids, func(k *filter.Expression) bool { return !holds(k, o) })
	case filter.Or:
		return slices.ContainsFunc(e.Kids, func(k *filter.Expression) bool { return holds(k, o) })
	}
	switch e.Field {
	case "state":
		return strings.EqualFold(o.GetState().String(), e.Value.(string))
	case "platform":
		return o.GetPlatform() == "platforms/"+e.Value.(string)
	case "last_shop":
		return o.GetLastShop() == "shops/"+e.Value.(string)
	case "limiting_component":
		return strings.EqualFold(o.GetLimitingComponent().String(), e.Value.(string))
	case "days_to_code_p50":
		return o.DaysToCodeP50 != nil && o.GetDaysToCodeP50() <= e.Value.(float64)
	case "vehicle":
		return strings.HasPrefix(strings.TrimPrefix(o.GetVehicle(), "vehicles/"), strings.TrimSuffix(e.Value.(string), "*"))
	case "measure_again_by":
		return o.MeasureAgainBy != nil && o.GetMeasureAgainBy() < e.Value.(time.Time).Format("2006-01-02")
	}
	return false
}

func (a *api) ListOutlooks(_ context.Context, req *creepagev1.ListOutlooksRequest) (*creepagev1.ListOutlooksResponse, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.calls++
	where, err := outlookFields().Parse(req.GetFilter())
	if err != nil {
		return nil, status.Error(codes.InvalidArgument, err.Error())
	}
	var all []*creepagev1.Outlook
	for _, v := range a.vehicles {
		if holds(where, v.outlook) {
			all = append(all, v.outlook)
		}
	}
	sort.Slice(all, func(i, j int) bool {
		if pi, pj := all[i].GetCodeProbability_90D(), all[j].GetCodeProbability_90D(); pi != pj {
			return pi > pj
		}
		return all[i].GetVehicle() < all[j].GetVehicle()
	})
	res := &creepagev1.ListOutlooksResponse{TotalSize: int32(len(all))}
	var from int
	_, _ = fmt.Sscan(req.GetPageToken(), &from)
	to := min(len(all), from+int(req.GetPageSize()))
	res.Outlooks = all[from:to]
	if to < len(all) {
		res.NextPageToken = fmt.Sprint(to)
	}
	return res, nil
}

func (a *api) ListTracks(_ context.Context, req *creepagev1.ListTracksRequest) (*creepagev1.ListTracksResponse, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	v, err := a.find(req.GetParent())
	if err != nil {
		return nil, err
	}
	return &creepagev1.ListTracksResponse{Tracks: v.tracks}, nil
}

func (a *api) ListReadings(_ context.Context, req *creepagev1.ListReadingsRequest) (*creepagev1.ListReadingsResponse, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	v, err := a.find(req.GetParent())
	if err != nil {
		return nil, err
	}
	res := &creepagev1.ListReadingsResponse{}
	sorted := slices.Clone(v.readings)
	slices.SortStableFunc(sorted, func(a, b insulation.Reading) int { return b.MeasuredAt.Compare(a.MeasuredAt) })
	for i := range sorted {
		r := &sorted[i]
		if f := req.GetFilter(); f != "" && !strings.HasSuffix(f, strings.ToUpper(r.Component.String())) || len(res.Readings) == int(req.GetPageSize()) {
			continue
		}
		m := wire.ReadingMessage(r)
		if why := v.voids[r.ID]; why != "" {
			m.VoidReason = &why
		}
		assessment := insulation.Assess(r, &a.platform, now)
		res.Readings = append(res.Readings, &creepagev1.AssessedReading{Reading: m, Assessment: wire.AssessmentMessage(&assessment)})
	}
	return res, nil
}

func (a *api) ListRepairs(_ context.Context, req *creepagev1.ListRepairsRequest) (*creepagev1.ListRepairsResponse, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	v, err := a.find(req.GetParent())
	if err != nil {
		return nil, err
	}
	res := &creepagev1.ListRepairsResponse{}
	for _, e := range v.events {
		res.Repairs = append(res.Repairs, &creepagev1.Repair{Component: creepagev1.Reading_Component(e.Component), Kind: creepagev1.Repair_Kind(e.Kind), OccurTime: timestamppb.New(e.OccurredAt)})
	}
	return res, nil
}

func (a *api) ListCodes(context.Context, *creepagev1.ListCodesRequest) (*creepagev1.ListCodesResponse, error) {
	return &creepagev1.ListCodesResponse{}, nil
}

func (a *api) CreateRepair(_ context.Context, req *creepagev1.CreateRepairRequest) (*creepagev1.Repair, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	v, err := a.find(req.GetParent())
	if err != nil {
		return nil, err
	}
	e, err := wire.Repair(req.GetRepair(), v.name, now)
	if err != nil {
		return nil, status.Error(codes.InvalidArgument, err.Error())
	}
	v.events = append(v.events, e)
	a.evaluate(v)
	return req.GetRepair(), nil
}

func (a *api) ListWarnings(_ context.Context, req *creepagev1.ListWarningsRequest) (*creepagev1.ListWarningsResponse, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	res := &creepagev1.ListWarningsResponse{}
	for _, w := range a.warnings {
		if !strings.HasPrefix(req.GetFilter(), "vehicle") || strings.Contains(req.GetFilter(), `"`+w.GetVehicle()+`"`) {
			res.Warnings = append(res.Warnings, proto.Clone(w).(*creepagev1.Warning))
		}
	}
	return res, nil
}

func (a *api) warning(name string) (*creepagev1.Warning, error) {
	for _, w := range a.warnings {
		if w.GetName() == name {
			return w, nil
		}
	}
	return nil, status.Errorf(codes.NotFound, "%s is not on record", name)
}

func (a *api) AcknowledgeWarning(_ context.Context, req *creepagev1.AcknowledgeWarningRequest) (*creepagev1.Warning, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	w, err := a.warning(req.GetName())
	if err == nil {
		w.AcknowledgeTime, w.AcknowledgeNote = timestamppb.New(now), proto.String(req.GetNote())
	}
	return w, err
}

func (a *api) RecordFinding(_ context.Context, req *creepagev1.RecordFindingRequest) (*creepagev1.Warning, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	w, err := a.warning(req.GetName())
	if err == nil {
		w.Finding, w.FindingNote = req.GetFinding().Enum(), proto.String(req.GetNote())
	}
	return w, err
}

func (a *api) MakeTestPlan(_ context.Context, req *creepagev1.MakeTestPlanRequest) (*creepagev1.TestPlan, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if req.GetVehicle() != "" {
		if _, err := a.find(req.GetVehicle()); err != nil {
			return nil, err
		}
	}
	plan := &creepagev1.TestPlan{Platform: "platforms/" + a.platform.ID, PlatformTitle: a.platform.Title, MaxWorkingVolts: 400,
		Before: []string{"Isolate the pack by the maker's procedure.", "Wait for the capacitors.", "Prove zero volts."}, After: []string{"Discharge what was tested.", "Put the circuit back by the maker's procedure."},
		Cautions: []string{"The tester's output is hazardous."}}
	for _, p := range a.platform.Points {
		plan.Points = append(plan.Points, &creepagev1.PlannedPoint{Component: creepagev1.Reading_Component(p.Component), Conductor: creepagev1.Reading_Conductor(p.Conductor), Reference: creepagev1.Reading_Reference(p.Reference),
			TestVolts: p.TestVolts, HoldSeconds: 60, LimitOhms: p.LimitOhms})
	}
	return plan, nil
}

func (a *api) AssessVisit(_ context.Context, req *creepagev1.AssessVisitRequest) (*creepagev1.VisitAssessment, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	res := &creepagev1.VisitAssessment{Summary: "All of it in one sentence."}
	low, high := math.Inf(1), 0.0
	for _, r := range req.GetReadings() {
		if r.GetComponent() == creepagev1.Reading_MOTOR {
			low, high = min(low, r.GetResistanceOhms()), max(high, r.GetResistanceOhms())
		}
	}
	if high > 10*low {
		res.Contradictions = append(res.Contradictions, &creepagev1.Contradiction{Component: creepagev1.Reading_MOTOR, Text: "The phases are one winding and differ more than tenfold: look at the leads."})
	}
	return res, nil
}

func (a *api) SubmitReadings(_ context.Context, req *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	res := &creepagev1.SubmitReadingsResponse{}
	for _, m := range req.GetReadings() {
		r, err := wire.Reading(m)
		if err != nil {
			res.Results = append(res.Results, &creepagev1.SubmitResult{Outcome: creepagev1.SubmitResult_REJECTED, Error: status.New(codes.InvalidArgument, err.Error()).Proto()})
			continue
		}
		v, err := a.find(m.GetVehicle())
		if err != nil {
			return nil, err
		}
		assessment := insulation.Assess(&r, &a.platform, now)
		one := &creepagev1.SubmitResult{ReadingId: &r.ID, Outcome: creepagev1.SubmitResult_ACCEPTED, Assessment: wire.AssessmentMessage(&assessment)}
		if slices.ContainsFunc(v.readings, func(o insulation.Reading) bool { return o.ID == r.ID && o.MeasuredAt.Equal(r.MeasuredAt) }) {
			one.Outcome = creepagev1.SubmitResult_DUPLICATE
		} else {
			v.readings = append(v.readings, r)
		}
		res.Results = append(res.Results, one)
	}
	return res, nil
}

func (a *api) VoidReading(_ context.Context, req *creepagev1.VoidReadingRequest) (*creepagev1.VoidReadingResponse, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, v := range a.vehicles {
		for _, r := range v.readings {
			if r.ID == req.GetReadingId() {
				v.voids[r.ID] = req.GetReason()
				a.evaluate(v)
				return &creepagev1.VoidReadingResponse{Reading: wire.ReadingMessage(&r)}, nil
			}
		}
	}
	return nil, status.Errorf(codes.NotFound, "reading %s is not on record", req.GetReadingId())
}

// serve starts the API on an in-memory connection and the board on a port of
// this machine.
func serve(t testing.TB, a *api) string {
	t.Helper()
	l := bufconn.Listen(1 << 20)
	s := grpc.NewServer(grpc.UnaryInterceptor(func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, h grpc.UnaryHandler) (any, error) {
		md, _ := metadata.FromIncomingContext(ctx)
		if k := md.Get("authorization"); len(k) != 1 || k[0] != "Bearer "+adminKey && k[0] != "Bearer "+shopKey {
			return nil, status.Error(codes.Unauthenticated, "key unknown")
		}
		return h(ctx, req)
	}))
	creepagev1.RegisterAccessServiceServer(s, a)
	creepagev1.RegisterFleetServiceServer(s, a)
	creepagev1.RegisterIntakeServiceServer(s, a)
	creepagev1.RegisterPlatformServiceServer(s, a)
	creepagev1.RegisterWarningServiceServer(s, a)
	creepagev1.RegisterBenchServiceServer(s, a)
	go func() { _ = s.Serve(l) }()
	t.Cleanup(s.Stop)
	conn, err := grpc.NewClient("passthrough:///memory", grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	h, err := board.New(conn, board.Options{Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return now }, Secret: []byte("0123456789abcdef0123456789abcdef")})
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(handlerLog{h, t})
	t.Cleanup(web.Close)
	return web.URL
}

// handlerLog fails the test on a server fault.
type handlerLog struct {
	http.Handler
	t testing.TB
}

func (h handlerLog) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	rec := &recorder{ResponseWriter: w}
	h.Handler.ServeHTTP(rec, r)
	if rec.code == http.StatusInternalServerError {
		h.t.Errorf("%s %s: %d", r.Method, r.URL, rec.code)
	}
}

type recorder struct {
	http.ResponseWriter
	code int
}

func (r *recorder) WriteHeader(code int) { r.code = code; r.ResponseWriter.WriteHeader(code) }
