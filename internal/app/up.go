package app

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/jackc/pgx/v5"

	"creepage/internal/local"
	"creepage/internal/store"
	"creepage/internal/stream"
	"creepage/services/access"
)

// What `up` keeps in its folder.
const (
	postgresFolder = "postgres"
	streamFolder   = "stream"
	keyFile        = "admin.key"
	secretFile     = "pages.secret"
	secretKeyFile  = "secret.key"
	reportsFolder  = "reports"
	database       = "creepage"
	localTenant    = "local"
)

// Up runs everything in one process until the context ends. started is told
// when all of it answers; may be nil.
func Up(ctx context.Context, c UpConfig, started func(*Process)) error {
	p, err := StartUp(ctx, c)
	if err != nil {
		return err
	}
	if started != nil {
		started(p)
	}
	return run(ctx, p)
}

// KeyFile is where `up` writes the administrator's key of a data folder.
func KeyFile(data string) string { return filepath.Join(data, keyFile) }

// StartUp starts the database, the stream, the worker and the API, in this
// order, and returns when they answer.
func StartUp(ctx context.Context, c UpConfig) (*Process, error) {
	p := newProcess(c.Common)
	if err := p.startUp(ctx, c); err != nil {
		return nil, p.abort(err)
	}
	return p, nil
}

func (p *Process) startUp(ctx context.Context, c UpConfig) error {
	// Others may walk through to the database's folder, whose account they may
	// be, and see nothing: what is secret is 0600.
	if err := os.MkdirAll(c.Data, 0o711); err != nil {
		return err
	}
	postgres, err := local.StartPostgres(ctx, local.PostgresConfig{Dir: filepath.Join(c.Data, postgresFolder)})
	if err != nil {
		return err
	}
	p.stack.push("PostgreSQL", postgres.Stop)
	owner, err := prepareDatabase(ctx, postgres)
	if err != nil {
		return err
	}
	if err := prepareTenant(ctx, c, owner); err != nil {
		return err
	}
	if err := store.MakeAnalyst(ctx, owner, store.Analyst{Login: store.AnalystLogin, Organisation: localTenant, At: c.Clock()}); err != nil {
		return err
	}
	s, err := p.connectLocal(ctx, c, postgres)
	if err != nil {
		return err
	}
	registry, err := newRegistry(s)
	if err != nil {
		return err
	}
	secret, err := keptSecret(filepath.Join(c.Data, secretFile))
	if err != nil {
		return err
	}
	secretKey, err := keptSecret(filepath.Join(c.Data, secretKeyFile))
	if err != nil {
		return err
	}
	hooks := WebhookConfig{SecretKey: string(secretKey), Inside: c.WebhooksInside}
	destinations, err := p.localDestinations(c)
	if err != nil {
		return err
	}
	if err := p.startWorker(s, registry, hooks, c.Mail, destinations); err != nil {
		return err
	}
	return p.startAPI(s, registry, c.Server, c.Board, hooks, destinations, secret, c.HTTP, c.GRPC)
}

// prepareDatabase makes the database, its schema and the logins, where they are
// not there yet, and returns the owner's address.
func prepareDatabase(ctx context.Context, postgres *local.Postgres) (string, error) {
	conn, err := pgx.Connect(ctx, postgres.SuperuserURL("postgres"))
	if err != nil {
		return "", fmt.Errorf("connect to the private database: %w", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	var there bool
	if err := conn.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)`, database).Scan(&there); err != nil {
		return "", err
	}
	if !there {
		if _, err := conn.Exec(ctx, "CREATE DATABASE "+database); err != nil {
			return "", err
		}
	}
	owner := postgres.SuperuserURL(database)
	if err := store.Migrate(ctx, owner); err != nil {
		return "", err
	}
	return owner, store.MakeLogins(ctx, owner)
}

// prepareTenant makes organisation `local` and writes its administrator's key,
// the first time. The key is on disk under another name before the organisation
// is made with it, so that a kill between any two steps costs nothing: the next
// start goes on where this one was.
func prepareTenant(ctx context.Context, c UpConfig, owner string) error {
	path := KeyFile(c.Data)
	if _, err := os.Stat(path); err == nil {
		return nil
	}
	next := path + ".next"
	secret, _ := access.NewSecret()
	again := false
	if b, err := os.ReadFile(next); err == nil && len(b) > 0 {
		secret, again = strings.TrimSpace(string(b)), true
	} else if err := os.WriteFile(next, []byte(secret+"\n"), 0o600); err != nil {
		return err
	}
	err := createOrganisation(ctx, OrganisationConfig{DatabaseURL: owner, Name: localTenant, Title: "Local", Now: c.Clock()}, secret)
	if errors.Is(err, store.ErrConflict) && !again {
		return fmt.Errorf("organisation %q is there but %s is not: put the file back, or remove %s to begin anew", localTenant, path, c.Data)
	}
	if err != nil && !errors.Is(err, store.ErrConflict) {
		return err
	}
	return os.Rename(next, path)
}

// writeOnce writes a file that only its owner may read, in one step.
func writeOnce(path, text string) error {
	next := path + ".next"
	if err := os.WriteFile(next, []byte(text), 0o600); err != nil {
		return err
	}
	return os.Rename(next, path)
}

// keptSecret returns the secret kept in a file, made the first time.
func keptSecret(path string) ([]byte, error) {
	b, err := os.ReadFile(path)
	if err == nil {
		return []byte(strings.TrimSpace(string(b))), nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	secret := rand.Text()
	return []byte(secret), writeOnce(path, secret+"\n")
}

// connectLocal opens the in-process stream and the private database with the
// logins of the API and of the worker.
func (p *Process) connectLocal(ctx context.Context, c UpConfig, postgres *local.Postgres) (*shared, error) {
	nats, err := local.StartNATS(local.NATSConfig{Dir: filepath.Join(c.Data, streamFolder)})
	if err != nil {
		return nil, err
	}
	p.stack.push("streams", nats.Stop)
	conn, err := nats.Connect()
	if err != nil {
		return nil, err
	}
	p.stack.push("connection to the streams", func(context.Context) error { conn.Close(); return nil })
	s := &shared{}
	if s.stream, err = stream.Open(ctx, conn, stream.Settings{}); err != nil {
		return nil, err
	}
	if s.api, err = p.open(ctx, postgres.URL(store.APILogin, database)); err != nil {
		return nil, err
	}
	s.worker, err = p.open(ctx, postgres.URL(store.WorkerLogin, database))
	return s, err
}
