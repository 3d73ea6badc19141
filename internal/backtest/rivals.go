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
	Name      string   `json:"name"`
	InTime    Number   `json:"in_time"`                     // share of codes, at the threshold whose false rate is the highest that is not above ours
	FalseRate Number   `json:"false_per_100_vehicle_years"` // there
	Skill     [2]Skill `json:"scores_30_and_90_days"`       // of its index at the weekly outlooks' times
}

// Skill is how well an index tells what happens within a horizon. Brier skill
// and log score are of the best rising map from the index to a probability,
// fitted by isotonic regression (Ayer et al. 1955) on the very outlooks that are
// scored: no probability made of this index can do better there.
type Skill struct {
	Brier Number `json:"brier_skill"`
	Log   Number `json:"log_score"`
	AUC   Number `json:"auc"`
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

func newRivals(methods []method) *rivals {
	r := &rivals{methods: methods}
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
		out[k] = RivalResult{Name: m.name}
		for h := range horizons {
			out[k].Skill[h] = r.skill(k, h, truth)
		}
		for _, threshold := range r.thresholds(k) {
			inTime, rate := r.at(k, threshold, truth, end)
			if rate <= falseRate && inTime >= float64(out[k].InTime) {
				out[k].InTime, out[k].FalseRate = Number(inTime), Number(rate)
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

// skill scores a method's index at the weekly outlooks whose outcome is known.
func (r *rivals) skill(k, h int, truth []record.Truth) Skill {
	var pool []judged
	weights := make([]float64, len(truth))
	for i := range truth {
		weights[i] = 1
		for _, m := range r.said[k][truth[i].Vehicle] {
			if !m.weekly {
				continue
			}
			if j, ok := outcome(&truth[i], record.Outlook{AsOf: m.at, P30: m.index, P90: m.index}, h); ok {
				j.vehicle = i
				pool = append(pool, j)
			}
		}
	}
	slices.SortStableFunc(pool, func(a, b judged) int { return cmp.Compare(a.p, b.p) })
	brier, logs := bestOfIndex(pool)
	return Skill{Brier: Number(brier), Log: Number(logs), AUC: Number(areaUnderCurve(pool, weights))}
}

// bestOfIndex returns Brier skill and log score of the best rising map from an
// index to a probability; pool is sorted by the index. Neighbours that are out of
// order are pooled until none is.
func bestOfIndex(pool []judged) (skill, logs float64) {
	type block struct{ yes, n float64 }
	var blocks []block
	all := block{}
	for i := 0; i < len(pool); {
		b := block{}
		j := i
		for ; j < len(pool) && pool[j].p == pool[i].p; j++ {
			b.n++
			if pool[j].happens {
				b.yes++
			}
		}
		i = j
		all.n, all.yes = all.n+b.n, all.yes+b.yes
		for len(blocks) > 0 {
			last := blocks[len(blocks)-1]
			if last.yes*b.n < b.yes*last.n {
				break
			}
			b.n, b.yes = b.n+last.n, b.yes+last.yes
			blocks = blocks[:len(blocks)-1]
		}
		blocks = append(blocks, b)
	}
	brier := 0.0
	for _, b := range blocks {
		p := b.yes / b.n
		brier += b.n * p * (1 - p)
		p = min(max(p, clipLogScore), 1-clipLogScore)
		logs -= b.yes*math.Log(p) + (b.n-b.yes)*math.Log1p(-p)
	}
	base := all.yes / all.n
	return 1 - brier/all.n/(base*(1-base)), logs / all.n
}
