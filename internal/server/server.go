package server

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/test/bufconn"

	"creepage/internal/caller"
	"creepage/internal/problem"
)

// Config is what an operator may set. The zero value of a limit is its default.
type Config struct {
	TLS *tls.Config // of both listeners; nil: plain, for use behind a proxy or on one machine

	CallTimeout         time.Duration // longest unary call; default 30 s
	MaxMessageBytes     int           // largest request; default 4 MiB
	CallsPerSecond      float64       // per key; default 1000; negative: unlimited
	FailedKeysPerMinute float64       // per address; default 30
	CheckTimeout        time.Duration // of one readiness check; default 2 s
	CheckEvery          time.Duration // between readiness checks of the health service; default 5 s
}

func (c Config) withDefaults() Config {
	c.CallTimeout = orDefault(c.CallTimeout, 30*time.Second)
	c.MaxMessageBytes = orDefault(c.MaxMessageBytes, 4<<20)
	c.CallsPerSecond = orDefault(c.CallsPerSecond, 1000)
	c.FailedKeysPerMinute = orDefault(c.FailedKeysPerMinute, 30)
	c.CheckTimeout = orDefault(c.CheckTimeout, 2*time.Second)
	c.CheckEvery = orDefault(c.CheckEvery, 5*time.Second)
	return c
}

func orDefault[T comparable](v, fallback T) T {
	var zero T
	if v == zero {
		return fallback
	}
	return v
}

// Parts is what the server is made of.
type Parts struct {
	Log      *slog.Logger
	Metrics  *prometheus.Registry
	Now      func() time.Time
	FindKey  caller.Find
	Checks   []Check                       // readiness
	Services func(grpc.ServiceRegistrar)   // registers the services of the contract
	Pages    func(*http.ServeMux, *Server) // registers handlers beside the API, such as the board; may be nil
	Options  []grpc.ServerOption           // more, such as tracing; may be nil
}

// Server is the way in. It is used once: New, Serve, Shutdown.
type Server struct {
	config   Config
	log      *slog.Logger
	now      func() time.Time
	metrics  *metrics
	keys     *keyCache
	failures *limiters
	rates    *limiters
	checks   []Check

	grpc   *grpc.Server
	health *health.Server
	memory *bufconn.Listener
	conn   *grpc.ClientConn
	http   *http.Server

	stopChecks context.CancelFunc
	checked    chan struct{}
	shutdown   sync.Once
	shutErr    error
}

// New makes a server. It listens to nothing yet but its own in-memory
// connection, which Shutdown closes.
func New(config Config, parts Parts) (*Server, error) {
	config = config.withDefaults()
	m, err := newMetrics(parts.Metrics, parts.Now)
	if err != nil {
		return nil, fmt.Errorf("register the server's metrics: %w", err)
	}
	s := &Server{
		config:   config,
		log:      parts.Log,
		now:      parts.Now,
		metrics:  m,
		keys:     &keyCache{lookup: parts.FindKey, now: parts.Now, entries: map[[32]byte]keyEntry{}},
		failures: newLimiters(config.FailedKeysPerMinute/60, int(max(1, config.FailedKeysPerMinute)), parts.Now),
		rates:    newLimiters(config.CallsPerSecond, int(max(1, 2*config.CallsPerSecond)), parts.Now),
		checks:   parts.Checks,
		health:   health.NewServer(),
		memory:   bufconn.Listen(1 << 20),
		checked:  make(chan struct{}),
	}
	if err := s.makeGRPC(parts); err != nil {
		return nil, err
	}
	s.conn, err = grpc.NewClient("passthrough:///memory", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return s.memory.DialContext(ctx) }),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		return nil, fmt.Errorf("dial the server's own connection: %w", err)
	}
	if err := s.makeHTTP(parts); err != nil {
		return nil, err
	}
	go func() { _ = s.grpc.Serve(s.memory) }() // ends with Shutdown
	ctx, cancel := context.WithCancel(context.Background())
	s.stopChecks = cancel
	go s.keepChecking(ctx)
	return s, nil
}

