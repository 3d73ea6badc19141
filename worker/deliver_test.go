package worker

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"

	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/stream"
	"creepage/internal/trend"
	"creepage/internal/webhook"
)

// verified verifies a message as the Standard Webhooks specification 1.0.0 says
// (github.com/standard-webhooks/standard-webhooks, spec/standard-webhooks.md):
// HMAC-SHA256 with the decoded secret over id, timestamp and body, delimited by
// full stops; any of the signatures of the header may be the one.
func verified(secret string, header http.Header, body []byte) bool {
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(secret, "whsec_"))
	if err != nil || len(key) < 24 || !strings.HasPrefix(secret, "whsec_") {
		return false
	}
	mac := hmac.New(sha256.New, key)
	fmt.Fprintf(mac, "%s.%s.%s", header.Get("webhook-id"), header.Get("webhook-timestamp"), body)
	want := "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
	return slices.ContainsFunc(strings.Fields(header.Get("webhook-signature")), func(s string) bool { return hmac.Equal([]byte(s), []byte(want)) })
}

func TestTheVerificationOfTheseTestsIsThatOfThePublishedExample(t *testing.T) {
	// libraries/go/webhook_test.go of github.com/standard-webhooks/standard-webhooks, v0.0.1.
	header := http.Header{"Webhook-Id": {"msg_p5jXN8AQM9LWM0D4loKWxJek"}, "Webhook-Timestamp": {"1614265330"},
		"Webhook-Signature": {"v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="}}
	body, key := []byte(`{"test": 2432232314}`), base64.StdEncoding.EncodeToString(mustDecode(t, "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"))
	if !verified("whsec_"+key, header, body) {
		t.Error("the published example is not verified")
	}
	if verified("whsec_"+key, header, []byte(`{"test": 2432232315}`)) {
		t.Error("another body is")
	}
}

