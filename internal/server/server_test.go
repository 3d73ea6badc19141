package server

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/problem"
)

// clock is a time that moves when a test says so.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// echo answers a submission with what reached it.
type echo struct {
	creepagev1.UnimplementedIntakeServiceServer
	creepagev1.UnimplementedFleetServiceServer
	creepagev1.UnimplementedAccessServiceServer
	creepagev1.UnimplementedReportServiceServer
	download func(*creepagev1.DownloadReportRequest, grpc.ServerStreamingServer[httpbody.HttpBody]) error
	submit   func(context.Context, *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error)
}

func (e *echo) SubmitReadings(ctx context.Context, req *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
	return e.submit(ctx, req)
}

func (e *echo) DownloadReport(req *creepagev1.DownloadReportRequest, s grpc.ServerStreamingServer[httpbody.HttpBody]) error {
	return e.download(req, s)
}

func (e *echo) ListOutlooks(context.Context, *creepagev1.ListOutlooksRequest) (*creepagev1.ListOutlooksResponse, error) {
	return &creepagev1.ListOutlooksResponse{}, nil
}

type rig struct {
	*Server
	clock *clock
	echo  *echo
	url   string
	keys  map[string]caller.Caller
	logs  *strings.Builder
}

func newRig(t *testing.T, config Config, checks ...Check) *rig {
	t.Helper()
	r := &rig{clock: &clock{at: time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC)}, echo: &echo{}, logs: &strings.Builder{}}
	r.echo.submit = func(_ context.Context, req *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
		resp := &creepagev1.SubmitReadingsResponse{}
		for _, m := range req.GetReadings() {
			result := &creepagev1.SubmitResult{ReadingId: &m.ReadingId, Outcome: creepagev1.SubmitResult_ACCEPTED, Assessment: &creepagev1.Assessment{}}
			if m.GetVehicle() == "" {
				result.Outcome, result.Assessment = creepagev1.SubmitResult_REJECTED, nil
			}
			resp.Results = append(resp.Results, result)
		}
		return resp, nil
	}
	r.keys = map[string]caller.Caller{
		"ck_shop":  {Organisation: uuid.UUID{1}, KeyID: "k-shop", Role: creepagev1.Key_SHOP, Shop: "north-yard"},
		"ck_admin": {Organisation: uuid.UUID{1}, KeyID: "k-admin", Role: creepagev1.Key_ADMINISTRATOR},
		"ck_fleet": {Organisation: uuid.UUID{1}, KeyID: "k-fleet", Role: creepagev1.Key_FLEET},
	}
	byHash := map[[32]byte]caller.Caller{}
	for secret, c := range r.keys {
		byHash[sha256.Sum256([]byte(secret))] = c
	}
	s, err := New(config, Parts{
		Log:     slog.New(slog.NewTextHandler(&lockedWriter{w: r.logs}, nil)),
		Metrics: prometheus.NewRegistry(),
		Now:     r.clock.now,
		FindKey: func(_ context.Context, hash [32]byte, _ time.Time) (caller.Caller, error) {
			c, ok := byHash[hash]
			if !ok {
				return caller.Caller{}, caller.ErrNoKey
			}
			return c, nil
		},
		Checks: checks,
		Services: func(g grpc.ServiceRegistrar) {
			creepagev1.RegisterIntakeServiceServer(g, r.echo)
			creepagev1.RegisterFleetServiceServer(g, r.echo)
			creepagev1.RegisterAccessServiceServer(g, r.echo)
			creepagev1.RegisterReportServiceServer(g, r.echo)
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	r.Server = s
	front := httptest.NewServer(s.Handler())
	r.url = front.URL
	t.Cleanup(func() {
		front.Close()
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		if err := s.Shutdown(ctx); err != nil {
			t.Errorf("shutdown: %v", err)
		}
	})
	return r
}

type lockedWriter struct {
	mu sync.Mutex
	w  io.Writer
}

func (l *lockedWriter) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(p)
}

func (r *rig) with(secret string) context.Context {
	return metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+secret)
}

