package worker

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/riverqueue/river"

	"creepage/internal/backtest"
	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/trend"
)

// DueLessons is the job that looks whose records are to be learned from.
type DueLessons struct{}

// Kind names the job in the database.
func (DueLessons) Kind() string { return "due_lessons" }

// Lesson is the job of learning from one organisation's records, as of a night.
type Lesson struct {
	Organisation uuid.UUID `json:"organisation"`
	Night        time.Time `json:"night"`
}

// Kind names the job in the database.
func (Lesson) Kind() string { return "lesson" }

const (
	lessonsEvery = 10 * time.Minute // between looks
	lessonHour   = 22               // UTC: what is learned is there when the day's pass begins
	lessonQueue  = "lessons"        // of its own, one at a time: it takes a processor for a while
	lessonTime   = 2 * time.Hour    // at most

	// lessonSpan is how far back records are read, so that a lesson takes no
	// longer the older a fleet's records grow.
	lessonSpan = 3 * 365 * 24 * time.Hour
	// lessonVehicles is from how many on a share of the vehicles is learned from.
	lessonVehicles = 5000
	lessonGroup    = 32 // vehicles whose rows are in memory at a time
	// historyRows bounds the old records that are replayed side by side for what
	// they teach on the way.
	historyRows = 300_000
)

// lastNight is the latest moment of learning by a time.
func lastNight(now time.Time) time.Time {
	return startOfDay(now.Add(-lessonHour * time.Hour)).Add(lessonHour * time.Hour)
}

// dueLessons makes a job of each organisation that is to be learned from.
func (w *Worker) dueLessons(ctx context.Context, _ *river.Job[DueLessons]) error {
	night := lastNight(w.clock())
	return w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
		due, err := tx.DueForLearning(ctx, night)
		if err != nil {
			return err
		}
		for _, organisation := range due {
			if _, err := w.jobs.InsertTx(ctx, tx.Raw(), Lesson{organisation, night}, &river.InsertOpts{Queue: lessonQueue, UniqueOpts: river.UniqueOpts{ByArgs: true}}); err != nil {
				return fmt.Errorf("enqueue the lesson of %s: %w", organisation, err)
			}
		}
		return nil
	})
}

// lessonWorker works on lessons.
type lessonWorker struct {
	river.WorkerDefaults[Lesson]
	worker *Worker
}

func (l *lessonWorker) Timeout(*river.Job[Lesson]) time.Duration { return lessonTime }

func (l *lessonWorker) Work(ctx context.Context, job *river.Job[Lesson]) error {
	_, err := l.worker.Learn(ctx, job.Args.Organisation, job.Args.Night)
	return err
}

// Learn learns from an organisation's records of the years before a time, and
// from what became of what was said. Where that moves the parameters materially
// they become a new set, by which outlooks are computed from then on; tracks are
// replayed with it as their vehicles are evaluated. Done twice it changes nothing
// more. It reports whether there is a new set.
func (w *Worker) Learn(ctx context.Context, organisation uuid.UUID, at time.Time) (bool, error) {
	begun := time.Now()
	learner := trend.NewLearner(w.models.Base().Params())
	seen, err := w.showRecords(ctx, learner, organisation, at)
	if err != nil {
		return false, fmt.Errorf("learn from organisation %s: %w", organisation, err)
	}
	learned, report := learner.Learn(at)
	learned.Version = learnedBy(at)
	step := trend.NoStep
	err = w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
		models, err := tx.Models(ctx, w.models, []uuid.UUID{organisation})
		if err != nil {
			return err
		}
		before := models[organisation].Params()
		if before.Version == learned.Version { // this night's stands already
			return tx.LearnedFrom(ctx, organisation, at)
		}
		var next trend.Params
		if next, step = learned.After(&before); step != trend.NoStep {
			set := setOf(&next, &report, at)
			set.Source, set.Vehicles, set.Readings, set.Anew = store.LearnedNightly, seen.vehicles, seen.readings, step == trend.TrackStep
			if err := tx.SaveParamSets(ctx, organisation, []store.ParamSet{set}); err != nil {
				return err
			}
		}
		return tx.LearnedFrom(ctx, organisation, at)
	})
	if err != nil {
		return false, fmt.Errorf("learn from organisation %s: %w", organisation, err)
	}
	w.metrics.lessons.WithLabelValues([...]string{trend.NoStep: "nothing_new", trend.ForecastStep: "forecasts", trend.TrackStep: "tracks"}[step]).Inc()
	w.metrics.lessonSeconds.Observe(time.Since(begun).Seconds())
	if step != trend.NoStep {
		w.log.Info("learned from a fleet's records", "organisation", organisation, "version", learned.Version, "vehicles", seen.vehicles, "readings", seen.readings,
			"codes", report.Codes, "tracks_replayed", step == trend.TrackStep)
	}
	return step != trend.NoStep, nil
}

