package client_test

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/durationpb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/client"
)

func serve(t *testing.T, h http.HandlerFunc) *client.Client {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	c, err := client.New(s.URL, "ck_secret\n")
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestCallSendsTheKeyAndReadsTheAnswer(t *testing.T) {
	c := serve(t, func(w http.ResponseWriter, r *http.Request) {
		if got := r.Header.Get("Authorization"); got != "Bearer ck_secret" {
			t.Errorf("Authorization %q", got)
		}
		body, _ := io.ReadAll(r.Body)
		if !strings.Contains(string(body), `"r-1"`) {
			t.Errorf("body %s", body)
		}
		io.WriteString(w, `{"results":[{"readingId":"r-1","outcome":"ACCEPTED","fieldOfALaterRelease":1}]}`)
	})
	var out creepagev1.SubmitReadingsResponse
	in := &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{{ReadingId: "r-1"}}}
	if err := c.Call(context.Background(), "POST", "/v1/readings:submit", in, &out); err != nil {
		t.Fatal(err)
	}
	if len(out.Results) != 1 || out.Results[0].Outcome != creepagev1.SubmitResult_ACCEPTED {
		t.Fatalf("answer %v", &out)
	}
}

func refuse(w http.ResponseWriter, httpStatus int, code codes.Code, message string, wait time.Duration) {
	st, _ := status.New(code, message).WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(wait)})
	body, _ := protojson.Marshal(st.Proto())
	w.WriteHeader(httpStatus)
	w.Write(body)
}

func TestPatientCallOutlastsAServiceThatIsAwayOrFull(t *testing.T) {
	var calls atomic.Int32
	c := serve(t, func(w http.ResponseWriter, r *http.Request) {
		switch calls.Add(1) {
		case 1:
			refuse(w, http.StatusServiceUnavailable, codes.Unavailable, "starting", 0)
		case 2:
			refuse(w, http.StatusTooManyRequests, codes.ResourceExhausted, "the stream is full", 30*time.Millisecond)
		case 3:
			w.WriteHeader(http.StatusBadGateway) // a proxy's answer, not the service's
		default:
			io.WriteString(w, `{}`)
		}
	})
	var waits []time.Duration
	p := client.Patience{First: time.Millisecond, Longest: 2 * time.Millisecond, GiveUp: time.Minute,
		OnRetry: func(_ error, wait time.Duration) { waits = append(waits, wait) }}
	if err := c.CallPatiently(context.Background(), p, "GET", "/v1/caller", nil, nil); err != nil {
		t.Fatal(err)
	}
	if len(waits) != 3 || waits[1] < 30*time.Millisecond {
		t.Fatalf("waits %v: want three, the second at least the 30 ms that the service asked for", waits)
	}
}

func TestPatientCallDoesNotRepeatWhatCannotSucceed(t *testing.T) {
	var calls atomic.Int32
	c := serve(t, func(w http.ResponseWriter, r *http.Request) {
		calls.Add(1)
		refuse(w, http.StatusForbidden, codes.PermissionDenied, "this key may not", 0)
	})
	err := c.CallPatiently(context.Background(), client.DefaultPatience(), "GET", "/v1/keys", nil, nil)
	if status.Code(err) != codes.PermissionDenied || err.Error() != "this key may not" {
		t.Fatalf("error %v", err)
	}
	if calls.Load() != 1 {
		t.Fatalf("%d calls, want 1", calls.Load())
	}
}

func TestAServiceThatIsNotThereIsUnavailableAndNoKeyIsShown(t *testing.T) {
	s := httptest.NewServer(http.NotFoundHandler())
	address := s.URL
	s.Close()
	c, err := client.New(address, "ck_secret")
	if err != nil {
		t.Fatal(err)
	}
	err = c.Call(context.Background(), "GET", "/v1/caller", nil, nil)
	if status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), address) || strings.Contains(err.Error(), "ck_") {
		t.Fatalf("error %v", err)
	}
}

func TestAnswerThatIsNoStatusIsShown(t *testing.T) {
	c := serve(t, func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(http.StatusNotFound)
		io.WriteString(w, "<html>no such site</html>")
	})
	err := c.Call(context.Background(), "GET", "/v1/caller", nil, nil)
	if status.Code(err) != codes.NotFound || !strings.Contains(err.Error(), "no such site") {
		t.Fatalf("error %v", err)
	}
}

func TestServerAddressMustBeOne(t *testing.T) {
	for _, s := range []string{"", "localhost:8080", "grpc://x:1", "http://"} {
		if _, err := client.New(s, ""); err == nil || !strings.Contains(err.Error(), "http://localhost:8080") {
			t.Errorf("%q: error %v", s, err)
		}
	}
}