// do sends a REST request and returns status, headers and the answer's text.
func (r *rig) do(t *testing.T, method, path, secret, body string) (int, http.Header, string) {
	t.Helper()
	req, err := http.NewRequest(method, r.url+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if secret != "" {
		req.Header.Set("Authorization", "Bearer "+secret)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, resp.Header, string(text)
}

// restError is a google.rpc.Status as REST callers read it.
type restError struct {
	Code    int
	Message string
	Details []struct {
		Type            string `json:"@type"`
		Reason          string
		Domain          string
		FieldViolations []struct{ Field, Description string }
	}
}

func readError(t *testing.T, text string) restError {
	t.Helper()
	var e restError
	if err := json.Unmarshal([]byte(text), &e); err != nil {
		t.Fatalf("%q is not an error in JSON: %v", text, err)
	}
	return e
}

func (e restError) reason() string {
	for _, d := range e.Details {
		if d.Type == "type.googleapis.com/google.rpc.ErrorInfo" && d.Domain == problem.Domain {
			return d.Reason
		}
	}
	return ""
}

func (e restError) field(path string) string {
	for _, d := range e.Details {
		for _, v := range d.FieldViolations {
			if v.Field == path {
				return v.Description
			}
		}
	}
	return ""
}

func TestTheChainStandsInItsOrder(t *testing.T) {
	r := newRig(t, Config{})
	steps, err := r.chain()
	if err != nil {
		t.Fatal(err)
	}
	names := make([]string, len(steps))
	for i, s := range steps {
		names[i] = s.name
		if s.unary == nil || s.stream == nil {
			t.Errorf("step %q leaves out unary or streaming calls", s.name)
		}
	}
	want := []string{"request id", "metrics", "log", "errors", "recovery", "authenticate", "authorise", "rate", "size", "deadline", "validate"}
	if diff := cmp.Diff(want, names); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestEveryMethodOfTheContractHasItsRoles(t *testing.T) {
	methods := 0
	protoregistry.GlobalFiles.RangeFilesByPackage("creepage.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				methods++
				name := "/" + string(service.FullName()) + "/" + string(service.Methods().Get(j).Name())
				if len(roles[name]) == 0 {
					t.Errorf("%s is open to nobody: it has no entry in the role table", name)
				}
			}
		}
		return true
	})
	if methods != len(roles) {
		t.Errorf("the contract has %d methods, the role table %d", methods, len(roles))
	}
}

func TestRolesAreHeld(t *testing.T) {
	r := newRig(t, Config{})
	intake, fleet := creepagev1.NewIntakeServiceClient(r.Conn()), creepagev1.NewFleetServiceClient(r.Conn())
	if _, err := intake.SubmitReadings(r.with("ck_shop"), &creepagev1.SubmitReadingsRequest{}); err != nil {
		t.Errorf("a shop may submit: %v", err)
	}
	if _, err := fleet.ListOutlooks(r.with("ck_fleet"), &creepagev1.ListOutlooksRequest{}); err != nil {
		t.Errorf("a fleet key may read outlooks: %v", err)
	}
	for what, err := range map[string]error{
		"a shop reading outlooks":       second(fleet.ListOutlooks(r.with("ck_shop"), &creepagev1.ListOutlooksRequest{})),
		"a fleet key submitting":        second(intake.SubmitReadings(r.with("ck_fleet"), &creepagev1.SubmitReadingsRequest{})),
		"a method outside the contract": r.Conn().Invoke(r.with("ck_fleet"), "/creepage.v1.FleetService/DropEverything", &creepagev1.ListOutlooksRequest{}, &creepagev1.ListOutlooksResponse{}),
	} {
		want := codes.PermissionDenied
		if strings.Contains(what, "outside") {
			want = codes.Unimplemented
		}
		if status.Code(err) != want || infoOf(err) == nil {
			t.Errorf("%s: got %v (details %v), want %s with an ErrorInfo", what, err, status.Convert(err).Details(), want)
		}
	}
}

