package trend

import (
	"math"
	"testing"
)

func TestTheValueAMonitorTopsOutAtIsABoundAndOthersAreNot(t *testing.T) {
	var levels []float64
	for i := range 60 {
		levels = append(levels, math.Log10(min(5e6, 4.6e6*math.Pow(10, 0.1*math.Sin(float64(7*i))))))
	}
	found := 0
	for i, at := range AtCeiling(levels) {
		if at != (levels[i] == math.Log10(5e6)) {
			t.Errorf("value %d, %.4f: at the ceiling %v", i, levels[i], at)
		}
		if at {
			found++
		}
	}
	if found < 5 {
		t.Errorf("%d values at the ceiling", found)
	}
	for i, at := range AtCeiling([]float64{6, 6.1, 6.2, 6.3, 6.4, 6.5}) {
		if at {
			t.Errorf("value %d of a monitor that never repeats is at a ceiling", i)
		}
	}
}
