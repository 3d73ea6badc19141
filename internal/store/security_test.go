package store_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"creepage/internal/local/localtest"
	"creepage/internal/store"
)

// The tables and what must be in their columns come out of the catalogue, so
// that a table made tomorrow is held to the same.
func TestNoTableShowsOneOrganisationsRowsToAnother(t *testing.T) {
	db := server.Database(t)
	owner, err := pgx.Connect(t.Context(), db.OwnerURL())
	if err != nil {
		t.Fatal(err)
	}
	defer owner.Close(t.Context())
	if _, err := owner.Exec(t.Context(), `SELECT make_reading_partition('2026-03-01')`); err != nil {
		t.Fatal(err)
	}
	tables := tablesOf(t, owner)
	if len(tables) < 20 {
		t.Fatalf("%d tables in the catalogue", len(tables))
	}
	tenants := []uuid.UUID{uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7())}
	for i, tenant := range tenants {
		fill(t, owner, tables, tenant, i+1)
	}
	for _, login := range []string{store.APILogin} {
		conn, err := pgx.Connect(t.Context(), db.URL(login))
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close(t.Context())
		for _, tab := range tables {
			if !tab.rowSecurity || !tab.forced || tab.policies == 0 {
				t.Errorf("%s: row-level security %v, forced %v, %d policies", tab.name, tab.rowSecurity, tab.forced, tab.policies)
			}
			if !readable(t, owner, tab.name, login) {
				continue
			}
			count := func(setting, where string, args ...any) (n int) {
				t.Helper()
				tx, err := conn.Begin(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				defer func() { _ = tx.Rollback(t.Context()) }()
				if setting != "unset" {
					if _, err := tx.Exec(t.Context(), `SELECT set_config('creepage.organisation', $1, true)`, setting); err != nil {
						t.Fatal(err)
					}
				}
				if err := tx.QueryRow(t.Context(), `SELECT count(*) FROM `+tab.name+where, args...).Scan(&n); err != nil {
					t.Fatalf("%s as %s: %v", tab.name, login, err)
				}
				return n
			}
			for i, tenant := range tenants {
				if own := count(tenant.String(), ``); own != 1 {
					t.Errorf("%s: %s of an organisation sees %d of its rows, want 1", tab.name, login, own)
				}
				if others := count(tenant.String(), ` WHERE `+tab.tenant+` = $1`, tenants[1-i]); others != 0 {
					t.Errorf("%s: %s of an organisation sees %d rows of another", tab.name, login, others)
				}
			}
			for _, setting := range []string{"unset", "", uuid.NewString()} {
				if n := count(setting, ``); n != 0 {
					t.Errorf("%s: %s with organisation %q sees %d rows", tab.name, login, setting, n)
				}
			}
		}
	}
	analystsSeeTheirOwn(t, db, owner, tables, tenants)
	if err := execAs(t, db, store.APILogin, `SELECT FROM readings_2026_03`); err == nil {
		t.Error("the api can read a partition past the policies of its table")
	}
}

