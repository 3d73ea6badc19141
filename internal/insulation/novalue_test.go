package insulation_test

import (
	"math"
	"strings"
	"testing"

	"creepage/internal/insulation"
)

func TestATesterMayShowWhatALinkWouldFill(t *testing.T) {
	if f := insulation.Filler(insulation.Tester, 65_535_000); f != "" {
		t.Error(f)
	}
}

// GB/T 32960.3-2016: FFh, FEh and their wider kin stand for "invalid" and "abnormal";
// the resistance is two bytes of 1 kohm a step.
func TestALinkWithoutAValueIsTold(t *testing.T) {
	for ohms, want := range map[float64]string{
		0xFFFF * 1000: "FFFFh, invalid", 0xFFFE * 1000: "FFFEh (abnormal)", 0xFFFF: "FFFFh, invalid", 0xFFFFFF: "three-byte field of all ones",
		0xFFFFFE * 1000: "three-byte field's all ones less one", 0xFFFFFFFF: "four-byte field of all ones",
	} {
		if got := insulation.Filler(insulation.Monitor, ohms); !strings.Contains(got, want) {
			t.Errorf("%g ohm: %q, want %q", ohms, got, want)
		}
		if why := insulation.Impossible(insulation.Monitor, ohms); !strings.HasSuffix(why, ": the sender had no value") {
			t.Errorf("%g ohm of a monitor is taken for a value: %q", ohms, why)
		}
	}
	for _, ohms := range []float64{0xFFFD * 1000, 65_536_000, 1e6, 550e6} {
		if got := insulation.Filler(insulation.Monitor, ohms) + insulation.Impossible(insulation.Monitor, ohms); got != "" {
			t.Errorf("%g ohm may be measured: %q", ohms, got)
		}
	}
}

func TestAValueThatNoReadingCanHaveIsToldWithItsReason(t *testing.T) {
	for _, c := range []struct {
		ohms float64
		want string
	}{
		{0, "an empty field or no measurement"}, {-3, "negative"}, {0.5, "below what any insulation meter shows"}, {3e15, "above what any insulation meter shows"},
		{math.NaN(), "no number"}, {math.Inf(1), "no number"}, {6.5535e9, "all-ones pattern 65535"}, {4294967295e3, "all-ones pattern 4294967295"}, {0xFFFFFF, ""}, {2.2e9, ""}, {1, ""}, {1e14, ""},
	} {
		if got := insulation.Impossible(insulation.Tester, c.ohms); c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%g ohm: %q, want %q", c.ohms, got, c.want)
		}
	}
}
