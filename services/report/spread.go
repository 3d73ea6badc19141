package report

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// median is the middle of x, NaN if it is empty.
func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(x))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// medianInterval is the narrowest interval between two order statistics of x,
// counted from both ends alike, that holds the median with a probability of at
// least 0.9 whatever the distribution; NaN where x has fewer than five values
// (David and Nagaraja, Order Statistics, 3rd edition, section 7.1).
func medianInterval(x []float64) (low, high float64) {
	n := len(x)
	if n < 5 {
		return math.NaN(), math.NaN()
	}
	s := slices.Sorted(slices.Values(x))
	tail := distuv.Binomial{N: float64(n), P: 0.5}
	k := 0 // values left out at each end
	for k+1 <= (n-1)/2 && 2*tail.CDF(float64(k+1)) <= 0.1 {
		k++
	}
	return s[k], s[n-1-k]
}

// expectedCount is the mean of the number of successes of independent trials
// with probabilities p, and its 10 % and 90 % quantiles (the Poisson binomial
// distribution, by adding one trial after another). NaN without trials.
func expectedCount(p []float64) (mean, low, high float64) {
	if len(p) == 0 {
		return math.NaN(), math.NaN(), math.NaN()
	}
	sum, variance := 0.0, 0.0
	for _, x := range p {
		sum += x
		variance += x * (1 - x)
	}
	// Beyond ten standard deviations lies nothing that matters.
	top := min(len(p), int(sum+10*math.Sqrt(variance))+10)
	chance := make([]float64, top+1)
	chance[0] = 1
	for i, x := range p {
		for k := min(i+1, top); k > 0; k-- {
			chance[k] = chance[k]*(1-x) + chance[k-1]*x
		}
		chance[0] *= 1 - x
	}
	return sum, quantile(chance, 0.1), quantile(chance, 0.9)
}

// quantile is the smallest count that is not exceeded with probability q.
func quantile(chance []float64, q float64) float64 {
	total := 0.0
	for k, c := range chance {
		if total += c; total >= q-1e-12 {
			return float64(k)
		}
	}
	return float64(len(chance) - 1)
}
