// Package localtest is for tests alone: one private PostgreSQL a test process,
// a fresh database of the current schema for each test, and an in-process NATS
// server with JetStream on disk. A machine without PostgreSQL fails the test.
package localtest

import (
	"context"
	"fmt"
	"os"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/nats-io/nats.go"

	"creepage/internal/local"
	"creepage/internal/store"
)

// Server is the private PostgreSQL of a test process.
type Server struct {
	postgres *local.Postgres
	dir      string
	count    atomic.Int64
}

const template = "creepage_template"

// Start starts a server with the current schema in a template database. With
// durable it keeps what it has acknowledged through a loss of power, as the
// real one does; without, tests are faster.
func Start(ctx context.Context, durable bool) (*Server, error) {
	dir, err := os.MkdirTemp("", "creepage-test-")
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(dir, 0o755); err != nil { // the server's account walks through it
		return nil, err
	}
	settings := map[string]string{}
	if !durable {
		settings = map[string]string{"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "shared_buffers": "64MB"}
	}
	postgres, err := local.StartPostgres(ctx, local.PostgresConfig{Dir: dir + "/postgres", Settings: settings})
	if err != nil {
		return nil, err
	}
	s := &Server{postgres: postgres, dir: dir}
	if err := s.prepare(ctx); err != nil {
		return nil, fmt.Errorf("prepare the template database: %w", err)
	}
	return s, nil
}

// Both starts a server and a broker that listens, for programs of their own, and
// stops them with the test.
func Both(t testing.TB) (*Server, *local.NATS) {
	t.Helper()
	postgres, err := Start(t.Context(), false)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := postgres.Stop(); err != nil {
			t.Error(err)
		}
	})
	broker, err := local.StartNATS(local.NATSConfig{Dir: t.TempDir(), Listen: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = broker.Stop(context.Background()) })
	return postgres, broker
}

func (s *Server) prepare(ctx context.Context) error {
	if err := s.exec(ctx, "CREATE DATABASE "+template); err != nil {
		return err
	}
	if err := store.Migrate(ctx, s.postgres.SuperuserURL(template)); err != nil {
		return err
	}
	return store.MakeLogins(ctx, s.postgres.SuperuserURL(template))
}

func (s *Server) exec(ctx context.Context, sql string) error {
	conn, err := pgx.Connect(ctx, s.postgres.SuperuserURL("postgres"))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }()
	_, err = conn.Exec(ctx, sql)
	return err
}

// Stop stops the server and removes its files.
func (s *Server) Stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	if err := s.postgres.Stop(ctx); err != nil {
		return err
	}
	return os.RemoveAll(s.dir)
}

// Main starts a server, runs the tests with it and returns the exit code.
// use gets the server before the first test.
func Main(m *testing.M, durable bool, use func(*Server)) int {
	s, err := Start(context.Background(), durable)
	if err != nil {
		fmt.Fprintln(os.Stderr, "tests need PostgreSQL:", err)
		return 1
	}
	use(s)
	code := m.Run()
	if err := s.Stop(); err != nil {
		fmt.Fprintln(os.Stderr, "stop PostgreSQL:", err)
		return 1
	}
	return code
}

// Database is a database of one test.
type Database struct {
	server *Server
	Name   string
}

// Database makes a database of the current schema, which is dropped with the test.
func (s *Server) Database(t testing.TB) *Database {
	t.Helper()
	d := &Database{server: s, Name: fmt.Sprintf("test_%d", s.count.Add(1))}
	if err := s.exec(t.Context(), "CREATE DATABASE "+d.Name+" TEMPLATE "+template); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.exec(context.Background(), "DROP DATABASE "+d.Name+" WITH (FORCE)"); err != nil {
			t.Error(err)
		}
	})
	return d
}

// Empty makes a database with nothing in it, which is dropped with the test.
func (s *Server) Empty(t testing.TB) *Database {
	t.Helper()
	d := &Database{server: s, Name: fmt.Sprintf("empty_%d", s.count.Add(1))}
	if err := s.exec(t.Context(), "CREATE DATABASE "+d.Name); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.exec(context.Background(), "DROP DATABASE "+d.Name+" WITH (FORCE)"); err != nil {
			t.Error(err)
		}
	})
	return d
}

// OwnerURL is the address for the one who may change the schema.
func (d *Database) OwnerURL() string { return d.server.postgres.SuperuserURL(d.Name) }

// URL is the address for a login, such as store.APILogin.
func (d *Database) URL(login string) string { return d.server.postgres.URL(login, d.Name) }

// Store opens the database with a login and closes it with the test.
func (d *Database) Store(t testing.TB, login string) *store.Store {
	t.Helper()
	s, err := store.New(t.Context(), d.URL(login), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// Exec runs SQL as the owner, to arrange what a test needs.
func (d *Database) Exec(t testing.TB, sql string, args ...any) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), d.OwnerURL())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	if _, err := conn.Exec(t.Context(), sql, args...); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

// Query reads one row as the owner into the targets.
func (d *Database) Query(t testing.TB, sql string, targets ...any) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), d.OwnerURL())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	if err := conn.QueryRow(t.Context(), sql).Scan(targets...); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

// NATS starts a server that ends with the test and returns a connection to it.
func NATS(t testing.TB) (*local.NATS, *nats.Conn) {
	t.Helper()
	n, err := local.StartNATS(local.NATSConfig{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := n.Connect()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		conn.Close()
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		if err := n.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	return n, conn
}
