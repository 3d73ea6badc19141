package trend

import (
	"math"
	"slices"
)

// TheilSen is the median of the slopes of all pairs of points (Theil 1950; Sen
// 1968), and the intercept median(y) - slope median(x). NaN without two
// different x.
func TheilSen(x, y []float64) (slope, intercept float64) {
	slopes := pairSlopes(x, y)
	slope = median(slopes)
	return slope, median(slices.Clone(y)) - slope*median(slices.Clone(x))
}

func pairSlopes(x, y []float64) []float64 {
	var slopes []float64
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			if x[i] != x[j] {
				slopes = append(slopes, (y[j]-y[i])/(x[j]-x[i]))
			}
		}
	}
	return slopes
}

// TheilSenInterval is the interval of the slope at two-sided confidence 1-alpha
// by the distribution of Kendall's tau (Sen 1968).
func TheilSenInterval(x, y []float64, alpha float64) (low, top float64) {
	slopes := pairSlopes(x, y)
	slices.Sort(slopes)
	n := float64(len(x))
	ties := func(v []float64) (sum float64) {
		v = slices.Clone(v)
		slices.Sort(v)
		for i := 0; i < len(v); {
			j := i
			for j < len(v) && v[j] == v[i] {
				j++
			}
			t := float64(j - i)
			sum += t * (t - 1) * (2*t + 5)
			i = j
		}
		return sum
	}
	s := math.Sqrt((n*(n-1)*(2*n+5) - ties(x) - ties(y)) / 18)
	z := -quantileNormal(alpha / 2)
	m := float64(len(slopes))
	up := min(int(math.Round((m+z*s)/2)), len(slopes)-1)
	down := max(int(math.Round((m-z*s)/2))-1, 0)
	return slopes[down], slopes[up]
}

// quantileNormal is the inverse of Phi.
func quantileNormal(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

// kendall is Kendall's statistic of the residuals of a slope, later against
// earlier: pairs that rise less pairs that fall, counting only those whose order
// is certain when some y are bounds from above. A value and a bound alike are in
// order: what is "below 3" is less than 3.
func kendall(x, y []float64, below []bool, slope float64) int {
	s := 0
	for i := range x {
		for j := range x {
			if x[j] <= x[i] {
				continue
			}
			ri, rj := y[i]-slope*x[i], y[j]-slope*x[j]
			switch {
			case !below[j] && (rj > ri || rj == ri && below[i]):
				s++
			case !below[i] && (rj < ri || rj == ri && below[j]):
				s--
			}
		}
	}
	return s
}

// AkritasTheilSen is the Theil-Sen slope when some y are bounds from above
// ("below 10"): the slope at which Kendall's statistic of the residuals,
// counting only pairs whose order is certain, is zero (Akritas, Murphy and
// LaValley 1995). The statistic is a step function: it is zero between low and
// top, and slope is the middle. For bounds from below negate y first.
func AkritasTheilSen(x, y []float64, below []bool) (slope, low, top float64) {
	for _, s := range pairSlopes(x, y) {
		low, top = min(low, s), max(top, s)
	}
	low, top = low-1, top+1
	// The score falls in steps: the last slope with a positive and the first
	// with a negative one, and the middle between.
	last := bisect(low, top, func(s float64) bool { return kendall(x, y, below, s) > 0 })
	first := bisect(low, top, func(s float64) bool { return kendall(x, y, below, s) >= 0 })
	low, top = min(last, first), max(last, first)
	return 0.5 * (low + top), low, top
}

// bisect returns where a condition that holds at low ceases to.
func bisect(low, top float64, holds func(float64) bool) float64 {
	for range 200 {
		mid := 0.5 * (low + top)
		if mid == low || mid == top {
			break
		}
		if holds(mid) {
			low = mid
		} else {
			top = mid
		}
	}
	return 0.5 * (low + top)
}
