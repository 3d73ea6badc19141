package worker

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	streamv1 "creepage/api/creepage/stream/v1"
	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/stream"
	"creepage/internal/trend"
	"creepage/internal/wire"
)

// counts is what became of a batch's entries.
type counts struct {
	readings, codes, duplicates, conflicts, replays int
}

// process commits a batch and settles its messages. The error is a reason to
// stop for a while: nothing was committed and the messages have been given back.
func (w *Worker) process(ctx context.Context, b *batch) error {
	started := time.Now()
	done, err := w.commit(ctx, b)
	switch {
	case err == nil:
	case store.Retryable(err):
		w.giveBack(b)
		return err
	case len(b.messages) > 1: // one of them cannot be processed; find out which
		return w.processSingly(ctx, b)
	default:
		w.setAside(ctx, b.messages[0], err.Error())
		return nil
	}
	if w.afterCommit != nil {
		if err := w.afterCommit(); err != nil {
			return err
		}
	}
	w.metrics.batch(b, done, time.Since(started))
	w.settle(ctx, b)
	return nil
}

// processSingly makes a transaction of every message of a batch.
func (w *Worker) processSingly(ctx context.Context, b *batch) error {
	var failed error
	for _, m := range b.messages {
		one := &batch{messages: []*stream.Message{m}, bytes: len(m.Payload)}
		for _, e := range b.entries {
			if e.message == m {
				one.entries = append(one.entries, e)
			}
		}
		for _, r := range b.refused {
			if r.message == m {
				one.refused = append(one.refused, r)
			}
		}
		if err := w.process(ctx, one); err != nil {
			failed = err
		}
	}
	return failed
}

// settle holds what was refused in the quarantine and acknowledges the batch's
// messages. A message whose refused entries could not be held comes again: its
// other entries are then duplicates.
func (w *Worker) settle(ctx context.Context, b *batch) {
	unheld := map[*stream.Message]bool{}
	for _, r := range b.refused {
		payload, err := proto.Marshal(&streamv1.Batch{Entries: []*streamv1.Entry{r.raw}})
		if err == nil {
			err = w.stream.Hold(ctx, r.message, payload, r.reason, w.clock())
		}
		if err != nil {
			unheld[r.message] = true
			w.log.Error("an entry that cannot be processed could not be put into the quarantine", "sequence", r.message.Sequence, "reason", r.reason, "error", err)
			continue
		}
		w.metrics.quarantined.Inc()
		w.log.Warn("an entry cannot be processed and was put into the quarantine", "sequence", r.message.Sequence, "reason", r.reason)
	}
	for _, m := range b.messages {
		if unheld[m] {
			w.note(m.Retry(retryDelay(m)))
			continue
		}
		w.note(m.Ack())
	}
}

// setAside puts a whole message into the quarantine.
func (w *Worker) setAside(ctx context.Context, m *stream.Message, reason string) {
	if err := w.stream.SetAside(ctx, m, reason, w.clock()); err != nil {
		w.log.Error("a message that cannot be processed could not be put into the quarantine", "sequence", m.Sequence, "reason", reason, "error", err)
		w.note(m.Retry(retryDelay(m)))
		return
	}
	w.metrics.quarantined.Inc()
	w.log.Warn("a message cannot be processed and was put into the quarantine", "sequence", m.Sequence, "reason", reason)
}

// giveBack asks for the batch's messages again later.
func (w *Worker) giveBack(b *batch) {
	for _, m := range b.messages {
		w.note(m.Retry(retryDelay(m)))
	}
}

// note counts acknowledgements that could not be sent: the message comes again
// and its entries are duplicates then.
func (w *Worker) note(err error) {
	if err != nil {
		w.metrics.unsettled.Inc()
	}
}

// retryDelay grows with the number of deliveries, from 0.1 s to 30 s.
func retryDelay(m *stream.Message) time.Duration {
	return min(100*time.Millisecond<<min(m.Deliveries-1, 10), 30*time.Second)
}

