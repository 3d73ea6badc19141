package store_test

import (
	"os"
	"testing"

	"github.com/jackc/pgx/v5"

	"creepage/internal/local/localtest"
	"creepage/internal/store"
)

var server *localtest.Server

func TestMain(m *testing.M) {
	os.Exit(localtest.Main(m, false, func(s *localtest.Server) { server = s }))
}

func TestSchemaGoesUpDownAndUpAgain(t *testing.T) {
	d := server.Empty(t)
	tables := func() (n int) {
		d.Query(t, `SELECT count(*) FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p', 'v', 'S') AND relname NOT IN ('schema_migrations')`, &n)
		return n
	}
	if err := store.Migrate(t.Context(), d.OwnerURL()); err != nil {
		t.Fatal(err)
	}
	first := tables()
	if err := store.Migrate(t.Context(), d.OwnerURL()); err != nil {
		t.Fatalf("a second time: %v", err)
	}
	if err := store.MigrateDown(t.Context(), d.OwnerURL()); err != nil {
		t.Fatal(err)
	}
	if n := tables(); n != 0 {
		t.Errorf("%d tables are left after going down", n)
	}
	if err := store.Migrate(t.Context(), d.OwnerURL()); err != nil {
		t.Fatal(err)
	}
	if n := tables(); n != first || n < 20 {
		t.Errorf("%d tables after going up again, %d the first time", n, first)
	}
}

// Every table that has a tenant hides its rows from everybody who has not
// named that tenant.
func TestEveryTenantsTableHasForcedRowLevelSecurity(t *testing.T) {
	d := server.Database(t)
	d.Exec(t, `SELECT make_reading_partition('2026-03-01')`)
	var open int
	d.Query(t, `SELECT count(*) FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'organisation_id'
		WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') AND NOT (c.relrowsecurity AND c.relforcerowsecurity)`, &open)
	if open != 0 {
		t.Errorf("%d tables with organisation_id lack forced row-level security", open)
	}
	conn, err := pgx.Connect(t.Context(), d.URL(store.APILogin))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	if _, err := conn.Exec(t.Context(), `SELECT * FROM readings_2026_03`); err == nil {
		t.Error("the api can read a partition past the policies of its table")
	}
}
