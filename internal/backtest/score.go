package backtest

import (
	"cmp"
	"math"
	"slices"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/record"
	"creepage/internal/trend"
)

// Judgement is how well what was said agrees with the truth. Judged are the
// warning kinds code_due and under_code_limit.
//
// Episodes. Judged warnings of a vehicle that overlap, or follow within 14 days
// of one another's end, are one episode, which begins when the first is raised.
//
// Of each code within the records: in time, an episode began 7 to 180 days before it; too early,
// one that began before that stood within the 180 days; late, one began within
// the last 7 days; missed, none of these. The first that applies counts.
//
// False: an episode after whose beginning no code follows within 180 days,
// provided the truth is known for so long. Episodes begun within 30 days after
// a code belong to that code. An episode that was too early is false as well.
//
// Worked on: in records of one's own, an outlook after which something was done to the vehicle before a code
// came and before its days were over is not judged, nor is an episode called false: what would have come,
// nobody knows. The vehicle-years stay. On simulated fleets, whose truth is known, all are judged.
//
// Probabilities are judged on every weekly outlook whose outcome is known:
// Brier score, the mean of (p-o)^2 (Brier 1950), as skill 1 - B/Bc against the
// climatological forecast, the base rate of the same outlooks; logarithmic
// score, the mean of -ln of the probability given to what happened (Good 1952),
// p kept within 1e-6 of 0 and 1; area under the receiver operating characteristic by
// ranks, ties counting a half (Hanley and McNeil 1982).
//
// Interval: of the weekly outlooks from an episode's beginning to the code it
// was raised for, the share whose 10 % and 90 % days enclose the code's day; an
// empty 90 % day is later than any code, an empty 10 % day encloses none.
// First-ranked component: of codes with an episode before them that was not
// missed and whose component is known, the share whose latest judged warning names it.
//
// Intervals beside the numbers are the middle 95 % of a bootstrap over vehicles
// (Efron 1979): an outlook shares its vehicle's luck with the others.
type Judgement struct {
	Vehicles      int              `json:"vehicles"`
	VehicleYears  float64          `json:"vehicle_years"`
	Codes         int              `json:"codes"`
	FalseEpisodes int              `json:"false_episodes"`
	Measures      []Measure        `json:"measures"`
	ByStory       []StoryCount     `json:"-"`
	Reliability   []ReliabilityBin `json:"reliability_90_days"` // of the 90-day probabilities
	Fates         []CodeFate       `json:"code_fates"`
	False         []FalseEpisode   `json:"false_warnings"`
}

// CodeFate is one code and how it was met.
type CodeFate struct {
	Vehicle  string    `json:"vehicle"`
	CodeAt   time.Time `json:"code_at"`
	Fate     string    `json:"fate"`      // in time, too early, late, missed
	LeadDays Number    `json:"lead_days"` // from the episode's beginning to the code
	Named    string    `json:"component_named"`
	True     string    `json:"component_repaired"` // "" if not known
}

// FalseEpisode is a warning that no code followed within 180 days.
type FalseEpisode struct {
	Vehicle string    `json:"vehicle"`
	Begin   time.Time `json:"begin"`
	End     time.Time `json:"end"` // zero: it stands
}

// Measure is one score with its interval.
type Measure struct {
	Name  string `json:"name"`
	Value Number `json:"value"`
	Low   Number `json:"low"`
	High  Number `json:"high"`
}

// StoryCount is how the codes of one story were met.
type StoryCount struct {
	Story                                  string
	Vehicles                               int
	Codes, InTime, TooEarly, Late, Missed  int
	FalseEpisodes                          int
	MonitorCodes, MonitorInTime, TestCodes int
	TestInTime                             int
}

// ReliabilityBin compares the stated with the observed among outlooks whose
// probability lies in [From, To).
type ReliabilityBin struct {
	From     float64 `json:"from"`
	To       float64 `json:"to"`
	Outlooks int     `json:"outlooks"`
	Stated   float64 `json:"stated"`
	Observed float64 `json:"observed"`
}

const (
	judgeDay     = 24 * time.Hour
	soonestDays  = 7
	latestDays   = 180
	episodeGap   = 14 * judgeDay
	afterCode    = 30 * judgeDay
	resamples    = 400
	clipLogScore = 1e-6
)

// What became of a code.
const (
	inTime = iota
	tooEarly
	late
	missed
	numFates
)

var fateWords = [numFates]string{"in time", "too early", "late", "missed"}

// judged is an outlook with its known outcome.
type judged struct {
	vehicle int
	p       float64
	happens bool
}