// commit puts a batch into the database in one transaction.
func (w *Worker) commit(ctx context.Context, b *batch) (counts, error) {
	var done counts
	if err := w.ensurePartitions(ctx, b); err != nil {
		return done, err
	}
	err := guard(func() error {
		return w.store.AsWorker(ctx, func(tx *store.WorkerTx) (err error) {
			done, err = w.insert(ctx, tx, b)
			return err
		})
	})
	return done, err
}

// ensurePartitions makes the partitions that a batch needs, before its
// transaction: they would be seen by no other worker until that ends.
func (w *Worker) ensurePartitions(ctx context.Context, b *batch) error {
	var times []time.Time
	month := time.Time{}
	for i := range b.entries {
		if r := b.entries[i].reading; r != nil && (r.MeasuredAt.Year() != month.Year() || r.MeasuredAt.Month() != month.Month()) {
			month = r.MeasuredAt
			times = append(times, month)
		}
	}
	return w.store.EnsurePartitions(ctx, times...)
}

// insert is the transaction of a batch.
func (w *Worker) insert(ctx context.Context, tx *store.WorkerTx, b *batch) (counts, error) {
	var done counts
	ts, err := w.tracksOf(ctx, tx, b)
	if err != nil {
		return done, err
	}
	if err := w.insertReadings(ctx, tx, b, ts, &done); err != nil {
		return done, err
	}
	if err := w.insertCodes(ctx, tx, b, ts, &done); err != nil {
		return done, err
	}
	var changed []*track
	for _, t := range ts.all {
		if len(t.added) == 0 {
			continue
		}
		changed = append(changed, t)
		t.load()
		if t.left = t.replayAll; t.left {
			continue // the evaluator replays it with all of its rows; a batch waits for no such thing
		}
		if err := t.add(t.added); err != nil {
			return done, err
		}
	}
	if done.replays, err = replay(ctx, tx, changed); err != nil {
		return done, err
	}
	return done, save(ctx, tx, changed)
}

// tracksOf registers and locks the vehicles of a batch. Entries of vehicles
// that cannot be registered are refused.
func (w *Worker) tracksOf(ctx context.Context, tx *store.WorkerTx, b *batch) (*tracks, error) {
	wanted := map[store.VehicleName]string{}
	for i := range b.entries {
		e := &b.entries[i]
		key := e.key()
		if e.reading != nil && e.reading.Platform != "" {
			wanted[key] = e.reading.Platform
		} else if _, known := wanted[key]; !known {
			wanted[key] = ""
		}
	}
	vehicles, err := tx.EnsureVehicles(ctx, wanted, w.clock())
	if err != nil {
		return nil, err
	}
	ids := make([]int64, 0, len(vehicles))
	organisations := map[uuid.UUID]bool{}
	for _, v := range vehicles {
		ids = append(ids, v.Key)
		organisations[v.Organisation] = true
	}
	states, err := tx.LockStates(ctx, ids)
	if err != nil {
		return nil, err
	}
	platforms, err := tx.Platforms(ctx, slices.Collect(maps.Keys(organisations)))
	if err != nil {
		return nil, err
	}
	models, err := tx.Models(ctx, w.models, slices.Collect(maps.Keys(organisations)))
	if err != nil {
		return nil, err
	}
	byID := map[int64]*track{}
	ts := &tracks{byKey: map[store.VehicleName]*track{}}
	for key, v := range vehicles { // two names may be one vehicle
		t := byID[v.Key]
		if t == nil {
			state, versions := states[v.Key], platforms[v.Organisation][v.Platform]
			if state == nil || len(versions) == 0 { // merged into another meanwhile
				return nil, fmt.Errorf("vehicle %s: its state or platform %q is gone: %w", v.Name, v.Platform, store.ErrUnavailable)
			}
			t = &track{vehicle: v, state: state, platforms: versions, model: models[v.Organisation], keepAfter: w.keepAfter}
			byID[v.Key] = t
			ts.all = append(ts.all, t)
		}
		ts.byKey[key] = t
	}
	b.refuse(func(e *entry) string {
		if ts.of(e) != nil {
			return ""
		}
		return fmt.Sprintf("vehicle %q is not registered and the organisation has no platform %q", e.vehicleName(), wanted[e.key()])
	})
	return ts, nil
}