func (s *Server) makeGRPC(parts Parts) error {
	steps, err := s.chain()
	if err != nil {
		return err
	}
	options := append([]grpc.ServerOption{
		grpc.ChainUnaryInterceptor(unaryOf(steps)...),
		grpc.ChainStreamInterceptor(streamOf(steps)...),
		// The chain refuses what is longer than the limit, with details; the library,
		// which knows none, only what is much longer.
		grpc.MaxRecvMsgSize(4 * s.config.MaxMessageBytes),
		grpc.MaxHeaderListSize(16 << 10),
		grpc.ConnectionTimeout(10 * time.Second),
		grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: 15 * time.Minute, Time: time.Minute, Timeout: 20 * time.Second}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 20 * time.Second, PermitWithoutStream: true}),
		grpc.UnknownServiceHandler(func(_ any, stream grpc.ServerStream) error {
			method, _ := grpc.MethodFromServerStream(stream)
			return noSuchMethod(method)
		}),
	}, parts.Options...)
	s.grpc = grpc.NewServer(options...)
	parts.Services(s.grpc)
	healthpb.RegisterHealthServer(s.grpc, s.health)
	reflection.Register(s.grpc)
	for service, info := range s.grpc.GetServiceInfo() {
		for _, method := range info.Methods {
			s.metrics.known["/"+service+"/"+method.Name] = true
		}
	}
	return nil
}

func noSuchMethod(method string) *problem.Error {
	return problem.Unimplemented("NO_SUCH_METHOD", "%q is not a method of this service", method)
}

// Conn is a connection to the server in its own memory, for the board and
// other parts that are callers like any other.
func (s *Server) Conn() *grpc.ClientConn { return s.conn }

// Authenticate checks the key of a plain HTTP request, for handlers beside the
// API such as downloads. Errors are problems.
func (s *Server) Authenticate(r *http.Request) (context.Context, error) {
	c, err := s.callerOf(r.Context(), r.Header.Get("Authorization"), hostOf(r.RemoteAddr))
	if err != nil {
		return nil, err
	}
	return caller.Into(r.Context(), c), nil
}

// Serve answers on both listeners until Shutdown. A nil listener is left out.
func (s *Server) Serve(grpcListener, httpListener net.Listener) error {
	ended := make(chan error, 2)
	running := 0
	if grpcListener != nil {
		if s.config.TLS != nil {
			grpcListener = tls.NewListener(grpcListener, withProtocols(s.config.TLS, "h2"))
		}
		running++
		go func() { ended <- s.grpc.Serve(grpcListener) }()
	}
	if httpListener != nil {
		running++
		go func() { ended <- s.serveHTTP(httpListener) }()
	}
	var failed error
	for range running {
		err := <-ended
		if err != nil && !errors.Is(err, http.ErrServerClosed) && !errors.Is(err, grpc.ErrServerStopped) && failed == nil {
			failed = err
			s.grpc.Stop()
			_ = s.http.Close()
		}
	}
	return failed
}

func (s *Server) serveHTTP(l net.Listener) error {
	if s.config.TLS != nil {
		return s.http.ServeTLS(l, "", "")
	}
	return s.http.Serve(l)
}

// Shutdown stops: it says NOT_SERVING, lets calls in flight end, and cuts what
// is left when ctx ends. It may be called more than once.
func (s *Server) Shutdown(ctx context.Context) error {
	s.shutdown.Do(func() {
		s.health.Shutdown()
		s.stopChecks()
		<-s.checked
		s.shutErr = s.http.Shutdown(ctx) // first: its calls end in the gRPC server
		if s.shutErr != nil {
			_ = s.http.Close()
		}
		drained := make(chan struct{})
		go func() { s.grpc.GracefulStop(); close(drained) }()
		select {
		case <-drained:
		case <-ctx.Done():
			s.grpc.Stop()
			<-drained
		}
		_ = s.conn.Close()
		_ = s.memory.Close()
	})
	return s.shutErr
}
