package worker

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"runtime/debug"
	"slices"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protojson"

	"creepage/internal/store"
	"creepage/internal/trend"
	"creepage/internal/wire"
)

// evaluateGroup is how many vehicles one transaction of the evaluator takes.
const evaluateGroup = 200

// EvaluateChanged evaluates vehicles that have changed, and those that were to be evaluated again by now, in groups,
// until none is left that another worker has not taken. Changes that come while a vehicle
// waits are evaluated together.
func (w *Worker) EvaluateChanged(ctx context.Context) (int, error) {
	total, err := w.evaluateAll(ctx, func(tx *store.WorkerTx) ([]store.Evaluable, error) {
		return tx.TakeChanged(ctx, evaluateGroup)
	}, nil)
	if err != nil {
		return total, err
	}
	through, err := w.committedThrough(ctx)
	if err != nil {
		return total, err
	}
	n, err := w.evaluateAll(ctx, func(tx *store.WorkerTx) ([]store.Evaluable, error) {
		return tx.TakeAgain(ctx, through, evaluateGroup)
	}, nil)
	return total + n, err
}

// committedThrough is the time up to which all that was received is committed: now, unless messages wait.
func (w *Worker) committedThrough(ctx context.Context) (time.Time, error) {
	now := w.clock()
	info, err := w.stream.Info(ctx)
	if err != nil {
		return now, err
	}
	if info.Lag() > 0 && info.OldestTime.Before(now) {
		return info.OldestTime, nil
	}
	return now, nil
}

// EvaluateDay evaluates, as of the start of a UTC day, every vehicle that is
// not retired and has not been evaluated for that day or a later one. It can be
// interrupted and taken up again, by any worker.
func (w *Worker) EvaluateDay(ctx context.Context, day time.Time) (int, error) {
	day = startOfDay(day)
	total := 0
	for _, wait := range []bool{false, true} { // first what is free, then what was in others' hands
		last := int64(0)
		n, err := w.evaluateAll(ctx, func(tx *store.WorkerTx) ([]store.Evaluable, error) {
			taken, err := tx.TakeForDay(ctx, day, last, evaluateGroup, wait)
			if len(taken) > 0 {
				last = taken[len(taken)-1].Vehicle.Key
			}
			return taken, err
		}, &day)
		total += n
		if err != nil {
			return total, err
		}
	}
	return total, nil
}

// evaluateAll evaluates what take returns, group by group, until one is not full.
func (w *Worker) evaluateAll(ctx context.Context, take func(*store.WorkerTx) ([]store.Evaluable, error), day *time.Time) (int, error) {
	total := 0
	for {
		n, err := w.evaluateGroup(ctx, take, day)
		total += n
		if err != nil || n < evaluateGroup {
			return total, err
		}
	}
}

// evaluateGroup evaluates what take returns, in one transaction: for a day, or
// where day is nil at the moment each vehicle changed or was to be evaluated again.
func (w *Worker) evaluateGroup(ctx context.Context, take func(*store.WorkerTx) ([]store.Evaluable, error), day *time.Time) (int, error) {
	n := 0
	err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
		taken, err := take(tx)
		if err != nil || len(taken) == 0 {
			return err
		}
		n = len(taken)
		return w.evaluate(ctx, tx, taken, day)
	})
	if err != nil {
		return 0, fmt.Errorf("evaluate: %w", err)
	}
	w.metrics.evaluations.Add(float64(n))
	return n, nil
}

func (w *Worker) evaluate(ctx context.Context, tx *store.WorkerTx, taken []store.Evaluable, day *time.Time) error {
	organisations := map[uuid.UUID]bool{}
	for i := range taken {
		organisations[taken[i].Vehicle.Organisation] = true
	}
	platforms, err := tx.Platforms(ctx, slices.Collect(maps.Keys(organisations)))
	if err != nil {
		return err
	}
	policies, err := tx.WarningPolicies(ctx, slices.Collect(maps.Keys(organisations)))
	if err != nil {
		return err
	}
	models, err := tx.Models(ctx, w.models, slices.Collect(maps.Keys(organisations)))
	if err != nil {
		return err
	}
	ts := make([]*track, 0, len(taken))
	var given []*store.State
	for i := range taken {
		v := taken[i].Vehicle
		versions := platforms[v.Organisation][v.Platform]
		if len(versions) == 0 {
			w.giveUp(taken[i].State, day, fmt.Errorf("vehicle %s: no platform %q", v.Name, v.Platform))
			given = append(given, taken[i].State)
			continue
		}
		t := &track{vehicle: v, state: taken[i].State, platforms: versions, policy: policies[v.Organisation], model: models[v.Organisation], keepAfter: w.keepAfter}
		t.load()
		ts = append(ts, t)
	}
	replays, err := replay(ctx, tx, ts)
	if err != nil {
		return err
	}
	w.metrics.replays.Add(float64(replays))
	var said sayings
	evaluated := ts[:0]
	for _, t := range ts {
		before := *t.state
		if err := guard(func() error { return said.of(t, day) }); err != nil {
			w.giveUp(&before, day, err)
			given = append(given, &before)
			continue
		}
		evaluated = append(evaluated, t)
	}
	if err := w.record(ctx, tx, &said); err != nil {
		return err
	}
	if err := tx.SaveStates(ctx, given); err != nil {
		return err
	}
	return save(ctx, tx, evaluated)
}

