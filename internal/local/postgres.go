package local

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

const (
	superuser  = "creepage"
	socketPort = 5432
	socketName = ".s.PGSQL.5432"

	// startTimeout bounds a start, which may have to recover after a kill.
	startTimeout = 2 * time.Minute
	// stopTimeout bounds a clean stop; it may write a large checkpoint.
	stopTimeout = 2 * time.Minute
	// pollEvery is how often a starting or stopping server is looked at.
	pollEvery = 10 * time.Millisecond
)

// PostgresConfig says where a private server lives and how it is set.
type PostgresConfig struct {
	// Dir holds the cluster, the socket and the log.
	Dir string
	// Settings are laid over DefaultSettings.
	Settings map[string]string
}

// DefaultSettings are the private server's: durable, long checkpoints, memory
// for a small machine, no network.
func DefaultSettings() map[string]string {
	return map[string]string{
		"listen_addresses":             "''",
		"max_connections":              "80",
		"shared_buffers":               "256MB",
		"maintenance_work_mem":         "128MB",
		"work_mem":                     "16MB",
		"fsync":                        "on",
		"synchronous_commit":           "on",
		"wal_compression":              "on", // full-page images dominate the log of random index inserts
		"wal_buffers":                  "16MB",
		"max_wal_size":                 "4GB", // with checkpoint_timeout: a page is imaged once in a long while
		"checkpoint_timeout":           "15min",
		"checkpoint_completion_target": "0.9",
		"random_page_cost":             "1.1",
		"jit":                          "off", // compiling costs more than these short queries take
		"timezone":                     "'UTC'",
		"log_timezone":                 "'UTC'",
		"log_checkpoints":              "off",
		"max_locks_per_transaction":    "256", // a query over all months of readings locks each partition
	}
}

// Postgres is a private PostgreSQL server.
type Postgres struct {
	folders folders
	who     account
	bin     binaries
	lock    *folderLock
	child   *exec.Cmd     // nil when the server was adopted
	exited  chan struct{} // closed when the child has ended
}

// StartPostgres makes the cluster if there is none, and starts a server on it.
// A server that a killed process left running on the folder is adopted; one
// that does not answer is stopped first. It returns when the server answers.
func StartPostgres(ctx context.Context, config PostgresConfig) (*Postgres, error) {
	who, err := serviceAccount(config.Dir)
	if err != nil {
		return nil, err
	}
	places, err := layOut(config.Dir, who)
	if err != nil {
		return nil, err
	}
	if err := places.make(who); err != nil {
		return nil, err
	}
	lock, err := lockFolder(places.base)
	if err != nil {
		return nil, err
	}
	p := &Postgres{folders: places, who: who, lock: lock}
	if err := p.start(ctx, config.Settings); err != nil {
		return nil, errors.Join(fmt.Errorf("start PostgreSQL in %s: %w", places.base, err), lock.release())
	}
	return p, nil
}

func (p *Postgres) start(ctx context.Context, settings map[string]string) error {
	major, err := p.folders.clusterMajor()
	if err != nil {
		return err
	}
	if p.bin, err = findBinaries(major); err != nil {
		return err
	}
	if major == 0 {
		if err := p.initialise(ctx); err != nil {
			return err
		}
	}
	adopted, err := p.adopt(ctx)
	if adopted || err != nil {
		return err
	}
	if err := p.configure(settings); err != nil {
		return err
	}
	return p.launch(ctx)
}

// initialise makes the cluster in a folder beside and renames it, so that a
// kill half-way leaves nothing that looks like a cluster.
func (p *Postgres) initialise(ctx context.Context) error {
	fresh := p.folders.data + ".new"
	for _, dir := range []string{fresh, p.folders.data} {
		if err := os.RemoveAll(dir); err != nil {
			return err
		}
	}
	cmd := exec.CommandContext(ctx, p.bin.path("initdb"), "--pgdata", fresh, "--username", superuser,
		"--auth", "trust", // the socket's folder is private to the account, and there is no network
		"--encoding", "UTF8", "--locale", "C", "--no-instructions", "--data-checksums")
	p.who.apply(cmd)
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("initdb: %w: %s", err, strings.TrimSpace(string(out)))
	}
	return os.Rename(fresh, p.folders.data)
}

// configure writes the settings into a file of their own which the cluster's
// configuration includes; it is written anew at every start.
func (p *Postgres) configure(settings map[string]string) error {
	all := DefaultSettings()
	all["unix_socket_directories"] = "'" + strings.ReplaceAll(p.folders.sockets, "'", "''") + "'"
	all["port"] = strconv.Itoa(socketPort)
	for name, value := range settings {
		all[name] = value
	}
	var text strings.Builder
	for name, value := range all {
		fmt.Fprintf(&text, "%s = %s\n", name, value)
	}
	own := filepath.Join(p.folders.data, "creepage.conf")
	if err := p.write(own, text.String()); err != nil {
		return err
	}
	const include = "include = 'creepage.conf'\n"
	main := filepath.Join(p.folders.data, "postgresql.conf")
	old, err := os.ReadFile(main)
	if err != nil {
		return err
	}
	if strings.Contains(string(old), include) {
		return nil
	}
	return p.write(main, string(old)+include)
}

func (p *Postgres) write(path, text string) error {
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		return err
	}
	if p.who.self {
		return nil
	}
	return os.Chown(path, p.who.uid, p.who.gid)
}