func second[T any](_ T, err error) error { return err }

func infoOf(err error) *errdetails.ErrorInfo {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == problem.Domain && info.GetReason() != "" {
			return info
		}
	}
	return nil
}

func TestAKeyIsNeededAndFailedOnesHaveToWait(t *testing.T) {
	r := newRig(t, Config{FailedKeysPerMinute: 3})
	r.do(t, "GET", "/v1/outlooks", "ck_fleet", "")
	for _, secret := range []string{"", "ck_wrong"} {
		code, headers, text := r.do(t, "GET", "/v1/outlooks", secret, "")
		if code != http.StatusUnauthorized || headers.Get("WWW-Authenticate") == "" || readError(t, text).reason() == "" {
			t.Errorf("key %q: %d %v %s", secret, code, headers, text)
		}
		if secret != "" && (strings.Contains(text, secret) || strings.Contains(r.logs.String(), secret)) {
			t.Errorf("the secret is repeated in the answer or the log")
		}
	}
	for range 2 {
		r.do(t, "GET", "/v1/outlooks", "ck_wrong", "")
	}
	code, headers, text := r.do(t, "GET", "/v1/outlooks", "ck_wrong", "")
	if code != http.StatusTooManyRequests || headers.Get("Retry-After") != "20" || readError(t, text).reason() != "TOO_MANY_FAILED_KEYS" {
		t.Errorf("after four failures: %d, Retry-After %q, %s", code, headers.Get("Retry-After"), text)
	}
	if code, _, text := r.do(t, "GET", "/v1/outlooks", "ck_fleet", ""); code != http.StatusOK {
		t.Errorf("a key that was valid before has to wait for others' failures: %d %s", code, text)
	}
	if code, _, _ := r.do(t, "POST", "/v1/readings:submit", "ck_shop", "{}"); code != http.StatusTooManyRequests {
		t.Errorf("a key never seen before is looked up meanwhile: %d", code)
	}
	r.clock.advance(20 * time.Second)
	if code, _, text := r.do(t, "POST", "/v1/readings:submit", "ck_shop", "{}"); code != http.StatusOK {
		t.Errorf("a valid key after the wait: %d %s", code, text)
	}
}

func TestARevokedKeyIsRefusedAfterTwoSeconds(t *testing.T) {
	valid := true
	clock := &clock{at: time.Now()}
	cache := &keyCache{now: clock.now, entries: map[[32]byte]keyEntry{}, lookup: func(context.Context, [32]byte, time.Time) (caller.Caller, error) {
		if !valid {
			return caller.Caller{}, caller.ErrNoKey
		}
		return caller.Caller{KeyID: "k"}, nil
	}}
	if _, err := cache.find(context.Background(), [32]byte{1}); err != nil {
		t.Fatal(err)
	}
	valid = false
	clock.advance(2 * time.Second)
	if _, err := cache.find(context.Background(), [32]byte{1}); !errors.Is(err, caller.ErrNoKey) {
		t.Errorf("got %v two seconds after the revocation, want it refused", err)
	}
}

// The headers that HTTP clients know: on every answer how many calls are left,
// on a refusal when to come again.
func TestEveryAnswerSaysHowManyCallsAreLeft(t *testing.T) {
	r := newRig(t, Config{CallsPerSecond: 2})
	for i, want := range []struct {
		code                    int
		remaining, reset, retry string
	}{{200, "3", "1", ""}, {200, "2", "1", ""}, {400, "1", "2", ""}, {200, "0", "2", ""}, {429, "0", "2", "1"}} {
		path := "/v1/outlooks"
		if want.code == http.StatusBadRequest {
			path += "?pageSize=-1&orderBy=" + strings.Repeat("x", 300)
		}
		code, headers, text := r.do(t, http.MethodGet, path, "ck_fleet", "")
		got := []string{headers.Get("RateLimit-Limit"), headers.Get("RateLimit-Remaining"), headers.Get("RateLimit-Reset"), headers.Get("Retry-After")}
		if diff := cmp.Diff([]string{"4", want.remaining, want.reset, want.retry}, got); diff != "" || code != want.code {
			t.Errorf("call %d: %d %s\n%s", i+1, code, text, diff)
		}
	}
}

