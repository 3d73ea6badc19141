package store_test

import (
	"os"
	"testing"

	"github.com/google/uuid"

	"creepage/internal/local/localtest"
	"creepage/internal/store"
	"creepage/migrations"
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

// A set that was learned before monitors' sinking was followed goes on without it; one
// that says how far it counts keeps what it says.
func TestSetsLearnedBeforeGoOnWithoutSinking(t *testing.T) {
	d := server.Empty(t)
	if err := store.Migrate(t.Context(), d.OwnerURL()); err != nil {
		t.Fatal(err)
	}
	id := uuid.Must(uuid.NewV7())
	d.Exec(t, `INSERT INTO organisations (id, name, created_at) VALUES ($1, 'harbor', now())`, id)
	d.Exec(t, `INSERT INTO param_sets (organisation_id, version, params, created_at)
		VALUES ($1, 'before', '{"version": "before"}', now()), ($1, 'after', '{"version": "after", "sink_odds": 6}', now())`, id)
	step := func(name string) {
		text, err := migrations.Files.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		d.Exec(t, string(text))
	}
	said := func() (out string) {
		d.Query(t, `SELECT string_agg(version || ' ' || coalesce(params ->> 'sink_odds', '-'), ', ' ORDER BY version) FROM param_sets`, &out)
		return out
	}
	step("000029_sinking.up.sql")
	if got, want := said(), "after 6, before 0"; got != want {
		t.Errorf("up: %s, want %s", got, want)
	}
	step("000029_sinking.down.sql")
	if got, want := said(), "after -, before -"; got != want {
		t.Errorf("down: %s, want %s", got, want)
	}
	var forced bool
	if d.Query(t, `SELECT relforcerowsecurity FROM pg_class WHERE relname = 'param_sets'`, &forced); !forced {
		t.Error("row security is not forced any more")
	}
}
