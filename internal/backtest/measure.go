package backtest

import (
	"math"
	"math/rand/v2"
	"slices"
)

// measures computes every score with each vehicle counted weights[i] times.
func measures(tallies []tally, pool [2][]judged, weights []float64) []Measure {
	var s, monitor, testers tally
	for i := range tallies {
		t, w := &tallies[i], weights[i]
		s.add(t, w)
		if t.monitor {
			monitor.add(t, w)
		} else {
			testers.add(t, w)
		}
	}
	share := func(name string, part, of float64) Measure { return Measure{Name: name, Value: Number(part / of)} }
	codes := s.codes()
	out := []Measure{
		share(nameInTime, s.fates[inTime], codes),
		share("  with monitor", monitor.fates[inTime], monitor.codes()),
		share("  testers alone", testers.fates[inTime], testers.codes()),
		share("too early", s.fates[tooEarly], codes),
		share("late", s.fates[late], codes),
		share("missed", s.fates[missed], codes),
		share(nameFalse, 100*s.falses, s.years),
	}
	for h, name := range []string{"30 d", "90 d"} {
		base := s.happened[h] / s.outlooks[h]
		climate := base * (1 - base)
		out = append(out,
			Measure{Name: "Brier skill " + name, Value: Number(1 - s.brier[h]/s.outlooks[h]/climate)},
			Measure{Name: "log score " + name, Value: Number(s.logs[h] / s.outlooks[h])},
			Measure{Name: "AUC " + name, Value: Number(areaUnderCurve(pool[h], weights))})
	}
	return append(out,
		share("80 % interval encloses", s.enclosed, s.intervals),
		share("component named first", s.firstRanked, s.rankedCodes))
}

func (t *tally) codes() float64 { return t.fates[0] + t.fates[1] + t.fates[2] + t.fates[3] }

func (t *tally) add(o *tally, w float64) {
	t.years += w * o.years
	for f := range t.fates {
		t.fates[f] += w * o.fates[f]
	}
	t.falses += w * o.falses
	t.enclosed += w * o.enclosed
	t.intervals += w * o.intervals
	t.firstRanked += w * o.firstRanked
	t.rankedCodes += w * o.rankedCodes
	for h := range horizons {
		t.brier[h] += w * o.brier[h]
		t.logs[h] += w * o.logs[h]
		t.happened[h] += w * o.happened[h]
		t.outlooks[h] += w * o.outlooks[h]
	}
}

// areaUnderCurve is the chance that an outlook before a code is ranked above
// one that is not, ties counting a half; pool is sorted by p.
func areaUnderCurve(pool []judged, weights []float64) float64 {
	var area, below, yes float64
	for i := 0; i < len(pool); {
		var hits, others float64
		j := i
		for ; j < len(pool) && pool[j].p == pool[i].p; j++ {
			if w := weights[pool[j].vehicle]; pool[j].happens {
				hits += w
			} else {
				others += w
			}
		}
		area += hits * (below + others/2)
		below += others
		yes += hits
		i = j
	}
	return area / (yes * below)
}

// withIntervals adds to every measure the middle 95 % of its values over
// resampled vehicles. The seed is fixed: the same fleet gets the same intervals.
func withIntervals(compute func(weights []float64) []Measure, one []float64) []Measure {
	out := compute(one)
	values := make([][]float64, len(out))
	r := rand.New(rand.NewPCG(95, 1979))
	weights := make([]float64, len(one))
	for range resamples {
		clear(weights)
		for range one {
			weights[r.IntN(len(one))]++
		}
		for i, m := range compute(weights) {
			if x := float64(m.Value); !math.IsNaN(x) {
				values[i] = append(values[i], x)
			}
		}
	}
	for i := range out {
		out[i].Low, out[i].High = Number(math.NaN()), Number(math.NaN())
		if n := len(values[i]); n > 0 {
			slices.Sort(values[i])
			out[i].Low, out[i].High = Number(values[i][n*25/1000]), Number(values[i][min(n*975/1000, n-1)])
		}
	}
	return out
}

// edges of the reliability bins: narrow where most outlooks are.
var edges = []float64{0, 0.01, 0.03, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0001}

func reliability(pool []judged) []ReliabilityBin {
	bins := make([]ReliabilityBin, len(edges)-1)
	for i := range bins {
		bins[i] = ReliabilityBin{From: edges[i], To: min(edges[i+1], 1)}
	}
	for _, j := range pool {
		i, found := slices.BinarySearch(edges, j.p)
		if !found {
			i--
		}
		b := &bins[min(max(i, 0), len(bins)-1)]
		b.Outlooks++
		b.Stated += j.p
		if j.happens {
			b.Observed++
		}
	}
	for i := range bins {
		if n := float64(bins[i].Outlooks); n > 0 {
			bins[i].Stated, bins[i].Observed = bins[i].Stated/n, bins[i].Observed/n
		}
	}
	return bins
}

func byStory(tallies []tally) []StoryCount {
	var out []StoryCount
	for i := range tallies {
		t := &tallies[i]
		k := slices.IndexFunc(out, func(s StoryCount) bool { return s.Story == t.story })
		if k < 0 {
			k, out = len(out), append(out, StoryCount{Story: t.story})
		}
		s := &out[k]
		s.Vehicles++
		s.Codes += int(t.codes())
		s.InTime += int(t.fates[inTime])
		s.TooEarly += int(t.fates[tooEarly])
		s.Late += int(t.fates[late])
		s.Missed += int(t.fates[missed])
		s.FalseEpisodes += int(t.falses)
		if t.monitor {
			s.MonitorCodes, s.MonitorInTime = s.MonitorCodes+int(t.codes()), s.MonitorInTime+int(t.fates[inTime])
		} else {
			s.TestCodes, s.TestInTime = s.TestCodes+int(t.codes()), s.TestInTime+int(t.fates[inTime])
		}
	}
	slices.SortFunc(out, func(a, b StoryCount) int { return b.Codes - a.Codes })
	return out
}
