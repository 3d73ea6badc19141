package locate

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"creepage/internal/insulation"
)

// Parameters of the search for the next test.
const (
	particles  = 1200
	leastBits  = 0.02 // below this a test tells nothing worth the plug
	closeShare = 0.99 // among tests this close to the best, the one with the fewest plugs pulled
)

// suggest returns the connected set whose reading is expected to tell most
// about which part is the one: the mutual information of the two, over the
// sample. Single parts, all but single parts, the most suspect ones together
// are tried, and the best of them improved part by part.
func (m *model) suggest(draws [][]float64, parts []PartEstimate, rangeOhms float64) *Test {
	n := len(m.names)
	if n < 2 {
		return nil
	}
	e := newExpectation(m, draws, rangeOhms)
	tried := map[uint32]float64{}
	bits := func(set uint32) float64 {
		if b, ok := tried[set]; ok {
			return b
		}
		b := e.bits(set)
		tried[set] = b
		return b
	}
	all := uint32(1)<<n - 1
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return parts[order[a]].TheOne > parts[order[b]].TheOne })
	best := all
	consider := func(set uint32) {
		if set != 0 && bits(set) > bits(best) {
			best = set
		}
	}
	prefix, alternate := uint32(0), uint32(0)
	for k, i := range order {
		prefix |= 1 << i
		if k%2 == 0 {
			alternate |= 1 << i
		}
		for _, set := range []uint32{1 << i, all &^ (1 << i), prefix, all &^ prefix, alternate, all &^ alternate} {
			consider(set)
		}
	}
	for range n {
		before := best
		for i := range n {
			consider(before ^ 1<<i)
		}
		if best == before {
			break
		}
	}
	if tried[best] < leastBits {
		return nil
	}
	return m.test(fewestPlugs(tried, best), tried)
}

func fewestPlugs(tried map[uint32]float64, best uint32) uint32 {
	sets := make([]uint32, 0, len(tried))
	for set := range tried {
		sets = append(sets, set)
	}
	slices.Sort(sets)
	chosen := best
	for _, set := range sets {
		if tried[set] >= closeShare*tried[best] && size(set) > size(chosen) {
			chosen = set
		}
	}
	return chosen
}

func size(set uint32) int {
	n := 0
	for ; set != 0; set &= set - 1 {
		n++
	}
	return n
}

func (m *model) test(set uint32, tried map[uint32]float64) *Test {
	t := &Test{ExpectedBits: tried[set]}
	for i, name := range m.names {
		if set&(1<<i) != 0 {
			t.Connect = append(t.Connect, name)
		} else {
			t.Disconnect = append(t.Disconnect, name)
		}
	}
	if len(t.Disconnect) == 0 {
		t.Why = fmt.Sprintf("measure with everything connected: expected to tell %.2f bits about which part leaks", t.ExpectedBits)
	} else {
		t.Why = fmt.Sprintf("disconnect %s and measure the rest: expected to tell %.2f bits about which part leaks", strings.Join(t.Disconnect, ", "), t.ExpectedBits)
	}
	return t
}

// expectation computes mutual information between a reading and which part is the one.
type expectation struct {
	conductance [][]float64 // [draw][part]
	label       []int       // the one; the last label is none
	labels      int
	width       float64 // of a bin, decades
	top         float64 // level of the meter's range
	counts      []float64
}

const levelBins = 160

func newExpectation(m *model, draws [][]float64, rangeOhms float64) *expectation {
	sigma := DefaultUncertainty / insulation.Decade
	for k, x := range m.readings {
		if k == 0 || x.sigma < sigma {
			sigma = x.sigma
		}
	}
	e := &expectation{labels: len(m.names) + 1, width: math.Max(2*sigma, 0.1), top: math.Log10(rangeOhms)}
	for _, y := range draws {
		g := make([]float64, len(y))
		for i := range y {
			g[i] = pow10(-y[i])
		}
		e.conductance = append(e.conductance, g)
		one := m.worst(y)
		if one < 0 {
			one = len(m.names)
		}
		e.label = append(e.label, one)
	}
	e.counts = make([]float64, levelBins*e.labels)
	return e
}

// bits is the expected information of reading the given set. The meter's error,
// half a bin, spreads each draw over its bin and the two beside it.
func (e *expectation) bits(set uint32) float64 {
	clear(e.counts)
	share := 1 / float64(len(e.conductance))
	lowest := math.Inf(1)
	levels := make([]float64, len(e.conductance))
	for d, g := range e.conductance {
		sum := 0.0
		for i := range g {
			if set&(1<<i) != 0 {
				sum += g[i]
			}
		}
		levels[d] = math.Min(-math.Log10(sum), e.top)
		lowest = math.Min(lowest, levels[d])
	}
	for d, level := range levels {
		bin := min(int((level-lowest)/e.width), levelBins-3) + 1
		if level == e.top {
			e.counts[(levelBins-1)*e.labels+e.label[d]] += share
			continue
		}
		e.counts[bin*e.labels+e.label[d]] += 0.68 * share
		e.counts[(bin-1)*e.labels+e.label[d]] += 0.16 * share
		e.counts[(bin+1)*e.labels+e.label[d]] += 0.16 * share
	}
	return e.information()
}

func (e *expectation) information() float64 {
	total := make([]float64, e.labels)
	information, occupied := 0.0, 0
	for b := range levelBins {
		row := e.counts[b*e.labels : (b+1)*e.labels]
		sum := 0.0
		for l, p := range row {
			sum += p
			total[l] += p
			information += plogp(p)
		}
		if sum > 0 {
			occupied++
		}
		information -= plogp(sum)
	}
	present := 0
	for _, p := range total {
		information -= plogp(p)
		if p > 0 {
			present++
		}
	}
	// A finite sample shows information where there is none (Miller and Madow):
	// taken off so that sets with many possible readings are not favoured.
	bias := float64((occupied-1)*(present-1)) / (2 * float64(len(e.conductance)) * math.Ln2) / 3
	return math.Max(0, information-bias)
}

func plogp(p float64) float64 {
	if p <= 0 {
		return 0
	}
	return p * math.Log2(p)
}
