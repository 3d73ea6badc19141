package store_test

import (
	"os"
	"strings"
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

// A set that was learned before a number was thought of goes on without it; one
// that says how far it counts keeps what it says.
func TestSetsLearnedBeforeGoOnAsTheyWere(t *testing.T) {
	d := server.Empty(t)
	if err := store.Migrate(t.Context(), d.OwnerURL()); err != nil {
		t.Fatal(err)
	}
	id := uuid.Must(uuid.NewV7())
	d.Exec(t, `INSERT INTO organisations (id, name, created_at) VALUES ($1, 'harbor', now())`, id)
	for migration, numbers := range map[string][]string{
		"000029_sinking": {"sink_odds"},
		"000030_wander":  {"wander_noise", "level_above_code"},
	} {
		d.Exec(t, `DELETE FROM param_sets`)
		d.Exec(t, `INSERT INTO param_sets (organisation_id, version, params, created_at) VALUES ($1, 'before', '{"version": "before"}', now())`, id)
		d.Exec(t, `INSERT INTO param_sets (organisation_id, version, params, created_at)
			SELECT $1, 'after', jsonb_object_agg(n, 6) || '{"version": "after"}', now() FROM unnest($2::text[]) n`, id, numbers)
		step := func(way, want string) {
			text, err := migrations.Files.ReadFile(migration + way)
			if err != nil {
				t.Fatal(err)
			}
			d.Exec(t, string(text))
			for _, number := range numbers {
				var got string
				d.Query(t, `SELECT string_agg(version || ' ' || coalesce(params ->> '`+number+`', '-'), ', ' ORDER BY version) FROM param_sets`, &got)
				if got != want {
					t.Errorf("%s%s: %s is %s, want %s", migration, way, number, got, want)
				}
			}
		}
		step(".up.sql", "after 6, before 0")
		step(".down.sql", "after -, before -")
	}
	// Calibrations were one line: two of its points name it now, and give it back.
	d.Exec(t, `DELETE FROM param_sets`)
	d.Exec(t, `INSERT INTO param_sets (organisation_id, version, params, created_at)
		SELECT $1, version, params, now() FROM (VALUES ('before'), ('none')) AS v (version) CROSS JOIN LATERAL (SELECT CASE version WHEN 'none' THEN '{}' ELSE jsonb_build_object('calibration', line, 'calibration_testers', line) END AS params FROM (SELECT '{"n": 70, "shift": 0.25, "scale": 0.75, "horizon": 0.5}'::jsonb AS line) AS l) AS p`, id)
	for _, step := range [...]struct{ way, want string }{
		{".up.sql", `{"n": 70, "seen": -1.25, "scale": 0.75, "unseen": -3.875, "horizon": 0.5} {"n": 70, "seen": -1.25, "scale": 0.75, "unseen": -3.875, "horizon": 0.5} 1e-9`},
		{".down.sql", `{"n": 70, "scale": 0.75, "shift": 0.25, "horizon": 0.5} {"n": 70, "scale": 0.75, "shift": 0.25, "horizon": 0.5} -`},
	} {
		text, err := migrations.Files.ReadFile("000031_unseen" + step.way)
		if err != nil {
			t.Fatal(err)
		}
		d.Exec(t, string(text))
		var got string
		d.Query(t, `SELECT concat_ws(' ', params ->> 'calibration', params ->> 'calibration_testers', coalesce((params ->> 'slip_share')::float8::text, '-')) FROM param_sets WHERE version = 'before'`, &got)
		if strings.ReplaceAll(got, "1e-09", "1e-9") != step.want {
			t.Errorf("%s: %s, want %s", step.way, got, step.want)
		}
		d.Query(t, `SELECT (params - 'slip_share')::text FROM param_sets WHERE version = 'none'`, &got)
		if got != "{}" {
			t.Errorf("%s made %s of a set without calibrations", step.way, got)
		}
	}
	var forced bool
	if d.Query(t, `SELECT relforcerowsecurity FROM pg_class WHERE relname = 'param_sets'`, &forced); !forced {
		t.Error("row security is not forced any more")
	}
}
