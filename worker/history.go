package worker

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protojson"

	"creepage/internal/backtest"
	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/trend"
	"creepage/internal/wire"
)

const (
	// backfillQuiet is how long no old record of an organisation may have come
	// before its history is told.
	backfillQuiet = 3 * time.Second
	// historyGroup is how many vehicles one transaction of the history pass takes.
	historyGroup = 16
	// historyEvery is how far the outlooks of a history lie apart.
	historyEvery = 7 * 24 * time.Hour
)

// TellHistories replays the old records of every organisation whose import has
// gone quiet, with the engine of the backtest command, and records what would
// have been said of its vehicles before they were first evaluated live. Nobody
// is told of the past; a warning that still stands at the end is news once.
func (w *Worker) TellHistories(ctx context.Context) (int, error) {
	quiet := w.clock().Add(-backfillQuiet)
	through, err := w.committedThrough(ctx)
	if err != nil {
		return 0, err
	}
	if through.Before(quiet) {
		return 0, nil // there may be old records among what is not committed yet
	}
	var organisations []uuid.UUID
	err = w.store.AsWorker(ctx, func(tx *store.WorkerTx) (err error) {
		organisations, err = tx.QuietBackfills(ctx, quiet)
		return err
	})
	total := 0
	for _, organisation := range organisations {
		lessons, err := w.lessonsOfHistory(ctx, organisation)
		if err != nil {
			return total, fmt.Errorf("lessons of organisation %s: %w", organisation, err)
		}
		for {
			n, err := w.tellHistory(ctx, organisation, lessons)
			total += n
			if err != nil {
				return total, fmt.Errorf("history of organisation %s: %w", organisation, err)
			}
			if n < historyGroup {
				break
			}
		}
	}
	return total, err
}

// tellHistory takes a group of an organisation's vehicles.
func (w *Worker) tellHistory(ctx context.Context, organisation uuid.UUID, lessons []backtest.Lesson) (int, error) {
	n := 0
	err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
		first, last, err := tx.BackfillSpan(ctx, organisation)
		if err != nil {
			return err
		}
		taken, err := tx.TakeBackfilled(ctx, organisation, historyGroup)
		if err != nil || len(taken) == 0 {
			return err
		}
		n = len(taken)
		platforms, err := tx.Platforms(ctx, []uuid.UUID{organisation})
		if err != nil {
			return err
		}
		policies, err := tx.WarningPolicies(ctx, []uuid.UUID{organisation})
		if err != nil {
			return err
		}
		since, keys := map[int64]time.Time{}, make([]int64, 0, n)
		for i := range taken {
			since[taken[i].Vehicle.Key] = time.Time{}
			keys = append(keys, taken[i].Vehicle.Key)
		}
		entries, err := tx.EntriesSince(ctx, since)
		if err != nil {
			return err
		}
		var said sayings
		states := make([]*store.State, 0, n)
		for i := range taken {
			v, s := taken[i].Vehicle, taken[i].State
			t := &track{vehicle: v, state: s, platforms: platforms[organisation][v.Platform], policy: policies[organisation]}
			before := *s
			if err := guard(func() error { return w.replayHistory(&said, t, entries[v.Key], lessons, first, last) }); err != nil {
				w.giveUp(&before, nil, err)
				before.BackfilledAt = time.Time{}
				s = &before
			}
			states = append(states, s)
		}
		if err := tx.ForgetBackfilled(ctx, keys); err != nil {
			return err
		}
		if err := w.record(ctx, tx, &said); err != nil {
			return err
		}
		return tx.SaveStates(ctx, states)
	})
	if err != nil {
		return 0, err
	}
	w.metrics.histories.Add(float64(n))
	if n > 0 {
		w.wake()
	}
	return n, nil
}