// analystsSeeTheirOwn holds an analyst's login to the organisation that is on
// record for it, whatever the session sets.
func analystsSeeTheirOwn(t *testing.T, db *localtest.Database, owner *pgx.Conn, tables []table, tenants []uuid.UUID) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), db.URL(store.AnalystLogin))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	read := 0
	for _, on := range []uuid.UUID{uuid.Nil, tenants[0], tenants[1]} {
		if _, err := owner.Exec(t.Context(), `DELETE FROM analyst_logins`); err != nil {
			t.Fatal(err)
		}
		if on != uuid.Nil {
			if _, err := owner.Exec(t.Context(), `INSERT INTO analyst_logins VALUES ($1, $2, now())`, store.AnalystLogin, on); err != nil {
				t.Fatal(err)
			}
		}
		for _, setting := range []string{"", tenants[0].String(), tenants[1].String()} {
			if _, err := conn.Exec(t.Context(), `SELECT set_config('creepage.organisation', $1, false)`, setting); err != nil {
				t.Fatal(err)
			}
			for _, tab := range tables {
				if !readable(t, owner, tab.name, store.AnalystLogin) {
					continue
				}
				read++
				var own, all int
				if err := conn.QueryRow(t.Context(), `SELECT count(*) FILTER (WHERE `+tab.tenant+` = $1), count(*) FROM `+tab.name, on).Scan(&own, &all); err != nil {
					t.Fatalf("%s: %v", tab.name, err)
				}
				want := 0
				if on != uuid.Nil {
					want = 1
				}
				if own != want || all != want {
					t.Errorf("%s: an analyst of %s who sets %q sees %d rows, %d of them of that organisation", tab.name, on, setting, all, own)
				}
			}
		}
	}
	if read < 9*10 {
		t.Errorf("%d reads: the question is not the right one", read)
	}
}

// table is a table of the catalogue that holds tenants' rows: each that is not
// the migrations' or the job queue's own.
type table struct {
	name                string
	tenant              string // the column that names the organisation
	rowSecurity, forced bool
	policies            int
	columns             []column
	references          []reference
}

type column struct{ name, kind string }

// reference is a foreign key: columns and what they name.
type reference struct {
	columns []string
	table   string
	targets []string
}

func tablesOf(t *testing.T, owner *pgx.Conn) []table {
	t.Helper()
	rows, err := owner.Query(t.Context(), `
SELECT c.relname, CASE WHEN c.relname = 'organisations' THEN 'id' ELSE 'organisation_id' END, c.relrowsecurity, c.relforcerowsecurity,
       (SELECT count(*) FROM pg_policy p WHERE p.polrelid = c.oid)
FROM pg_class c WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') AND NOT c.relispartition
  AND c.relname <> 'schema_migrations' AND c.relname NOT LIKE 'river\_%' ORDER BY c.relname`)
	if err != nil {
		t.Fatal(err)
	}
	tables, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (tab table, err error) {
		return tab, row.Scan(&tab.name, &tab.tenant, &tab.rowSecurity, &tab.forced, &tab.policies)
	})
	if err != nil {
		t.Fatal(err)
	}
	for i := range tables {
		tab := &tables[i]
		// What has to be given: columns without a default that must be there, and
		// all that name the tenant's own rows.
		rows, err := owner.Query(t.Context(), `SELECT a.attname, format_type(a.atttypid, NULL) FROM pg_attribute a
			WHERE a.attrelid = $1::text::regclass AND a.attnum > 0 AND NOT a.attisdropped AND a.attnotnull AND NOT a.atthasdef AND a.attidentity = '' ORDER BY a.attnum`, tab.name)
		if err != nil {
			t.Fatal(err)
		}
		if tab.columns, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (c column, err error) { return c, row.Scan(&c.name, &c.kind) }); err != nil {
			t.Fatal(err)
		}
		rows, err = owner.Query(t.Context(), `
SELECT array(SELECT a.attname FROM unnest(k.conkey) WITH ORDINALITY AS u (n, i) JOIN pg_attribute a ON a.attrelid = k.conrelid AND a.attnum = u.n ORDER BY u.i)::text[],
       k.confrelid::regclass::text,
       array(SELECT a.attname FROM unnest(k.confkey) WITH ORDINALITY AS u (n, i) JOIN pg_attribute a ON a.attrelid = k.confrelid AND a.attnum = u.n ORDER BY u.i)::text[]
FROM pg_constraint k WHERE k.conrelid = $1::text::regclass AND k.contype = 'f'`, tab.name)
		if err != nil {
			t.Fatal(err)
		}
		if tab.references, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (r reference, err error) {
			return r, row.Scan(&r.columns, &r.table, &r.targets)
		}); err != nil {
			t.Fatal(err)
		}
	}
	return tables
}

