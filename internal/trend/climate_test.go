package trend

import (
	"math"
	"testing"
)

// The warmth a limit is judged in is that of the warmest day of the time's last third, its
// difference from the year's mean by half: found here by looking at every day.
func TestTheLimitIsJudgedInTheWarmthOfTheLastThird(t *testing.T) {
	ps := Default()
	var c climate
	for d := day(18000); d < 19000; d++ {
		cos, sin := harmonic(float64(d))
		c.addCelsius(&ps, d, 11-7*cos+3*sin)
	}
	mean := c.coefficients(&ps)[0]
	for from := day(19000); from < 19365; from += 13 {
		if got, want := c.warmth(&ps, from, 0), c.usual(&ps, from); got != want {
			t.Errorf("now, on day %d: %.3f, want %.3f", from, got, want)
		}
		for _, h := range horizons[1:] {
			warmest := math.Inf(-1)
			for d := math.Ceil(2 * h / 3); d <= h; d++ {
				warmest = max(warmest, c.usual(&ps, from+day(d)))
			}
			// The year's peak may lie between two days.
			if got, want := c.warmth(&ps, from, h), mean+(warmest-mean)/2; math.Abs(got-want) > 0.05 {
				t.Errorf("%.0f days from day %d: %.3f, want %.3f", h, from, got, want)
			}
		}
	}
}

// Of whose air nothing is known, nobody knows which half of the year is warm.
func TestAnUnknownAirHasNoSeason(t *testing.T) {
	ps := Default()
	var c climate
	for from := day(19000); from < 19365; from += 13 {
		for _, h := range horizons {
			if got := c.warmth(&ps, from, h); got != ps.UsualCelsius {
				t.Errorf("%.0f days from day %d: %.3f, want %.3f", h, from, got, ps.UsualCelsius)
			}
		}
	}
}
