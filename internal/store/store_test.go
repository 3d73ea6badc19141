package store_test

import (
	"os"
	"testing"

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
