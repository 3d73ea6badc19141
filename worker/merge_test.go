package worker

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/stream"
)

// merge makes the records of van-0 those of van-1, with the api's login.
func (e *env) merge(s *store.Store) error {
	return s.AsOrganisation(e.t.Context(), e.org, func(tx *store.Tx) error { return merge(e.t.Context(), tx, e.now) })
}

func merge(ctx context.Context, tx *store.Tx, now time.Time) error {
	goes, err := tx.Vehicle(ctx, "van-0")
	if err != nil {
		return err
	}
	stays, err := tx.Vehicle(ctx, "van-1")
	if err != nil {
		return err
	}
	return tx.MergeVehicles(ctx, goes.Key, stays.Key, now)
}

// waitForWaiting returns when so many sessions of the database wait for a lock.
func (e *env) waitForWaiting(sessions int) {
	e.t.Helper()
	deadline := time.Now().Add(time.Minute)
	for e.count(`SELECT count(*) FROM pg_locks l JOIN pg_stat_activity a ON a.pid = l.pid WHERE NOT l.granted AND a.datname = current_database()`) < sessions {
		if time.Now().After(deadline) {
			e.t.Fatalf("for a minute fewer than %d sessions waited for a lock", sessions)
		}
	}
}

// merged is the fingerprint of what a merge of van-0 into van-1 ends in when
// nothing else goes on: the two vehicles' records, and after them those of both
// names.
func merged(t *testing.T) (string, int) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	entries := e.visits(2, 12)
	e.submit(entries[:16]...)
	e.step(w)
	e.submit(entries[16:]...)
	e.step(w)
	if err := e.merge(e.db.Store(t, store.APILogin)); err != nil {
		t.Fatal(err)
	}
	e.evaluate(w)
	return e.memoryOf("van-1"), len(entries)
}

func (e *env) memoryOf(name string) string {
	e.t.Helper()
	return e.text(`SELECT md5(s.memory) FROM vehicle_states s JOIN vehicles v ON v.id = s.vehicle_id WHERE v.name = '` + name + `' AND s.replay_from IS NULL`)
}

// checkMerged holds what stands after a merge against an undisturbed one.
func (e *env) checkMerged(want string, readings int) {
	e.t.Helper()
	if n := e.count(`SELECT count(*) FROM readings r JOIN vehicles v ON v.id = r.vehicle_id WHERE v.name = 'van-1'`); n != readings {
		e.t.Errorf("%d readings are the remaining vehicle's, want all %d", n, readings)
	}
	if n := e.count(`SELECT count(*) FROM vehicle_states`); n != 1 {
		e.t.Errorf("%d vehicles are remembered, want 1", n)
	}
	if got := e.memoryOf("van-1"); got != want {
		e.t.Errorf("the vehicle ends in %s, an undisturbed merge in %s", got, want)
	}
}

func TestBatchInFlightWhenItsVehicleIsMergedComesAgainForTheOther(t *testing.T) {
	want, n := merged(t)
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	entries := e.visits(2, 12)
	e.submit(entries[:16]...)
	e.step(w)
	e.submit(entries[16:]...)
	batches := e.gathered(w, len(entries)-16)
	done := make(chan error, 1)
	err := e.db.Store(t, store.APILogin).AsOrganisation(t.Context(), e.org, func(tx *store.Tx) error {
		if err := merge(t.Context(), tx, e.now); err != nil {
			return err
		}
		// The batch has found both vehicles and waits for the one that goes.
		go func() {
			var failed error
			for _, b := range batches {
				failed = errors.Join(failed, w.process(t.Context(), b))
			}
			done <- failed
		}()
		e.waitForWaiting(1)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := <-done; !store.Retryable(err) {
		t.Errorf("the batch whose vehicle went: %v; it has to come again", err)
	}
	e.consumer.Stop()
	e.run(w)
	e.evaluate(w)
	e.checkMerged(want, n)
	if held, _ := e.stream.Quarantined(t.Context(), 0, 10); len(held) != 0 {
		t.Errorf("%d messages were given up", len(held))
	}
}

func TestMergeWaitsForTheBatchInFlightAndTakesItsReadings(t *testing.T) {
	want, n := merged(t)
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	entries := e.visits(2, 12)
	e.submit(entries[:16]...)
	e.step(w)
	e.submit(entries[16:]...)
	batches := e.gathered(w, len(entries)-16)
	inHand := batches[0] // one transaction: between two the merge might come first
	for _, b := range batches[1:] {
		inHand.add(b)
	}
	if err := w.ensurePartitions(t.Context(), inHand); err != nil { // what waits is to be the transaction
		t.Fatal(err)
	}
	committed, mergedNow := make(chan error, 1), make(chan error, 1)
	owner, err := pgx.Connect(t.Context(), e.db.OwnerURL())
	if err != nil {
		t.Fatal(err)
	}
	defer owner.Close(context.Background())
	if _, err := owner.Exec(t.Context(), `BEGIN; LOCK TABLE readings IN EXCLUSIVE MODE`); err != nil {
		t.Fatal(err)
	}
	go func() { committed <- w.process(t.Context(), inHand) }() // holds its vehicles, and waits with its readings in hand
	e.waitForWaiting(1)
	api := e.db.Store(t, store.APILogin)
	go func() { mergedNow <- e.merge(api) }()
	e.waitForWaiting(2)
	if _, err := owner.Exec(t.Context(), `COMMIT`); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(<-committed, <-mergedNow); err != nil {
		t.Fatal(err)
	}
	e.evaluate(w)
	e.checkMerged(want, n)
}

// gathered are the batches of what is in the stream, after a step.
func (e *env) gathered(w *Worker, entries int) []*batch {
	e.t.Helper()
	var batches []*batch
	for got := 0; got < entries; {
		b, err := e.assemble(e.t.Context(), w, e.consumer)
		if err != nil {
			e.t.Fatal(err)
		}
		got += len(b.entries)
		batches = append(batches, b)
	}
	return batches
}

// A vehicle's repairs and codes may be older than all of its readings, and
// count in the merged track all the same.
func TestMergeReplaysFromTheEarliestEntryWhateverItIs(t *testing.T) {
	repaired := time.Date(2024, 11, 4, 8, 0, 0, 0, time.UTC)
	end := func(first bool) string {
		e := newEnv(t, stream.Settings{})
		w := e.worker()
		api := e.db.Store(t, store.APILogin)
		entries := e.visits(2, 3)
		e.submit(entries...)
		for i := range 8 { // the other's history is older still, and remembered after the repair
			e.submit(e.reading(1, fmt.Sprintf("old-%d", i), repaired.AddDate(0, 0, 20*(i-5)), 2e8))
		}
		e.step(w)
		repair := func() {
			if err := api.AsOrganisation(t.Context(), e.org, func(tx *store.Tx) error {
				v, err := tx.Vehicle(t.Context(), "van-0")
				if err != nil {
					return err
				}
				_, _, err = tx.CreateRepair(t.Context(), v.Key, store.NewRepair{At: e.now,
					Event: insulation.Event{Component: insulation.Motor, Kind: insulation.Replaced, OccurredAt: repaired}})
				return err
			}); err != nil {
				t.Fatal(err)
			}
			e.evaluate(w)
		}
		if first {
			repair()
		}
		if err := e.merge(api); err != nil {
			t.Fatal(err)
		}
		e.evaluate(w)
		if !first {
			repair()
		}
		return e.memoryOf("van-1")
	}
	if before, after := end(true), end(false); before != after {
		t.Errorf("repaired and then merged ends in %s, merged and then repaired in %s", before, after)
	}
}
