package locate

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"creepage/internal/insulation"
)

// Answer is what the readings say, condition by condition.
type Answer struct {
	Conditions  []Condition  // in the order dry, wet, cold, hot; what is not tagged first
	Comparisons []Comparison // the same connected set under two conditions
	Leaks       []string     // sentences: which part leaks under which condition only
}

// Condition is the estimate from the readings of one condition.
type Condition struct {
	Moisture           insulation.Moisture
	Warmth             insulation.Warmth
	Readings           int
	Parts              []PartEstimate // in the order of the circuit
	Ranked             []string       // names, most suspect first
	NoneProbability    float64        // that no part is below its limit
	SeveralProbability float64        // that two or more are
	Sure               bool           // one part has SureProbability or more of being the one
	Inseparable        [][]string     // sets that the readings cannot tell apart
	NeverConnected     []string       // parts no reading says anything about
	Next               *Test          // the test that would tell most; nil when sure or when none would tell anything
	Doubts             []Doubt        // readings that the others speak against
	EffectiveSamples   float64        // independent draws the importance sample is worth; a poor one is improved by Metropolis steps and then worth more
	sample             *sample
	index              map[string]int
}

// PartEstimate is what is known of one part.
type PartEstimate struct {
	Name             string
	MedianOhms       float64
	LowOhms          float64 // 10 %
	HighOhms         float64 // 90 %
	BelowProbability float64 // that it is below its limit
	TheOne           float64 // that it is the worst of those below their limits; the parts' sum with NoneProbability is one
	LeastSquaresOhms float64 // weighted non-negative least squares, the start; +Inf where that gives no leakage
}

// Test is a suggested next reading.
type Test struct {
	Connect      []string
	Disconnect   []string
	ExpectedBits float64 // expected information about which part is the one
	Why          string
}

// Comparison is one connected set read under two conditions.
type Comparison struct {
	Connected     []string
	First, Second Reading
	Factor        float64 // second over first, as stated
	Relation      insulation.Relation
}

// Doubt is a reading that probably says nothing: a bad contact or a slip of the pen.
type Doubt struct {
	Reading     int // position among the readings as given
	Probability float64
}

// Locate estimates each part's resistance from the readings. Readings of
// different conditions (wet or dry, cold or hot) are kept apart, for a leak may
// show in one only. The error is insulation.Violations naming every wrong field.
func Locate(parts []Part, readings []Reading, o Options) (*Answer, error) {
	index, err := check(parts, readings, o)
	if err != nil {
		return nil, err
	}
	answer := &Answer{}
	for _, group := range conditions(readings) {
		chosen := make([]Reading, len(group))
		for i, k := range group {
			chosen[i] = readings[k]
		}
		m := newModel(parts, chosen, o, index)
		c := m.estimate(o)
		c.index, c.Moisture, c.Warmth = index, chosen[0].Moisture, chosen[0].Warmth
		for i := range c.Doubts {
			c.Doubts[i].Reading = group[c.Doubts[i].Reading]
		}
		answer.Conditions = append(answer.Conditions, c)
	}
	answer.compare(readings)
	return answer, nil
}

// conditions groups the readings' positions by their tags.
func conditions(readings []Reading) [][]int {
	byTag := map[[2]uint8][]int{}
	var tags [][2]uint8
	for k, r := range readings {
		tag := [2]uint8{uint8(r.Moisture), uint8(r.Warmth)}
		if byTag[tag] == nil {
			tags = append(tags, tag)
		}
		byTag[tag] = append(byTag[tag], k)
	}
	slices.SortFunc(tags, func(a, b [2]uint8) int { return slices.Compare(a[:], b[:]) })
	groups := make([][]int, len(tags))
	for i, tag := range tags {
		groups[i] = byTag[tag]
	}
	return groups
}