func readable(t *testing.T, owner *pgx.Conn, name, login string) (yes bool) {
	t.Helper()
	if err := owner.QueryRow(t.Context(), `SELECT has_any_column_privilege($2, $1, 'SELECT')`, name, login).Scan(&yes); err != nil {
		t.Fatal(err)
	}
	return yes
}

// fill puts one row of an organisation into every table, those that are named
// by others first.
func fill(t *testing.T, owner *pgx.Conn, tables []table, tenant uuid.UUID, n int) {
	t.Helper()
	left := slices.Clone(tables)
	for len(left) > 0 {
		var waiting []table
		problems := map[string]error{}
		for _, tab := range left {
			if err := insertRow(t, owner, tab, tenant, n); err != nil {
				waiting, problems[tab.name] = append(waiting, tab), err
			}
		}
		if len(waiting) == len(left) {
			t.Fatalf("no row can be put into these tables: %v", problems)
		}
		left = waiting
	}
}

// insertRow makes a row of what its columns' types allow, with values tried in
// turn until the table's constraints are content, and of rows that stand for
// what it references.
func insertRow(t *testing.T, owner *pgx.Conn, tab table, tenant uuid.UUID, n int) error {
	at := time.Date(2026, 3, 2, 9, 0, n, 0, time.UTC)
	candidates := map[string][]any{
		"uuid": {uuid.Must(uuid.NewV7())}, "text": {fmt.Sprintf("x-%d", n), fmt.Sprintf("https://x-%d.example", n)}, "date": {at},
		"smallint": {int16(1), int16(2)}, "smallint[]": {[]int16{1}}, "integer": {int32(n)}, "bigint": {int64(n)}, "double precision": {0.5}, "real": {float32(0.5)}, "boolean": {true, false},
		"jsonb": {`[]`, `{}`}, "bytea": {[]byte(fmt.Sprintf("%032d", n))}, "text[]": {[]string{}}, "interval": {pgtype.Interval{Days: 1, Valid: true}},
	}
	given := map[string]any{tab.tenant: tenant}
	for _, ref := range tab.references {
		if err := follow(t, owner, tab, ref, tenant, given); err != nil {
			return err
		}
	}
	var failed error
	for round := range 4 {
		var names, places []string
		var args []any
		add := func(name string, value any) {
			names, args = append(names, name), append(args, value)
			places = append(places, fmt.Sprintf("$%d", len(args)))
		}
		for name, value := range given {
			add(name, value)
		}
		for _, c := range tab.columns {
			if _, known := given[c.name]; known {
				continue
			}
			choice := candidates[c.kind]
			if c.kind == "timestamp with time zone" { // the later column is the later time
				choice = []any{at.Add(time.Duration(len(args)) * time.Hour)}
			}
			if len(choice) == 0 {
				return fmt.Errorf("column %s: no value of type %s is known here", c.name, c.kind)
			}
			add(c.name, choice[(round>>uint(len(names)%2))%len(choice)])
		}
		_, failed = owner.Exec(t.Context(), `INSERT INTO `+tab.name+` (`+strings.Join(names, ", ")+`) VALUES (`+strings.Join(places, ", ")+`)`, args...)
		if failed == nil {
			return nil
		}
	}
	return failed
}

// follow gives the columns of a reference what stands in the table they name:
// those that must be there.
func follow(t *testing.T, owner *pgx.Conn, tab table, ref reference, tenant uuid.UUID, given map[string]any) error {
	needed := func(name string) bool {
		return slices.ContainsFunc(tab.columns, func(c column) bool { return c.name == name })
	}
	if !slices.ContainsFunc(ref.columns, func(name string) bool { return needed(name) && name != tab.tenant }) {
		return nil
	}
	key := "organisation_id"
	if ref.table == "organisations" {
		key = "id"
	}
	values, targets := make([]any, len(ref.targets)), make([]any, len(ref.targets))
	for i := range values {
		targets[i] = &values[i]
	}
	if err := owner.QueryRow(t.Context(), `SELECT `+strings.Join(ref.targets, ", ")+` FROM `+ref.table+` WHERE `+key+` = $1 LIMIT 1`, tenant).Scan(targets...); err != nil {
		return fmt.Errorf("nothing to reference in %s: %w", ref.table, err)
	}
	for i, name := range ref.columns {
		if needed(name) {
			given[name] = values[i]
		}
	}
	return nil
}

