package worker

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/pem"
	"fmt"
	"io"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"

	"creepage/internal/destination"
	"creepage/internal/store"
	"creepage/services/report"
)

// madeReports is how the program makes reports, to a folder and to a bucket of
// an in-process store (github.com/johannesboyne/gofakes3).
type madeReports struct {
	*hooks
	folder string
	bucket *s3mem.Backend
}

func newReports(t *testing.T, change ...func(*Worker)) *madeReports {
	t.Helper()
	r := &madeReports{folder: t.TempDir(), bucket: s3mem.New()}
	if err := r.bucket.CreateBucket("fleet"); err != nil {
		t.Fatal(err)
	}
	s3 := httptest.NewTLSServer(gofakes3.New(r.bucket).Server())
	t.Cleanup(s3.Close)
	authority := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(authority, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s3.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	places, err := destination.Read(fmt.Sprintf(`{"shelf": {"folder": %q}, "lake": {"endpoint": %q, "ca_file": %q, "bucket": "fleet", "prefix": "creepage", "region": "eu-1", "access_key": "a", "secret_key": "b"}}`,
		r.folder, s3.URL, authority))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = places.Close() })
	r.hooks = newHooks(t, anywhere, 0, append([]func(*Worker){func(w *Worker) {
		made := report.New(w.store, w.models, "creepage test", w.clock)
		w.reports = Reports{Destinations: places, Make: made.Make, Describe: made.Describe, Order: func(s *store.ReportSchedule, organisation string, due time.Time) (*store.ReportRun, error) {
			return report.Order(s, organisation, due, false)
		}}
	}}, change...)...)
	r.db.Exec(t, `SELECT make_reading_partition('2026-06-01'), make_reading_partition('2026-07-01')`)
	return r
}

// kept puts a reading of an organisation into the table, as a batch does.
func (r *madeReports) kept(org uuid.UUID, id string, at time.Time) {
	r.t.Helper()
	r.db.Exec(r.t, `INSERT INTO readings (organisation_id, reading_id, measured_at, vehicle_id, received_at, vehicle, shop, platform, method, component, conductor, reference, quantity, relation, ohms, content)
		SELECT $1, $2, $3, v.id, $3, v.name, 'north-yard', v.platform, 1, 4, 3, 1, 1, 1, 5e8, sha256($2::text::bytea) FROM vehicles v WHERE v.organisation_id = $1`, org, id, at)
}

// schedule keeps a schedule of readings at 6 every day, the day before alone.
func (r *madeReports) schedule(change ...func(*store.ReportSchedule)) uuid.UUID {
	r.t.Helper()
	s := store.ReportSchedule{ID: uuid.Must(uuid.NewV7()), Report: "readings", Format: "csv", AsOf: 1, Span: 2, Frequency: 1, Weekday: 1, MonthDay: 1, Hour: 6, Destination: "shelf", CreatedAt: r.clock()}
	for _, f := range change {
		f(&s)
	}
	times, err := s.Times()
	if err != nil {
		r.t.Fatal(err)
	}
	s.NextAt = times.Next(r.clock())
	r.asOrganisation(func(tx *store.Tx) error { return tx.CreateReportSchedule(r.t.Context(), &s) })
	return s.ID
}

// look has the periodic job done now.
func (r *madeReports) look() {
	r.t.Helper()
	if _, err := r.worker.jobs.Insert(r.t.Context(), DueReports{}, nil); err != nil {
		r.t.Fatal(err)
	}
	r.until(`SELECT count(*) FROM river_job WHERE kind = 'due_reports' AND state <> 'completed'`, 0)
}

// advance moves the clock on, whatever is being done.
func (r *madeReports) advance(d time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.passed += d
}

// files are the names in the organisation's folder, hidden ones too.
func (r *madeReports) files() string {
	r.t.Helper()
	entries, err := os.ReadDir(filepath.Join(r.folder, "harbor"))
	if err != nil && !os.IsNotExist(err) {
		r.t.Fatal(err)
	}
	var list []string
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return strings.Join(list, " ")
}

func (r *madeReports) read(name string) string {
	r.t.Helper()
	b, err := os.ReadFile(filepath.Join(r.folder, "harbor", name))
	if err != nil {
		r.t.Fatal(err)
	}
	return string(b)
}

