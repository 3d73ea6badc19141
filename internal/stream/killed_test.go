package stream

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	streamv1 "creepage/api/creepage/stream/v1"
)

// The test binary doubles as a NATS server that can be killed.
const (
	serverDir  = "CREEPAGE_TEST_NATS_DIR"
	serverPort = "CREEPAGE_TEST_NATS_PORT"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(serverDir); dir != "" {
		port, _ := strconv.Atoi(os.Getenv(serverPort))
		s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: port, NoSigs: true, NoLog: true, JetStream: true, StoreDir: dir,
			SyncAlways: true, JetStreamMaxStore: 64 << 30})
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		s.Start()
		s.WaitForShutdown()
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// freePort returns a TCP port that was free a moment ago.
func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// startKillable starts a NATS server in a process of its own.
func startKillable(t *testing.T, dir string, port int) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), serverDir+"="+dir, serverPort+"="+strconv.Itoa(port))
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	return cmd
}

// awaitServer connects as soon as the server answers.
func awaitServer(t *testing.T, port int) *nats.Conn {
	t.Helper()
	conn, err := nats.Connect(fmt.Sprintf("nats://127.0.0.1:%d", port), nats.RetryOnFailedConnect(true), nats.MaxReconnects(-1), nats.ReconnectWait(20*time.Millisecond))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	return conn
}

// A server that dies between storing a message and answering leaves the
// publisher in doubt; it tries again under the same id and JetStream keeps one.
func TestServerKilledThreeTimesLosesNothingAcknowledgedAndStoresNothingTwice(t *testing.T) {
	dir, port := t.TempDir(), freePort(t)
	cmd := startKillable(t, dir, port)
	s, err := Open(t.Context(), awaitServer(t, port), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	p := newPublisher(t, s)

	const callers = 8
	ctx, stop := context.WithCancel(t.Context())
	progress := make(chan struct{}, 1<<16)
	var mu sync.Mutex
	acknowledged, inDoubt := map[string]bool{}, map[string]bool{}
	var wg sync.WaitGroup
	for c := range callers {
		wg.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				id := fmt.Sprintf("%d-%d", c, i)
				err := p.Submit(t.Context(), []*streamv1.Entry{entry(c, id)})
				mu.Lock()
				if err == nil {
					acknowledged[id] = true
				} else {
					inDoubt[id] = true
				}
				mu.Unlock()
				if err != nil && !errors.Is(err, ErrUnavailable) {
					t.Error(err)
					return
				}
				select {
				case progress <- struct{}{}:
				default:
				}
			}
		})
	}
	await := func(n int) {
		for range n {
			select {
			case <-progress:
			case <-time.After(30 * time.Second):
				t.Fatal("no progress for 30 s")
			}
		}
	}
	for range 3 {
		await(200)
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		cmd.Wait()
		for len(progress) > 0 {
			<-progress
		}
		cmd = startKillable(t, dir, port)
		await(100)
	}
	stop()
	wg.Wait()

	ids, _ := stored(t, s)
	times := map[string]int{}
	for _, id := range ids {
		times[id]++
	}
	for id := range acknowledged {
		if times[id] == 0 {
			t.Errorf("entry %s was acknowledged and is lost", id)
		}
	}
	for id, n := range times {
		if n > 1 || !acknowledged[id] && !inDoubt[id] {
			t.Errorf("entry %s is stored %d times (acknowledged: %v)", id, n, acknowledged[id])
		}
	}
	if len(acknowledged) < 900 {
		t.Errorf("%d entries were acknowledged, want at least 900", len(acknowledged))
	}
}
