package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"

	"github.com/golang-migrate/migrate/v4"
	migratepgx "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/golang-migrate/migrate/v4/source/iofs"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"

	"creepage/migrations"
)

// Migrate brings a database to the schema of this program: our own steps, then
// River's tables. The login must own the database. It may be run by several
// processes at once; all but one wait.
func Migrate(ctx context.Context, url string) error {
	return withMigrator(ctx, url, func(ours *migrate.Migrate, river *rivermigrate.Migrator[pgx.Tx], pool *pgxpool.Pool) error {
		if err := ours.Up(); err != nil && !errors.Is(err, migrate.ErrNoChange) {
			return fail("migrate up", err)
		}
		if _, err := river.Migrate(ctx, rivermigrate.DirectionUp, nil); err != nil {
			return fail("migrate the job tables up", err)
		}
		if _, err := pool.Exec(ctx, grantJobs); err != nil {
			return fail("grant the job tables to the worker", err)
		}
		_, err := pool.Exec(ctx, `SELECT allow_erasure()`)
		return fail("allow erasure in every table", err)
	})
}

// MigrateDown removes the schema and everything in it.
func MigrateDown(ctx context.Context, url string) error {
	return withMigrator(ctx, url, func(ours *migrate.Migrate, river *rivermigrate.Migrator[pgx.Tx], _ *pgxpool.Pool) error {
		if _, err := river.Migrate(ctx, rivermigrate.DirectionDown, &rivermigrate.MigrateOpts{TargetVersion: -1}); err != nil {
			return fail("migrate the job tables down", err)
		}
		if err := ours.Down(); err != nil && !errors.Is(err, migrate.ErrNoChange) {
			return fail("migrate down", err)
		}
		return nil
	})
}

func withMigrator(ctx context.Context, url string, f func(*migrate.Migrate, *rivermigrate.Migrator[pgx.Tx], *pgxpool.Pool) error) (err error) {
	pool, err := pgxpool.New(ctx, url)
	if err != nil {
		return fail("connect", err)
	}
	defer pool.Close()
	lock, err := pool.Acquire(ctx)
	if err != nil {
		return fail("connect", err)
	}
	defer lock.Release()
	if _, err := lock.Exec(ctx, `SELECT pg_advisory_lock(hashtext('creepage migrations'))`); err != nil {
		return fail("wait for other migrations", err)
	}
	defer func() {
		_, unlockErr := lock.Exec(context.WithoutCancel(ctx), `SELECT pg_advisory_unlock(hashtext('creepage migrations'))`)
		err = errors.Join(err, fail("let other migrations go on", unlockErr))
	}()

	source, err := iofs.New(migrations.Files, ".")
	if err != nil {
		return fmt.Errorf("read the migrations: %w", err)
	}
	db := stdlib.OpenDBFromPool(pool)
	driver, err := migratepgx.WithInstance(db, &migratepgx.Config{})
	if err != nil {
		return errors.Join(fail("set up the migrations", err), db.Close())
	}
	ours, err := migrate.NewWithInstance("embedded", source, "postgres", driver)
	if err != nil {
		return errors.Join(fail("set up the migrations", err), db.Close())
	}
	defer func() { // closes db too
		sourceErr, databaseErr := ours.Close()
		err = errors.Join(err, fail("close the migrations", errors.Join(sourceErr, databaseErr)))
	}()
	river, err := rivermigrate.New(riverpgxv5.New(pool), &rivermigrate.Config{Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		return fail("set up the job tables", err)
	}
	return f(ours, river, pool)
}

// grantJobs gives the worker what River needs of its tables and sequences.
const grantJobs = `
DO $$
DECLARE
    r record;
BEGIN
    FOR r IN SELECT relname, relkind FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relname LIKE 'river\_%' AND relkind IN ('r', 'p', 'S') LOOP
        IF r.relkind = 'S' THEN
            EXECUTE format('GRANT USAGE, SELECT ON SEQUENCE %I TO creepage_worker', r.relname);
        ELSE
            EXECUTE format('GRANT SELECT, INSERT, UPDATE, DELETE ON %I TO creepage_worker', r.relname);
        END IF;
    END LOOP;
END
$$`

// Logins that MakeLogins makes, for a private server without passwords.
const (
	APILogin     = "creepage_api_login"
	WorkerLogin  = "creepage_worker_login"
	AnalystLogin = "creepage_analyst_login"
)

// MakeLogins makes a login without a password for each of the service's roles,
// for a private server that nobody else can reach. The roles must be there. Of
// several that make a login at once, from whatever database, one does.
func MakeLogins(ctx context.Context, url string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fail("connect", err)
	}
	defer func() { _ = conn.Close(ctx) }()
	_, err = conn.Exec(ctx, `
DO $$
DECLARE
    part text;
BEGIN
    FOREACH part IN ARRAY ARRAY ['api', 'worker', 'analyst'] LOOP
        BEGIN
            EXECUTE format('CREATE ROLE %I LOGIN IN ROLE %I', 'creepage_' || part || '_login', 'creepage_' || part);
        EXCEPTION
            WHEN duplicate_object OR unique_violation THEN NULL;
        END;
    END LOOP;
END
$$`)
	return fail("make the logins", err)
}