func mustDecode(t *testing.T, text string) []byte {
	t.Helper()
	b, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// received is a message as a receiver got it.
type received struct {
	path   string
	header http.Header
	body   []byte
	at     time.Time
}

// message is what its body holds.
func (r received) message(t *testing.T) (m struct {
	Type, Timestamp string
	Data            struct {
		Event, Sequence, ChangeTime string
		Warning                     struct{ Name, Vehicle, Kind, Reason, RaiseTime string }
	}
}) {
	t.Helper()
	if err := json.Unmarshal(r.body, &m); err != nil {
		t.Fatalf("%s: %v", r.body, err)
	}
	return m
}

// receiver is an HTTP server that keeps what it gets and answers as told.
type receiver struct {
	*httptest.Server
	got chan received

	mu     sync.Mutex
	answer func(path string) int
}

func newReceiver(t *testing.T) *receiver {
	r := &receiver{got: make(chan received, 1000), answer: func(string) int { return http.StatusNoContent }}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		body, err := io.ReadAll(req.Body)
		if err != nil {
			t.Error(err)
		}
		r.mu.Lock()
		code := r.answer(req.URL.Path)
		r.mu.Unlock()
		w.WriteHeader(code)
		r.got <- received{req.URL.Path, req.Header, body, time.Now()}
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) answers(f func(path string) int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.answer = f
}

func (r *receiver) next(t *testing.T) received {
	t.Helper()
	select {
	case m := <-r.got:
		return m
	case <-time.After(20 * time.Second):
		t.Fatal("no message came in 20 s")
		return received{}
	}
}

// hooks is an environment whose worker delivers.
type hooks struct {
	*env
	worker  *Worker
	api     *store.Store
	work    *store.Store
	safe    *webhook.Safe
	vehicle int64
	mu      sync.Mutex
	passed  time.Duration
}

// newHooks starts the job worker alone. A retry is due after as long as wait
// says, where that is not negative; change has the worker before it starts.
func newHooks(t *testing.T, policy webhook.Policy, wait time.Duration, change ...func(*Worker)) *hooks {
	t.Helper()
	h := &hooks{env: newEnv(t, stream.Settings{})}
	var err error
	if h.safe, err = webhook.NewSafe([]byte("a secret key of the tests alone")); err != nil {
		t.Fatal(err)
	}
	h.api, h.work = h.db.Store(t, store.APILogin), h.db.Store(t, store.WorkerLogin)
	if h.worker, err = New(Config{Store: h.work, Stream: h.stream, Model: h.model, Clock: h.clock, Log: slog.New(slog.NewTextHandler(h.log, nil)),
		Registerer: prometheus.NewRegistry(), Limits: DefaultLimits(), Webhooks: Webhooks{Policy: policy, Safe: h.safe}}); err != nil {
		t.Fatal(err)
	}
	if wait >= 0 {
		h.worker.retryAfter = func(n int) (time.Duration, bool) {
			_, more := webhook.RetryAfter(n)
			return wait, more
		}
	}
	for _, f := range change {
		f(h.worker)
	}
	h.db.Exec(t, `INSERT INTO vehicles (organisation_id, name, platform, created_at) VALUES ($1, 'van-1', 'harbor-van-400', now())`, h.org)
	h.db.Query(t, `SELECT id FROM vehicles`, &h.vehicle)
	if err := h.worker.jobs.Start(context.Background()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		if err := h.worker.jobs.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	return h
}

func (h *hooks) clock() time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.env.now.Add(h.passed)
}

// later moves the clock on and makes every waiting job due, once those in hand are done.
func (h *hooks) later(d time.Duration) {
	h.t.Helper()
	h.until(`SELECT count(*) FROM river_job WHERE state = 'running' OR state = 'available' AND scheduled_at <= now()`, 0)
	h.mu.Lock()
	h.passed += d
	h.mu.Unlock()
	h.db.Exec(h.t, `UPDATE river_job SET state = 'available', scheduled_at = now() WHERE state IN ('scheduled', 'retryable', 'available')`)
}

// endpoint registers an endpoint and returns its id and secret.
func (h *hooks) endpoint(url string, change ...func(*store.WebhookEndpoint)) (uuid.UUID, string) {
	h.t.Helper()
	e := store.WebhookEndpoint{ID: uuid.Must(uuid.NewV7()), URL: url, CreatedAt: h.clock(), Events: []store.WarningEvent{store.WarningRaised, store.WarningChanged, store.WarningEnded}}
	for _, f := range change {
		f(&e)
	}
	secret := webhook.NewSecret()
	e.Secret = h.safe.Seal(e.ID, secret)
	h.asOrganisation(func(tx *store.Tx) error { return tx.CreateWebhookEndpoint(h.t.Context(), &e) })
	return e.ID, secret
}

func (h *hooks) asOrganisation(f func(*store.Tx) error) {
	h.t.Helper()
	if err := h.api.AsOrganisation(h.t.Context(), h.org, f); err != nil {
		h.t.Fatal(err)
	}
}

// raise raises a warning of a kind as an evaluation does, and returns its id.
func (h *hooks) raise(kind trend.WarningKind, component insulation.Component) uuid.UUID {
	h.t.Helper()
	id := uuid.Must(uuid.NewV7())
	said := sayings{raised: []store.NewWarning{{ID: id, Organisation: h.org, Vehicle: h.vehicle, News: true,
		Change: trend.Change{Raised: true, Kind: kind, Component: component, At: h.env.now, Probability: 0.3, DaysP50: math.NaN(), Reason: "the motor falls"}}}}
	if err := h.work.AsWorker(h.t.Context(), func(tx *store.WorkerTx) error { return h.worker.record(h.t.Context(), tx, &said) }); err != nil {
		h.t.Fatal(err)
	}
	return id
}

// until waits until a count is as wanted.
func (h *hooks) until(sql string, want int) {
	h.t.Helper()
	deadline := time.After(20 * time.Second)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for h.count(sql) != want {
		select {
		case <-tick.C:
		case <-deadline:
			h.t.Fatalf("after 20 s %s is %d, want %d; deliveries: %s\njobs: %s\nlog: %s", sql, h.count(sql), want,
				h.text(`SELECT coalesce(string_agg(concat_ws(' ', sequence, status, attempts, last_error), E'\n'), '') FROM webhook_deliveries`),
				h.text(`SELECT coalesce(string_agg(concat_ws(' ', kind, state, attempt, scheduled_at - now()), E'\n'), '') FROM river_job`), h.log)
		}
	}
}

var anywhere = webhook.Policy{Inside: true, PlainHTTP: true}

func TestAChangeIsDeliveredSignedToEveryEndpointThatAskedForIt(t *testing.T) {
	h := newHooks(t, anywhere, time.Millisecond)
	r := newReceiver(t)
	_, all := h.endpoint(r.URL + "/all")
	_, ends := h.endpoint(r.URL+"/ends", func(e *store.WebhookEndpoint) { e.Events = []store.WarningEvent{store.WarningEnded} })
	_, drops := h.endpoint(r.URL+"/drops", func(e *store.WebhookEndpoint) { e.Filter = "kind = SUDDEN_DROP AND vehicle = \"vehicles/van-1\"" })
	secrets := map[string]string{"/all": all, "/ends": ends, "/drops": drops}

	id := h.raise(trend.CodeDue, insulation.Motor)
	h.raise(trend.SuddenDrop, insulation.Cable)
	h.asOrganisation(func(tx *store.Tx) error { return tx.AcknowledgeWarning(t.Context(), id, h.clock(), "seen") })
	h.asOrganisation(func(tx *store.Tx) error { return tx.EndWarning(t.Context(), id, h.clock(), "mended") })
	var got []string
	for range 4 + 1 + 1 {
		m := r.next(t)
		if !verified(secrets[m.path], m.header, m.body) {
			t.Errorf("%s: the signature %q is not its secret's", m.path, m.header.Get("webhook-signature"))
		}
		for path, secret := range secrets {
			if path != m.path && verified(secret, m.header, m.body) {
				t.Errorf("%s: the signature is %s's too", m.path, path)
			}
		}
		if want := fmt.Sprint(h.env.now.Unix()); m.header.Get("webhook-timestamp") != want || m.header.Get("Content-Type") != "application/json" {
			t.Errorf("headers %v, want timestamp %s", m.header, want)
		}
		body := m.message(t)
		if w := body.Data.Warning; w.Vehicle != "vehicles/van-1" || w.Reason != "the motor falls" || w.Name == "" || body.Timestamp != "2026-07-01T12:00:00Z" {
			t.Errorf("%s", m.body)
		}
		got = append(got, m.path+" "+body.Type+" "+body.Data.Sequence)
	}
	slices.Sort(got)
	want := []string{"/all warning.changed 3", "/all warning.ended 4", "/all warning.raised 1", "/all warning.raised 2", "/drops warning.raised 2", "/ends warning.ended 4"}
	if !slices.Equal(got, want) {
		t.Errorf("delivered\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	h.until(`SELECT count(*) FROM webhook_deliveries WHERE status = 2 AND attempts = 1 AND delivered_at IS NOT NULL AND last_error = ''`, 6)
	h.until(`SELECT count(*) FROM river_job WHERE state <> 'completed'`, 0)
	if n := h.count(`SELECT count(*) FROM webhook_deliveries`); n != 6 {
		t.Errorf("%d deliveries, want 6", n)
	}
}

func TestAChangeThatIsRolledBackTellsNobody(t *testing.T) {
	h := newHooks(t, anywhere, time.Millisecond)
	r := newReceiver(t)
	h.endpoint(r.URL)
	said := sayings{raised: []store.NewWarning{{ID: uuid.Must(uuid.NewV7()), Organisation: h.org, Vehicle: h.vehicle, News: true,
		Change: trend.Change{Raised: true, Kind: trend.CodeDue, At: h.env.now, DaysP50: math.NaN(), Reason: "never said"}}}}
	_ = h.work.AsWorker(t.Context(), func(tx *store.WorkerTx) error {
		if err := h.worker.record(t.Context(), tx, &said); err != nil {
			t.Fatal(err)
		}
		return fmt.Errorf("rolled back")
	})
	h.raise(trend.SuddenDrop, insulation.Motor)
	if m := r.next(t).message(t); m.Data.Sequence != "1" || m.Data.Warning.Kind != "SUDDEN_DROP" {
		t.Errorf("the first change told of is %+v", m)
	}
	if n := h.count(`SELECT count(*) FROM river_job WHERE kind = 'warning_changed'`); n != 1 {
		t.Errorf("%d jobs of one change", n)
	}
}

func TestAFailedDeliveryIsTriedAgainWithTheSameMessage(t *testing.T) {
	h := newHooks(t, anywhere, 0)
	r := newReceiver(t)
	failures := 3
	r.answers(func(string) int {
		if failures--; failures >= 0 {
			return http.StatusInternalServerError
		}
		return http.StatusOK
	})
	id, secret := h.endpoint(r.URL)
	h.raise(trend.CodeDue, insulation.Motor)
	first := r.next(t)
	for range 3 {
		m := r.next(t)
		if m.header.Get("webhook-id") != first.header.Get("webhook-id") || string(m.body) != string(first.body) || !verified(secret, m.header, m.body) {
			t.Errorf("another attempt differs: %v %s", m.header, m.body)
		}
	}
	h.until(`SELECT count(*) FROM webhook_deliveries WHERE status = 2 AND attempts = 4`, 1)
	if n := h.count(`SELECT count(*) FROM webhook_endpoints WHERE failing_since IS NULL AND succeeded_at IS NOT NULL AND id = '` + id.String() + `'`); n != 1 {
		t.Error("the endpoint does not count as working again")
	}
}

// Three days of failure by the clock, each retry due when the schedule of the
// specification says.
func TestAnEndpointThatIsDeadForThreeDaysIsDisabledWithANotice(t *testing.T) {
	h := newHooks(t, anywhere, -1)
	r := newReceiver(t)
	r.answers(func(string) int { return http.StatusInternalServerError })
	id, secret := h.endpoint(r.URL)
	warning := h.raise(trend.CodeDue, insulation.Motor)
	r.next(t)
	attempts := 1
	for ; ; attempts++ {
		wait, more := webhook.RetryAfter(attempts)
		if !more {
			break
		}
		h.until(fmt.Sprintf(`SELECT count(*) FROM webhook_deliveries WHERE status = 1 AND attempts = %d AND last_error = 'the endpoint answered 500'
			AND next_attempt_at - attempted_at BETWEEN interval '%f s' AND interval '%f s'`, attempts, 0.9*wait.Seconds()-1, 1.1*wait.Seconds()+1), 1)
		if n := h.count(`SELECT count(*) FROM webhook_endpoints WHERE disabled_at IS NULL AND failing_since = '2026-07-01 12:00:00+00'`); n != 1 {
			t.Fatalf("after %d attempts the endpoint is disabled or not known to fail", attempts)
		}
		h.later(wait*11/10 + time.Second)
		r.next(t)
	}
	h.until(`SELECT count(*) FROM webhook_endpoints WHERE disabled_at IS NOT NULL`, 1)
	if attempts != 10 {
		t.Errorf("given up after %d attempts", attempts)
	}
	if reason := h.text(`SELECT disable_reason FROM webhook_endpoints`); reason != "no attempt has succeeded since 2026-07-01T12:00:00Z; the last one: the endpoint answered 500" {
		t.Errorf("the notice: %s", reason)
	}
	if n := h.count(`SELECT count(*) FROM audit WHERE action = 'DisableWebhookEndpoint' AND key = '' AND resource = 'webhookEndpoints/' || '` + id.String() + `' AND note LIKE '%answered 500'`); n != 1 {
		t.Error("the audit trail does not say that the service disabled the endpoint")
	}
	// Nothing is sent while it is disabled.
	h.asOrganisation(func(tx *store.Tx) error { return tx.AcknowledgeWarning(t.Context(), warning, h.clock(), "seen") })
	h.until(`SELECT count(*) FROM river_job WHERE state <> 'completed'`, 0)
	if n := h.count(`SELECT count(*) FROM webhook_deliveries WHERE status = 3`); n != 1 {
		t.Errorf("%d deliveries are given up, want the one", n)
	}

	// Enabled again, a replay sends both what was given up and what came meanwhile.
	r.answers(func(string) int { return http.StatusOK })
	var replayed int
	h.asOrganisation(func(tx *store.Tx) error {
		e, err := tx.WebhookEndpoint(t.Context(), id)
		if err != nil {
			return err
		}
		e.DisabledAt, e.DisableReason = time.Time{}, ""
		if err := tx.UpdateWebhookEndpoint(t.Context(), &e); err != nil {
			return err
		}
		replayed, err = tx.ReplayWebhookDeliveries(t.Context(), &e, nil, time.Time{}, h.clock(), 1000)
		return err
	})
	types := []string{}
	for range 2 {
		m := r.next(t)
		if !verified(secret, m.header, m.body) {
			t.Error("a replayed message is not signed")
		}
		types = append(types, m.message(t).Type)
	}
	slices.Sort(types)
	if replayed != 2 || !slices.Equal(types, []string{"warning.changed", "warning.raised"}) {
		t.Errorf("replayed %d: %v", replayed, types)
	}
	h.until(`SELECT count(*) FROM webhook_deliveries WHERE status = 2`, 2)
	h.asOrganisation(func(tx *store.Tx) error {
		e, err := tx.WebhookEndpoint(t.Context(), id)
		if err != nil {
			return err
		}
		if replayed, err = tx.ReplayWebhookDeliveries(t.Context(), &e, nil, time.Time{}, h.clock(), 1000); replayed != 0 {
			t.Errorf("%d deliveries that arrived are replayed", replayed)
		}
		return err
	})
}

func TestAnEndpointThatIsGoneIsDisabledAtOnce(t *testing.T) {
	h := newHooks(t, anywhere, 0)
	r := newReceiver(t)
	r.answers(func(string) int { return http.StatusGone })
	h.endpoint(r.URL)
	h.raise(trend.CodeDue, insulation.Motor)
	r.next(t)
	h.until(`SELECT count(*) FROM webhook_endpoints WHERE disable_reason = 'the endpoint answered 410 Gone'`, 1)
	h.until(`SELECT count(*) FROM webhook_deliveries WHERE status = 3 AND attempts = 1`, 1)
}

func TestNothingIsSentInsideUnlessTheOperatorAllowsIt(t *testing.T) {
	h := newHooks(t, webhook.Policy{PlainHTTP: true}, -1)
	r := newReceiver(t)
	// A name that leads inside, as a DNS answer that was changed after the check would; and the address itself.
	h.endpoint(strings.Replace(r.URL, "127.0.0.1", "localhost", 1))
	h.endpoint(r.URL)
	h.raise(trend.CodeDue, insulation.Motor)
	h.until(`SELECT count(*) FROM webhook_deliveries WHERE attempts = 1 AND last_error LIKE '%private, loopback or reserved%'`, 2)
	if len(r.got) != 0 {
		t.Error("a message reached a loopback address")
	}
}

func TestBothSecretsSignForADayAfterARotation(t *testing.T) {
	h := newHooks(t, anywhere, 0)
	r := newReceiver(t)
	id, older := h.endpoint(r.URL)
	newer := webhook.NewSecret()
	h.asOrganisation(func(tx *store.Tx) error {
		return tx.RotateWebhookSecret(t.Context(), id, h.safe.Seal(id, newer), h.clock().Add(24*time.Hour))
	})
	h.raise(trend.CodeDue, insulation.Motor)
	if m := r.next(t); !verified(older, m.header, m.body) || !verified(newer, m.header, m.body) {
		t.Errorf("signatures %q", m.header.Get("webhook-signature"))
	}
	h.until(`SELECT count(*) FROM webhook_deliveries WHERE status = 2`, 1)
	h.later(25 * time.Hour)
	h.raise(trend.SuddenDrop, insulation.Motor)
	if m := r.next(t); verified(older, m.header, m.body) || !verified(newer, m.header, m.body) {
		t.Errorf("a day later the signatures are %q", m.header.Get("webhook-signature"))
	}
	h.until(`SELECT count(*) FROM webhook_deliveries WHERE status = 2`, 2)
}

func TestATestIsSentOnceEvenToADisabledEndpoint(t *testing.T) {
	h := newHooks(t, anywhere, 0)
	r := newReceiver(t)
	r.answers(func(string) int { return http.StatusTeapot })
	id, secret := h.endpoint(r.URL, func(e *store.WebhookEndpoint) { e.DisabledAt, e.DisableReason = h.clock(), "disabled by hand" })
	test := func() {
		h.asOrganisation(func(tx *store.Tx) error {
			_, err := tx.TestWebhookEndpoint(t.Context(), id, h.clock())
			return err
		})
		if m := r.next(t); m.message(t).Type != "endpoint.test" || !verified(secret, m.header, m.body) {
			t.Errorf("%s", m.body)
		}
	}
	test()
	h.until(`SELECT count(*) FROM webhook_deliveries WHERE status = 3 AND attempts = 1 AND last_error = 'the endpoint answered 418'`, 1)
	r.answers(func(string) int { return http.StatusOK })
	test()
	h.until(`SELECT count(*) FROM webhook_deliveries WHERE status = 2`, 1)
	if n := h.count(`SELECT count(*) FROM webhook_endpoints WHERE failing_since IS NULL AND disabled_at IS NOT NULL`); n != 1 {
		t.Error("a test has changed the endpoint's record")
	}
}

func TestADeletedEndpointIsToldNothing(t *testing.T) {
	h := newHooks(t, anywhere, time.Hour)
	r := newReceiver(t)
	r.answers(func(string) int { return http.StatusInternalServerError })
	id, _ := h.endpoint(r.URL)
	h.raise(trend.CodeDue, insulation.Motor)
	r.next(t)
	h.until(`SELECT count(*) FROM webhook_deliveries WHERE status = 1 AND attempts = 1`, 1)
	h.asOrganisation(func(tx *store.Tx) error { return tx.DeleteWebhookEndpoint(t.Context(), id, h.clock()) })
	h.later(2 * time.Hour)
	h.raise(trend.SuddenDrop, insulation.Motor)
	h.until(`SELECT count(*) FROM river_job WHERE state <> 'completed'`, 0)
	if n := h.count(`SELECT count(*) FROM webhook_deliveries WHERE status = 3`); n != 1 || len(r.got) != 0 {
		t.Errorf("%d deliveries given up, %d messages after the deletion", n, len(r.got))
	}
	if n := h.count(`SELECT count(*) FROM webhook_endpoints WHERE secret = '' AND deleted_at IS NOT NULL`); n != 1 {
		t.Error("the secret is kept")
	}
}

func TestAWorkerThatCannotSignWaitsAndSaysWhy(t *testing.T) {
	h := newHooks(t, anywhere, 0, func(w *Worker) { w.webhooks.Safe = nil })
	r := newReceiver(t)
	h.endpoint(r.URL)
	h.endpoint(r.URL)
	h.raise(trend.CodeDue, insulation.Motor)
	h.until(`SELECT count(*) FROM webhook_deliveries WHERE status = 1 AND attempts = 0 AND last_error LIKE '%CREEPAGE_SECRET_KEY%' AND next_attempt_at > created_at`, 2)
	if n := h.count(`SELECT count(*) FROM webhook_endpoints WHERE failing_since IS NULL`); n != 2 || len(r.got) != 0 {
		t.Errorf("%d endpoints are not blamed, %d messages", n, len(r.got))
	}
	if n := strings.Count(h.log.String(), "cannot be signed"); n != 1 {
		t.Errorf("it is logged %d times", n)
	}
}
