package server

import (
	"context"
	"encoding/json"
	"net/http"
	"sync"
	"time"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// Check is one thing without which the service cannot do its work.
type Check struct {
	Name string
	Do   func(context.Context) error
}

// checkAll runs every check at once, each within its own time, and returns the
// errors by name.
func (s *Server) checkAll(ctx context.Context) map[string]error {
	var (
		mu     sync.Mutex
		wg     sync.WaitGroup
		failed = map[string]error{}
	)
	for _, c := range s.checks {
		wg.Go(func() {
			ctx, cancel := context.WithTimeout(ctx, s.config.CheckTimeout)
			defer cancel()
			if err := c.Do(ctx); err != nil {
				mu.Lock()
				defer mu.Unlock()
				failed[c.Name] = err
			}
		})
	}
	wg.Wait()
	return failed
}

// keepChecking keeps the gRPC health service true. Only transitions are logged.
func (s *Server) keepChecking(ctx context.Context) {
	defer close(s.checked)
	ticker := time.NewTicker(s.config.CheckEvery)
	defer ticker.Stop()
	serving := true
	for {
		failed := s.checkAll(ctx)
		if ctx.Err() != nil {
			return
		}
		if now := len(failed) == 0; now != serving {
			serving = now
			s.logTransition(failed)
		}
		status := healthpb.HealthCheckResponse_NOT_SERVING
		if serving {
			status = healthpb.HealthCheckResponse_SERVING
		}
		s.health.SetServingStatus("", status)
		for service := range s.grpc.GetServiceInfo() {
			s.health.SetServingStatus(service, status)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

func (s *Server) logTransition(failed map[string]error) {
	if len(failed) == 0 {
		s.log.Info("ready again")
		return
	}
	for name, err := range failed {
		s.log.Error("not ready", "check", name, "error", err)
	}
}

// serveLive answers as long as the process does.
func serveLive(w http.ResponseWriter, _ *http.Request) {
	writeJSON(w, http.StatusOK, map[string]string{"status": "alive"})
}

// serveReady runs the checks. Causes stay in the log: the route needs no key.
func (s *Server) serveReady(w http.ResponseWriter, r *http.Request) {
	failed := s.checkAll(r.Context())
	checks := make(map[string]string, len(s.checks))
	for _, c := range s.checks {
		checks[c.Name] = "ok"
		if failed[c.Name] != nil {
			checks[c.Name] = "failed"
		}
	}
	status, word := http.StatusOK, "ready"
	if len(failed) > 0 {
		status, word = http.StatusServiceUnavailable, "not ready"
	}
	writeJSON(w, status, map[string]any{"status": word, "checks": checks})
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(v) // the client may be gone
}
