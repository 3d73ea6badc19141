package app_test

import (
	"bufio"
	"context"
	"log/slog"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"creepage/internal/app"
)

// A caller who follows warnings does not hold up the end of the process, and is
// told to resume.
func TestStoppingEndsTheWatchesAtOnce(t *testing.T) {
	data := benchFolder(t)
	p, err := app.StartUp(t.Context(), app.UpConfig{
		Common: app.Common{Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn})), Clock: time.Now},
		Data:   data, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0",
	})
	if err != nil {
		t.Fatal(err)
	}
	key, err := os.ReadFile(app.KeyFile(data))
	if err != nil {
		t.Fatal(err)
	}
	req, err := http.NewRequest(http.MethodGet, "http://"+p.HTTP+"/v1/warnings:watch", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(key)))
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	lines := bufio.NewScanner(resp.Body)
	for lines.Scan() && !strings.HasPrefix(lines.Text(), "id: ") {
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	began := time.Now()
	if err := p.Stop(ctx); err != nil {
		t.Error(err)
	}
	if took := time.Since(began); took > 20*time.Second {
		t.Errorf("stopping took %s with a watch open", took)
	}
	rest := ""
	for lines.Scan() {
		rest += lines.Text() + "\n"
	}
	if !strings.Contains(rest, "event: end") || !strings.Contains(rest, "STOPPING") {
		t.Errorf("the stream ended with %q", rest)
	}
}
