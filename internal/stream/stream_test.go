package stream

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/protobuf/proto"

	streamv1 "creepage/api/creepage/stream/v1"
	creepagev1 "creepage/api/creepage/v1"
)

// startServer starts a NATS server with JetStream under dir that syncs every
// message, and stops it with the test.
func startServer(t testing.TB, dir string) *server.Server {
	t.Helper()
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: server.RANDOM_PORT, NoSigs: true, NoLog: true,
		JetStream: true, StoreDir: dir, SyncAlways: true, JetStreamMaxStore: 64 << 30})
	if err != nil {
		t.Fatal(err)
	}
	go s.Start()
	if !s.ReadyForConnections(20 * time.Second) {
		t.Fatal("the server is not ready")
	}
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	return s
}

func connect(t testing.TB, s *server.Server) *nats.Conn {
	t.Helper()
	conn, err := nats.Connect("", nats.InProcessServer(s))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	return conn
}

func openStream(t testing.TB, settings Settings) *Stream {
	t.Helper()
	s, err := Open(t.Context(), connect(t, startServer(t, t.TempDir())), settings)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func newPublisher(t testing.TB, s *Stream) *Publisher {
	t.Helper()
	p, err := s.NewPublisher(prometheus.NewRegistry())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	return p
}

func consume(t testing.TB, s *Stream) *Consumer {
	t.Helper()
	c, err := s.Consume()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Stop)
	return c
}

var organisation = []byte("0123456789abcdef")

// entry is a reading as intake sends it.
func entry(vehicle int, id string) *streamv1.Entry {
	volts, hold, air, rh := 500.0, 60.0, 21.5, 48.0
	return &streamv1.Entry{OrganisationId: organisation, Content: &streamv1.Entry_Reading{Reading: &creepagev1.Reading{
		ReadingId: id, Vehicle: fmt.Sprintf("vehicles/truck-%d", vehicle), Shop: "shops/north-yard", Platform: proto.String("platforms/harbor-van-400"),
		Method: creepagev1.Reading_TESTER, Component: creepagev1.Reading_MOTOR, Conductor: creepagev1.Reading_PHASE_U, Reference: creepagev1.Reading_CHASSIS,
		Relation: creepagev1.Reading_ABOVE, ResistanceOhms: 5.5e8, TestVolts: &volts, HoldSeconds: &hold, TemperatureCelsius: &air, HumidityPercent: &rh}}}
}

func decode(t testing.TB, payload []byte) *streamv1.Batch {
	t.Helper()
	b := new(streamv1.Batch)
	if err := proto.Unmarshal(payload, b); err != nil {
		t.Fatal(err)
	}
	return b
}

// stored reads back every entry's id in stream order, and the number of messages.
func stored(t testing.TB, s *Stream) (ids []string, messages uint64) {
	t.Helper()
	info, err := s.readings.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for seq := max(1, info.State.FirstSeq); seq <= info.State.LastSeq; seq++ {
		m, err := s.readings.GetMsg(t.Context(), seq)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range decode(t, m.Data).Entries {
			ids = append(ids, e.GetReading().GetReadingId())
		}
	}
	return ids, info.State.Msgs
}

