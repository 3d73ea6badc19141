// Package review holds shares and means of a fleet's records against those of
// its peers: exact intervals and tests for counts, Student's t for means, and
// the adjustment of their p-values for the number of comparisons. It does no
// input or output.
package review

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// confidence of every interval.
const confidence = 0.95

// ShareInterval is the exact 95 % interval of a share of which k in n were
// seen (Clopper and Pearson, Biometrika 26, 1934). Without observations it is
// 0 to 1.
func ShareInterval(k, n int) (low, high float64) {
	low, high = 0, 1
	const tail = (1 - confidence) / 2
	if k > 0 {
		low = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(tail)
	}
	if k < n {
		high = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(1 - tail)
	}
	return low, high
}

// MoreThanPeers is the one-sided p-value of Fisher's exact test (The Design of
// Experiments, 1935): the chance that k or more of the n fall to a group of
// this size if group and peers, of whom peerK in peerN were seen, are alike.
func MoreThanPeers(k, n, peerK, peerN int) float64 {
	all, seen := n+peerN, k+peerK
	p := 0.0
	for i := k; i <= min(n, seen); i++ {
		p += math.Exp(logChoose(n, i) + logChoose(peerN, seen-i) - logChoose(all, seen))
	}
	return min(p, 1)
}

func logChoose(n, k int) float64 {
	if k < 0 || k > n {
		return math.Inf(-1)
	}
	a, _ := math.Lgamma(float64(n + 1))
	b, _ := math.Lgamma(float64(k + 1))
	c, _ := math.Lgamma(float64(n - k + 1))
	return a - b - c
}

// Mean is a mean of n values with their standard deviation.
type Mean struct {
	N        int
	Mean, SD float64
}

// Interval is the 95 % interval of the mean by Student's t (Biometrika 6,
// 1908). The last result is false with fewer than two values.
func (m Mean) Interval() (low, high float64, ok bool) {
	if m.N < 2 {
		return 0, 0, false
	}
	d := m.t().Quantile(1-(1-confidence)/2) * m.SD / math.Sqrt(float64(m.N))
	return m.Mean - d, m.Mean + d, true
}

// OffZero is the two-sided p-value of the mean being 0 by Student's t; 1 with
// fewer than two values.
func (m Mean) OffZero() float64 {
	if m.N < 2 {
		return 1
	}
	if m.SD == 0 {
		if m.Mean == 0 {
			return 1
		}
		return 0
	}
	return 2 * m.t().Survival(math.Abs(m.Mean)/(m.SD/math.Sqrt(float64(m.N))))
}

func (m Mean) t() distuv.StudentsT { return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(m.N - 1)} }

// Adjust returns p-values adjusted for their number so that among those at
// most q at most a share q is expected to be chance (Benjamini and Hochberg,
// J. R. Statist. Soc. B 57, 1995). NaN is no comparison and stays.
func Adjust(p []float64) []float64 {
	adjusted := slices.Clone(p)
	var order []int
	for i, v := range p {
		if !math.IsNaN(v) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	least := 1.0
	for rank := len(order); rank > 0; rank-- {
		i := order[rank-1]
		least = min(least, p[i]*float64(len(order))/float64(rank))
		adjusted[i] = least
	}
	return adjusted
}
