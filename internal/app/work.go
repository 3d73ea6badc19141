package app

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"creepage/internal/destination"
	"creepage/internal/server"
	"creepage/internal/trend"
	"creepage/worker"
)

// Work keeps the tracks until the context ends.
func Work(ctx context.Context, c WorkConfig) error {
	p, err := StartWork(ctx, c)
	if err != nil {
		return err
	}
	c.Log.Info("working", "http", p.HTTP)
	return run(ctx, p)
}

// StartWork starts a worker and returns when it works.
func StartWork(ctx context.Context, c WorkConfig) (*Process, error) {
	p := newProcess(c.Common)
	shared, err := p.connect(ctx, c.Remote)
	if err != nil {
		return nil, p.abort(err)
	}
	registry, err := newRegistry(shared)
	if err != nil {
		return nil, p.abort(err)
	}
	destinations, err := p.destinations(c.Destinations)
	if err != nil {
		return nil, p.abort(err)
	}
	if err := p.startWorker(shared, registry, c.Webhooks, c.Mail, destinations); err != nil {
		return nil, p.abort(err)
	}
	if c.HTTP == "" {
		return p, nil
	}
	if err := p.startProbes(c.HTTP, registry, shared.checks(shared.worker)); err != nil {
		return nil, p.abort(err)
	}
	return p, nil
}

// startWorker sets a worker going.
func (p *Process) startWorker(s *shared, registry prometheus.Registerer, hooks WebhookConfig, letters MailConfig, destinations *destination.Set) error {
	p.shared = s
	post, err := letters.server()
	if err != nil {
		return err
	}
	safe, err := hooks.safe()
	if err != nil {
		return err
	}
	model, err := trend.NewModel(trend.Default())
	if err != nil {
		return err
	}
	w, err := worker.New(worker.Config{Store: s.worker, Stream: s.stream, Model: model, Clock: p.common.Clock, Log: p.common.Log,
		Registerer: registry, Limits: worker.DefaultLimits(), Webhooks: worker.Webhooks{Policy: hooks.policy(), Safe: safe}, Mail: post,
		Reports: madeAhead(s.worker, model, destinations, p.common.Clock)})
	if err != nil {
		return err
	}
	working, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		err := w.Run(working)
		if working.Err() == nil {
			p.fail("worker", err)
		}
		ended <- err
	}()
	p.stack.push("worker", func(ctx context.Context) error {
		stop()
		select {
		case err := <-ended:
			return err
		case <-ctx.Done():
			return ctx.Err()
		}
	})
	return nil
}

const (
	probeTimeout  = 2 * time.Second
	probeShutdown = 5 * time.Second
)

// startProbes serves health and metrics of a process that serves nothing else.
func (p *Process) startProbes(address string, registry *prometheus.Registry, checks []server.Check) error {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) { answerReady(w, r, checks) })
	mux.Handle("GET /metrics", promhttp.HandlerFor(registry, promhttp.HandlerOpts{}))
	l, err := p.listenOn(address, &p.HTTP)
	if err != nil {
		return err
	}
	probes := &http.Server{Handler: mux, ReadHeaderTimeout: probeTimeout, WriteTimeout: time.Minute}
	go func() {
		if err := probes.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			p.fail("health and metrics", err)
		}
	}()
	p.stack.push("health and metrics", func(ctx context.Context) error {
		ctx, cancel := context.WithTimeout(ctx, probeShutdown)
		defer cancel()
		return probes.Shutdown(ctx)
	})
	return nil
}

func answerReady(w http.ResponseWriter, r *http.Request, checks []server.Check) {
	ctx, cancel := context.WithTimeout(r.Context(), probeTimeout)
	defer cancel()
	for _, c := range checks {
		if err := c.Do(ctx); err != nil {
			http.Error(w, c.Name+": not there", http.StatusServiceUnavailable)
			return
		}
	}
	fmt.Fprintln(w, "ready")
}
