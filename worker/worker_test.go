package worker

import (
	"errors"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"google.golang.org/protobuf/proto"

	streamv1 "creepage/api/creepage/stream/v1"
	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/stream"
)

func TestEveryReadingIsCommittedOnceHoweverOftenItIsSent(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	entries := e.visits(20, 10)
	e.submit(entries...)
	e.submit(entries[:50]...)
	e.submit(append(entries[100:150:150], entries[100:150]...)...) // twice in one message
	w := e.worker()
	e.run(w)
	if n := e.count(`SELECT count(*) FROM readings`); n != len(entries) {
		t.Errorf("%d readings are stored, want %d", n, len(entries))
	}
	if n := e.count(`SELECT count(*) FROM vehicles`); n != 20 {
		t.Errorf("%d vehicles have registered, want 20", n)
	}
	if c, d := outcome(w, "committed"), outcome(w, "duplicate"); c != 200 || d != 150 {
		t.Errorf("counted %d committed and %d duplicates, want 200 and 150", c, d)
	}
	if n := e.count(`SELECT count(*) FROM reading_conflicts`); n != 0 {
		t.Errorf("%d conflicts", n)
	}
}

// What several workers make of a stream that repeats itself equals what one
// makes of it in order.
func TestSeveralWorkersEndInTheStateOfOne(t *testing.T) {
	one, many := newEnv(t, stream.Settings{}), newEnv(t, stream.Settings{})
	many.org = one.org
	many.db.Exec(t, `DELETE FROM platform_versions`)
	many.db.Exec(t, `DELETE FROM platforms`)
	many.db.Exec(t, `DELETE FROM organisations`)
	many.organisation(many.org, "harbor")
	entries := one.visits(12, 12)
	one.submit(entries...)
	one.run(one.worker())
	for i := 0; i < len(entries); i += 7 {
		many.submit(entries[i:min(i+10, len(entries))]...) // overlapping
	}
	many.run(many.worker(), many.worker(), many.worker())
	if a, b := one.count(`SELECT count(*) FROM readings`), many.count(`SELECT count(*) FROM readings`); a != len(entries) || b != len(entries) {
		t.Errorf("%d and %d readings are stored, want %d", a, b, len(entries))
	}
	if a, b := one.memories(), many.memories(); a != b {
		t.Errorf("one worker ends in\n%s\nthree in\n%s", a, b)
	}
}

func TestReadingsInAnyOrderEndInTheStateOfThoseInOrder(t *testing.T) {
	inOrder, shuffled := newEnv(t, stream.Settings{}), newEnv(t, stream.Settings{})
	entries := inOrder.visits(6, 18)
	for i := 0; i < len(entries); i += 6 {
		inOrder.submit(entries[i : i+6]...)
	}
	inOrder.step(inOrder.worker())

	rng := rand.New(rand.NewPCG(1, 2))
	w := shuffled.worker()
	mixed := make([]*streamv1.Entry, len(entries))
	for i, k := range rng.Perm(len(entries)) {
		mixed[i] = proto.CloneOf(entries[k])
		mixed[i].OrganisationId = shuffled.org[:]
	}
	for i := 0; i < len(mixed); i += 9 {
		shuffled.submit(mixed[i:min(i+9, len(mixed))]...)
		shuffled.step(w)
	}
	if a, b := inOrder.memories(), shuffled.memories(); a != b {
		t.Errorf("in order:\n%s\nshuffled:\n%s", a, b)
	}
	if n := testutil.ToFloat64(w.metrics.replays); n == 0 {
		t.Error("nothing was replayed; the test shows nothing")
	}
	const kept = `SELECT coalesce(string_agg(v.name || ' ' || c.day || ' ' || md5(c.memory), ', ' ORDER BY v.name, c.day), '') FROM vehicle_checkpoints c JOIN vehicles v ON v.id = c.vehicle_id`
	if most := shuffled.count(`SELECT max(n) FROM (SELECT count(*) AS n FROM vehicle_checkpoints GROUP BY vehicle_id) AS c`); most < 1 || most > 9 {
		t.Errorf("up to %d checkpoints of a vehicle are kept for 17 months of visits\n%s", most, shuffled.text(kept))
	}
}

