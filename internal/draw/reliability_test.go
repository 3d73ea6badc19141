package draw

import (
	"math"
	"strings"
	"testing"
)

// Newcombe (1998), Statistics in Medicine 17, 857-872, table I, method 3 (score
// without continuity correction): 81 of 263 gives 0.2553 to 0.3662, 15 of 148
// 0.0624 to 0.1605, 0 of 20 0 to 0.1611, 1 of 29 0.0061 to 0.1718. From memory.
func TestTheIntervalOfAShareIsTheScoreInterval(t *testing.T) {
	for _, c := range []struct{ yes, n, low, high float64 }{{81, 263, 0.2553, 0.3662}, {15, 148, 0.0624, 0.1605}, {0, 20, 0, 0.1611}, {1, 29, 0.0061, 0.1718}} {
		low, high := wilson(c.yes/c.n, c.n)
		if math.Abs(low-c.low) > 6e-5 || math.Abs(high-c.high) > 6e-5 {
			t.Errorf("%g of %g: %.4f to %.4f, want %.4f to %.4f", c.yes, c.n, low, high, c.low, c.high)
		}
	}
}

func TestAReliabilityChartHasOnePointPerShareThatHoldsOutlooks(t *testing.T) {
	svg := Reliability("a < b", []Share{{0.1, 0.12, 200}, {0.5, 0.4, 30}, {0.9, 0, 0}})
	if n := strings.Count(svg, "<circle"); n != 2 {
		t.Errorf("%d points, want 2", n)
	}
	if !strings.Contains(svg, "a &lt; b") {
		t.Error("the title is not escaped")
	}
}
