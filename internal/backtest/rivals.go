package backtest

import (
	"cmp"
	"context"
	"math"
	"runtime"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"creepage/internal/insulation"
	"creepage/internal/record"
	"creepage/internal/trend"
)

// RivalResult is how a simpler method does on the same records.
type RivalResult struct {
	Name      string
	InTime    float64 // share of codes, at the threshold whose false rate is the highest that is not above ours
	FalseRate float64 // there
	AUC90     float64 // of its index at the weekly outlooks' times
}

// moment is a method's index of one vehicle at a time.
type moment struct {
	at     time.Time
	index  float64
	weekly bool
}

// rivals holds what every simpler method said of every vehicle.
type rivals struct {
	methods []method
	said    []map[string][]moment // by method, by vehicle
}

func newRivals() *rivals {
	r := &rivals{methods: methods()}
	for range r.methods {
		r.said = append(r.said, make(map[string][]moment))
	}
	return r
}

// replay runs every method over a fleet's records.
func (r *rivals) replay(ctx context.Context, records *Records, named func(string) string) error {
	var mu sync.Mutex
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	origin := startOfDay(records.first)
	for _, h := range records.vehicles {
		g.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			for k, m := range r.methods {
				said := follow(m, h, origin)
				mu.Lock()
				r.said[k][named(h.id)] = said
				mu.Unlock()
			}
			return nil
		})
	}
	return g.Wait()
}

// place names a track: a test point, or a whole-vehicle quantity.
type place struct {
	component insulation.Component
	conductor insulation.Conductor
	reference insulation.Reference
	quantity  insulation.Quantity
	monitor   bool
}

// follow replays one vehicle: the index stands after every arrival and at the weekly outlooks' times.
func follow(m method, h *history, origin time.Time) []moment {
	tracks := make(map[place]follower)
	var order []follower
	var out []moment
	week := origin.AddDate(0, 0, 7)
	worst := func(at time.Time) float64 {
		index := math.Inf(-1)
		for _, t := range order {
			index = max(index, t.index(dayNumber(at)))
		}
		return index
	}
	weekly := func(until time.Time) {
		for ; !week.After(until); week = week.AddDate(0, 0, 7) {
			if len(order) > 0 {
				out = append(out, moment{week, worst(week), true})
			}
		}
	}
	for i := range h.entries {
		e := &h.entries[i]
		weekly(e.at.Add(-time.Nanosecond))
		switch r := e.Reading; {
		case r != nil:
			key := place{r.Component, r.Conductor, r.Reference, r.Quantity, r.Method == insulation.Monitor}
			t := tracks[key]
			if t == nil {
				t = m.track(limitsOf(h.platform, r))
				tracks[key], order = t, append(order, t)
			}
			t.add(dayNumber(r.MeasuredAt), r)
		case e.Event != nil:
			clear(tracks) // what was repaired is followed anew
			order = nil
		}
		last := i == len(h.entries)-1 || !h.entries[i+1].at.Equal(e.at)
		if last && len(order) > 0 {
			out = append(out, moment{e.at, worst(e.at), false})
		}
	}
	return out
}

func limitsOf(p *insulation.Platform, r *insulation.Reading) limits {
	code := math.Log10(p.CodeLimit())
	l := limits{service: code, code: code}
	for i := range p.Points {
		if q := &p.Points[i]; q.Component == r.Component && (q.Conductor == r.Conductor || r.Conductor == insulation.AllConductors) {
			l.service = math.Log10(q.LimitOhms)
			break
		}
	}
	return l
}

// compare finds every method's threshold by the false rate and scores it there.
func (r *rivals) compare(truth []record.Truth, falseRate float64) []RivalResult {
	out := make([]RivalResult, len(r.methods))
	end := recordsEnd(truth)
	for k, m := range r.methods {
		out[k] = RivalResult{Name: m.name, AUC90: r.auc(k, truth)}
		for _, threshold := range r.thresholds(k) {
			inTime, rate := r.at(k, threshold, truth, end)
			if rate <= falseRate && inTime >= out[k].InTime {
				out[k].InTime, out[k].FalseRate = inTime, rate
			}
		}
	}
	return out
}

// thresholds are those worth trying: quantiles of what the method says at its most urgent, of every vehicle.
func (r *rivals) thresholds(k int) []float64 {
	var peaks []float64
	for _, moments := range r.said[k] {
		peak := math.Inf(-1)
		for _, m := range moments {
			peak = max(peak, m.index)
		}
		if !math.IsInf(peak, 0) {
			peaks = append(peaks, peak)
		}
		// An index stuck at its top, as "crossed already" is, leaves its second levels worth trying too.
		for i := 40; i < len(moments); i += 97 {
			if x := moments[i].index; !math.IsInf(x, 0) {
				peaks = append(peaks, x)
			}
		}
	}
	slices.Sort(peaks)
	var out []float64
	for q := 1; q < 80; q++ {
		// Closer together towards the urgent end, where few vehicles are.
		f := 1 - math.Pow(float64(q)/80, 2)
		if n := len(peaks); n > 0 {
			out = append(out, peaks[min(int(f*float64(n)), n-1)])
		}
	}
	return slices.Compact(out)
}

// at makes warnings with a threshold, by the same rule as ours (ends after 14
// days below), and scores them by the same definitions.
func (r *rivals) at(k int, threshold float64, truth []record.Truth, end time.Time) (inTimeShare, falseRate float64) {
	var sum tally
	for i := range truth {
		t := count(&truth[i], end, nil, warnAbove(r.said[k][truth[i].Vehicle], threshold, truth[i].Vehicle))
		sum.add(&t, 1)
	}
	return sum.fates[inTime] / sum.codes(), 100 * sum.falses / sum.years
}

func warnAbove(moments []moment, threshold float64, vehicle string) []record.Warning {
	var out []record.Warning
	var below time.Time
	open := false
	for _, m := range moments {
		switch {
		case m.index >= threshold:
			if !open {
				out = append(out, record.Warning{Vehicle: vehicle, RaisedAt: m.at, Kind: trend.CodeDue.String()})
			}
			open, below = true, time.Time{}
		case open && below.IsZero():
			below = m.at
		case open && m.at.Sub(below) >= episodeGap:
			out[len(out)-1].EndedAt = m.at
			open, below = false, time.Time{}
		}
	}
	return out
}

func (r *rivals) auc(k int, truth []record.Truth) float64 {
	var pool []judged
	weights := make([]float64, len(truth))
	for i := range truth {
		weights[i] = 1
		for _, m := range r.said[k][truth[i].Vehicle] {
			if !m.weekly {
				continue
			}
			if j, ok := outcome(&truth[i], record.Outlook{AsOf: m.at, P90: m.index}, 1); ok {
				j.vehicle = i
				pool = append(pool, j)
			}
		}
	}
	slices.SortFunc(pool, func(a, b judged) int { return cmp.Compare(a.p, b.p) })
	return areaUnderCurve(pool, weights)
}