func TestAScheduleMakesAFileEveryDayAndMakesUpForThoseItMissed(t *testing.T) {
	r := newReports(t) // it is Wednesday, 1 July 2026, 12:00 UTC
	other := uuid.Must(uuid.NewV7())
	r.organisation(other, "rival")
	r.db.Exec(t, `INSERT INTO vehicles (organisation_id, name, platform, created_at) VALUES ($1, 'theirs', 'harbor-van-400', now())`, other)
	for day := range 3 {
		r.kept(r.org, fmt.Sprint("r-", day+1), time.Date(2026, 7, 1+day, 9, 0, 0, 0, time.UTC))
		r.kept(other, fmt.Sprint("theirs-", day+1), time.Date(2026, 7, 1+day, 9, 0, 0, 0, time.UTC))
	}
	r.schedule()
	r.look() // nothing is due yet
	if f := r.files(); f != "" {
		t.Fatalf("made before its time: %s", f)
	}
	r.advance(66 * time.Hour) // Saturday, 06:00: three are due
	r.look()
	r.until(`SELECT count(*) FROM report_runs WHERE status = 2 AND attempts = 1 AND rows = 1`, 3)
	if f := r.files(); f != "harbor-readings-2026-07-01.csv harbor-readings-2026-07-01.csv-metadata.json harbor-readings-2026-07-02.csv harbor-readings-2026-07-02.csv-metadata.json "+
		"harbor-readings-2026-07-03.csv harbor-readings-2026-07-03.csv-metadata.json" {
		t.Errorf("files: %s", f)
	}
	for day := range 3 {
		text := r.read(fmt.Sprintf("harbor-readings-2026-07-%02d.csv", day+1))
		if strings.Count(text, "\r\n") != 2 || !strings.Contains(text, fmt.Sprintf("\r\nr-%d,", day+1)) {
			t.Errorf("day %d: %s", day+1, text)
		}
	}
	r.until(`SELECT count(*) FROM report_schedules WHERE next_at = '2026-07-05 06:00+00'`, 1)
	r.look()
	r.until(`SELECT count(*) FROM report_runs`, 3)
	// Runs leave the list after ninety days; files stay.
	r.db.Exec(t, `UPDATE report_schedules SET disabled_at = now()`)
	r.advance(91 * 24 * time.Hour)
	r.look()
	r.until(`SELECT count(*) FROM report_runs`, 0)
	if f := r.files(); strings.Count(f, ".csv") != 6 {
		t.Errorf("files: %s", f)
	}
}

