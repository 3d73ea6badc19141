package report

import (
	"math"
	"testing"
)

func TestExpectedCountsAreThoseOfTheBinomialTables(t *testing.T) {
	// Binomial distribution, n = 10: P(X <= 2) = 0.0547, P(X <= 3) = 0.1719, P(X <= 6) = 0.8281, P(X <= 7) = 0.9453 at p = 0.5;
	// P(X <= 0) = 0.3487, P(X <= 1) = 0.7361, P(X <= 2) = 0.9298 at p = 0.1 (NIST Handbook of Mathematical Functions tables of the binomial).
	for p, want := range map[float64][3]float64{0.5: {5, 3, 7}, 0.1: {1, 0, 2}} {
		x := make([]float64, 10)
		for i := range x {
			x[i] = p
		}
		mean, low, high := expectedCount(x)
		if math.Abs(mean-want[0]) > 1e-12 || low != want[1] || high != want[2] {
			t.Errorf("p = %g: %g (%g to %g), want %v", p, mean, low, high, want)
		}
	}
	// Two unlike trials by hand: 0.2 and 0.9 give 0, 1, 2 with 0.08, 0.74, 0.18.
	if mean, low, high := expectedCount([]float64{0.2, 0.9}); math.Abs(mean-1.1) > 1e-12 || low != 1 || high != 2 {
		t.Errorf("%g (%g to %g), want 1.1 (1 to 2)", mean, low, high)
	}
	if mean, _, _ := expectedCount(nil); !math.IsNaN(mean) {
		t.Errorf("without trials: %g", mean)
	}
}

func TestTheMediansIntervalLeavesOutWhatTheSignTestAllows(t *testing.T) {
	// n = 10: the second and the ninth value hold the median with 1 - 2 (1 + 10)/1024 = 0.979, the third and eighth with 0.891 only;
	// n = 5: the extremes with 1 - 2/32 = 0.9375; fewer than five cannot reach 0.9 (sign test, by arithmetic).
	x := []float64{7, 1, 10, 4, 2, 9, 3, 8, 5, 6}
	if low, high := medianInterval(x); low != 2 || high != 9 || median(x) != 5.5 {
		t.Errorf("%g to %g around %g", low, high, median(x))
	}
	if low, high := medianInterval(x[:5]); low != 1 || high != 10 {
		t.Errorf("five values: %g to %g", low, high)
	}
	if low, _ := medianInterval(x[:4]); !math.IsNaN(low) {
		t.Errorf("four values: %g", low)
	}
}
