package webhook

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
)

func TestSignatureIsThatOfThePublishedExample(t *testing.T) {
	// Published with the Standard Webhooks specification: libraries/go/webhook_test.go of
	// github.com/standard-webhooks/standard-webhooks, v0.0.1.
	m := Message{ID: "msg_p5jXN8AQM9LWM0D4loKWxJek", Secrets: []string{"whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"}, Body: []byte(`{"test": 2432232314}`)}
	got, err := sign(m, time.Unix(1614265330, 0))
	if err != nil {
		t.Fatal(err)
	}
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("signature %q, want %q", got, want)
	}
}

func TestAReceiverWithEitherSecretVerifiesDuringARotation(t *testing.T) {
	older, newer := NewSecret(), NewSecret()
	var body []byte
	var headers http.Header
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ = io.ReadAll(r.Body)
		headers = r.Header
	}))
	defer server.Close()
	now := time.Now()
	m := Message{ID: "msg_1", URL: server.URL, Secrets: []string{newer, older}, Body: []byte(`{"type":"warning.raised"}`)}
	if err := NewSender(Policy{Inside: true, PlainHTTP: true}).Send(context.Background(), m, now); err != nil {
		t.Fatal(err)
	}
	for name, secret := range map[string]string{"older": older, "newer": newer} {
		w, err := standardwebhooks.NewWebhook(secret)
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Verify(body, headers); err != nil {
			t.Errorf("%s secret: %v", name, err)
		}
	}
	other, err := standardwebhooks.NewWebhook(NewSecret())
	if err != nil {
		t.Fatal(err)
	}
	if other.Verify(body, headers) == nil {
		t.Error("a stranger's secret verified the message")
	}
}

func TestAddressesInsideAreRefusedWhenDialled(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {
		t.Error("the message reached a loopback address")
	}))
	defer server.Close()
	// A name passes CheckURL; only the address it leads to can be judged, when it is dialled.
	byName := strings.Replace(server.URL, "127.0.0.1", "localhost", 1)
	sender := NewSender(Policy{PlainHTTP: true})
	if err := sender.CheckURL(byName); err != nil {
		t.Fatal(err)
	}
	err := sender.Send(context.Background(), Message{ID: "m", URL: byName, Secrets: []string{NewSecret()}}, time.Now())
	if !errors.Is(err, ErrForbiddenAddress) {
		t.Errorf("sent to %s: %v, want ErrForbiddenAddress", byName, err)
	}
}

func TestOnlyPublicAddressesAreOutside(t *testing.T) {
	for address, want := range map[string]bool{
		"8.8.8.8": true, "2606:4700::1111": true,
		"127.0.0.1": false, "10.1.2.3": false, "172.16.0.1": false, "192.168.1.1": false, "169.254.169.254": false,
		"0.0.0.0": false, "100.64.1.1": false, "198.18.0.1": false, "224.0.0.1": false, "255.255.255.255": false,
		"::1": false, "::": false, "fe80::1": false, "fd00::1": false, "ff02::1": false,
		"::ffff:127.0.0.1": false, "::ffff:10.0.0.1": false, "64:ff9b::7f00:1": false, "2002:7f00:1::": false,
	} {
		if got := outside(netip.MustParseAddr(address)); got != want {
			t.Errorf("outside(%s) = %v, want %v", address, got, want)
		}
	}
}

func TestBadEndpointsAreNamed(t *testing.T) {
	sender := NewSender(Policy{})
	for raw, want := range map[string]string{
		"http://shop.example/hook":                 "must begin with https://",
		"ftp://shop.example/hook":                  "must begin with https://",
		"https://":                                 "names no host",
		"https://user:pw@shop.example/":            "user or password",
		"https://shop.example/#part":               "fragment",
		"https://192.168.1.1/hook":                 "private, loopback or reserved",
		"https://[::1]/hook":                       "private, loopback or reserved",
		"https://x/" + strings.Repeat("a", maxURL): "at most 2048",
		"https://shop.example/%zz":                 "cannot be read",
	} {
		if err := sender.CheckURL(raw); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("CheckURL(%.60q) = %v, want ...%s...", raw, err, want)
		}
	}
	if err := sender.CheckURL("https://shop.example/hook?x=1"); err != nil {
		t.Error(err)
	}
}

