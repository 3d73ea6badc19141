package review

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/combin"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %.9g, want %.9g", what, got, want)
	}
}

// Benjamini and Hochberg (1995), section 3.1: fifteen p-values of a trial of
// two treatments of heart attacks; at a rate of 0.05 the first four are
// discoveries, where the adjustment of Bonferroni leaves three.
func TestPublishedTheExampleOfBenjaminiAndHochbergHasFourDiscoveries(t *testing.T) {
	p := []float64{0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000}
	found := 0
	for _, q := range Adjust(p) {
		if q <= 0.05 {
			found++
		}
	}
	if found != 4 {
		t.Errorf("%d discoveries, want 4", found)
	}
	near(t, "the fourth", Adjust(p)[3], 0.0095*15/4, 1e-12)
}

func TestAdjustingKeepsThePlacesAndLeavesOutWhatIsNoComparison(t *testing.T) {
	got := Adjust([]float64{0.04, math.NaN(), 0.01})
	near(t, "the larger of two", got[0], 0.04, 1e-12)
	near(t, "the smaller of two", got[2], 0.02, 1e-12)
	if !math.IsNaN(got[1]) {
		t.Errorf("no comparison became %g", got[1])
	}
}

// Fisher (1935), chapter II: of eight cups, four with the milk first, all four
// are told by chance in 1 of 70 cases; three or more in 17 of 70.
func TestPublishedTheLadyTastingTea(t *testing.T) {
	near(t, "all four", MoreThanPeers(4, 4, 0, 4), 1.0/70, 1e-12)
	near(t, "three or more", MoreThanPeers(3, 4, 1, 4), 17.0/70, 1e-12)
}

func TestFewerThanThePeersIsNoSign(t *testing.T) {
	near(t, "none of ten", MoreThanPeers(0, 10, 5, 10), 1, 1e-9)
	near(t, "nobody to compare with, nothing seen", MoreThanPeers(0, 10, 0, 0), 1, 1e-12)
}

// Clopper and Pearson (1934) define the limits by the tails of the binomial
// distribution; without one seen the upper limit has a closed form.
func TestPublishedTheLimitsOfClopperAndPearsonCutTheirTails(t *testing.T) {
	_, high := ShareInterval(0, 10)
	near(t, "none of ten", high, 1-math.Pow(0.025, 0.1), 1e-9)
	for _, c := range [][2]int{{1, 10}, {5, 10}, {3, 200}, {199, 200}} {
		k, n := c[0], c[1]
		low, high := ShareInterval(k, n)
		atLeast, atMost := 0.0, 0.0
		for i := range n + 1 {
			if i >= k {
				atLeast += binomial(n, i, low)
			}
			if i <= k {
				atMost += binomial(n, i, high)
			}
		}
		near(t, "tail above", atLeast, 0.025, 1e-7)
		near(t, "tail below", atMost, 0.025, 1e-7)
	}
	if low, high := ShareInterval(0, 0); low != 0 || high != 1 {
		t.Errorf("nothing seen at all: %g to %g", low, high)
	}
}

func binomial(n, k int, p float64) float64 {
	return math.Exp(combin.LogGeneralizedBinomial(float64(n), float64(k)) + float64(k)*math.Log(p) + float64(n-k)*math.Log1p(-p))
}

// Student (1908), section IX: the additional hours of sleep by two drugs in
// ten patients differ by 1.58 on average with a standard deviation of 1.17
// (divided by n, as he does); the odds are 0.9985 to 0.0015 that the second is
// better.
func TestPublishedTheSleepOfStudentsPatients(t *testing.T) {
	differences := []float64{1.2, 2.4, 1.3, 1.3, 0, 1.0, 1.8, 0.8, 4.6, 1.4}
	sum, squares := 0.0, 0.0
	for _, d := range differences {
		sum += d
	}
	mean := sum / 10
	for _, d := range differences {
		squares += (d - mean) * (d - mean)
	}
	near(t, "mean", mean, 1.58, 1e-9)
	near(t, "his standard deviation", math.Sqrt(squares/10), 1.17, 0.005)
	m := Mean{N: 10, Mean: mean, SD: math.Sqrt(squares / 9)}
	near(t, "one side", m.OffZero()/2, 0.0015, 0.0001)
	low, high, ok := m.Interval()
	if !ok || !(low > 0 && low < mean && high > mean) {
		t.Errorf("interval %g to %g, %v", low, high, ok)
	}
	if _, _, ok := (Mean{N: 1, Mean: 3}).Interval(); ok {
		t.Error("one value has an interval")
	}
}
