package worker

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	streamv1 "creepage/api/creepage/stream/v1"
	"creepage/internal/store"
	"creepage/internal/stream"
)

// metered are visits of vehicles every 60 days, each with one of twelve meters, of
// which meter m-2 reads off by so many decades.
func (e *env) metered(vehicles, each int, off float64) []*streamv1.Entry {
	rng := rand.New(rand.NewPCG(11, 12))
	level := make([]float64, vehicles)
	for v := range level {
		level[v] = 8.6 + 0.2*rng.NormFloat64()
	}
	start := time.Date(2025, 1, 6, 9, 0, 0, 0, time.UTC)
	var entries []*streamv1.Entry
	for i := range each {
		for v := range vehicles {
			meter := rng.IntN(12)
			y := level[v] + 0.08*rng.NormFloat64()
			if meter == 2 {
				y += off
			}
			entry := e.reading(v, fmt.Sprintf("r-%d-%d", v, i), start.AddDate(0, 0, 60*i+v%9), math.Pow(10, y))
			name := fmt.Sprintf("meters/m-%d", meter)
			entry.GetReading().Meter = &name
			entries = append(entries, entry)
		}
	}
	return entries
}

func (e *env) sets(w *Worker) []store.ParamSet {
	e.t.Helper()
	var sets []store.ParamSet
	if err := w.store.AsWorker(e.t.Context(), func(tx *store.WorkerTx) (err error) {
		sets, err = tx.ParamSetsUntil(e.t.Context(), e.org, time.Time{}, e.now.AddDate(10, 0, 0))
		return err
	}); err != nil {
		e.t.Fatal(err)
	}
	return sets
}

// A night's lesson finds the meter that reads low, says so and allows for it. What
// was said stays; tracks name the version they are made with and are replayed by
// the evaluator; what arrives after the night changes nothing of the lesson.
func TestANightsLessonIsUsedFromThenOn(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	entries := e.metered(120, 7, -0.15)
	e.submit(entries...)
	e.step(w)
	e.evaluate(w)
	before := e.text(`SELECT string_agg(vehicle_id || ' ' || evaluated_at || ' ' || p90 || ' ' || params_version, ', ' ORDER BY vehicle_id, evaluated_at) FROM outlooks`)
	night := lastNight(e.now)
	if night.Hour() != lessonHour || night.After(e.now) || e.now.Sub(night) >= 24*time.Hour {
		t.Fatalf("the night before %s is %s", e.now, night)
	}
	learned, err := w.Learn(t.Context(), e.org, night)
	if err != nil || !learned {
		t.Fatalf("learned: %v, %v", learned, err)
	}
	sets := e.sets(w)
	if len(sets) != 1 {
		t.Fatalf("%d sets", len(sets))
	}
	set := sets[0]
	if set.Vehicles != 120 || set.Readings != int64(len(entries)) || set.Source != store.LearnedNightly || !set.LearnedAt.Equal(night) || set.TrackVersion != set.Version {
		t.Errorf("set %+v", set)
	}
	if len(set.Meters) != 1 || set.Meters[0].Meter != "m-2" || math.Abs(set.Meters[0].Offset+0.15) > 0.05 || math.Abs(set.Params.MeterOffsets["m-2"]+0.15) > 0.05 {
		t.Errorf("meters found: %+v, allowed for: %v", set.Meters, set.Params.MeterOffsets)
	}
	if !slices.ContainsFunc(set.Reasons, func(s string) bool { return strings.Contains(s, "Meter m-2 reads") && strings.Contains(s, "low") }) {
		t.Errorf("reasons %q", set.Reasons)
	}
	// The same night once more changes nothing, nor does the next with nothing new.
	for _, again := range []time.Time{night, night.AddDate(0, 0, 1)} {
		if learned, err := w.Learn(t.Context(), e.org, again); err != nil || learned || len(e.sets(w)) != 1 {
			t.Errorf("learned again as of %s: %v, %v, %d sets", again, learned, err, len(e.sets(w)))
		}
	}

	// A reading that comes now does not wait for the replay; the evaluator does it.
	stale := e.text(`SELECT string_agg(DISTINCT params_version, ',') FROM vehicle_states`)
	e.submit(e.reading(3, "later", e.now.Add(-time.Hour), 3e8))
	e.step(w)
	if got := e.text(`SELECT string_agg(DISTINCT params_version, ',') FROM vehicle_states`); got != stale {
		t.Errorf("tracks are of %s, before the batch of %s", got, stale)
	}
	if _, err := w.EvaluateDay(t.Context(), startOfDay(e.now).AddDate(0, 0, 1)); err != nil {
		t.Fatal(err)
	}
	if got := e.text(`SELECT string_agg(DISTINCT params_version, ',') FROM vehicle_states`); got != set.Version {
		t.Errorf("tracks are of %s, want %s", got, set.Version)
	}
	if got := e.text(`SELECT string_agg(DISTINCT params_version, ',') FROM latest_outlooks`); got != set.Version {
		t.Errorf("outlooks are of %s, want %s", got, set.Version)
	}
	if n := e.count(`SELECT count(*) FROM outlooks WHERE params_version = 'default-1'`); n == 0 || !strings.Contains(before, "default-1") {
		t.Error("what was said on the defaults is gone")
	}
	if after := e.text(`SELECT string_agg(vehicle_id || ' ' || evaluated_at || ' ' || p90 || ' ' || params_version, ', ' ORDER BY vehicle_id, evaluated_at) FROM outlooks WHERE params_version = 'default-1'`); after != before {
		t.Errorf("what was said was rewritten:\n%.300s\n%.300s", before, after)
	}
	// Another worker, which begins anew, ends in the same memories, to the byte.
	memories := e.memories()
	e.db.Exec(t, `UPDATE vehicle_states SET replay_from = '2000-01-01', changed_at = evaluated_at`)
	e.evaluate(e.worker())
	if again := e.memories(); again != memories {
		t.Errorf("replayed, tracks end in\n%.300s\nbefore\n%.300s", again, memories)
	}
}