// replayHistory tells one vehicle's history, from its first entry to its first
// live evaluation or the end of the organisation's old records.
func (w *Worker) replayHistory(said *sayings, t *track, entries []trend.Entry, lessons []backtest.Lesson, first, last time.Time) error {
	until := last
	if live := t.state.FirstLiveAt; !live.IsZero() && live.Before(until) {
		until = live.Add(-time.Microsecond)
	}
	arrivals, lastRow := arrivalsOf(entries, until)
	r := backtest.Replay{Model: w.models.Base(), Policy: t.policy, Origin: startOfDay(first), Every: historyEvery, Last: lastRow, Until: until,
		Lessons: lessonsUntil(lessons, until)}
	history, err := r.Vehicle(t.vehicle.Name, func(at time.Time) *insulation.Platform { return t.platformAt(startOfDay(at)) }, arrivals)
	if err != nil {
		return err
	}
	for i := range history.Outlooks {
		o := &history.Outlooks[i]
		details, err := protojson.Marshal(wire.OutlookMessage(o))
		if err != nil {
			return fmt.Errorf("vehicle %s: encode an outlook: %w", t.vehicle.Name, err)
		}
		said.outlooks = append(said.outlooks, store.NewOutlook{Organisation: t.vehicle.Organisation, Vehicle: t.vehicle.Key, Outlook: o, Details: details, Backfilled: true, Append: true})
	}
	said.takeHistory(t, history.Changes)
	rule, err := t.rule()
	if err != nil {
		return err
	}
	for _, open := range history.Rule.Open { // what stands already keeps the time at which it was said
		if !slices.ContainsFunc(rule.Open, func(o trend.OpenWarning) bool { return o.Kind == open.Kind && o.Component == open.Component }) {
			rule.Open = append(rule.Open, open)
		}
	}
	rule.DueSince, rule.AtOnceSince, rule.UnderSince = history.Rule.DueSince, history.Rule.AtOnceSince, history.Rule.UnderSince
	if t.state.Rule, err = json.Marshal(rule); err != nil {
		return fmt.Errorf("vehicle %s: encode the rule's memory: %w", t.vehicle.Name, err)
	}
	// From here on the vehicle is evaluated like any other, as of when its last record came.
	t.state.ChangedAt = latest(t.state.ChangedAt, t.state.BackfilledAt)
	t.state.EvaluatedAt = latest(t.state.EvaluatedAt, until)
	t.state.BackfilledAt = time.Time{}
	return nil
}

// arrivalsOf puts entries that had arrived by a time into order of arrival, as
// the backtest does: repairs and codes arrive when they happen. lastRow is when
// the last reading among them arrived.
func arrivalsOf(entries []trend.Entry, until time.Time) (arrivals []backtest.Arrival, lastRow time.Time) {
	for _, e := range entries {
		at := e.Time()
		if e.Reading != nil {
			at = e.Reading.ReceivedAt
		}
		if at.After(until) {
			continue
		}
		if e.Reading != nil {
			lastRow = latest(lastRow, at)
		}
		arrivals = append(arrivals, backtest.Arrival{Entry: e, At: at})
	}
	slices.SortFunc(arrivals, func(a, b backtest.Arrival) int {
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
		if c := a.Time().Compare(b.Time()); c != 0 || a.Reading == nil || b.Reading == nil {
			return c
		}
		return cmp.Compare(a.Reading.ID, b.Reading.ID)
	})
	return arrivals, lastRow
}

// takeHistory pairs what was raised with what ended it. What still stands is news.
func (s *sayings) takeHistory(t *track, changes []trend.Change) {
	first := len(s.raised)
	for _, c := range changes {
		if c.Raised {
			s.raised = append(s.raised, store.NewWarning{ID: uuid.Must(uuid.NewV7()), Organisation: t.vehicle.Organisation, Vehicle: t.vehicle.Key, Change: c, Backfilled: true, News: true})
			continue
		}
		for i := len(s.raised) - 1; i >= first; i-- {
			if r := &s.raised[i]; r.EndedAt.IsZero() && r.Change.Kind == c.Kind && r.Change.Component == c.Component {
				r.EndedAt, r.EndReason, r.News = c.At, c.Reason, false
				break
			}
		}
	}
}