// tally is what one vehicle adds to the sums.
type tally struct {
	story                    string
	monitor                  bool
	years                    float64
	fates                    [numFates]float64
	falses                   float64
	enclosed, intervals      float64
	firstRanked, rankedCodes float64
	brier, logs              [2]float64 // by horizon: sums
	happened, outlooks       [2]float64
	code                     *CodeFate      // nil: none within the records
	wrong                    []FalseEpisode // the false ones
}

var horizons = [2]time.Duration{30 * judgeDay, 90 * judgeDay}

// Judge scores what was said against the truth. Vehicles without a truth are left out.
func Judge(truth []record.Truth, outlooks []record.Outlook, warnings []record.Warning) Judgement {
	said, raised := make(map[string][]record.Outlook), make(map[string][]record.Warning)
	for _, o := range outlooks {
		said[o.Vehicle] = append(said[o.Vehicle], o)
	}
	for _, w := range warnings {
		raised[w.Vehicle] = append(raised[w.Vehicle], w)
	}
	tallies := make([]tally, len(truth))
	var pool [2][]judged
	end := recordsEnd(truth)
	for i := range truth {
		t := &truth[i]
		tallies[i] = count(t, end, said[t.Vehicle], raised[t.Vehicle])
		for h := range horizons {
			for _, o := range said[t.Vehicle] {
				if j, ok := outcome(t, o, h); ok {
					j.vehicle = i
					pool[h] = append(pool[h], j)
				}
			}
		}
	}
	for h := range pool {
		slices.SortFunc(pool[h], func(a, b judged) int { return cmp.Compare(a.p, b.p) })
	}
	out := Judgement{Vehicles: len(truth), Reliability: reliability(pool[1]), ByStory: byStory(tallies)}
	one := make([]float64, len(truth))
	for i := range one {
		one[i] = 1
		out.VehicleYears += tallies[i].years
		out.FalseEpisodes += int(tallies[i].falses)
		out.False = append(out.False, tallies[i].wrong...)
		if c := tallies[i].code; c != nil {
			out.Fates = append(out.Fates, *c)
		}
		for _, n := range tallies[i].fates {
			out.Codes += int(n)
		}
	}
	out.Measures = withIntervals(func(weights []float64) []Measure { return measures(tallies, pool, weights) }, one)
	return out
}

// outcome pairs an outlook with what happened within a horizon, if that is known
// and the vehicle was not already past its code.
func outcome(t *record.Truth, o record.Outlook, h int) (judged, bool) {
	p := o.P30
	if h == 1 {
		p = o.P90
	}
	until := o.AsOf.Add(horizons[h])
	if !t.CodeAt.IsZero() && !o.AsOf.Before(t.CodeAt) {
		// After the code: only once the vehicle goes on, repaired.
		if !o.AsOf.After(t.CodeAt.Add(afterCode)) || until.After(t.KnownUntil) || workedOn(t, o.AsOf, until) {
			return judged{}, false
		}
		return judged{p: p}, !math.IsNaN(p)
	}
	happens := !t.CodeAt.IsZero() && !t.CodeAt.After(until)
	if happens {
		until = t.CodeAt.Add(-1) // what is done on the code's account has its time, or a later one
	}
	if until.After(t.KnownUntil) && !happens || workedOn(t, o.AsOf, until) {
		return judged{}, false
	}
	return judged{p: p, happens: happens}, !math.IsNaN(p)
}

// episode is a run of judged warnings.
type episode struct {
	begin, end time.Time // end zero: stands
}

func episodes(warnings []record.Warning) []episode {
	var all []episode
	for _, w := range judgedWarnings(warnings) {
		if k := len(all) - 1; k >= 0 && (all[k].end.IsZero() || !w.RaisedAt.After(all[k].end.Add(episodeGap))) {
			if w.EndedAt.IsZero() || all[k].end.IsZero() {
				all[k].end = time.Time{}
			} else if w.EndedAt.After(all[k].end) {
				all[k].end = w.EndedAt
			}
			continue
		}
		all = append(all, episode{w.RaisedAt, w.EndedAt})
	}
	return all
}

// judgedWarnings are those of the judged kinds, by the time they were raised.
func judgedWarnings(warnings []record.Warning) []record.Warning {
	var out []record.Warning
	for _, w := range warnings {
		if w.Kind == trend.CodeDue.String() || w.Kind == trend.UnderCodeLimit.String() {
			out = append(out, w)
		}
	}
	slices.SortStableFunc(out, func(a, b record.Warning) int { return a.RaisedAt.Compare(b.RaisedAt) })
	return out
}