func TestNobodyReadsOrChangesTheSecretOfAKey(t *testing.T) {
	e := newTenant(t)
	s, ctx := e.db.Store(t, store.APILogin), t.Context()
	key := store.Key{ID: uuid.Must(uuid.NewV7()), Title: "bench", Role: 2, Hash: [32]byte{7}, CreatedAt: e.at}
	if err := e.do(t, s, func(tx *store.Tx) error { return tx.CreateKey(ctx, key) }); err != nil {
		t.Fatal(err)
	}
	for _, login := range []string{store.APILogin, store.WorkerLogin, store.AnalystLogin} {
		for _, sql := range []string{`SELECT secret_hash FROM keys`, `SELECT * FROM keys`, `UPDATE keys SET secret_hash = '\x00'`, `UPDATE keys SET role = 1`,
			`DELETE FROM keys`, `SELECT count(*) FROM keys WHERE secret_hash = '\x00'`} {
			if err := execAs(t, e.db, login, sql); err == nil {
				t.Errorf("%s may %s", login, sql)
			}
		}
	}
	// What the service itself does with keys goes on.
	found, err := s.FindKey(ctx, key.Hash, e.at.Add(time.Hour))
	if err != nil || found.ID != key.ID || found.Organisation != e.organisation {
		t.Errorf("found %+v, %v", found, err)
	}
	if _, err := s.FindKey(ctx, [32]byte{8}, e.at); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("another secret: %v", err)
	}
	err = e.do(t, s, func(tx *store.Tx) error {
		keys, err := tx.Keys(ctx, store.TimeCursor{}, 10)
		if err == nil && (len(keys) != 1 || !keys[0].LastUsedAt.Equal(e.at.Add(time.Hour)) || keys[0].Hash != [32]byte{}) {
			t.Errorf("listed %+v", keys)
		}
		if err != nil {
			return err
		}
		_, ended, err := tx.RevokeKey(ctx, key.ID, e.at)
		if !ended {
			t.Error("the key did not end")
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
	if _, err := s.FindKey(ctx, key.Hash, e.at); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a revoked key: %v", err)
	}
}

func TestPartitionsAreMadeForTheYearsOfReadingsAlone(t *testing.T) {
	db := server.Database(t)
	for _, month := range []string{"1889-07-01", "1989-12-31", "2100-01-01", "9999-01-01", "infinity", "-infinity"} {
		if err := execAs(t, db, store.WorkerLogin, `SELECT make_reading_partition($1::text::date)`, month); err == nil {
			t.Errorf("a partition of %s was made", month)
		}
	}
	if err := execAs(t, db, store.WorkerLogin, `SELECT make_reading_partition(NULL)`); err == nil {
		t.Error("a partition of no month was made")
	}
	for _, month := range []string{"1990-01-01", "2026-03-15", "2026-03-01", "2099-12-31"} {
		if err := execAs(t, db, store.WorkerLogin, `SELECT make_reading_partition($1::text::date)`, month); err != nil {
			t.Errorf("a partition of %s: %v", month, err)
		}
	}
	var n int
	db.Query(t, `SELECT count(*) FROM pg_inherits WHERE inhparent = 'readings'::regclass`, &n)
	if n != 3 {
		t.Errorf("%d partitions were made, want 3", n)
	}
	if err := execAs(t, db, store.APILogin, `SELECT make_reading_partition('2026-03-01')`); err == nil {
		t.Error("the api may make partitions")
	}
}