// A lesson knows nothing that arrived after its night, to the bit.
func TestALessonDoesNotLookAhead(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	entries := e.metered(40, 8, -0.2)
	night := time.Date(2025, 11, 3, lessonHour, 0, 0, 0, time.UTC)
	var until, later []*streamv1.Entry
	for _, x := range entries {
		if x.GetReceiveTime().AsTime().Before(night) {
			until = append(until, x)
		} else {
			later = append(later, x)
		}
	}
	if len(until) < 100 || len(later) < 50 {
		t.Fatalf("%d before the night, %d after", len(until), len(later))
	}
	e.submit(until...)
	e.step(w)
	e.evaluate(w)
	learn := func() string {
		e.db.Exec(t, `DELETE FROM param_sets`)
		if learned, err := w.Learn(t.Context(), e.org, night); err != nil || !learned {
			t.Fatalf("learned: %v, %v", learned, err)
		}
		return e.text(`SELECT string_agg(version || params || report, ',') FROM param_sets`)
	}
	before := learn()
	e.submit(later...)
	e.step(w)
	e.evaluate(w)
	if after := learn(); after != before {
		t.Errorf("a lesson as of %s depends on what came later:\n%s\n%s", night, before, after)
	}
}

// An organisation with little data stays on the defaults; one organisation's
// lessons are no other's.
func TestLittleDataTeachNothing(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	e.submit(e.metered(5, 2, -0.15)...)
	e.step(w)
	e.evaluate(w)
	other := uuid.Must(uuid.NewV7())
	e.organisation(other, "meadow")
	for _, organisation := range []uuid.UUID{e.org, other} {
		if learned, err := w.Learn(t.Context(), organisation, lastNight(e.now)); err != nil || learned {
			t.Errorf("learned: %v, %v", learned, err)
		}
	}
	if n := e.count(`SELECT count(*) FROM param_sets`); n != 0 {
		t.Errorf("%d sets", n)
	}
	if n := e.count(`SELECT count(*) FROM organisations WHERE learned_at IS NOT NULL`); n != 2 {
		t.Errorf("%d organisations were tried, want 2", n)
	}
	if n := e.count(`SELECT count(DISTINCT params_version) FROM latest_outlooks WHERE params_version <> 'default-1'`); n != 0 {
		t.Error("outlooks are not of the defaults")
	}
}

// While a worker runs it learns by itself, once a night, from whoever is due.
func TestLearningIsDoneByItself(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	e.submit(e.metered(30, 6, -0.2)...)
	e.step(w)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	deadline := time.Now().Add(2 * time.Minute)
	for e.count(`SELECT count(*) FROM param_sets`) == 0 {
		if time.Now().After(deadline) {
			t.Fatalf("after two minutes nothing was learned; log:\n%s", e.log)
		}
		time.Sleep(50 * time.Millisecond)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if at := e.text(`SELECT to_char(max(learned_at) AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24') FROM organisations`); at != lastNight(e.now).Format("2006-01-02 15") {
		t.Errorf("learned as of %s", at)
	}
}