// refuse takes out the entries for which there is a reason.
func (b *batch) refuse(reason func(*entry) string) {
	stay := b.entries[:0]
	for _, e := range b.entries {
		if why := reason(&e); why != "" {
			b.refused = append(b.refused, refusal{e.message, e.raw, why})
			continue
		}
		stay = append(stay, e)
	}
	b.entries = stay
}

func (w *Worker) insertReadings(ctx context.Context, tx *store.WorkerTx, b *batch, ts *tracks, done *counts) error {
	rows := make([]store.NewReading, 0, len(b.entries))
	for i := range b.entries {
		if e := &b.entries[i]; e.reading != nil {
			t := ts.of(e)
			assessment, err := proto.Marshal(e.raw.GetAssessment())
			if err != nil {
				return fmt.Errorf("encode the assessment of reading %q: %w", e.reading.ID, err)
			}
			rows = append(rows, store.NewReading{Organisation: e.organisation, Vehicle: t.vehicle.Key, Reading: e.reading,
				Content: wire.ContentHash(e.reading), Assessment: assessment, Backfill: e.backfill})
		}
	}
	outcomes, err := tx.InsertReadings(ctx, rows)
	if err != nil {
		return err
	}
	var conflicts []*store.NewReading
	n := 0
	for i := range b.entries {
		e := &b.entries[i]
		if e.reading == nil {
			continue
		}
		switch outcomes[n] {
		case store.Inserted:
			done.readings++
			ts.of(e).take(e, trend.Entry{Reading: e.reading})
		case store.Duplicate:
			done.duplicates++
		case store.Conflicting:
			done.conflicts++
			conflicts = append(conflicts, &rows[n])
		}
		n++
	}
	return tx.KeepConflicts(ctx, conflicts, w.clock(), encodeReading, wire.DifferingFields)
}

func encodeReading(r *insulation.Reading) ([]byte, error) {
	return proto.Marshal(wire.ReadingMessage(r))
}

func (w *Worker) insertCodes(ctx context.Context, tx *store.WorkerTx, b *batch, ts *tracks, done *counts) error {
	var rows []store.NewCode
	var of []*entry
	for i := range b.entries {
		if e := &b.entries[i]; e.code != nil {
			rows = append(rows, store.NewCode{Organisation: e.organisation, Vehicle: ts.of(e).vehicle.Key, Code: e.code, ReceivedAt: e.receivedAt})
			of = append(of, e)
		}
	}
	if len(rows) == 0 {
		return nil
	}
	outcomes, err := tx.InsertCodes(ctx, rows)
	if err != nil {
		return err
	}
	for i, e := range of {
		if outcomes[i] != store.Inserted {
			done.duplicates++
			continue
		}
		done.codes++
		ts.of(e).take(e, trend.Entry{Code: e.code})
	}
	return nil
}

// take notes a new row of the vehicle: it is to be added, and the vehicle to
// be evaluated, live or with the history it belongs to.
func (t *track) take(e *entry, row trend.Entry) {
	t.added = append(t.added, row)
	s := t.state
	s.LastMeasuredAt = latest(s.LastMeasuredAt, row.Time())
	if e.reading != nil && e.reading.Shop != "" && !row.Time().Before(s.LastMeasuredAt) {
		s.LastShop = e.reading.Shop
	}
	if e.backfill {
		s.BackfilledAt = latest(s.BackfilledAt, e.receivedAt)
		return
	}
	s.ChangedAt = latest(s.ChangedAt, e.receivedAt)
}

// tracks are the vehicles of a batch, each once and by every name the batch
// calls it.
type tracks struct {
	all   []*track
	byKey map[store.VehicleName]*track
}

func (ts *tracks) of(e *entry) *track { return ts.byKey[e.key()] }

func (e *entry) key() store.VehicleName {
	return store.VehicleName{Organisation: e.organisation, Name: e.vehicleName()}
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
