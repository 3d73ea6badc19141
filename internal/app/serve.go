package app

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"net"
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"google.golang.org/grpc"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/destination"
	"creepage/internal/page"
	"creepage/internal/server"
	"creepage/internal/store"
	"creepage/internal/stream"
	"creepage/internal/trend"
	"creepage/services/access"
	"creepage/services/bench"
	"creepage/services/board"
	"creepage/services/fleet"
	"creepage/services/intake"
	"creepage/services/notify"
	"creepage/services/reference"
	"creepage/services/report"
)

// Serve answers callers until the context ends.
func Serve(ctx context.Context, c ServeConfig) error {
	p, err := StartServe(ctx, c)
	if err != nil {
		return err
	}
	c.Log.Info("serving", "http", p.HTTP, "grpc", p.GRPC)
	return run(ctx, p)
}

// StartServe starts the API and returns when it answers.
func StartServe(ctx context.Context, c ServeConfig) (*Process, error) {
	p := newProcess(c.Common)
	shared, err := p.connect(ctx, c.Remote)
	if err != nil {
		return nil, p.abort(err)
	}
	registry, err := newRegistry(shared)
	if err != nil {
		return nil, p.abort(err)
	}
	// Every server of an installation uses the same database, so they agree on
	// this without being told. The secret key, where there is one, outlives a
	// change of the database's password, and with it the cursors of watches.
	shares := c.Webhooks.SecretKey
	if shares == "" {
		shares = c.DatabaseURL
	}
	secret := sha256.Sum256([]byte("creepage page tokens\n" + shares))
	destinations, err := p.destinations(c.Destinations)
	if err != nil {
		return nil, p.abort(err)
	}
	if err := p.startAPI(shared, registry, c.Server, c.Board, c.Webhooks, destinations, secret[:], c.HTTP, c.GRPC); err != nil {
		return nil, p.abort(err)
	}
	return p, nil
}

// shared are the connections that the parts of a process have in common.
type shared struct {
	api    *store.Store
	worker *store.Store
	stream *stream.Stream
}

// newRegistry returns the registry of a process with what it says of itself and of the stream.
func newRegistry(s *shared) (*prometheus.Registry, error) {
	r := prometheus.NewRegistry()
	for _, c := range []prometheus.Collector{collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), newStreamRoom(s.stream)} {
		if err := r.Register(c); err != nil {
			return nil, fmt.Errorf("register the process's metrics: %w", err)
		}
	}
	return r, nil
}

// startAPI starts the services behind the server.
func (p *Process) startAPI(s *shared, registry *prometheus.Registry, config server.Config, pages BoardConfig, hooks WebhookConfig, destinations *destination.Set, pageSecret []byte, httpAddress, grpcAddress string) error {
	publisher, err := s.stream.NewPublisher(registry)
	if err != nil {
		return err
	}
	p.stack.push("publisher", func(context.Context) error { publisher.Close(); return nil })
	safe, err := hooks.safe()
	if err != nil {
		return err
	}
	sealer, err := page.NewSealer(pageSecret)
	if err != nil {
		return err
	}
	watches := notify.New(notify.Options{Store: s.api, Pages: sealer, Log: p.common.Log, Now: p.common.Clock, Policy: hooks.policy(), Safe: safe})
	p.stack.push("listening for changes", func(context.Context) error { watches.Close(); return nil })
	front, site, err := p.newServer(s, registry, publisher, watches, sealer, destinations, config, pages)
	if err != nil {
		return err
	}
	p.stack.push("server", front.Shutdown)
	grpcListener, err := p.listenOn(grpcAddress, &p.GRPC)
	if err != nil {
		return err
	}
	httpListener, err := p.listenOn(httpAddress, &p.HTTP)
	if err != nil {
		return err
	}
	ended := make(chan struct{})
	stopping := make(chan struct{})
	go func() {
		defer close(ended)
		err := front.Serve(grpcListener, httpListener)
		select {
		case <-stopping:
		default:
			p.fail("server", err)
		}
	}()
	p.stack.push("listeners", func(ctx context.Context) error {
		close(stopping)
		err := front.Shutdown(ctx)
		<-ended
		return err
	})
	// Before the server, which they call.
	p.stack.push("imports of the board", func(context.Context) error { site.Close(); return nil })
	// Before the listeners, which wait for calls in flight: a watch does not end by itself.
	p.stack.push("watches", func(context.Context) error { watches.Close(); return nil })
	return nil
}

func (p *Process) listenOn(address string, actual *string) (net.Listener, error) {
	l, at, err := listen(address)
	if err != nil {
		return nil, err
	}
	*actual = at
	return l, nil
}

func (p *Process) newServer(s *shared, registry *prometheus.Registry, publisher *stream.Publisher, watches *notify.Service, pages *page.Sealer, destinations *destination.Set, config server.Config, seen BoardConfig) (front *server.Server, seenBy *board.Board, err error) {
	model, err := trend.NewModel(trend.Default())
	if err != nil {
		return nil, nil, err
	}
	readings, err := intake.New(s.api, publisher, pages, registry, p.common.Clock)
	if err != nil {
		return nil, nil, err
	}
	models := store.NewModels(model)
	vehicles := fleet.New(s.api, models, pages, p.common.Clock)
	var pagesFailed error
	front, err = server.New(config, server.Parts{
		Log: p.common.Log, Metrics: registry, Now: p.common.Clock, FindKey: access.FindKey(s.api), Checks: s.checks(s.api),
		Services: func(r grpc.ServiceRegistrar) {
			creepagev1.RegisterIntakeServiceServer(r, readings)
			creepagev1.RegisterFleetServiceServer(r, vehicles)
			creepagev1.RegisterPlatformServiceServer(r, vehicles)
			creepagev1.RegisterWarningServiceServer(r, vehicles)
			creepagev1.RegisterReviewServiceServer(r, vehicles)
			keeper := access.New(s.api, pages, p.common.Clock)
			creepagev1.RegisterAccessServiceServer(r, keeper)
			creepagev1.RegisterErasureServiceServer(r, keeper)
			creepagev1.RegisterBenchServiceServer(r, bench.New(s.api, models, p.common.Clock))
			creepagev1.RegisterWatchServiceServer(r, watches)
			creepagev1.RegisterWebhookServiceServer(r, watches)
			creepagev1.RegisterDigestServiceServer(r, watches)
			reports := report.New(s.api, models, software(), p.common.Clock)
			creepagev1.RegisterReportServiceServer(r, reports)
			creepagev1.RegisterReportScheduleServiceServer(r, report.NewSchedules(reports, pages, destinations))
		},
		Pages: func(mux *http.ServeMux, front *server.Server) {
			site, err := board.New(front.Conn(), board.Options{Log: p.common.Log, Now: p.common.Clock, Store: s.api,
				Cookies: board.Cookies{Secure: config.TLS != nil || seen.SecureCookies, TrustForwardedProto: seen.TrustForwardedProto}})
			if err != nil {
				pagesFailed = err
				return
			}
			seenBy = site
			mux.Handle("/", site)
			pagesFailed = reference.Register(mux)
		},
	})
	if err != nil {
		return nil, nil, err
	}
	if pagesFailed != nil {
		return nil, nil, errors.Join(pagesFailed, front.Shutdown(context.Background()))
	}
	return front, seenBy, nil
}

// checks are what a part cannot do its work without.
func (s *shared) checks(db *store.Store) []server.Check {
	return []server.Check{
		{Name: "database", Do: db.Ping},
		{Name: "stream", Do: func(ctx context.Context) error { _, err := s.stream.Info(ctx); return err }},
	}
}
