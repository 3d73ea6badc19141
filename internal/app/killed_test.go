package app_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"creepage/internal/app"
	"creepage/internal/insulation"
	"creepage/internal/record"
	"creepage/internal/simulate"
)

const importedReadings = 10_000

// fleetFiles writes a simulated fleet's platforms.json and readings.csv with
// exactly importedReadings rows, late ones among them.
func fleetFiles(t *testing.T) string {
	t.Helper()
	fleet, err := simulate.New(simulate.Config{Physics: simulate.Rough(), Vehicles: 60, Years: 1.6, Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	var readings []insulation.Reading
	for _, r := range fleet.Readings {
		if insulation.Filler(r.Method, r.Ohms) != "" || !(r.Ohms > 0) {
			continue // garbage rows of a data link are refused; here every row counts
		}
		if r.ReceivedAt.IsZero() || !r.MeasuredAt.After(r.ReceivedAt) {
			readings = append(readings, r)
		}
	}
	if len(readings) < importedReadings {
		t.Fatalf("the fleet has %d readings, want %d", len(readings), importedReadings)
	}
	readings = readings[:importedReadings]
	dir := t.TempDir()
	write(t, filepath.Join(dir, "platforms.json"), func(w io.Writer) error { return record.WritePlatforms(w, fleet.Platforms) })
	write(t, filepath.Join(dir, "readings.csv"), func(w io.Writer) error { return record.WriteReadings(w, readings) })
	return dir
}

func write(t *testing.T, path string, f func(io.Writer) error) {
	t.Helper()
	var b bytes.Buffer
	if err := f(&b); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
}

// program is the real program, built once.
func program(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "creepage")
	out, err := exec.CommandContext(t.Context(), "go", "build", "-o", path, "creepage/cmd/creepage").CombinedOutput()
	if err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return path
}

// service is `up` in a process of its own.
type service struct {
	bin, data string
	cmd       *exec.Cmd
	out       *output
	url       string
}

// output collects what a process prints and tells when a line has come.
type output struct {
	mu    sync.Mutex
	text  bytes.Buffer
	lines chan string
}

func (o *output) Write(b []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.text.Write(b)
	for {
		i := bytes.IndexByte(o.text.Bytes(), '\n')
		if i < 0 {
			return len(b), nil
		}
		select {
		case o.lines <- string(o.text.Next(i + 1)):
		default:
		}
	}
}

// start starts the service and waits until it is ready.
func (s *service) start(t *testing.T, args ...string) {
	t.Helper()
	s.out = &output{lines: make(chan string, 1000)}
	s.cmd = exec.Command(s.bin, append([]string{"up", "--data", s.data, "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0"}, args...)...)
	s.cmd.Stdout, s.cmd.Stderr = s.out, s.out
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var said []string
	deadline := time.After(3 * time.Minute)
	for {
		select {
		case line := <-s.out.lines:
			said = append(said, line)
			if rest, ok := strings.CutPrefix(line, "REST "); ok {
				s.url, _, _ = strings.Cut(rest, ",")
				return
			}
		case <-deadline:
			t.Fatalf("not ready in time; it said:\n%s", strings.Join(said, ""))
		}
	}
}

// kill kills the process, and nothing it started, as a power cut of one program would.
func (s *service) kill(t *testing.T) {
	t.Helper()
	if err := s.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = s.cmd.Wait() // "signal: killed"
}

// stop stops the process in an orderly way.
func (s *service) stop(t *testing.T) {
	t.Helper()
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	_ = s.cmd.Wait() // exit code 130: interrupted
	if code := s.cmd.ProcessState.ExitCode(); code != 0 && code != 130 {
		t.Errorf("the service ended with exit code %d", code)
	}
}

// importFiles runs the import command once.
func (s *service) importFiles(ctx context.Context, dir string) ([]byte, error) {
	return exec.CommandContext(ctx, s.bin, "import", filepath.Join(dir, "readings.csv"), "--platforms", filepath.Join(dir, "platforms.json"), "--create-shops",
		"--server", s.url, "--key-file", app.KeyFile(s.data), "--batch", "200", "--give-up-after", "1s").CombinedOutput()
}

// contents is what the database holds that must not depend on any kill.
type contents struct {
	readings, distinct, vehicles int
	states                       map[string]string // vehicle to the hash of its memory
}

// ownerURL is the address of the private database of a data folder.
func ownerURL(data string) string {
	return "postgres:///creepage?" + url.Values{"host": {filepath.Join(data, "postgres", "socket")}, "port": {"5432"}, "user": {"creepage"}, "sslmode": {"disable"}}.Encode()
}

func contentsOf(t *testing.T, data string) contents {
	t.Helper()
	c := contents{states: map[string]string{}}
	conn, err := pgx.Connect(t.Context(), ownerURL(data))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	if _, err := conn.Exec(t.Context(), "SET row_security = off"); err != nil {
		t.Fatal(err)
	}
	if err := conn.QueryRow(t.Context(), "SELECT count(*), count(DISTINCT (reading_id, measured_at)) FROM readings").Scan(&c.readings, &c.distinct); err != nil {
		t.Fatal(err)
	}
	rows, err := conn.Query(t.Context(), "SELECT v.name, s.memory FROM vehicles v JOIN vehicle_states s ON s.vehicle_id = v.id")
	if err != nil {
		t.Fatal(err)
	}
	var name string
	var memory []byte
	if _, err := pgx.ForEachRow(rows, []any{&name, &memory}, func() error {
		sum := sha256.Sum256(memory)
		c.states[name] = strconv.Itoa(len(memory)) + " " + hex.EncodeToString(sum[:])
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	c.vehicles = len(c.states)
	return c
}

// settled waits until the database holds what was submitted.
func settled(t *testing.T, data string, readings int) contents {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	again := time.NewTicker(200 * time.Millisecond)
	defer again.Stop()
	for {
		c := contentsOf(t, data)
		if c.readings >= readings {
			return c
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			t.Fatalf("%d readings in the database after three minutes, want %d", c.readings, readings)
		}
	}
}

func TestAnImportThroughFiveKillsEndsAsOneUndisturbed(t *testing.T) {
	files, bin := fleetFiles(t), program(t)

	undisturbed := &service{bin: bin, data: reachable(t)}
	undisturbed.start(t)
	if out, err := undisturbed.importFiles(t.Context(), files); err != nil {
		t.Fatalf("import: %v\n%s", err, out)
	}
	want := settled(t, undisturbed.data, importedReadings)
	undisturbed.stop(t)
	if want.readings != importedReadings || want.distinct != importedReadings || want.vehicles == 0 {
		t.Fatalf("undisturbed: %d readings, %d distinct, %d vehicles", want.readings, want.distinct, want.vehicles)
	}
	// A new run of the importer begins at the first row.
	if err := os.Remove(filepath.Join(files, "readings.csv.import")); err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}

	s := &service{bin: bin, data: reachable(t)}
	kills := 0
	for ; kills < 5; kills++ {
		s.start(t)
		result := make(chan error, 1)
		var out []byte
		go func() {
			var err error
			out, err = s.importFiles(t.Context(), files)
			result <- err
		}()
		if !s.killAfter(t, files, (kills+1)*importedReadings/6, result) {
			t.Fatalf("kill %d: the import ended before it:\n%s", kills+1, out)
		}
		if err := <-result; err == nil {
			t.Fatalf("kill %d: the import did not notice", kills+1)
		}
	}
	s.start(t)
	out, err := s.importFiles(t.Context(), files)
	if err != nil {
		t.Fatalf("import after the last kill: %v\n%s", err, out)
	}
	got := settled(t, s.data, importedReadings)
	s.stop(t)
	if got.readings != importedReadings || got.distinct != importedReadings {
		t.Errorf("%d readings in the database, %d distinct, want %d", got.readings, got.distinct, importedReadings)
	}
	if len(got.states) != len(want.states) {
		t.Errorf("%d vehicles, want %d", len(got.states), len(want.states))
	}
	for name, state := range want.states {
		if got.states[name] != state {
			t.Errorf("vehicle %s: memory %s after %d kills, want %s", name, got.states[name], kills, state)
		}
	}
}

// killAfter kills the service once the import's checkpoint has passed a row. It
// returns false if the import ended before.
func (s *service) killAfter(t *testing.T, files string, row int, result <-chan error) bool {
	t.Helper()
	look := time.NewTicker(time.Millisecond)
	defer look.Stop()
	for {
		select {
		case <-look.C:
			if rowsDone(filepath.Join(files, "readings.csv.import")) >= row {
				s.kill(t)
				return true
			}
		case <-result:
			return false
		}
	}
}

func rowsDone(checkpoint string) int {
	b, err := os.ReadFile(checkpoint)
	if err != nil {
		return 0
	}
	_, rest, _ := strings.Cut(string(b), `"rows":`)
	digits, _, _ := strings.Cut(rest, ",")
	n, err := strconv.Atoi(digits)
	if err != nil {
		return 0
	}
	return n
}

// reachable is a temporary folder that the database's account can walk to, for
// tests that run as root.
func reachable(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "creepage-up-")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		stopLeftover(t, dir)
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return filepath.Join(dir, "data")
}

// stopLeftover ends a database that a killed service left running.
func stopLeftover(t *testing.T, dir string) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "data", "postgres", "data", "postmaster.pid"))
	if err != nil {
		return
	}
	first, _, _ := strings.Cut(string(b), "\n")
	if pid, err := strconv.Atoi(strings.TrimSpace(first)); err == nil {
		_ = syscall.Kill(pid, syscall.SIGQUIT)
	}
	gone := time.NewTicker(10 * time.Millisecond)
	defer gone.Stop()
	for range 1000 {
		if _, err := os.Stat(filepath.Join(dir, "data", "postgres", "data", "postmaster.pid")); err != nil {
			return
		}
		<-gone.C
	}
	t.Error(fmt.Errorf("the database in %s does not stop", dir))
}
