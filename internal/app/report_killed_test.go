package app_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/app"
	"creepage/internal/client"
	"creepage/internal/local/localtest"
	"creepage/internal/store"
)

// reportedReadings make a file of some 40 MB: long enough in the making to be
// interrupted, and more than one part of an upload.
const reportedReadings = 200_000

// workers are the program's `work` in processes of their own, and `serve` in this one.
type workers struct {
	t           *testing.T
	bin         string
	environment []string
	db          *localtest.Database
	api         *client.Client
	server, key string
	shelf       string
	bucket      *s3mem.Backend
	parts       atomic.Int64 // parts of files that the store has taken
}

func startWorkers(t *testing.T) *workers {
	t.Helper()
	w := &workers{t: t, bin: program(t), shelf: t.TempDir(), bucket: s3mem.New()}
	postgres, broker := localtest.Both(t)
	if err := w.bucket.CreateBucket("fleet"); err != nil {
		t.Fatal(err)
	}
	faked := gofakes3.New(w.bucket).Server()
	s3 := httptest.NewTLSServer(http.HandlerFunc(func(answer http.ResponseWriter, r *http.Request) {
		faked.ServeHTTP(answer, r)
		if r.Method == http.MethodPut && r.URL.Query().Has("partNumber") {
			w.parts.Add(1)
		}
	}))
	t.Cleanup(s3.Close)
	authority := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(authority, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s3.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	places := fmt.Sprintf(`{"shelf": {"folder": %q}, "lake": {"endpoint": %q, "ca_file": %q, "bucket": "fleet", "region": "eu-1", "access_key": "a", "secret_key": "b"}}`, w.shelf, s3.URL, authority)
	w.db = postgres.Database(t)
	var err error
	if w.key, err = app.CreateOrganisation(t.Context(), app.OrganisationConfig{DatabaseURL: w.db.OwnerURL(), Name: "harbor", Title: "Harbor", Now: time.Now()}); err != nil {
		t.Fatal(err)
	}
	serve, err := app.StartServe(t.Context(), app.ServeConfig{Common: app.Common{Log: slog.New(slog.DiscardHandler), Clock: time.Now}, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0",
		Remote: app.Remote{DatabaseURL: w.db.URL(store.APILogin), NATSURL: broker.URL()}, Destinations: places})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = serve.Stop(context.Background()) })
	w.server = "http://" + serve.HTTP
	if w.api, err = client.New(w.server, w.key); err != nil {
		t.Fatal(err)
	}
	w.environment = append(os.Environ(), "CREEPAGE_DATABASE_URL="+w.db.URL(store.WorkerLogin), "CREEPAGE_NATS_URL="+broker.URL(), "CREEPAGE_REPORT_DESTINATIONS="+places)
	w.fill()
	return w
}

// fill keeps readings of a hundred vehicles, an hour ago and before.
func (w *workers) fill() {
	w.t.Helper()
	w.db.Exec(w.t, `INSERT INTO platforms (organisation_id, id) SELECT id, 'harbor-van-400' FROM organisations`)
	w.db.Exec(w.t, `INSERT INTO vehicles (organisation_id, name, platform, created_at) SELECT o.id, 'truck-' || i, 'harbor-van-400', now() FROM organisations o, generate_series(1, 100) i`)
	w.db.Exec(w.t, `SELECT make_reading_partition((now() - make_interval(days => i))::date) FROM generate_series(0, 3) i`)
	w.db.Exec(w.t, `INSERT INTO readings (organisation_id, reading_id, measured_at, vehicle_id, received_at, vehicle, shop, platform, visit, method, component, conductor, reference, quantity, relation, ohms, content)
		SELECT v.organisation_id, 'r-' || i, m, v.id, m, v.name, 'north-yard', v.platform, 'visit-' || i / 10, 1, 4, 3 + i % 3, 1, 1, 1, 1e8 * (1 + i % 9973 / 997.0), sha256(i::text::bytea)
		FROM generate_series(1, $1::int) i CROSS JOIN LATERAL (SELECT now() - interval '1 hour' - i * interval '1 second' AS m) t JOIN vehicles v ON v.name = 'truck-' || (i % 100 + 1)`, reportedReadings)
}