func TestKilledBetweenCommitAndAcknowledgementNothingCountsTwice(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	entries := e.visits(5, 6)
	e.submit(entries...)
	killed := e.worker()
	killed.afterCommit = func() error { return errors.New("killed") }
	c, err := e.stream.Consume()
	if err != nil {
		t.Fatal(err)
	}
	var held []*stream.Message
	for range 4 { // one message a partition at most
		b, err := e.assemble(t.Context(), killed, c)
		if err != nil {
			t.Fatal(err)
		}
		if err := killed.process(t.Context(), b); err == nil || err.Error() != "killed" {
			t.Fatalf("the worker was not killed: %v", err)
		}
		held = append(held, b.messages...)
		if e.count(`SELECT count(*) FROM readings`) == len(entries) {
			break
		}
	}
	c.Stop()
	before := e.memories()
	if n := e.count(`SELECT count(*) FROM readings`); n != len(entries) {
		t.Fatalf("%d readings were committed, want %d", n, len(entries))
	}
	for _, m := range held { // what the server does by itself after ackWait
		if err := m.Retry(0); err != nil {
			t.Fatal(err)
		}
	}
	next := e.worker()
	e.run(next)
	if n := e.count(`SELECT count(*) FROM readings`); n != len(entries) || e.memories() != before {
		t.Errorf("%d readings after the second delivery, want %d; memories equal: %v", n, len(entries), e.memories() == before)
	}
	if d := outcome(next, "duplicate"); d != len(entries) {
		t.Errorf("%d duplicates were counted, want %d", d, len(entries))
	}
}

func TestMessageThatIsNoBatchGoesToTheQuarantineAndBlocksNobody(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	at := e.now.AddDate(0, 0, -1)
	e.submit(e.reading(1, "before", at, 1e9))
	if err := e.conn.Publish("creepage.readings.0", []byte("\xff\xff no protobuf")); err != nil {
		t.Fatal(err)
	}
	e.submit(e.reading(1, "after", at, 1e9))
	w := e.worker()
	e.run(w)
	if n := e.count(`SELECT count(*) FROM readings`); n != 2 {
		t.Errorf("%d readings are stored, want 2", n)
	}
	held, err := e.stream.Quarantined(t.Context(), 0, 10)
	if err != nil || len(held) != 1 || !strings.Contains(held[0].Reason, "no batch") {
		t.Fatalf("held: %v, %v", held, err)
	}
	if n := testutil.ToFloat64(w.metrics.quarantined); n != 1 {
		t.Errorf("counted %v", n)
	}
}

// One entry that cannot be processed costs its neighbours in the same message
// nothing, and can be replayed when its cause is gone.
func TestEntryThatCannotBeProcessedIsHeldAloneAndCanBeReplayed(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	at := e.now.AddDate(0, 0, -1)
	odd := e.reading(1, "odd", at, 1e9)
	odd.GetReading().Vehicle = "vehicles/van-odd"
	odd.GetReading().Platform = proto.String("platforms/not-yet")
	broken := e.reading(1, "broken", at, 1e9)
	broken.GetReading().Method = 77
	e.submit(e.reading(1, "a", at, 1e9), odd, broken, e.reading(1, "b", at, 1.1e9))
	e.run(e.worker())
	if n := e.count(`SELECT count(*) FROM readings`); n != 2 {
		t.Fatalf("%d readings are stored, want 2; log:\n%s", n, e.log)
	}
	held, err := e.stream.Quarantined(t.Context(), 0, 10)
	if err != nil || len(held) != 2 {
		t.Fatalf("held: %v, %v", held, err)
	}
	reasons := held[0].Reason + "\n" + held[1].Reason
	if !strings.Contains(reasons, `no platform "not-yet"`) || !strings.Contains(reasons, "method") {
		t.Errorf("the reasons are\n%s", reasons)
	}
	e.db.Exec(t, `INSERT INTO platforms SELECT organisation_id, 'not-yet' FROM platforms`)
	e.db.Exec(t, `INSERT INTO platform_versions SELECT organisation_id, 'not-yet', valid_from, title, max_working_volts, code_ohms, code_quantity, points FROM platform_versions`)
	for _, h := range held {
		if err := e.stream.Replay(t.Context(), h.ID); err != nil {
			t.Fatal(err)
		}
	}
	e.run(e.worker())
	if n := e.count(`SELECT count(*) FROM readings WHERE vehicle = 'van-odd'`); n != 1 {
		t.Errorf("after its platform is known %d readings of the held vehicle are stored, want 1", n)
	}
	if held, _ := e.stream.Quarantined(t.Context(), 0, 10); len(held) != 1 {
		t.Errorf("%d entries are held again, want the broken one", len(held))
	}
}

