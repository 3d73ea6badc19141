package backtest

import (
	"context"
	"slices"
	"time"

	"creepage/internal/trend"
)

// learnOnTheWay plays all vehicles side by side in spans of c.Learn, and after
// each span learns from what has arrived until then: what follows is said with
// the parameters learned. A lesson stands on nothing later than its own time.
// Memories are carried over to the new parameters as they are, but made anew
// from their entries after spans 1, 2, 4, 8, ...: then what was folded early, on
// the defaults, profits too, at a cost that stays within that of the replay.
func learnOnTheWay(ctx context.Context, records *Records, c Config, players []*player) error {
	params := c.Model.Params()
	learner := trend.NewLearner(params)
	shown := make([]progressOf, len(players))
	span, again := 0, 1
	for to := startOfDay(records.first).Add(c.Learn); !to.After(records.last); to = to.Add(c.Learn) {
		if err := each(ctx, players, func(p *player) error { return p.advance(to) }); err != nil {
			return err
		}
		for i, p := range players {
			shown[i].show(learner, p, records.vehicles[i])
		}
		learned, _ := learner.Learn(to)
		model, err := trend.NewModel(learned)
		if err != nil {
			return err
		}
		span++
		for _, p := range players {
			p.Model = model
		}
		if span == again {
			again *= 2
			if err := each(ctx, players, (*player).remember); err != nil {
				return err
			}
		}
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
func (s *progressOf) show(l *trend.Learner, p *player, h *history) {
	if p.next > s.arrivals {
		entries := make([]trend.Entry, 0, p.next-s.arrivals)
		for _, a := range p.arrivals[s.arrivals:p.next] {
			entries = append(entries, a.Entry)
			if a.Reading != nil && a.At.After(s.lastRow) {
				s.lastRow = a.At
			}
		}
		l.Observe(p.id, h.platform, entries)
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