func (m *model) estimate(o Options) Condition {
	s := m.draw()
	c := Condition{Readings: len(m.readings), EffectiveSamples: s.worth, sample: s}
	squares := m.leastSquares()
	below, theOne := make([]float64, len(m.names)), make([]float64, len(m.names))
	for d, y := range s.levels {
		one, count := m.worst(y), 0
		for i := range y {
			if y[i] < m.limits[i] {
				below[i] += s.weight[d]
				count++
			}
		}
		if one < 0 {
			c.NoneProbability += s.weight[d]
		} else {
			theOne[one] += s.weight[d]
		}
		if count > 1 {
			c.SeveralProbability += s.weight[d]
		}
	}
	for i, name := range m.names {
		q := s.quantiles(func(d int) float64 { return s.levels[d][i] }, 0.1, 0.5, 0.9)
		if !slices.ContainsFunc(m.readings, func(x observation) bool { return slices.Contains(x.members, i) }) {
			q, below[i] = []float64{m.priorQuantile(i, 0.1), m.priorQuantile(i, 0.5), m.priorQuantile(i, 0.9)}, m.priorBelow(i, m.limits[i])
		}
		c.Parts = append(c.Parts, PartEstimate{Name: name, LowOhms: pow10(q[0]), MedianOhms: pow10(q[1]), HighOhms: pow10(q[2]),
			BelowProbability: below[i], TheOne: theOne[i], LeastSquaresOhms: 1 / squares[i]})
		c.Sure = c.Sure || theOne[i] >= SureProbability
	}
	c.rank()
	c.Inseparable, c.NeverConnected = m.inseparable()
	equal := s.equal(particles)
	c.Doubts = m.doubts(equal)
	if !c.Sure {
		c.Next = m.suggest(equal, c.Parts, orDefault(o.RangeOhms, math.Inf(1)))
	}
	return c
}

// worst returns the part that leaks most among those below their limits, -1 if none is.
func (m *model) worst(y []float64) int {
	one := -1
	for i := range y {
		if y[i] < m.limits[i] && (one < 0 || y[i] < y[one]) {
			one = i
		}
	}
	return one
}

func (c *Condition) rank() {
	order := slices.Clone(c.Parts)
	sort.SliceStable(order, func(i, j int) bool {
		a, b := order[i], order[j]
		// A second leak beneath a worse one is never the one, yet comes before the sound parts.
		if x, y := a.TheOne+a.BelowProbability, b.TheOne+b.BelowProbability; x != y {
			return x > y
		}
		return a.MedianOhms < b.MedianOhms
	})
	for _, p := range order {
		c.Ranked = append(c.Ranked, p.Name)
	}
}

// Whole returns the median and the 80 % interval, ohm, of what a reading with
// the named parts connected would be without meter error.
func (c *Condition) Whole(connected []string) (insulation.Interval, error) {
	if len(connected) == 0 {
		return insulation.Interval{}, fmt.Errorf("connected: at least one component must be connected")
	}
	members := make([]int, 0, len(connected))
	for _, name := range connected {
		i, ok := c.index[name]
		if !ok || slices.Contains(members, i) {
			return insulation.Interval{}, fmt.Errorf("connected %q: is no component of this circuit, or named twice", name)
		}
		members = append(members, i)
	}
	slices.Sort(members)
	g := make([]float64, len(c.Parts))
	q := c.sample.quantiles(func(d int) float64 {
		for _, i := range members {
			g[i] = pow10(-c.sample.levels[d][i])
		}
		return whole(members, g)
	}, 0.1, 0.5, 0.9)
	return insulation.Interval{Low: pow10(q[0]), Mid: pow10(q[1]), High: pow10(q[2])}, nil
}

// inseparable names the sets of parts that the readings' equations tie
// together: the connected components of the null space's circuits. A part
// whose column is empty was never connected.
func (m *model) inseparable() (sets [][]string, never []string) {
	n := len(m.names)
	rows := make([][]float64, len(m.readings))
	for k, x := range m.readings {
		rows[k] = make([]float64, n)
		for _, i := range x.members {
			rows[k][i] = 1
		}
	}
	pivot := reduce(rows, n)
	root := make([]int, n)
	for i := range root {
		root[i] = i
	}
	find := func(i int) int {
		for root[i] != i {
			i = root[i]
		}
		return i
	}
	for j := range n {
		if slices.Contains(pivot, j) {
			continue
		}
		empty := true
		for r, p := range pivot {
			if math.Abs(rows[r][j]) > 1e-9 {
				root[find(p)], empty = find(j), false
			}
		}
		if empty {
			never = append(never, m.names[j])
		}
	}
	bySet := map[int][]string{}
	for i := range n {
		bySet[find(i)] = append(bySet[find(i)], m.names[i])
	}
	for i := range n {
		if set := bySet[i]; len(set) > 1 {
			sets = append(sets, set)
		}
	}
	return sets, never
}