// learnedBy names what was learned by a time.
func learnedBy(at time.Time) string { return "learned-" + at.UTC().Format(time.DateOnly) }

// setOf is a parameter set as it is kept.
func setOf(p *trend.Params, report *trend.Report, at time.Time) store.ParamSet {
	return store.ParamSet{Version: p.Version, TrackVersion: p.TracksMadeWith(), LearnedAt: at, Codes: report.Codes, Reasons: report.Words(p), Meters: report.Meters, Params: *p}
}

// evidence is what a lesson stands on.
type evidence struct {
	vehicles int
	readings int64
}

// showRecords shows a learner an organisation's vehicles, a group at a time: what
// had arrived before a time, and the lessons of the outlooks given before it.
func (w *Worker) showRecords(ctx context.Context, learner *trend.Learner, organisation uuid.UUID, at time.Time) (evidence, error) {
	var seen evidence
	since := at.Add(-lessonSpan)
	stride, last := 0, ""
	for {
		n := 0
		err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) error {
			if stride == 0 {
				all, err := tx.CountTeachers(ctx, organisation)
				if err != nil {
					return err
				}
				stride = 1 + max(0, all-1)/lessonVehicles
			}
			vehicles, err := tx.Teachers(ctx, organisation, last, stride, lessonGroup)
			if err != nil || len(vehicles) == 0 {
				return err
			}
			n, last = len(vehicles), vehicles[len(vehicles)-1].Name
			pupils, err := pupilsOf(ctx, tx, organisation, vehicles, since, at)
			if err != nil {
				return err
			}
			keys := make([]int64, n)
			for i, v := range vehicles {
				keys[i] = v.Key
			}
			lessons, err := tx.Lessons(ctx, keys, since, at)
			if err != nil {
				return err
			}
			for i, p := range pupils {
				if len(p.Arrivals) == 0 {
					continue
				}
				entries := make([]trend.Entry, 0, len(p.Arrivals))
				for _, a := range p.Arrivals {
					entries = append(entries, a.Entry)
					if a.Reading != nil {
						seen.readings++
					}
				}
				seen.vehicles++
				learner.Observe(p.ID, p.Platform(at), entries)
				for _, k := range lessons[keys[i]] {
					if err := learner.Recall(p.ID, k.At, k.Text); err != nil {
						return fmt.Errorf("vehicle %s, outlook of %s: %w", p.ID, k.At.Format(time.DateOnly), err)
					}
				}
			}
			return nil
		})
		if err != nil || n < lessonGroup {
			return seen, err
		}
	}
}

// pupilsOf reads vehicles' records of the time from since on that had arrived
// before a time, in order of arrival. Those without a platform are left empty.
func pupilsOf(ctx context.Context, tx *store.WorkerTx, organisation uuid.UUID, vehicles []store.Tracked, since, before time.Time) ([]backtest.Pupil, error) {
	platforms, err := tx.Platforms(ctx, []uuid.UUID{organisation})
	if err != nil {
		return nil, err
	}
	from := make(map[int64]time.Time, len(vehicles))
	for _, v := range vehicles {
		from[v.Key] = since
	}
	entries, err := tx.EntriesSince(ctx, from)
	if err != nil {
		return nil, err
	}
	pupils := make([]backtest.Pupil, len(vehicles))
	for i, v := range vehicles {
		t := track{vehicle: v, platforms: platforms[organisation][v.Platform]}
		if len(t.platforms) == 0 {
			continue
		}
		arrivals, lastRow := arrivalsOf(entries[v.Key], before.Add(-time.Microsecond))
		pupils[i] = backtest.Pupil{ID: v.Name, Platform: func(at time.Time) *insulation.Platform { return t.platformAt(startOfDay(at)) }, Arrivals: arrivals, LastRow: lastRow}
	}
	return pupils, nil
}

