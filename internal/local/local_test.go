package local

import (
	"context"
	"os"
	"testing"

	"github.com/jackc/pgx/v5"
)

// testDir is a folder that the database's account can reach.
func testDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "creepage-local-")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func TestNATSServerSyncsEveryMessageBeforeItAcknowledges(t *testing.T) {
	n, err := StartNATS(NATSConfig{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer n.Stop(context.Background())
	always, err := n.SyncsAlways()
	if err != nil || !always {
		t.Errorf("the running server syncs always: %v, %v", always, err)
	}
	if n.URL() != "" {
		t.Errorf("it listens on %s without being asked to", n.URL())
	}
}

// A process that is killed leaves its database running; the next one takes it over.
func TestLeftOverDatabaseIsAdoptedWithItsRows(t *testing.T) {
	config := PostgresConfig{Dir: testDir(t)}
	first, err := StartPostgres(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	pid, err := first.PID()
	if err != nil || pid == 0 {
		t.Fatalf("process %d, %v", pid, err)
	}
	if _, err := StartPostgres(t.Context(), config); err == nil {
		t.Error("a second process may run on the same folder")
	}
	runSQL(t, first, `CREATE TABLE kept AS SELECT 7 AS n`)
	if err := first.Abandon(); err != nil {
		t.Fatal(err)
	}
	second, err := StartPostgres(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	if again, _ := second.PID(); again != pid {
		t.Errorf("process %d was not adopted; now it is %d", pid, again)
	}
	runSQL(t, second, `INSERT INTO kept SELECT 8 WHERE EXISTS (SELECT FROM kept WHERE n = 7)`)
	for range 2 {
		if err := second.Stop(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if pid, _ := second.PID(); pid != 0 {
		t.Errorf("process %d is left after the stop", pid)
	}
}

func runSQL(t *testing.T, p *Postgres, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), p.SuperuserURL("postgres"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	if _, err := conn.Exec(t.Context(), sql); err != nil {
		t.Fatal(err)
	}
}