// A value that the database itself refuses must not take its batch with it.
func TestMessageTheDatabaseRefusesIsSetAsideAlone(t *testing.T) {
	e := newEnv(t, stream.Settings{Partitions: 1})
	at := e.now.AddDate(0, 0, -1)
	e.submit(e.reading(1, "a", at, 1e9))
	e.submit(e.reading(1, "negative", at, -5))
	e.submit(e.reading(1, "b", at, 1e9))
	e.run(e.worker())
	if n := e.count(`SELECT count(*) FROM readings`); n != 2 {
		t.Errorf("%d readings are stored, want 2", n)
	}
	held, err := e.stream.Quarantined(t.Context(), 0, 10)
	if err != nil || len(held) != 1 || !strings.Contains(held[0].Reason, "ohms") {
		t.Fatalf("held: %v, %v", held, err)
	}
}

func TestDatabaseThatComesBackFindsEverythingWaiting(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	e.submit(e.visits(5, 4)...)
	e.db.Exec(t, `REVOKE INSERT ON readings FROM creepage_worker`) // as good as down
	c, err := e.stream.Consume()
	if err != nil {
		t.Fatal(err)
	}
	b, err := e.assemble(t.Context(), w, c)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.process(t.Context(), b); err == nil {
		t.Fatal("the batch was committed")
	}
	c.Drain() // a batch ends where messages pause; what came after it is given back
	for {
		m, err := c.Next(t.Context())
		if errors.Is(err, stream.ErrClosed) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := m.Retry(0); err != nil {
			t.Fatal(err)
		}
	}
	if held, _ := e.stream.Quarantined(t.Context(), 0, 10); len(held) != 0 {
		t.Errorf("%d messages were given up for a fault of the installation", len(held))
	}
	e.db.Exec(t, `GRANT INSERT ON readings TO creepage_worker`)
	e.run(w)
	if n := e.count(`SELECT count(*) FROM readings`); n != 20 {
		t.Errorf("%d readings are stored, want 20", n)
	}
}

func TestOtherContentUnderAKnownIdentityIsKeptAside(t *testing.T) {
	e := newEnv(t, stream.Settings{Partitions: 1})
	at := e.now.AddDate(0, 0, -1)
	w := e.worker()
	e.submit(e.reading(1, "r", at, 1e9), e.reading(1, "r", at, 2e9)) // in one batch
	e.step(w)
	e.submit(e.reading(1, "r", at, 3e9), e.reading(1, "r", at, 3e9)) // and later
	e.step(w)
	if ohms := e.text(`SELECT string_agg(ohms::text, ' ') FROM readings`); ohms != "1000000000" {
		t.Errorf("stored is %s; the first in the stream stands", ohms)
	}
	if n := e.count(`SELECT count(*) FROM reading_conflicts WHERE differing_fields = '{resistance_ohms}' AND reading_id = 'r' AND shop = 'north-yard'`); n != 2 {
		t.Errorf("%d conflicts are kept, want one for each other content", n)
	}
	if n := outcome(w, "conflict"); n != 3 {
		t.Errorf("%d conflicts are counted, want 3", n)
	}
	var kept creepagev1.Reading
	var text []byte
	e.db.Query(t, `SELECT reading FROM reading_conflicts ORDER BY id LIMIT 1`, &text)
	if err := proto.Unmarshal(text, &kept); err != nil || kept.GetResistanceOhms() != 2e9 {
		t.Errorf("kept is %v, %v", &kept, err)
	}
}

func TestOrganisationsWithTheSameNamesAreKeptApart(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	other := uuid.Must(uuid.NewV7())
	e.organisation(other, "lakeside")
	at := e.now.AddDate(0, 0, -1)
	mine, theirs := e.reading(1, "r", at, 1e9), e.reading(1, "r", at, 2e9)
	theirs.OrganisationId = other[:]
	e.submit(mine, theirs)
	e.run(e.worker())
	if n := e.count(`SELECT count(*) FROM readings`); n != 2 || e.count(`SELECT count(*) FROM vehicles`) != 2 || e.count(`SELECT count(*) FROM reading_conflicts`) != 0 {
		t.Errorf("%d readings, %d vehicles, %d conflicts", n, e.count(`SELECT count(*) FROM vehicles`), e.count(`SELECT count(*) FROM reading_conflicts`))
	}
}

func TestStoppedWorkerCommitsWhatItHolds(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	e.submit(e.visits(10, 10)...)
	w := e.worker()
	e.run(w)
	info, err := e.stream.Info(t.Context())
	if err != nil || info.Lag() != 0 {
		t.Errorf("%+v, %v", info, err)
	}
	if n := e.count(`SELECT count(*) FROM vehicle_states WHERE changed_at > now() + interval '1 day'`); n != 0 {
		t.Errorf("%d vehicles have an odd time of change", n)
	}
	if strings.Contains(e.log.String(), "level=ERROR") {
		t.Errorf("the log of an undisturbed run:\n%s", e.log)
	}
}