// start starts a worker and returns when it works.
func (w *workers) start() *exec.Cmd {
	w.t.Helper()
	cmd := exec.Command(w.bin, "work", "--http", "127.0.0.1:0")
	out := &output{lines: make(chan string, 1000)}
	cmd.Env, cmd.Stdout, cmd.Stderr = w.environment, out, out
	if err := cmd.Start(); err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() {
		if cmd.ProcessState == nil { // not killed by the test
			_ = cmd.Process.Signal(syscall.SIGTERM)
			_ = cmd.Wait()
		}
	})
	deadline := time.After(time.Minute)
	for {
		select {
		case line := <-out.lines:
			if strings.Contains(line, "msg=working") {
				return cmd
			}
		case <-deadline:
			w.t.Fatal("the worker is not ready after a minute")
		}
	}
}

// until asks again until it is so.
func (w *workers) until(what string, is func() bool) {
	w.t.Helper()
	for deadline := time.Now().Add(90 * time.Second); !is(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(deadline) {
			w.t.Fatalf("still not so after 90 s: %s", what)
		}
	}
}

// look has a worker look now for what is due, rather than in its own time.
func (w *workers) look() {
	w.db.Exec(w.t, `INSERT INTO river_job (kind, args, max_attempts, queue) VALUES ('due_reports', '{}', 1, 'default')`)
}

// order has a file of all readings made at a place, as of now.
func (w *workers) order(place string) *creepagev1.ReportRun {
	w.t.Helper()
	var schedule creepagev1.ReportSchedule
	if err := w.api.Call(w.t.Context(), "POST", "/v1/reportSchedules", &creepagev1.ReportSchedule{Report: "reports/readings", Frequency: creepagev1.ReportSchedule_DAILY,
		AsOf: creepagev1.ReportSchedule_DUE_TIME, Destination: "reportDestinations/" + place}, &schedule); err != nil {
		w.t.Fatal(err)
	}
	var run creepagev1.ReportRun
	if err := w.api.Call(w.t.Context(), "POST", "/v1/"+schedule.GetName()+":run", &creepagev1.RunReportScheduleRequest{}, &run); err != nil {
		w.t.Fatal(err)
	}
	w.look()
	return &run
}

// got downloads and returns size and sum.
func (w *workers) got(path string) (size int64, sum string) {
	w.t.Helper()
	req, err := http.NewRequestWithContext(w.t.Context(), http.MethodGet, w.server+path, nil)
	if err != nil {
		w.t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+w.key)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		w.t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		body, err := io.ReadAll(resp.Body)
		w.t.Fatalf("%s: %d %s %v", path, resp.StatusCode, body, err)
	}
	h := sha256.New()
	n, err := io.Copy(h, resp.Body)
	if err != nil {
		w.t.Fatalf("%s breaks off after %d bytes: %v", path, n, err)
	}
	return n, hex.EncodeToString(h.Sum(nil))
}

// names are the files in the organisation's folder, hidden ones too.
func (w *workers) names() string {
	entries, err := os.ReadDir(filepath.Join(w.shelf, "harbor"))
	if err != nil && !os.IsNotExist(err) {
		w.t.Fatal(err)
	}
	var list []string
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return strings.Join(list, " ")
}

// half says whether a part of the file has been written, and not all.
func (w *workers) half() bool {
	parts, err := filepath.Glob(filepath.Join(w.shelf, "harbor", ".*.csv.*.part"))
	if err != nil {
		w.t.Fatal(err)
	}
	for _, p := range parts {
		if info, err := os.Stat(p); err == nil && info.Size() > 1<<20 {
			return true
		}
	}
	return false
}

// uploaded says whether a bucket has an object under a key.
func (w *workers) uploaded(key string) bool {
	_, err := w.bucket.HeadObject("fleet", key)
	return err == nil
}

