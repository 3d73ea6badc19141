package services_test

import (
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
	if len(queries) != 4 {
		t.Fatalf("%d queries in the document", len(queries))
	}
	s := start(t)
	threeReadings(t, s)
	twoOutlooks(t, s)
	s.db.Exec(t, `INSERT INTO codes (organisation_id, vehicle_id, code, set_at, received_at) SELECT organisation_id, vehicle_id, 'P0AA6', $1, $1 FROM warnings`, now.Add(time.Hour))
	other, _ := s.newOrganisation(t, "another")
	conn, err := pgx.Connect(t.Context(), s.db.URL(store.AnalystLogin))
	must(t, err)
	defer func() { must(t, conn.Close(t.Context())) }()
	for organisation, want := range map[string]int{"": 0, other.String(): 0, s.organisation.String(): 1} {
		for i, q := range queries {
			q, _, _ = strings.Cut(q, "```")
			q = strings.ReplaceAll(q, "01900000-0000-7000-8000-000000000000", organisation)
			rows, err := conn.Query(t.Context(), q)
			must(t, err)
			n := 0
			for rows.Next() {
				n++
			}
			must(t, rows.Err())
			if i > 0 && (n > 0) != (want > 0) {
				t.Errorf("organisation %q: %d rows of\n%s", organisation, n, q)
			}
		}
		var got []string
		rows, err := conn.Query(t.Context(), `SELECT reading_id || ' ' || vehicle || ' ' || method || ' ' || component || ' ' || conductor || ' ' || reference || ' ' || relation || ' ' || resistance_ohm::text
			FROM report_readings ORDER BY measured_at`)
		must(t, err)
		got, err = pgx.CollectRows(rows, pgx.RowTo[string])
		must(t, err)
		if want == 0 && len(got) > 0 {
			t.Errorf("organisation %q reads %q", organisation, got)
		}
		if want > 0 && !cmp.Equal(got, []string{"r-2 b tester motor phase_u chassis = 0.1", "r-3 a tester motor phase_u chassis = 550000000", "r-1 a tester motor phase_u chassis = 123456789.125"}) {
			t.Errorf("%q", got)
		}
	}
	if _, err := conn.Exec(t.Context(), `DELETE FROM report_repairs`); err == nil {
		t.Error("an analyst could delete")
	}
}