// giveUp leaves a vehicle that cannot be evaluated until it changes again or
// the next day comes, so that it holds up no other.
func (w *Worker) giveUp(s *store.State, day *time.Time, err error) {
	s.ChangedAt, s.AgainAt, s.ReplayFrom = time.Time{}, time.Time{}, time.Time{}
	if day != nil {
		s.DailyThrough = *day
	}
	w.metrics.failures.Inc()
	w.log.Error("a vehicle cannot be evaluated", "error", err)
}

// guard turns a panic into an error: what one vehicle or message brings about
// must not end the work on all others.
func guard(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v\n%s", p, debug.Stack())
		}
	}()
	return f()
}

// sayings are what is said of a group of vehicles.
type sayings struct {
	outlooks []store.NewOutlook
	raised   []store.NewWarning
	ended    []store.EndedWarning
}

// appendEvery is how often the daily pass keeps an outlook of a vehicle of
// which nothing new is to be said; the list's row is always up to date.
const appendEvery = 7 * 24 * time.Hour

// of evaluates one vehicle and moves its rule on.
func (s *sayings) of(t *track, day *time.Time) error {
	at := t.state.ChangedAt
	if at.IsZero() {
		at = t.state.AgainAt
	}
	if day != nil {
		at = *day
		t.state.DailyThrough = *day
	}
	// Never before what is known, nor before what has been said.
	at = latest(at, t.state.LastMeasuredAt)
	if !at.After(t.state.EvaluatedAt) { // what was said stands; this is said after it
		at = t.state.EvaluatedAt.Add(time.Microsecond)
	}
	if !t.state.ChangedAt.After(at) {
		t.state.ChangedAt = time.Time{}
	}
	rule, err := t.rule()
	if err != nil {
		return err
	}
	outlook := t.model.Outlook(t.memory, t.platformAt(at), at)
	next, changes := t.model.Fold(rule, &outlook, t.policy)
	outlook.Warned(&next)
	if t.state.Rule, err = json.Marshal(next); err != nil {
		return fmt.Errorf("vehicle %s: encode the rule's memory: %w", t.vehicle.Name, err)
	}
	t.state.EvaluatedAt, t.state.AgainAt = at, next.Again(at)
	if t.state.FirstLiveAt.IsZero() {
		t.state.FirstLiveAt = at
	}
	details, err := protojson.Marshal(wire.OutlookMessage(&outlook))
	if err != nil {
		return fmt.Errorf("vehicle %s: encode its outlook: %w", t.vehicle.Name, err)
	}
	keep := day == nil || len(changes) > 0 || t.state.OutlookState != uint8(outlook.State) || at.Sub(t.state.OutlookKeptAt) >= appendEvery
	if keep {
		t.state.OutlookKeptAt, t.state.OutlookState = at, uint8(outlook.State)
	}
	s.outlooks = append(s.outlooks, store.NewOutlook{Organisation: t.vehicle.Organisation, Vehicle: t.vehicle.Key, Outlook: &outlook, Details: details, Latest: true, Append: keep})
	s.take(t, changes)
	return nil
}

// take notes the warnings that changed.
func (s *sayings) take(t *track, changes []trend.Change) {
	for _, c := range changes {
		if c.Raised {
			s.raised = append(s.raised, store.NewWarning{ID: uuid.Must(uuid.NewV7()), Organisation: t.vehicle.Organisation, Vehicle: t.vehicle.Key, Change: c, News: true})
			continue
		}
		s.ended = append(s.ended, store.EndedWarning{Organisation: t.vehicle.Organisation, Vehicle: t.vehicle.Key, Change: c})
	}
}

// record writes what is said, and with it each live warning raised or ended as a
// change, of which the database makes a job. It comes last but for the states,
// which are locked already.
func (w *Worker) record(ctx context.Context, tx *store.WorkerTx, s *sayings) error {
	if err := tx.SaveOutlooks(ctx, s.outlooks); err != nil {
		return err
	}
	// Ended before raised: one that ends and comes again in one evaluation is two.
	ended, err := tx.EndWarnings(ctx, s.ended)
	if err != nil {
		return err
	}
	raised, err := tx.RaiseWarnings(ctx, s.raised)
	if err != nil {
		return err
	}
	var changes []store.NewWarningChange
	for _, e := range ended {
		changes = append(changes, store.NewWarningChange{Organisation: e.Organisation, Warning: e.ID, Event: store.WarningEnded, At: e.Change.At})
	}
	for i := range raised {
		if r := &raised[i]; r.News {
			changes = append(changes, store.NewWarningChange{Organisation: r.Organisation, Warning: r.ID, Event: store.WarningRaised, At: r.Change.At})
		}
	}
	w.metrics.warnings.WithLabelValues("raised").Add(float64(len(raised)))
	w.metrics.warnings.WithLabelValues("ended").Add(float64(len(ended)))
	return tx.RecordWarningChanges(ctx, changes, w.clock())
}