// Processes of the real program are killed in the middle of a file, in a folder
// and on its way to a store, and stopped in order. Nothing stands under the
// file's name, another worker makes it, and it is the file of the direct
// download to the byte.
func TestAFileWhoseWorkerIsKilledOrStoppedIsMadeWholeByAnother(t *testing.T) {
	w := startWorkers(t)
	for _, c := range []struct {
		place string
		half  func() bool
		there func(run *creepagev1.ReportRun) bool
	}{
		{"shelf", w.half, func(run *creepagev1.ReportRun) bool {
			_, err := os.Stat(filepath.Join(w.shelf, "harbor", run.GetPath()))
			return err == nil
		}},
		{"lake", func() bool { return w.parts.Load() > 0 }, func(run *creepagev1.ReportRun) bool { return w.uploaded("harbor/" + run.GetPath()) }},
	} {
		worker := w.start()
		run := w.order(c.place)
		w.until(c.place+": the file is half made", c.half)
		if err := worker.Process.Kill(); err != nil { // SIGKILL
			t.Fatal(err)
		}
		_ = worker.Wait() // "signal: killed"
		if c.there(run) {
			t.Fatalf("%s: killed in the middle, and the file stands there", c.place)
		}
		if c.place == "shelf" && !w.half() {
			t.Fatalf("nothing was left half made: %q", w.names())
		}
		another := w.start()
		w.look()
		w.until("what is looked for is found", func() bool {
			var open int
			w.db.Query(t, `SELECT count(*) FROM river_job WHERE kind = 'due_reports' AND state NOT IN ('completed', 'running')`, &open)
			return open == 0
		})
		var attempts int
		w.db.Query(t, `SELECT attempts FROM report_runs ORDER BY created_at DESC LIMIT 1`, &attempts)
		if attempts != 1 || c.there(run) {
			t.Fatalf("%s: taken from a worker that may be alive: %d attempts", c.place, attempts)
		}
		// Two minutes without a sign of life, by the database's clock alone.
		w.db.Exec(t, `UPDATE report_runs SET held_until = now() - interval '1 second' WHERE status = 1`)
		w.look()
		w.until(c.place+": another worker has made it", func() bool {
			if err := w.api.Call(t.Context(), "GET", "/v1/"+run.GetName(), nil, run); err != nil {
				t.Fatal(err)
			}
			return run.GetState() == creepagev1.ReportRun_MADE
		})
		size, sum := w.got("/v1/" + run.GetName() + ":download")
		direct, want := w.got("/v1/reports/readings:download?asOfTime=" + run.GetAsOfTime().AsTime().Format(time.RFC3339Nano))
		if size != direct || sum != want || run.GetSha256() != sum || run.GetRows() != reportedReadings || run.GetAttempts() != 2 {
			t.Errorf("%s: %d bytes %s, the direct download has %d %s; on record %v", c.place, size, sum, direct, want, run)
		}
		if c.place == "shelf" {
			if want := run.GetPath() + " " + run.GetPath() + "-metadata.json"; w.names() != want {
				t.Errorf("in the folder are %s, want %s", w.names(), want)
			}
		}
		if err := another.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
		_ = another.Wait()
		w.parts.Store(0)
	}
	w.stopInTheMiddle()
	if left, err := w.bucket.ListBucket("fleet", nil, gofakes3.ListBucketPage{}); err != nil || len(left.Contents) != 2 {
		t.Errorf("in the bucket are %v, %v; want the file and its description", left, err)
	}
}

// stopInTheMiddle has a worker stop in order while it makes a file. It gives
// the run back: nothing is left of the file, the attempt does not count, and
// another worker makes it without waiting for a sign of life.
func (w *workers) stopInTheMiddle() {
	w.t.Helper()
	worker := w.start()
	run := w.order("shelf")
	before := w.names()
	w.until("the file is half made", w.half)
	if err := worker.Process.Signal(syscall.SIGTERM); err != nil {
		w.t.Fatal(err)
	}
	_ = worker.Wait()
	var given string
	w.db.Query(w.t, `SELECT status || ' ' || attempts || ' ' || (held_until IS NULL) || ' ' || last_error FROM report_runs ORDER BY created_at DESC LIMIT 1`, &given)
	if w.half() || given != "1 0 true " || strings.Contains(w.names(), run.GetPath()+" ") {
		w.t.Fatalf("stopped in the middle: the run is %q, in the folder are %s, before %s", given, w.names(), before)
	}
	w.start()
	w.look()
	w.until("another worker has made it", func() bool {
		if err := w.api.Call(w.t.Context(), "GET", "/v1/"+run.GetName(), nil, run); err != nil {
			w.t.Fatal(err)
		}
		return run.GetState() == creepagev1.ReportRun_MADE
	})
	_, sum := w.got("/v1/" + run.GetName() + ":download")
	_, want := w.got("/v1/reports/readings:download?asOfTime=" + run.GetAsOfTime().AsTime().Format(time.RFC3339Nano))
	if sum != want || run.GetAttempts() != 1 || run.GetRows() != reportedReadings {
		w.t.Errorf("%s, the direct download is %s; on record %v", sum, want, run)
	}
}