// What goes into a file is read in a role that row-level security binds: the
// worker's own sees every organisation.
func TestTheRoleOfReportsSeesOneOrganisation(t *testing.T) {
	r := newReports(t)
	other := uuid.Must(uuid.NewV7())
	r.organisation(other, "rival")
	r.db.Exec(t, `INSERT INTO vehicles (organisation_id, name, platform, created_at) VALUES ($1, 'theirs', 'harbor-van-400', now())`, other)
	conn, err := pgx.Connect(t.Context(), r.db.URL(store.WorkerLogin))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	count := func(setup string) (n int) {
		t.Helper()
		if _, err := conn.Exec(t.Context(), setup); err != nil {
			t.Fatal(err)
		}
		if err := conn.QueryRow(t.Context(), `SELECT count(*) FROM vehicles`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	if n := count(`RESET ROLE`); n != 2 {
		t.Errorf("the worker sees %d vehicles, want 2", n)
	}
	if n := count(`SET ROLE creepage_report`); n != 0 {
		t.Errorf("without an organisation the role of reports sees %d vehicles", n)
	}
	if n := count(`SET creepage.organisation = '` + r.org.String() + `'`); n != 1 {
		t.Errorf("of one organisation it sees %d vehicles, want 1", n)
	}
	for _, sql := range []string{`DELETE FROM vehicles`, `UPDATE warnings SET ended_at = now()`, `SELECT secret_hash FROM keys`, `SELECT * FROM webhook_endpoints`} {
		if _, err := conn.Exec(t.Context(), sql); err == nil {
			t.Errorf("the role of reports may %s", sql)
		}
	}
}

// A worker that is killed between the file and its record, or that wakes up
// when another has long done its work: there is one file, whole, and one record.
func TestOneRunIsOneFileWhoeverIsKilled(t *testing.T) {
	asleep, wake := make(chan struct{}), make(chan struct{})
	first := true
	r := newReports(t, func(w *Worker) {
		w.afterReport = func() error {
			if first {
				first = false
				close(asleep)
				<-wake
			}
			return nil
		}
	})
	r.kept(r.org, "r-1", time.Date(2026, 7, 1, 9, 0, 0, 0, time.UTC))
	id := r.schedule()
	// What an attempt that was killed in the middle leaves behind.
	if err := os.MkdirAll(filepath.Join(r.folder, "harbor"), 0o750); err != nil {
		t.Fatal(err)
	}
	r.advance(18 * time.Hour)
	r.look()
	<-asleep
	run := r.text(`SELECT id::text FROM report_runs`)
	torn := filepath.Join(r.folder, "harbor", ".harbor-readings-2026-07-01.csv."+run+".1.part")
	if err := os.WriteFile(torn, []byte("reading_id,sh"), 0o600); err != nil {
		t.Fatal(err)
	}
	r.until(`SELECT count(*) FROM report_runs WHERE status = 1 AND attempts = 1`, 1)
	r.look() // it is held: nobody else takes it
	r.until(`SELECT count(*) FROM river_job WHERE kind = 'report_run'`, 1)
	r.advance(3 * time.Minute) // no sign of life for that long
	r.look()
	r.until(`SELECT count(*) FROM report_runs WHERE status = 2 AND attempts = 2`, 1)
	close(wake)
	r.until(`SELECT count(*) FROM river_job WHERE kind = 'report_run' AND state <> 'completed'`, 0)
	if f := r.files(); f != "harbor-readings-2026-07-01.csv harbor-readings-2026-07-01.csv-metadata.json" {
		t.Errorf("files: %s", f)
	}
	sum := sha256.Sum256([]byte(r.read("harbor-readings-2026-07-01.csv")))
	if got := r.text(`SELECT encode(sha256, 'hex') || ' ' || attempts || ' ' || status FROM report_runs`); got != hex.EncodeToString(sum[:])+" 2 2" {
		t.Errorf("on record is %s of schedule %s, the file's sum is %x", got, id, sum)
	}
}

func TestARunThatFailsIsTriedAgainAndThenGivenUpWithItsError(t *testing.T) {
	r := newReports(t)
	r.schedule(func(s *store.ReportSchedule) { s.Destination = "gone" })
	r.advance(18 * time.Hour)
	for attempt := 1; attempt <= 8; attempt++ {
		r.look()
		want := 1
		if attempt == 8 {
			want = 3
		}
		r.until(fmt.Sprintf(`SELECT count(*) FROM report_runs WHERE attempts = %d AND held_until IS NULL AND status = %d AND last_error LIKE '%%no such destination: "gone"%%'`, attempt, want), 1)
		if attempt == 1 {
			r.look() // its next attempt is not due
			r.until(`SELECT count(*) FROM river_job WHERE kind = 'report_run'`, 1)
		}
		r.advance(12 * time.Hour)
		r.db.Exec(t, `UPDATE report_schedules SET disabled_at = now()`)
	}
	// By hand it begins anew, as of the same time.
	run := uuid.MustParse(r.text(`SELECT id::text FROM report_runs`))
	r.db.Exec(t, `UPDATE report_runs SET destination = 'shelf'`)
	r.asOrganisation(func(tx *store.Tx) error { return tx.RetryReportRun(t.Context(), run, r.clock()) })
	r.look()
	r.until(`SELECT count(*) FROM report_runs WHERE status = 2 AND attempts = 1 AND last_error = ''`, 1)
	if f := r.files(); !strings.HasPrefix(f, "harbor-readings-2026-07-01.csv ") {
		t.Errorf("files: %s", f)
	}
}

// What cannot be had is not tried again: here a filter from before a change of
// the program.
func TestWhatCannotBeMadeIsGivenUpAtOnce(t *testing.T) {
	r := newReports(t)
	r.schedule(func(s *store.ReportSchedule) { s.Filter = "colour = RED" })
	r.advance(18 * time.Hour)
	r.look()
	r.until(`SELECT count(*) FROM report_runs WHERE status = 3 AND attempts = 1 AND last_error LIKE '%colour is not a field%'`, 1)
	if f := r.files(); f != "" {
		t.Errorf("files: %s", f)
	}
}

func TestAFileGoesToABucket(t *testing.T) {
	r := newReports(t)
	r.kept(r.org, "r-1", time.Date(2026, 7, 1, 9, 0, 0, 0, time.UTC))
	r.schedule(func(s *store.ReportSchedule) { s.Destination, s.Folder, s.Format = "lake", "daily/all", "jsonl" })
	r.advance(18 * time.Hour)
	r.look()
	r.until(`SELECT count(*) FROM report_runs WHERE status = 2 AND rows = 1`, 1)
	o, err := r.bucket.GetObject("fleet", "creepage/harbor/daily/all/harbor-readings-2026-07-01.jsonl", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer o.Contents.Close()
	if n := r.count(fmt.Sprintf(`SELECT count(*) FROM report_runs WHERE bytes = %d`, o.Size)); n != 1 {
		b, _ := io.ReadAll(o.Contents)
		t.Errorf("the object has %d bytes: %s; on record %s", o.Size, b, r.text(`SELECT bytes::text FROM report_runs`))
	}
}