func TestAnswersAreToldApart(t *testing.T) {
	followed := false
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/gone":
			w.WriteHeader(http.StatusGone)
		case "/broken":
			w.WriteHeader(http.StatusInternalServerError)
		case "/busy":
			w.Header().Set("Retry-After", "90")
			w.WriteHeader(http.StatusTooManyRequests)
		case "/elsewhere":
			http.Redirect(w, r, "/target", http.StatusTemporaryRedirect)
		case "/target":
			followed = true
		}
	}))
	defer server.Close()
	sender := NewSender(Policy{Inside: true, PlainHTTP: true})
	send := func(path string) error {
		return sender.Send(context.Background(), Message{ID: "m", URL: server.URL + path, Secrets: []string{NewSecret()}}, time.Now())
	}
	if err := send("/fine"); err != nil {
		t.Error(err)
	}
	if err := send("/gone"); !errors.Is(err, ErrGone) {
		t.Errorf("gone: %v", err)
	}
	var busy *Refused
	if err := send("/busy"); !errors.As(err, &busy) || busy.Status != 429 || busy.RetryAfter != 90*time.Second {
		t.Errorf("busy: %v, asking for %v", err, busy)
	}
	if err := send("/broken"); err == nil || !strings.Contains(err.Error(), "500") {
		t.Errorf("broken: %v", err)
	}
	if err := send("/elsewhere"); err == nil || !strings.Contains(err.Error(), "redirects are not followed") || followed {
		t.Errorf("elsewhere: %v, followed %v", err, followed)
	}
}

func TestRetriesSpanThreeDaysAndEnd(t *testing.T) {
	var total time.Duration
	n := 1
	for ; ; n++ {
		wait, ok := RetryAfter(n)
		if !ok {
			break
		}
		if previous, ok := RetryAfter(n - 1); ok && wait <= previous {
			t.Errorf("attempt %d waits %v, not longer than %v before", n+1, wait, previous)
		}
		total += wait
	}
	if total < 72*time.Hour || total > 80*time.Hour {
		t.Errorf("%d retries span %v, want about three days", n-1, total)
	}
}

func TestWaitsThatAnEndpointAsksForAreBounded(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC)
	for header, want := range map[string]time.Duration{
		"": 0, "120": 2 * time.Minute, "-5": 0, "99999": time.Hour, "soon": 0,
		"Mon, 02 Mar 2026 09:16:00 GMT": time.Minute, "Mon, 02 Mar 2026 09:00:00 GMT": 0, "Tue, 03 Mar 2026 09:15:00 GMT": time.Hour,
	} {
		if got := retryAfter(header, now); got != want {
			t.Errorf("retryAfter(%q) = %v, want %v", header, got, want)
		}
	}
}

func TestASealedSecretOpensForItsEndpointAlone(t *testing.T) {
	safe, err := NewSafe([]byte("a secret key of 24 bytes or more"))
	if err != nil {
		t.Fatal(err)
	}
	endpoint, other, secret := uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7()), NewSecret()
	sealed := safe.Seal(endpoint, secret)
	if bytes.Contains(sealed, []byte(secret)) || bytes.Equal(sealed, safe.Seal(endpoint, secret)) {
		t.Error("a sealed secret shows itself, or that it is the same as another")
	}
	if got, err := safe.Open(endpoint, sealed); err != nil || got != secret {
		t.Errorf("opened %v", err)
	}
	if _, err := safe.Open(other, sealed); err == nil {
		t.Error("it opens for another endpoint")
	}
	changed, err := NewSafe([]byte("another key of 24 bytes or more"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := changed.Open(endpoint, sealed); err == nil || strings.Contains(err.Error(), secret) {
		t.Errorf("with another key: %v", err)
	}
	if _, err := NewSafe([]byte("too short")); err == nil {
		t.Error("a short key is taken")
	}
}

func TestWhatWentWrongDoesNotShowTheAddress(t *testing.T) {
	server := httptest.NewServer(http.NotFoundHandler())
	address := server.URL + "/hooks/a-secret-of-the-receiver"
	server.Close()
	err := NewSender(Policy{Inside: true, PlainHTTP: true}).Send(context.Background(), Message{ID: "m", URL: address, Secrets: []string{NewSecret()}}, time.Now())
	if err == nil || strings.Contains(err.Error(), "a-secret") || !strings.Contains(err.Error(), "connection refused") {
		t.Errorf("%v", err)
	}
}