// reduce brings the rows to reduced echelon form and returns each row's pivot column.
func reduce(rows [][]float64, n int) []int {
	var pivot []int
	for j := 0; j < n && len(pivot) < len(rows); j++ {
		r, best := len(pivot), -1
		for i := r; i < len(rows); i++ {
			if math.Abs(rows[i][j]) > 1e-9 && (best < 0 || math.Abs(rows[i][j]) > math.Abs(rows[best][j])) {
				best = i
			}
		}
		if best < 0 {
			continue
		}
		rows[r], rows[best] = rows[best], rows[r]
		for k, f := 0, rows[r][j]; k < n; k++ {
			rows[r][k] /= f
		}
		for i := range rows {
			if f := rows[i][j]; i != r && f != 0 {
				for k := range n {
					rows[i][k] -= f * rows[r][k]
				}
			}
		}
		pivot = append(pivot, j)
	}
	return pivot
}

// doubts names the readings whose chance of saying nothing exceeds a half.
func (m *model) doubts(draws [][]float64) []Doubt {
	chance := make([]float64, len(m.readings))
	g := make([]float64, len(m.names))
	for _, y := range draws {
		for i := range y {
			g[i] = pow10(-y[i])
		}
		for k := range m.readings {
			x := &m.readings[k]
			chance[k] += mistake / x.flat() / x.likelihood(whole(x.members, g)) / float64(len(draws))
		}
	}
	var doubts []Doubt
	for k, p := range chance {
		if p > 0.5 {
			doubts = append(doubts, Doubt{Reading: m.readings[k].source, Probability: p})
		}
	}
	sort.Slice(doubts, func(i, j int) bool { return doubts[i].Reading < doubts[j].Reading })
	return doubts
}

// Name says under which condition: "wet, hot", "as found" where nothing is tagged.
func (c *Condition) Name() string { return ConditionName(c.Moisture, c.Warmth) }

// ConditionName writes tags as people say them: "wet, hot", "as found" where
// nothing is tagged.
func ConditionName(m insulation.Moisture, w insulation.Warmth) string {
	words := strings.TrimPrefix(strings.TrimSuffix(m.String()+", "+w.String(), ", "), ", ")
	if words == "" {
		return "as found"
	}
	return words
}

// compare sets the same connected parts under different conditions side by side.
func (a *Answer) compare(readings []Reading) {
	key := func(r Reading) string {
		names := slices.Clone(r.Connected)
		sort.Strings(names)
		return strings.Join(names, "\x00")
	}
	sorted := slices.Clone(readings)
	sort.SliceStable(sorted, func(i, j int) bool {
		if ki, kj := key(sorted[i]), key(sorted[j]); ki != kj {
			return ki < kj
		}
		if sorted[i].Moisture != sorted[j].Moisture {
			return sorted[i].Moisture < sorted[j].Moisture
		}
		return sorted[i].Warmth < sorted[j].Warmth
	})
	for i, first := range sorted {
		for _, second := range sorted[i+1:] {
			if key(first) != key(second) {
				break
			}
			if first.Moisture == second.Moisture && first.Warmth == second.Warmth {
				continue
			}
			c := Comparison{Connected: slices.Clone(first.Connected), First: first, Second: second, Factor: second.Ohms / first.Ohms, Relation: insulation.Equal}
			sort.Strings(c.Connected)
			switch {
			case first.Relation == insulation.Above && second.Relation != insulation.Above || second.Relation == insulation.Below && first.Relation != insulation.Below:
				c.Relation = insulation.Below
			case second.Relation == insulation.Above && first.Relation != insulation.Above || first.Relation == insulation.Below && second.Relation != insulation.Below:
				c.Relation = insulation.Above
			}
			a.Comparisons = append(a.Comparisons, c)
		}
	}
	const leaks, sound = 0.5, 0.2
	for i := range a.Conditions {
		for j := range a.Conditions {
			for k, p := range a.Conditions[i].Parts {
				if q := a.Conditions[j].Parts[k]; p.BelowProbability >= leaks && q.BelowProbability <= sound && !slices.Contains(a.Conditions[j].NeverConnected, p.Name) {
					a.Leaks = append(a.Leaks, fmt.Sprintf("%s is below its limit %s (about %s, probability %.2f) and not %s (about %s, probability %.2f)",
						p.Name, a.Conditions[i].Name(), insulation.FormatOhms(p.MedianOhms), p.BelowProbability, a.Conditions[j].Name(), insulation.FormatOhms(q.MedianOhms), q.BelowProbability))
				}
			}
		}
	}
}
