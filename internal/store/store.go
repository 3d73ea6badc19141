// Package store holds all SQL of the service: one file a table or a step of the
// worker. Whatever can take many rows takes a slice; nothing asks per reading.
//
// A Tx is a tenant's view: row-level security shows it the rows of its
// organisation and no others. A WorkerTx spans organisations, for a batch does.
// Errors of the driver never leave the package; see errors.go.
package store

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Options of a Store; the zero value is good.
type Options struct {
	MaxConnections int32 // 0 means 8
}

// Store is a pool of connections of one login: the api's, the worker's or the analyst's.
type Store struct {
	pool *pgxpool.Pool

	newReading atomic.Uint32 // object id of the type, once it is known

	mu   sync.Mutex
	made map[time.Time]bool // months whose partition is known to be there
}

// IsURL says whether a text is an address of a database, as a URL or in words
// such as host=localhost.
func IsURL(url string) bool {
	_, err := pgxpool.ParseConfig(url)
	return err == nil
}

// New connects. The error is ErrUnavailable if the database does not answer.
func New(ctx context.Context, url string, o Options) (*Store, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("database address: %s", err.Error())
	}
	config.MaxConns = 8
	if o.MaxConnections > 0 {
		config.MaxConns = o.MaxConnections
	}
	config.ConnConfig.RuntimeParams["timezone"] = "UTC"
	config.ConnConfig.RuntimeParams["application_name"] = "creepage"
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fail("connect", err)
	}
	s := &Store{pool: pool, made: map[time.Time]bool{}}
	if err := s.Ping(ctx); err != nil {
		pool.Close()
		return nil, err
	}
	return s, nil
}

// Close closes the pool; it waits for what is in use.
func (s *Store) Close() { s.pool.Close() }

// Ping asks the database for an answer; the error is ErrUnavailable.
func (s *Store) Ping(ctx context.Context) error { return fail("ping", s.pool.Ping(ctx)) }

// Pool is the pool itself, for River, which brings its own SQL.
func (s *Store) Pool() *pgxpool.Pool { return s.pool }

// Tx is a transaction in which one organisation's rows can be seen.
type Tx struct {
	tx           pgx.Tx
	organisation uuid.UUID
}

// AsOrganisation runs f in one transaction as an organisation. If f returns an
// error nothing is changed.
func (s *Store) AsOrganisation(ctx context.Context, organisation uuid.UUID, f func(*Tx) error) error {
	return s.begin(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT set_config('creepage.organisation', $1, true)`, organisation.String()); err != nil {
			return fail("set the tenant", err)
		}
		return f(&Tx{tx: tx, organisation: organisation})
	})
}

// nothingChanged is the error of an update that met no row: ErrStands if the
// row is there, by a query of the organisation ($1) and key ($2), else ErrNotFound.
func (t *Tx) nothingChanged(ctx context.Context, what, exists string, key any) error {
	var there bool
	if err := t.tx.QueryRow(ctx, exists, t.organisation, key).Scan(&there); err != nil {
		return fail(what, err)
	}
	if there {
		return fail(what, ErrStands)
	}
	return fail(what, ErrNotFound)
}

// ReadAsOrganisation runs f in one read-only transaction as an organisation, in
// which all that is read is of one moment, however long it takes.
func (s *Store) ReadAsOrganisation(ctx context.Context, organisation uuid.UUID, f func(*Tx) error) error {
	return s.beginWith(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT set_config('creepage.organisation', $1, true)`, organisation.String()); err != nil {
			return fail("set the tenant", err)
		}
		return f(&Tx{tx: tx, organisation: organisation})
	})
}

// WorkerTx is a transaction of the worker's.
type WorkerTx struct {
	tx    pgx.Tx
	store *Store
}

// AsWorker runs f in one transaction of the worker's. If f returns an error
// nothing is changed.
func (s *Store) AsWorker(ctx context.Context, f func(*WorkerTx) error) error {
	return s.begin(ctx, func(tx pgx.Tx) error { return f(&WorkerTx{tx: tx, store: s}) })
}

// Raw is the transaction itself, for River's inserts.
func (tx *WorkerTx) Raw() pgx.Tx { return tx.tx }

func (s *Store) begin(ctx context.Context, f func(pgx.Tx) error) error {
	return s.beginWith(ctx, pgx.TxOptions{}, f)
}

func (s *Store) beginWith(ctx context.Context, options pgx.TxOptions, f func(pgx.Tx) error) error {
	tx, err := s.pool.BeginTx(ctx, options)
	if err != nil {
		return fail("begin", err)
	}
	// After a commit this does nothing; after the caller gave up it still ends the transaction.
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	if err := f(tx); err != nil {
		return err
	}
	return fail("commit", tx.Commit(ctx))
}