func TestTooManyCallsOfOneKeyHaveToWait(t *testing.T) {
	r := newRig(t, Config{CallsPerSecond: 1})
	var last error
	client := creepagev1.NewIntakeServiceClient(r.Conn())
	for range 3 {
		_, last = client.SubmitReadings(r.with("ck_shop"), &creepagev1.SubmitReadingsRequest{})
	}
	if status.Code(last) != codes.ResourceExhausted || infoOf(last).GetReason() != "RATE_LIMIT" || retryOf(last) != time.Second {
		t.Errorf("third call in a second: %v, retry in %s", last, retryOf(last))
	}
	if _, err := creepagev1.NewFleetServiceClient(r.Conn()).ListOutlooks(r.with("ck_fleet"), &creepagev1.ListOutlooksRequest{}); err != nil {
		t.Errorf("another key must not wait: %v", err)
	}
}

func retryOf(err error) time.Duration {
	for _, d := range status.Convert(err).Details() {
		if retry, ok := d.(*errdetails.RetryInfo); ok {
			return retry.GetRetryDelay().AsDuration()
		}
	}
	return 0
}

func TestFailuresOfTheServiceHideTheirCauseAndLogIt(t *testing.T) {
	r := newRig(t, Config{})
	for what, submit := range map[string]func() error{
		"an error": func() error { return errors.New("relation readings_2026_03 does not exist") },
		"a panic":  func() error { panic("relation readings_2026_03 does not exist") },
	} {
		r.echo.submit = func(context.Context, *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
			return nil, submit()
		}
		code, headers, text := r.do(t, "POST", "/v1/readings:submit", "ck_shop", "{}")
		if code != http.StatusInternalServerError || readError(t, text).reason() != "INTERNAL" || strings.Contains(text, "relation") {
			t.Errorf("%s: %d %s", what, code, text)
		}
		id := headers.Get("X-Request-Id")
		if id == "" || !strings.Contains(r.logs.String(), id) || !strings.Contains(r.logs.String(), "readings_2026_03") {
			t.Errorf("%s: request id %q and cause are not in the log:\n%s", what, id, r.logs.String())
		}
	}
}