func TestEntriesOfConcurrentCallersSharePublishedMessages(t *testing.T) {
	s := openStream(t, Settings{})
	p := newPublisher(t, s)
	const callers, each = 64, 20
	var wg sync.WaitGroup
	for c := range callers {
		wg.Go(func() {
			for i := range each {
				if err := p.Submit(t.Context(), []*streamv1.Entry{entry(c, fmt.Sprintf("%d-%d", c, i))}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	ids, messages := stored(t, s)
	seen := map[string]int{}
	for _, id := range ids {
		seen[id]++
	}
	if len(seen) != callers*each || len(ids) != callers*each {
		t.Errorf("%d entries, %d different ones, are stored; want %d", len(ids), len(seen), callers*each)
	}
	if messages > callers*each/4 {
		t.Errorf("%d calls took %d messages; group commit should need at most a quarter", callers*each, messages)
	}
}

func TestOneCallersEntriesKeepTheirOrderPerVehicle(t *testing.T) {
	s := openStream(t, Settings{})
	p := newPublisher(t, s)
	var entries []*streamv1.Entry
	for i := range 9000 { // more than one message a partition
		entries = append(entries, entry(i%7, fmt.Sprintf("%d", i)))
	}
	if err := p.Submit(t.Context(), entries); err != nil {
		t.Fatal(err)
	}
	ids, messages := stored(t, s)
	if len(ids) != len(entries) || messages < 2 {
		t.Fatalf("%d entries in %d messages are stored, want %d in more than one", len(ids), messages, len(entries))
	}
	last := map[int]int{}
	for _, id := range ids {
		var i int
		fmt.Sscan(id, &i)
		if before, ok := last[i%7]; ok && before > i {
			t.Fatalf("entry %d of vehicle %d is stored after its entry %d", i, i%7, before)
		}
		last[i%7] = i
	}
}

func TestFullStreamRefusesNewEntriesAndKeepsOldOnes(t *testing.T) {
	s := openStream(t, Settings{MaxBytes: 64 << 10, Partitions: 1})
	p := newPublisher(t, s)
	accepted := 0
	var err error
	for ; accepted < 10000; accepted++ {
		if err = p.Submit(t.Context(), []*streamv1.Entry{entry(1, fmt.Sprintf("%d", accepted))}); err != nil {
			break
		}
	}
	if !errors.Is(err, ErrFull) {
		t.Fatalf("after %d entries the error is %v, want ErrFull", accepted, err)
	}
	ids, _ := stored(t, s)
	if len(ids) != accepted || ids[0] != "0" || ids[len(ids)-1] != fmt.Sprint(accepted-1) {
		t.Fatalf("%d entries from %s to %s are stored; %d were acknowledged", len(ids), ids[0], ids[len(ids)-1], accepted)
	}

	// What is acknowledged by a worker makes room; what is not stays.
	c := consume(t, s)
	taken := accepted / 2
	for range taken {
		m, err := c.Next(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if err := m.msg.DoubleAck(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Trim(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := p.Submit(t.Context(), []*streamv1.Entry{entry(1, "late")}); err != nil {
		t.Fatalf("after half has been committed: %v", err)
	}
	if ids, _ := stored(t, s); len(ids) != accepted-taken+1 || ids[0] != fmt.Sprint(taken) {
		t.Errorf("%d entries from %s are left; want %d from %d", len(ids), ids[0], accepted-taken+1, taken)
	}
}

func TestTooLargeAnEntryIsRefusedBeforeAnythingIsStored(t *testing.T) {
	s := openStream(t, Settings{})
	p := newPublisher(t, s)
	large := entry(1, "large")
	large.GetReading().Visit = proto.String(string(make([]byte, maxMessageBytes)))
	if err := p.Submit(t.Context(), []*streamv1.Entry{entry(1, "small"), large}); !errors.Is(err, ErrTooLarge) {
		t.Fatalf("error is %v, want ErrTooLarge", err)
	}
	if ids, _ := stored(t, s); len(ids) != 0 {
		t.Errorf("%d entries are stored", len(ids))
	}
}

func TestClosedPublisherHasStoredWhatWasQueuedAndRefusesMore(t *testing.T) {
	s := openStream(t, Settings{})
	p := newPublisher(t, s)
	results := make(chan error, 100)
	for i := range cap(results) {
		go func() { results <- p.Submit(t.Context(), []*streamv1.Entry{entry(i, fmt.Sprint(i))}) }()
	}
	p.Close()
	p.Close()
	acknowledged := 0
	for range cap(results) {
		switch err := <-results; {
		case err == nil:
			acknowledged++
		case !errors.Is(err, ErrClosed):
			t.Errorf("error is %v, want ErrClosed", err)
		}
	}
	if ids, _ := stored(t, s); len(ids) != acknowledged {
		t.Errorf("%d entries are stored, %d were acknowledged", len(ids), acknowledged)
	}
}

func TestSubmitReturnsWhenItsCallerGivesUp(t *testing.T) {
	s := startServer(t, t.TempDir())
	opened, err := Open(t.Context(), connect(t, s), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	p := newPublisher(t, opened)
	if err := opened.js.DeleteStream(t.Context(), readingsStream); err != nil { // nobody answers publishes now
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := p.Submit(ctx, []*streamv1.Entry{entry(1, "x")}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("error is %v, want the caller's deadline", err)
	}
}

func TestInfoTellsHowFarTheWorkersLag(t *testing.T) {
	s := openStream(t, Settings{Partitions: 1})
	p := newPublisher(t, s)
	before := time.Now().Add(-time.Second)
	for i := range 3 {
		if err := p.Submit(t.Context(), []*streamv1.Entry{entry(1, fmt.Sprint(i))}); err != nil {
			t.Fatal(err)
		}
	}
	info, err := s.Info(t.Context())
	if err != nil || info.Messages != 3 || info.Lag() != 3 || info.OldestTime.Before(before) || info.Bytes == 0 || info.MaxBytes != 8<<30 {
		t.Fatalf("%+v, %v", info, err)
	}
	c := consume(t, s)
	for range 3 {
		m, err := c.Next(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if err := m.msg.DoubleAck(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if info, err = s.Info(t.Context()); err != nil || info.Lag() != 0 || !info.OldestTime.IsZero() || info.Messages != 3 {
		t.Fatalf("after all is committed: %+v, %v", info, err)
	}
}

func TestMessageGivenBackComesAgain(t *testing.T) {
	s := openStream(t, Settings{})
	p := newPublisher(t, s)
	if err := p.Submit(t.Context(), []*streamv1.Entry{entry(1, "a")}); err != nil {
		t.Fatal(err)
	}
	c := consume(t, s)
	for delivery := uint64(1); delivery <= 3; delivery++ {
		m, err := c.Next(t.Context())
		if err != nil || m.Deliveries != delivery {
			t.Fatalf("delivery %d: %+v, %v", delivery, m, err)
		}
		if err := m.Retry(time.Millisecond); err != nil {
			t.Fatal(err)
		}
	}
}

func TestDrainedConsumerHandsOutWhatItHoldsAndEnds(t *testing.T) {
	s := openStream(t, Settings{})
	p := newPublisher(t, s)
	for i := range 10 {
		if err := p.Submit(t.Context(), []*streamv1.Entry{entry(1, fmt.Sprint(i))}); err != nil {
			t.Fatal(err)
		}
	}
	c := consume(t, s)
	if _, err := c.Next(t.Context()); err != nil {
		t.Fatal(err)
	}
	c.Drain()
	for n := 1; ; n++ {
		_, err := c.Next(t.Context())
		if errors.Is(err, ErrClosed) {
			break
		}
		if err != nil || n > 10 {
			t.Fatalf("message %d: %v", n, err)
		}
	}
	if m, err := c.NextWithin(time.Millisecond); !errors.Is(err, ErrClosed) {
		t.Errorf("after the end: %v, %v", m, err)
	}
}

func TestQuarantinedMessageIsHeldWithItsReasonAndComesBackWhenReplayed(t *testing.T) {
	s := openStream(t, Settings{})
	p := newPublisher(t, s)
	if err := p.Submit(t.Context(), []*streamv1.Entry{entry(1, "a")}); err != nil {
		t.Fatal(err)
	}
	c := consume(t, s)
	m, err := c.Next(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC)
	for range 2 { // a worker that was killed in between does it again
		if err := s.SetAside(t.Context(), m, "no such platform", at); err != nil && !errors.Is(err, ErrUnavailable) {
			t.Fatal(err)
		}
	}
	held, err := s.Quarantined(t.Context(), 0, 10)
	if err != nil || len(held) != 1 {
		t.Fatalf("%d messages are held, want 1: %v", len(held), err)
	}
	if h := held[0]; h.Reason != "no such platform" || h.Subject != m.Subject || h.Sequence != m.Sequence || string(h.Payload) != string(m.Payload) || !h.SetAsideTime.AsTime().Equal(at) {
		t.Errorf("held is %v", h)
	}
	if info, err := s.Info(t.Context()); err != nil || info.Quarantined != 1 {
		t.Errorf("%+v, %v", info, err)
	}
	if err := s.Replay(t.Context(), held[0].ID); err != nil {
		t.Fatal(err)
	}
	again, err := c.Next(t.Context())
	if err != nil || again.Sequence == m.Sequence || string(again.Payload) != string(m.Payload) {
		t.Errorf("after the replay comes %+v, %v", again, err)
	}
	if err := s.Replay(t.Context(), held[0].ID); !errors.Is(err, ErrNotFound) {
		t.Errorf("a second replay says %v, want ErrNotFound", err)
	}
	if held, err := s.Quarantined(t.Context(), 0, 10); err != nil || len(held) != 0 {
		t.Errorf("%d messages are still held: %v", len(held), err)
	}
}

func TestSettingsOnTheServerAreTheOnesStated(t *testing.T) {
	s := openStream(t, Settings{MaxBytes: 1 << 20})
	got := s.readings.CachedInfo().Config
	if got.Discard != jetstream.DiscardNew || got.Storage != jetstream.FileStorage || got.MaxBytes != 1<<20 || got.MaxAge != 0 || got.Duplicates != duplicatesWindow {
		t.Errorf("the stream's settings are %+v", got)
	}
	c := s.consumer.CachedInfo().Config
	if c.AckPolicy != jetstream.AckExplicitPolicy || c.MaxDeliver != -1 || c.AckWait != ackWait || c.MaxAckPending != maxAckPending {
		t.Errorf("the consumer's settings are %+v", c)
	}
	if publishDeadline >= duplicatesWindow {
		t.Errorf("a message may be retried for %s, longer than its id is remembered (%s)", publishDeadline, duplicatesWindow)
	}
}

func TestAnAcknowledgedMessageCountsAsLagAtOnce(t *testing.T) {
	s := openStream(t, Settings{Partitions: 1})
	p := newPublisher(t, s)
	// Many rounds, for the server's own count of what is waiting moves a moment after the acknowledgement.
	for i := range 400 {
		if err := p.Submit(t.Context(), []*streamv1.Entry{entry(1, fmt.Sprint(i))}); err != nil {
			t.Fatal(err)
		}
		if info, err := s.Info(t.Context()); err != nil || info.Lag() != uint64(i+1) {
			t.Fatalf("after %d messages were acknowledged and none was taken the lag is %d, %v", i+1, info.Lag(), err)
		}
	}
}
