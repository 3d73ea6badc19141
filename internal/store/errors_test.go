package store_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgconn"

	"creepage/internal/store"
)

func TestErrorsOfTheDriverNeverLeaveAndSayWhatHelps(t *testing.T) {
	e := newTenant(t)
	s := e.db.Store(t, store.APILogin)
	worker := e.db.Store(t, store.WorkerLogin)
	shop := store.Shop{ID: "north-yard", CreatedAt: e.at}
	cancelled, cancel := context.WithCancel(t.Context())
	cancel()
	late, cancel := context.WithDeadline(t.Context(), time.Now().Add(-time.Second))
	defer cancel()
	list := func(ctx context.Context) error {
		return s.AsOrganisation(ctx, e.organisation, func(tx *store.Tx) error { _, err := tx.Shops(t.Context(), "", 1); return err })
	}
	for _, c := range []struct {
		what      string
		err       error
		want      error
		retryable bool
	}{
		{"a caller who gave up", list(cancelled), context.Canceled, true},
		{"a deadline that has passed", list(late), context.DeadlineExceeded, true},
		{"a caller who gives up while the database works", s.AsOrganisation(t.Context(), e.organisation, func(tx *store.Tx) error {
			return s.AsOrganisation(t.Context(), e.organisation, func(other *store.Tx) error {
				if err := other.AcknowledgeWarning(t.Context(), e.warning, e.at, ""); err != nil {
					return err
				}
				ctx, cancel := context.WithCancel(t.Context())
				done := make(chan error, 1)
				go func() { done <- tx.AcknowledgeWarning(ctx, e.warning, e.at, "") }()
				waitForWaiting(t, e.db)
				cancel()
				return <-done
			})
		}), context.Canceled, true},
		{"a name that is taken", e.do(t, s, func(tx *store.Tx) error {
			if err := tx.CreateShop(t.Context(), shop); err != nil {
				return err
			}
			return tx.CreateShop(t.Context(), shop)
		}), store.ErrConflict, false},
		{"a value that the database refuses", e.do(t, s, func(tx *store.Tx) error {
			return tx.CreateShop(t.Context(), store.Shop{ID: "North Yard", CreatedAt: e.at})
		}), store.ErrInvalid, false},
		{"an organisation that is none", s.AsOrganisation(t.Context(), uuid.Must(uuid.NewV7()), func(tx *store.Tx) error { return tx.CreateShop(t.Context(), shop) }), store.ErrInvalid, false},
		{"nobody's vehicle", e.do(t, s, func(tx *store.Tx) error { _, err := tx.Vehicle(t.Context(), "nobody"); return err }), store.ErrNotFound, false},
		{"a right that the api lacks", s.EnsurePartitions(t.Context(), e.at), store.ErrInternal, true},
		{"a year without vehicles", worker.EnsurePartitions(t.Context(), time.Date(1889, 7, 1, 0, 0, 0, 0, time.UTC)), store.ErrInvalid, false},
		{"a session that was ended", e.do(t, s, func(tx *store.Tx) error {
			e.db.Exec(t, `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = 'creepage_api_login' AND datname = current_database()`)
			_, err := tx.Shops(t.Context(), "", 1)
			return err
		}), store.ErrUnavailable, true},
		{"a server that is not there", func() error {
			_, err := store.New(t.Context(), "postgres://creepage@127.0.0.1:1/creepage?connect_timeout=1", store.Options{})
			return err
		}(), store.ErrUnavailable, true},
	} {
		if !errors.Is(c.err, c.want) {
			t.Errorf("%s: %v, want %v", c.what, c.err, c.want)
		}
		if got := store.Retryable(c.err); got != c.retryable {
			t.Errorf("%s: retryable is %v", c.what, got)
		}
		var pg *pgconn.PgError
		var connecting *pgconn.ConnectError
		if errors.As(c.err, &pg) || errors.As(c.err, &connecting) {
			t.Errorf("%s: the driver's error came out: %v", c.what, c.err)
		}
	}
	e.db.Exec(t, `INSERT INTO shops (organisation_id, id, created_at) VALUES ($1, 'lake-street', $2)`, e.organisation, e.at)
	e.db.Exec(t, `ALTER TABLE shops RENAME COLUMN title TO label`)
	if err := list(t.Context()); !errors.Is(err, store.ErrInternal) || errors.Is(err, store.ErrUnavailable) {
		t.Errorf("a statement that does not fit the schema: %v, want %v", err, store.ErrInternal)
	}
	e.db.Exec(t, `ALTER TABLE shops RENAME COLUMN label TO title; ALTER TABLE shops ALTER COLUMN created_at TYPE boolean USING true`)
	if err := list(t.Context()); !errors.Is(err, store.ErrInternal) {
		t.Errorf("an answer that cannot be read: %v, want %v", err, store.ErrInternal)
	}
	s.Close()
	if err := list(t.Context()); !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("a store that was closed: %v, want %v", err, store.ErrUnavailable)
	}
}