// fate is what became of a code, and the beginning of the episode that met it.
func fate(eps []episode, code time.Time) (int, time.Time) {
	best, begin := missed, time.Time{}
	for _, e := range eps {
		if !e.begin.Before(code) {
			continue
		}
		ahead := code.Sub(e.begin).Hours() / 24
		f := missed
		switch {
		case ahead >= soonestDays && ahead <= latestDays:
			f = inTime
		case ahead < soonestDays:
			f = late
		case e.end.IsZero() || code.Sub(e.end).Hours()/24 <= latestDays:
			f = tooEarly
		}
		if f < best {
			best, begin = f, e.begin
		}
	}
	return best, begin
}

// isFalse says whether no code follows an episode within 180 days, and whether that is known.
func isFalse(t *record.Truth, e episode) bool {
	until := e.begin.Add(latestDays * judgeDay)
	if !t.CodeAt.IsZero() {
		if !e.begin.After(t.CodeAt.Add(afterCode)) && !t.CodeAt.After(until) {
			return false
		}
		if e.begin.After(t.CodeAt) && t.LastAt.Before(t.CodeAt) {
			return false // the vehicle had left the records
		}
	}
	if workedOn(t, e.begin, until) {
		return false
	}
	return !until.After(t.KnownUntil) || (!t.CodeAt.IsZero() && t.CodeAt.After(until))
}

// workedOn says whether something was done to the vehicle after one time and not after another.
func workedOn(t *record.Truth, after, until time.Time) bool {
	return slices.ContainsFunc(t.WorkedOn, func(at time.Time) bool { return at.After(after) && !at.After(until) })
}

// recordsEnd is the day after the fleet's last row: codes after it are the
// future of the records, not ones that could have been warned of in them.
func recordsEnd(truth []record.Truth) time.Time {
	var end time.Time
	for i := range truth {
		if truth[i].LastAt.After(end) {
			end = truth[i].LastAt
		}
	}
	return end.Add(judgeDay)
}

func count(t *record.Truth, end time.Time, outlooks []record.Outlook, warnings []record.Warning) tally {
	out := tally{story: t.Story, monitor: t.Monitor, years: t.LastAt.Sub(t.FirstAt).Hours() / (24 * 365.25)}
	eps := episodes(warnings)
	for _, e := range eps {
		if isFalse(t, e) {
			out.falses++
			out.wrong = append(out.wrong, FalseEpisode{t.Vehicle, e.begin, e.end})
		}
	}
	if !t.CodeAt.IsZero() && t.CodeAt.Before(end) {
		f, begin := fate(eps, t.CodeAt)
		out.fates[f]++
		out.code = &CodeFate{Vehicle: t.Vehicle, CodeAt: t.CodeAt, Fate: fateWords[f], LeadDays: Number(math.NaN()), True: t.Component.String()}
		if f != missed {
			named := lastNamed(warnings, t.CodeAt)
			out.code.LeadDays, out.code.Named = Number(t.CodeAt.Sub(begin).Hours()/24), named.String()
			if t.Component != 0 {
				out.rankedCodes++
			}
			if t.Component != 0 && named == t.Component {
				out.firstRanked++
			}
			out.enclosed, out.intervals = coverage(t, outlooks, begin)
		}
	}
	for h := range horizons {
		for _, o := range outlooks {
			j, ok := outcome(t, o, h)
			if !ok {
				continue
			}
			y := 0.0
			if j.happens {
				y = 1
			}
			p := min(max(j.p, clipLogScore), 1-clipLogScore)
			out.outlooks[h]++
			out.happened[h] += y
			out.brier[h] += (j.p - y) * (j.p - y)
			out.logs[h] -= y*math.Log(p) + (1-y)*math.Log1p(-p)
		}
	}
	return out
}

func lastNamed(warnings []record.Warning, code time.Time) (c insulation.Component) {
	for _, w := range judgedWarnings(warnings) {
		if w.RaisedAt.Before(code) {
			c = w.Component
		}
	}
	return c
}

func coverage(t *record.Truth, outlooks []record.Outlook, begin time.Time) (enclosed, n float64) {
	for _, o := range outlooks {
		if o.AsOf.Before(begin) || !o.AsOf.Before(t.CodeAt) {
			continue
		}
		n++
		days := t.CodeAt.Sub(o.AsOf).Hours() / 24
		if o.DaysP10 <= days && (math.IsNaN(o.DaysP90) || days <= o.DaysP90) {
			enclosed++
		}
	}
	return enclosed, n
}
