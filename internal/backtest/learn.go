package backtest

import (
	"context"
	"slices"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/trend"
)

// Lesson is what had been learned by a time: what is said from then on is said
// with its model.
type Lesson struct {
	At     time.Time
	Model  *trend.Model
	Anew   bool // memories are made anew from their entries, else carried over
	Report trend.Report
}

// Pupil is a vehicle to be learned from: what Replay.Vehicle takes.
type Pupil struct {
	ID       string
	Platform func(time.Time) *insulation.Platform
	Arrivals []Arrival
	LastRow  time.Time // when its last reading arrived
}

// Learn replays all vehicles, which are in order of their ids, side by side and
// returns the lessons on the way, one each span of time.
func Learn(ctx context.Context, r Replay, every time.Duration, pupils []Pupil) ([]Lesson, error) {
	players := make([]*player, len(pupils))
	for i, p := range pupils {
		own := r
		own.Last, own.Rows, own.Lessons = p.LastRow, true, nil
		players[i] = own.begin(p.ID, p.Platform, p.Arrivals)
	}
	return learnOnTheWay(ctx, r.Origin, r.Until, every, trend.NewLearner(r.Model.Params()), players)
}

// learnOnTheWay plays all vehicles side by side in spans of time, and after
// each span learns from what has arrived until then: what follows is said with
// the parameters learned. A lesson stands on nothing later than its own time.
// Memories are carried over to the new parameters as they are, but made anew
// from their entries after spans 1, 2, 4, 8, ...: then what was folded early, on
// the defaults, profits too, at a cost that stays within that of the replay.
func learnOnTheWay(ctx context.Context, origin, last time.Time, every time.Duration, learner *trend.Learner, players []*player) ([]Lesson, error) {
	shown := make([]progressOf, len(players))
	var lessons []Lesson
	span, again := 0, 1
	for to := origin.Add(every); !to.After(last); to = to.Add(every) {
		if err := each(ctx, players, func(p *player) error { return p.advance(to) }); err != nil {
			return nil, err
		}
		for i, p := range players {
			shown[i].show(learner, p, to)
		}
		learned, report := learner.Learn(to)
		model, err := trend.NewModel(learned)
		if err != nil {
			return nil, err
		}
		span++
		lesson := Lesson{At: to, Model: model, Anew: span == again, Report: report}
		if lesson.Anew {
			again *= 2
		}
		lessons = append(lessons, lesson)
		if err := each(ctx, players, func(p *player) error { return p.heed(&lesson) }); err != nil {
			return nil, err
		}
	}
	return lessons, nil
}

// heed goes on with what a lesson taught.
func (p *player) heed(l *Lesson) error {
	p.Model, p.calm = l.Model, time.Time{}
	if l.Anew {
		return p.remember()
	}
	return nil
}

// progressOf is how much of a player's past the learner has been shown.
type progressOf struct {
	arrivals, outlooks int
	lastRow            time.Time // arrival of the latest reading among them
}

// show shows the learner what has arrived since, and the outlooks given up to the
// latest reading. Later outlooks stand in the replay only if the vehicle has
// another row, which nobody knows yet: they wait until it has come.
func (s *progressOf) show(l *trend.Learner, p *player, at time.Time) {
	if p.next > s.arrivals {
		entries := make([]trend.Entry, 0, p.next-s.arrivals)
		for _, a := range p.arrivals[s.arrivals:p.next] {
			entries = append(entries, a.Entry)
			if a.Reading != nil && a.At.After(s.lastRow) {
				s.lastRow = a.At
			}
		}
		l.Observe(p.id, p.platform(at), entries)
		s.arrivals = p.next
	}
	for ; s.outlooks < len(p.said.Outlooks); s.outlooks++ {
		o := &p.said.Outlooks[s.outlooks]
		if o.EvaluatedAt.After(s.lastRow) {
			return
		}
		l.Forecast(o)
		// What the files need is kept; the rest of a hundred thousand outlooks would fill the memory.
		o.Parts, o.Doubts, o.Curve, o.Missing = nil, nil, nil, nil
	}
}

// remember makes the memory anew from everything that has arrived.
func (p *player) remember() error {
	p.kept = nil
	p.memory = trend.NewVehicle(p.id)
	if len(p.known) == 0 {
		return nil
	}
	all := slices.Clone(p.known)
	slices.SortStableFunc(all, func(a, b trend.Entry) int { return a.Time().Compare(b.Time()) })
	for i := 0; i < len(all); {
		j := i + 1
		for j < len(all) && startOfDay(all[j].Time()).Equal(startOfDay(all[i].Time())) {
			j++
		}
		if j < len(all) {
			p.keep(all[i].Time())
		}
		if err := p.Model.Add(p.memory, p.platform(all[i].Time()), all[i:j]); err != nil {
			return err
		}
		i = j
	}
	return nil
}

// LearnEvery is how often a backtest learns by default: often enough that a
// season's temperatures and the first codes are soon of use.
const LearnEvery = 84 * 24 * time.Hour