func TestCallsAreCappedInTime(t *testing.T) {
	r := newRig(t, Config{CallTimeout: 20 * time.Millisecond})
	r.echo.submit = func(ctx context.Context, _ *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	code, _, text := r.do(t, "POST", "/v1/readings:submit", "ck_shop", "{}")
	if code != http.StatusGatewayTimeout || readError(t, text).reason() != "DEADLINE_EXCEEDED" {
		t.Errorf("%d %s", code, text)
	}
}

const goodReading = `{"readingId":"good","shop":"shops/north-yard","vehicle":"vehicles/truck-17","measureTime":"2026-03-02T09:15:00Z","method":"TESTER","resistanceOhms":5.5e8}`

func TestAReadingThatCannotBeReadIsRefusedByItself(t *testing.T) {
	r := newRig(t, Config{})
	for bad, want := range map[string]struct{ field, says string }{
		`{"readingId":"bad","method":"GUESS"}`:                       {"readings[1].method", `"GUESS" is none of TESTER, MONITOR, VOLTMETER`},
		`{"readingId":"bad","resistanceOhms":"550 MΩ"}`:              {"readings[1].resistance_ohms", `is not a number in ohms`},
		`{"readingId":"bad","resistanceMegohms":550}`:                {"readings[1].resistanceMegohms", "is not a field of Reading; allowed are readingId"},
		`{"readingId":"bad","resistance_ohm":550}`:                   {"readings[1].resistance_ohm", "did you mean resistanceOhms?"},
		`{"readingId":"bad","measureTime":"2 March"}`:                {"readings[1].measure_time", "is not an RFC 3339 time"},
		`{"readingId":"bad","precautions":{"waitedSeconds":"long"}}`: {"readings[1].precautions.waited_seconds", `"long" is not a number in seconds`},
		`"550 MΩ"`: {"readings[1]", "is not a JSON object"},
	} {
		code, _, text := r.do(t, "POST", "/v1/readings:submit", "ck_shop", `{"readings":[`+goodReading+`,`+bad+`,`+goodReading+`]}`)
		var answer struct {
			Results []struct {
				ReadingID, Outcome string
				Error              json.RawMessage
			}
		}
		if err := json.Unmarshal([]byte(text), &answer); err != nil || code != http.StatusOK || len(answer.Results) != 3 {
			t.Errorf("%s: %d %s", bad, code, text)
			continue
		}
		for _, i := range []int{0, 2} {
			if answer.Results[i].Outcome != "ACCEPTED" {
				t.Errorf("%s: the good reading %d beside it is %s", bad, i, answer.Results[i].Outcome)
			}
		}
		e := readError(t, string(answer.Results[1].Error))
		if answer.Results[1].Outcome != "REJECTED" || !strings.Contains(e.field(want.field), want.says) || e.reason() != "INVALID_FIELDS" {
			t.Errorf("%s: got %s, want field %s saying %q", bad, text, want.field, want.says)
		}
		if strings.Contains(bad, `"bad"`) && answer.Results[1].ReadingID != "bad" {
			t.Errorf("%s: the refusal does not name the reading: %s", bad, text)
		}
	}
}

func TestARequestThatIsNotJSONSaysWhere(t *testing.T) {
	r := newRig(t, Config{})
	for body, want := range map[string]string{
		"{\"readings\":[\n  {\"readingId\": oops}]}": "line 2, column 17",
		`{"readings":[`:                      "line 1, column 13: unexpected EOF",
		`{"readings":[]} trailing`:           "line 1, column",
		`{"readings":[],"colour":"red"}`:     "is not a field of SubmitReadingsRequest",
		`{"readings":"none"}`:                "is not a JSON array",
		`[1]`:                                "is not a JSON object",
		`{"readings":[],"backfill":"maybe"}`: "is neither true nor false",
	} {
		code, _, text := r.do(t, "POST", "/v1/readings:submit", "ck_shop", body)
		if e := readError(t, text); code != http.StatusBadRequest || !strings.Contains(e.Message, want) || e.reason() == "" {
			t.Errorf("%s: %d %s, want it to say %q", body, code, text, want)
		}
	}
}

func TestRequestsOutsideTheContractAreRefusedInJSON(t *testing.T) {
	r := newRig(t, Config{MaxMessageBytes: 4000})
	for _, c := range []struct {
		method, path, body string
		code               int
		reason             string
	}{
		{"GET", "/v1/horoscopes", "", http.StatusNotFound, "NO_SUCH_ROUTE"},
		{"GET", "/nowhere", "", http.StatusNotFound, "NO_SUCH_ROUTE"},
		{"DELETE", "/v1/outlooks", "", http.StatusMethodNotAllowed, "METHOD_NOT_ALLOWED"},
		{"GET", "/v1/outlooks?pageSise=3", "", http.StatusBadRequest, "INVALID_FIELDS"},
		{"GET", "/v1/outlooks?pageSize=three", "", http.StatusBadRequest, "INVALID_FIELDS"},
		{"GET", "/v1/outlooks?filter=" + strings.Repeat("a", 1100), "", http.StatusBadRequest, "INVALID_FIELDS"},
		{"POST", "/v1/readings:submit", `{"readings":[` + strings.Repeat(" ", 5000) + `]}`, http.StatusRequestEntityTooLarge, "BODY_TOO_LARGE"},
	} {
		code, _, text := r.do(t, c.method, c.path, "ck_fleet", c.body)
		if e := readError(t, text); code != c.code || e.reason() != c.reason {
			t.Errorf("%s %.60s: got %d %s, want %d %s", c.method, c.path, code, text, c.code, c.reason)
		}
	}
}

// A parameter that cannot be read is named as the contract names it, with its value
// and what is allowed, and a field of a body by one path whoever refuses it.
func TestAParameterOrFieldThatCannotBeReadIsNamedWithItsValue(t *testing.T) {
	r := newRig(t, Config{})
	for _, c := range []struct{ method, path, body, field, says string }{
		{"GET", "/v1/outlooks?pageSize=abc", "", "page_size", `\"abc\" is not a whole number`},
		{"GET", "/v1/outlooks?page_size=99999999999", "", "page_size", `\"99999999999\" is not a whole number`},
		{"GET", "/v1/platforms/a?asOfTime=yesterday", "", "as_of_time", `\"yesterday\" is not an RFC 3339 time`},
		{"GET", "/v1/outlooks?pageSize=1&pageSize=2", "", "page_size", "is given 2 times"},
		{"GET", "/v1/warnings:watch?startTime=yesterday", "", "start_time", `\"yesterday\" is not an RFC 3339 time`},
		{"GET", "/v1/reports/readings:download?asOfTime=yesterday", "", "as_of_time", `\"yesterday\" is not an RFC 3339 time`},
		{"POST", "/v1/shops?shopid=a", `{}`, "shopid", "did you mean shopId?"},
		{"PUT", "/v1/warningPolicy", `{"leadDays": 60, "falseCalls": "SOME"}`, "policy.false_calls", `\"SOME\" is none of FEW, USUAL, MANY`},
		{"PUT", "/v1/platforms/a", `{"testPoints": [{"component": "ENGINE"}]}`, "platform.test_points[0].component", `\"ENGINE\" is none of BATTERY`},
		{"POST", "/v1/readings:submit", `{"readings":[` + strings.Repeat("{},", 1000) + `{}]}`, "readings", "has 1001: must contain no more than 1000"},
	} {
		_, _, text := r.do(t, c.method, c.path, "ck_admin", c.body)
		if e := readError(t, text); e.reason() != "INVALID_FIELDS" || !strings.Contains(strings.ReplaceAll(text, " ", ""), `"field":"`+c.field+`"`) || !strings.Contains(text, c.says) {
			t.Errorf("%s %s %.80s: %s, want %s saying %s", c.method, c.path, c.body, text, c.field, c.says)
		}
	}
}

func TestCallsThatAreTooLargeAreRefusedWithDetails(t *testing.T) {
	r := newRig(t, Config{MaxMessageBytes: 4000})
	var readings []*creepagev1.Reading
	for range 100 {
		readings = append(readings, &creepagev1.Reading{ReadingId: strings.Repeat("r", 50), Vehicle: "vehicles/truck-17"})
	}
	large := &creepagev1.SubmitReadingsRequest{Readings: readings}
	client := creepagev1.NewIntakeServiceClient(r.Conn())
	_, err := client.SubmitReadings(r.with("ck_shop"), large)
	if p := problem.Of(err); p.Code != codes.ResourceExhausted || p.Reason != "BODY_TOO_LARGE" {
		t.Errorf("a call: %v", err)
	}
}

func TestWhatAListLeavesOutIsNotWrittenAsEmpty(t *testing.T) {
	c := &codec{JSONPb: runtime.JSONPb{MarshalOptions: answers}}
	reason := `it says ,"parts":[] of itself`
	text, err := c.Marshal(&creepagev1.ListOutlooksResponse{Outlooks: []*creepagev1.Outlook{{Name: "vehicles/v/outlook", Reason: reason}}})
	if err != nil {
		t.Fatal(err)
	}
	var got struct{ Outlooks []map[string]any }
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	o := got.Outlooks[0]
	if o["reason"] != reason {
		t.Errorf("the reason became %q", o["reason"])
	}
	for _, left := range []string{"parts", "curve", "doubted"} {
		if v, there := o[left]; there {
			t.Errorf("%s is written as %v", left, v)
		}
	}
	if one, err := c.Marshal(&creepagev1.Outlook{Name: "vehicles/v/outlook"}); err != nil || !strings.Contains(string(one), `"parts"`) {
		t.Errorf("an outlook by itself: %s, %v", one, err)
	}
}

func TestListsAndZerosAreWrittenAndTheUnsetIsNot(t *testing.T) {
	r := newRig(t, Config{})
	_, _, text := r.do(t, "POST", "/v1/readings:submit", "ck_shop", `{"readings":[`+goodReading+`]}`)
	compact := strings.Join(strings.Fields(text), "")
	if want := `{"results":[{"readingId":"good","outcome":"ACCEPTED","assessment":{"serviceLimit":"SERVICE_LIMIT_UNSPECIFIED","notes":[]}}]}`; compact != want {
		t.Errorf("got  %s\nwant %s", compact, want)
	}
}

func TestHealthIsARealCheck(t *testing.T) {
	var mu sync.Mutex
	var broken error
	r := newRig(t, Config{CheckTimeout: 50 * time.Millisecond}, Check{"database", func(context.Context) error {
		mu.Lock()
		defer mu.Unlock()
		return broken
	}})
	if code, _, text := r.do(t, "GET", "/readyz", "", ""); code != http.StatusOK || !strings.Contains(text, `"database":"ok"`) {
		t.Errorf("%d %s", code, text)
	}
	mu.Lock()
	broken = errors.New("connection refused at 10.0.0.7")
	mu.Unlock()
	code, _, text := r.do(t, "GET", "/readyz", "", "")
	if code != http.StatusServiceUnavailable || !strings.Contains(text, `"database":"failed"`) || strings.Contains(text, "10.0.0.7") {
		t.Errorf("%d %s", code, text)
	}
	if code, _, _ := r.do(t, "GET", "/healthz", "", ""); code != http.StatusOK {
		t.Errorf("a server without its database is alive: %d", code)
	}
}

func TestEveryAnswerCarriesTheSafetyHeaders(t *testing.T) {
	r := newRig(t, Config{})
	for _, path := range []string{"/healthz", "/openapi.json", "/v1/outlooks", "/nowhere"} {
		_, h, _ := r.do(t, "GET", path, "", "")
		if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Content-Security-Policy") == "" || h.Get("X-Frame-Options") != "DENY" || h.Get("Cache-Control") != "no-store" {
			t.Errorf("%s: %v", path, h)
		}
	}
	_, _, text := r.do(t, "GET", "/openapi.json", "", "")
	if !json.Valid([]byte(text)) || !strings.Contains(text, "/v1/readings:submit") {
		t.Errorf("the contract is not served")
	}
	r.do(t, "GET", "/v1/outlooks", "ck_fleet", "")
	if _, _, text := r.do(t, "GET", "/metrics", "", ""); !strings.Contains(text, `creepage_calls_total{code="OK",method="/creepage.v1.FleetService/ListOutlooks"} 1`) {
		t.Errorf("calls are not counted:\n%s", text)
	}
}

func TestHealthAndReflectionNeedNoKey(t *testing.T) {
	r := newRig(t, Config{})
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	watch, err := healthpb.NewHealthClient(r.Conn()).Watch(ctx, &healthpb.HealthCheckRequest{Service: "creepage.v1.IntakeService"})
	if err != nil {
		t.Fatal(err)
	}
	for {
		got, err := watch.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if got.GetStatus() == healthpb.HealthCheckResponse_SERVING {
			break
		}
	}
	stream, err := reflectionpb.NewServerReflectionClient(r.Conn()).ServerReflectionInfo(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}}); err != nil {
		t.Fatal(err)
	}
	resp, err := stream.Recv()
	if err != nil || !strings.Contains(resp.String(), "creepage.v1.IntakeService") {
		t.Errorf("%v %v", resp, err)
	}
}
