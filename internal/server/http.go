package server

import (
	"context"
	"crypto/tls"
	"log/slog"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"creepage/api/openapi"
)

// makeHTTP makes the HTTP server: limits, headers, routes.
func (s *Server) makeHTTP(parts Parts) error {
	api, err := newGateway(context.Background(), s.conn)
	if err != nil {
		return err
	}
	mux := http.NewServeMux()
	mux.Handle("/v1/", s.limited(api))
	mux.HandleFunc("GET "+watchRoute, s.serveWatch)
	mux.HandleFunc("GET /openapi.json", serveContract)
	mux.HandleFunc("GET /healthz", serveLive)
	mux.HandleFunc("GET /readyz", s.serveReady)
	mux.Handle("GET /metrics", promhttp.HandlerFor(parts.Metrics, promhttp.HandlerOpts{}))
	if parts.Pages != nil {
		parts.Pages(mux, s)
	}
	s.http = &http.Server{
		Handler:           s.secured(withFallback(mux)),
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       time.Minute,
		WriteTimeout:      5 * time.Minute, // a download; handlers that stream for longer lift it themselves
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
		TLSConfig:         withProtocols(s.config.TLS, "h2", "http/1.1"),
	}
	return nil
}

// Handler returns the HTTP handler, for tests and for serving by other means.
func (s *Server) Handler() http.Handler { return s.http.Handler }

func withProtocols(config *tls.Config, protocols ...string) *tls.Config {
	if config == nil {
		return nil
	}
	c := config.Clone()
	c.NextProtos = protocols
	return c
}

// limited bounds the body and prepares the request for the gateway.
func (s *Server) limited(api http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, int64(s.config.MaxMessageBytes))
		api.ServeHTTP(w, withExchange(r))
	})
}

// secured sets the headers of every answer. Pages relax the content policy for
// themselves.
func (s *Server) secured(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
		h.Set("Cache-Control", "no-store")
		if s.config.TLS != nil {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		next.ServeHTTP(w, r)
	})
}

// withFallback answers routes that nobody has with a JSON 404.
func withFallback(mux *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, pattern := mux.Handler(r); pattern == "" {
			WriteProblem(w, noSuchRoute(r), http.StatusNotFound)
			return
		}
		mux.ServeHTTP(w, r)
	})
}

func serveContract(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(openapi.Document) // the client may be gone
}
