package app_test

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/app"
	"creepage/internal/client"
	"creepage/internal/local"
	"creepage/internal/local/localtest"
	"creepage/internal/store"
)

// Migrate, organisation, serve and work as an operator runs them: each with a login
// of its own, against a database and a NATS server that they share.
func TestThePartsRunApartAgainstASharedDatabaseAndStream(t *testing.T) {
	postgres, err := localtest.Start(t.Context(), false)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { // after the database made below is dropped
		if err := postgres.Stop(); err != nil {
			t.Error(err)
		}
	})
	broker, err := local.StartNATS(local.NATSConfig{Dir: t.TempDir(), Listen: true})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = broker.Stop(context.Background()) }()
	db := postgres.Empty(t)
	common := app.Common{Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn})), Clock: time.Now}
	for range 2 { // the second time there is nothing to do
		if err := app.Migrate(t.Context(), app.MigrateConfig{DatabaseURL: db.OwnerURL(), Log: common.Log}); err != nil {
			t.Fatal(err)
		}
	}
	tenant := app.OrganisationConfig{DatabaseURL: db.OwnerURL(), Name: "harbor-fleet", Title: "Harbor Fleet", Now: time.Now()}
	key, err := app.CreateOrganisation(t.Context(), tenant)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := app.CreateOrganisation(t.Context(), tenant); !errors.Is(err, app.ErrTaken) {
		t.Errorf("a name taken twice: error %v", err)
	}
	serve, err := app.StartServe(t.Context(), app.ServeConfig{Common: common, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0",
		Remote: app.Remote{DatabaseURL: db.URL(store.APILogin), NATSURL: broker.URL()}})
	if err != nil {
		t.Fatal(err)
	}
	work, err := app.StartWork(t.Context(), app.WorkConfig{Common: common, HTTP: "127.0.0.1:0",
		Remote: app.Remote{DatabaseURL: db.URL(store.WorkerLogin), NATSURL: broker.URL()}})
	if err != nil {
		t.Fatal(err)
	}
	submitOne(t, serve.HTTP, key)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if err := work.Settled(ctx); err != nil {
		t.Fatal(err)
	}
	for _, address := range []string{serve.HTTP, work.HTTP} {
		for path, want := range map[string]string{"/healthz": "", "/readyz": "", "/metrics": "creepage_stream_bytes"} {
			if body := get(t, "http://"+address+path); !strings.Contains(body, want) {
				t.Errorf("%s%s lacks %q", address, path, want)
			}
		}
	}
	var page creepagev1.ListOutlooksResponse
	c, err := client.New("http://"+serve.HTTP, key)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Call(t.Context(), "GET", "/v1/outlooks", nil, &page); err != nil || page.GetTotalSize() != 1 {
		t.Errorf("outlooks: %v, %v", &page, err)
	}
	for range 2 { // stopping twice is stopping once
		for _, p := range []*app.Process{serve, work} {
			if err := p.Stop(ctx); err != nil {
				t.Error(err)
			}
		}
	}
	if err := c.Call(t.Context(), "GET", "/v1/outlooks", nil, nil); err == nil {
		t.Error("a stopped server answers")
	}
}

func submitOne(t *testing.T, address, key string) {
	t.Helper()
	c, err := client.New("http://"+address, key)
	if err != nil {
		t.Fatal(err)
	}
	for _, call := range []struct{ method, path, body string }{
		{"POST", "/v1/shops?shopId=north-yard", `{}`},
		{"PUT", "/v1/platforms/van-400", `{"maxWorkingVolts": 400, "testPoints": [{"component": "MOTOR", "conductor": "PHASE_U", "reference": "CHASSIS", "limitOhms": 1e8, "testVolts": 500}]}`},
		{"POST", "/v1/readings:submit", `{"readings": [{"readingId": "r-1", "shop": "shops/north-yard", "vehicle": "vehicles/van-1", "platform": "platforms/van-400", "measureTime": "2026-03-02T09:15:00Z",
			"method": "TESTER", "component": "MOTOR", "conductor": "PHASE_U", "reference": "CHASSIS", "resistanceOhms": 5e8, "testVolts": 500, "holdSeconds": 60}]}`},
	} {
		answer, err := c.Raw(t.Context(), call.method, call.path, []byte(call.body))
		if err != nil {
			t.Fatalf("%s: %v", call.path, err)
		}
		if strings.HasSuffix(call.path, ":submit") && !strings.Contains(string(answer), "ACCEPTED") {
			t.Fatalf("%s", answer)
		}
	}
}

func get(t *testing.T, url string) string {
	t.Helper()
	resp, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Errorf("%s: %s %v", url, resp.Status, err)
	}
	return string(b)
}