// lessonsOfHistory returns what is learned on the way through an organisation's
// old records, as the backtest command learns: at first from the records
// themselves; once that is on record, what is on record.
func (w *Worker) lessonsOfHistory(ctx context.Context, organisation uuid.UUID) ([]backtest.Lesson, error) {
	var first, last time.Time
	var kept []store.ParamSet
	var policy trend.Policy
	var pupils []backtest.Pupil
	err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) (err error) {
		if first, last, err = tx.BackfillSpan(ctx, organisation); err != nil {
			return err
		}
		if kept, err = tx.ParamSetsUntil(ctx, organisation, time.Time{}, last); err != nil || len(kept) > 0 {
			return err
		}
		policies, err := tx.WarningPolicies(ctx, []uuid.UUID{organisation})
		if err != nil {
			return err
		}
		policy = policies[organisation]
		pupils, err = historyPupils(ctx, tx, organisation, last)
		return err
	})
	if err != nil {
		return nil, err
	}
	if len(kept) > 0 {
		lessons := make([]backtest.Lesson, len(kept))
		for i := range kept {
			model, err := trend.NewModel(kept[i].Params)
			if err != nil {
				return nil, err
			}
			lessons[i] = backtest.Lesson{At: kept[i].LearnedAt, Model: model, Anew: kept[i].Anew}
		}
		return lessons, nil
	}
	if last.IsZero() || len(pupils) < leastPupils {
		return nil, nil
	}
	r := backtest.Replay{Model: w.models.Base(), Policy: policy, Origin: startOfDay(first), Every: historyEvery, Until: last}
	lessons, err := backtest.Learn(ctx, r, backtest.LearnEvery, pupils)
	if err != nil {
		return nil, err
	}
	if len(lessons) == 0 {
		return nil, nil
	}
	if err := w.keepLessons(ctx, organisation, lessons, pupils); err != nil {
		return nil, err
	}
	return w.lessonsOfHistory(ctx, organisation) // by the versions under which they are on record
}

// leastPupils is how many vehicles there must be to learn from their old records.
const leastPupils = 10

// keepLessons puts on record what old records taught.
func (w *Worker) keepLessons(ctx context.Context, organisation uuid.UUID, lessons []backtest.Lesson, pupils []backtest.Pupil) error {
	sets := make([]store.ParamSet, len(lessons))
	for i := range lessons {
		l := &lessons[i]
		params := l.Model.Params()
		params.Version = learnedBy(l.At)
		set := setOf(&params, &l.Report, l.At)
		set.Source, set.Anew = store.LearnedOldRecords, l.Anew
		for _, p := range pupils {
			n := 0
			for n < len(p.Arrivals) && p.Arrivals[n].At.Before(l.At) {
				n++
			}
			if n > 0 {
				set.Vehicles++
				set.Readings += int64(n)
			}
		}
		sets[i] = set
	}
	err := w.store.AsWorker(ctx, func(tx *store.WorkerTx) error { return tx.SaveParamSets(ctx, organisation, sets) })
	if err == nil && len(sets) > 0 {
		w.log.Info("learned from old records", "organisation", organisation, "sets", len(sets), "vehicles", len(pupils))
	}
	return err
}

// historyPupils reads the records of vehicles, in order of their names, until
// there are as many rows as are replayed side by side.
func historyPupils(ctx context.Context, tx *store.WorkerTx, organisation uuid.UUID, last time.Time) ([]backtest.Pupil, error) {
	var all []backtest.Pupil
	rows, name := 0, ""
	for rows < historyRows {
		vehicles, err := tx.Teachers(ctx, organisation, name, 1, lessonGroup)
		if err != nil || len(vehicles) == 0 {
			return all, err
		}
		name = vehicles[len(vehicles)-1].Name
		pupils, err := pupilsOf(ctx, tx, organisation, vehicles, time.Time{}, last.Add(2*time.Microsecond))
		if err != nil {
			return nil, err
		}
		for _, p := range pupils {
			if rows += len(p.Arrivals); len(p.Arrivals) > 0 {
				all = append(all, p)
			}
		}
	}
	return all, nil
}

// lessonsUntil are the lessons up to a time.
func lessonsUntil(lessons []backtest.Lesson, until time.Time) []backtest.Lesson {
	n := 0
	for n < len(lessons) && !lessons[n].At.After(until) {
		n++
	}
	return lessons[:n]
}
