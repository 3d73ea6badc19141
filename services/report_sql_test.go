package services_test

import (
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"creepage/internal/store"
)

// The worked queries of docs/reports.md, run as they stand by the analyst's login.
func TestTheAnalystsQueriesRunAndSeeTheirOrganisationAlone(t *testing.T) {
	text, err := os.ReadFile("../docs/reports.md")
	must(t, err)
	queries := strings.Split(string(text), "```sql\n")[1:]
	if len(queries) != 5 {
		t.Fatalf("%d queries in the document", len(queries))
	}
	s := start(t)
	threeReadings(t, s)
	twoOutlooks(t, s)
	s.db.Exec(t, `INSERT INTO codes (organisation_id, vehicle_id, code, set_at, received_at) SELECT organisation_id, vehicle_id, 'P0AA6', $1, $1 FROM warnings`, now.Add(time.Hour))
	s.newOrganisation(t, "another")
	conn, err := pgx.Connect(t.Context(), s.db.URL(store.AnalystLogin))
	must(t, err)
	defer func() { must(t, conn.Close(t.Context())) }()
	for _, organisation := range []string{"", "another", "local"} {
		s.db.Exec(t, `DELETE FROM analyst_logins`)
		if organisation != "" {
			must(t, store.MakeAnalyst(t.Context(), s.db.OwnerURL(), store.Analyst{Login: store.AnalystLogin, Organisation: organisation, At: now}))
		}
		want := organisation == "local"
		for _, q := range queries {
			q, _, _ = strings.Cut(q, "```")
			rows, err := conn.Query(t.Context(), q)
			must(t, err)
			n := 0
			for rows.Next() {
				n++
			}
			must(t, rows.Err())
			if (n > 0) != want {
				t.Errorf("organisation %q: %d rows of\n%s", organisation, n, q)
			}
		}
		var got []string
		rows, err := conn.Query(t.Context(), `SELECT reading_id || ' ' || vehicle || ' ' || method || ' ' || component || ' ' || conductor || ' ' || reference || ' ' || relation || ' ' || resistance_ohm::text
			FROM report_readings ORDER BY measured_at`)
		must(t, err)
		got, err = pgx.CollectRows(rows, pgx.RowTo[string])
		must(t, err)
		if !want && len(got) > 0 {
			t.Errorf("organisation %q reads %q", organisation, got)
		}
		if want && !cmp.Equal(got, []string{"r-2 b tester motor phase_u chassis = 0.1", "r-3 a tester motor phase_u chassis = 550000000", "r-1 a tester motor phase_u chassis = 123456789.125"}) {
			t.Errorf("%q", got)
		}
	}
	if _, err := conn.Exec(t.Context(), `DELETE FROM report_repairs`); err == nil {
		t.Error("an analyst could delete")
	}
}

// An analyst of one organisation who tries everything that a login can set to
// read another's rows.
func TestNoSettingShowsAnAnalystAnotherOrganisation(t *testing.T) {
	s := start(t)
	threeReadings(t, s)
	other, _ := s.newOrganisation(t, "another")
	password, err := makeAnalyst(t, s, "another", "rita_"+s.db.Name)
	must(t, err)

	config, err := pgx.ParseConfig(s.db.URL("rita_" + s.db.Name))
	must(t, err)
	config.Password = password
	for _, attempt := range []string{
		`SELECT 1`,
		`SET creepage.organisation = '` + s.organisation.String() + `'`,
		`SELECT set_config('creepage.organisation', '` + s.organisation.String() + `', false)`,
		`SET ROLE creepage_analyst`,
		`SET ROLE creepage_api`,
		`SET ROLE creepage_report`,
		`SET ROLE ` + store.AnalystLogin,
		`SET SESSION AUTHORIZATION ` + store.AnalystLogin,
		`SET row_security = off`,
		`SET default_transaction_read_only = off; UPDATE analyst_logins SET organisation_id = '` + s.organisation.String() + `'`,
		`SET default_transaction_read_only = off; INSERT INTO analyst_logins VALUES ('rita', '` + s.organisation.String() + `', now())`,
		`SET default_transaction_read_only = off; CREATE TEMP TABLE analyst_logins AS SELECT session_user::text AS name, '` + s.organisation.String() + `'::uuid AS organisation_id`,
		`SET search_path = pg_temp, public`,
		`SELECT erase_words('a', 'b')`,
		`SELECT * FROM find_key('x')`,
	} {
		conn, err := pgx.ConnectConfig(t.Context(), config)
		must(t, err)
		_, tried := conn.Exec(t.Context(), attempt)
		for _, view := range []string{"report_readings", "readings", "vehicles", "organisations"} {
			var n int
			where := ""
			if view == "organisations" {
				where = ` WHERE id <> '` + other.String() + `'`
			}
			err := conn.QueryRow(t.Context(), `SELECT count(*) FROM `+view+where).Scan(&n)
			refused := err != nil && strings.Contains(attempt, "row_security") // the table refuses rather than show less
			if err != nil && !refused || n != 0 {
				t.Errorf("after %s (%v) %s shows %d rows of another organisation, %v", attempt, tried, view, n, err)
			}
		}
		must(t, conn.Close(t.Context()))
	}
	// The same login of its own organisation sees its rows: the question was the right one.
	s.db.Exec(t, `UPDATE analyst_logins SET organisation_id = $1`, s.organisation)
	conn, err := pgx.ConnectConfig(t.Context(), config)
	must(t, err)
	defer func() { must(t, conn.Close(t.Context())) }()
	var n int
	must(t, conn.QueryRow(t.Context(), `SELECT count(*) FROM report_readings`).Scan(&n))
	if n != 3 {
		t.Errorf("%d rows of its own, want 3", n)
	}
	// A login is one organisation's, and no other role becomes an analyst's by it.
	for login, want := range map[string]error{"rita_" + s.db.Name: store.ErrConflict, store.WorkerLogin: store.ErrConflict} {
		if _, err := makeAnalyst(t, s, "another", login); !errors.Is(err, want) {
			t.Errorf("%s: %v, want %v", login, err, want)
		}
	}
	if _, err := makeAnalyst(t, s, "nobody", "rolf_"+s.db.Name); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("an organisation that is not there: %v", err)
	}
}

func makeAnalyst(t *testing.T, s *system, organisation, login string) (string, error) {
	t.Helper()
	const password = "a password's 'quotes'"
	return password, store.MakeAnalyst(t.Context(), s.db.OwnerURL(), store.Analyst{Login: login, Password: password, Organisation: organisation, At: now})
}