// launch starts the server as a child and waits until it answers.
func (p *Postgres) launch(ctx context.Context) error {
	log, err := os.OpenFile(p.folders.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer log.Close()
	cmd := exec.Command(p.bin.path("postgres"), "-D", p.folders.data)
	cmd.Stdout, cmd.Stderr = log, log
	p.who.apply(cmd)
	if err := cmd.Start(); err != nil {
		return err
	}
	p.child, p.exited = cmd, make(chan struct{})
	go func() {
		defer close(p.exited)
		_ = cmd.Wait() // its end is what counts; the log has the reason
	}()
	ctx, cancel := context.WithTimeout(ctx, startTimeout)
	defer cancel()
	if err := p.answers(ctx); err != nil {
		_ = cmd.Process.Signal(syscall.SIGQUIT)
		<-p.exited
		return fmt.Errorf("%w; the end of its log: %s", err, p.logTail())
	}
	return nil
}

// answers waits until the server takes a connection, or has ended.
func (p *Postgres) answers(ctx context.Context) error {
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for {
		err := p.ping(ctx)
		if err == nil {
			return nil
		}
		select {
		case <-p.exited:
			return errors.New("the server ended while starting")
		case <-ctx.Done():
			return fmt.Errorf("the server does not answer: %w", errors.Join(ctx.Err(), err))
		case <-tick.C:
		}
	}
}

func (p *Postgres) ping(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, p.URL(superuser, "postgres"))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }()
	return conn.Ping(ctx)
}

// adopt takes over a server that is running on the folder already. One that
// does not answer within adoptTimeout is stopped.
func (p *Postgres) adopt(ctx context.Context) (bool, error) {
	pid, err := p.runningPID()
	if pid == 0 || err != nil {
		return false, err
	}
	const adoptTimeout = 5 * time.Second
	wait, cancel := context.WithTimeout(ctx, adoptTimeout)
	defer cancel()
	if p.answers(wait) == nil {
		return true, nil
	}
	if err := ctx.Err(); err != nil {
		return false, err
	}
	return false, p.stopPID(ctx, pid, syscall.SIGQUIT)
}

// runningPID returns the process id of a live server on the folder, 0 if there is none.
func (p *Postgres) runningPID() (int, error) {
	text, err := os.ReadFile(filepath.Join(p.folders.data, "postmaster.pid"))
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil || pid <= 0 {
		return 0, nil // a torn file of a server that died while writing it; PostgreSQL sorts it out
	}
	if !p.isServer(pid) {
		return 0, nil // the number went to another process; PostgreSQL removes the stale file
	}
	return pid, nil
}

// isServer asks the process itself whether it is a server on our folder: its
// number may have been given to another process since.
func (p *Postgres) isServer(pid int) bool {
	if syscall.Kill(pid, 0) != nil {
		return false
	}
	out, err := exec.Command("ps", "-ww", "-o", "command=", "-p", strconv.Itoa(pid)).Output()
	return err != nil || strings.Contains(string(out), p.folders.data)
}

// Stop ends the server in an orderly way: sessions are closed, a checkpoint is
// written. It may be called twice.
func (p *Postgres) Stop(ctx context.Context) error {
	if p.lock == nil {
		return nil
	}
	defer func() { p.lock = nil }()
	pid, err := p.runningPID()
	if err != nil {
		return errors.Join(err, p.lock.release())
	}
	if pid != 0 {
		err = p.stopPID(ctx, pid, syscall.SIGINT) // fast shutdown
	}
	return errors.Join(err, p.lock.release())
}

// Abandon lets go of the folder and leaves the server running, as a killed
// process would.
func (p *Postgres) Abandon() error {
	if p.lock == nil {
		return nil
	}
	defer func() { p.lock = nil }()
	return p.lock.release()
}

// stopPID signals the server and waits until it has removed its pid file: an
// adopted server is nobody's child, so its end cannot be waited for otherwise.
func (p *Postgres) stopPID(ctx context.Context, pid int, signal syscall.Signal) error {
	if err := syscall.Kill(pid, signal); err != nil && !errors.Is(err, syscall.ESRCH) {
		return fmt.Errorf("stop PostgreSQL %d: %w", pid, err)
	}
	ctx, cancel := context.WithTimeout(ctx, stopTimeout)
	defer cancel()
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for {
		left, err := p.runningPID()
		if err != nil {
			return err
		}
		if left != pid {
			if p.exited != nil {
				<-p.exited
			}
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("PostgreSQL %d does not stop: %w", pid, ctx.Err())
		case <-tick.C:
		}
	}
}

// URL returns the connection string for a user and a database.
func (p *Postgres) URL(user, database string) string {
	query := url.Values{"host": {p.folders.sockets}, "port": {strconv.Itoa(socketPort)}, "user": {user}, "sslmode": {"disable"}}
	return "postgres:///" + url.PathEscape(database) + "?" + query.Encode()
}

// SuperuserURL returns the connection string of the server's superuser.
func (p *Postgres) SuperuserURL(database string) string { return p.URL(superuser, database) }

// Dir returns the folder in which the server keeps its things.
func (p *Postgres) Dir() string { return p.folders.base }

// PID returns the server's process id, 0 if it is not running.
func (p *Postgres) PID() (int, error) { return p.runningPID() }

// logTail returns the last lines of the server's log.
func (p *Postgres) logTail() string {
	text, err := os.ReadFile(p.folders.log)
	if err != nil {
		return err.Error()
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	return strings.Join(lines[max(0, len(lines)-8):], "\n")
}
