package review

import (
	"math"
	"testing"
)

// Two of five meters meet at every point of forty vehicles, one of them reads
// half of what is there.
func TestOneBadMeterIsFoundAndItsPeersAreNotBlamed(t *testing.T) {
	meters := []string{"a", "b", "c", "d", "low"}
	var looks []Look
	for v := range int64(40) {
		for p := range int64(3) {
			level := 8.5 + 0.4*math.Sin(float64(7*v+p))
			for k := range int64(2) {
				m := (v + p + k*(1+v%4)) % 5
				off := 0.0
				if meters[m] == "low" {
					off = math.Log10(0.5)
				}
				looks = append(looks, Look{Vehicle: v, Point: p, Meter: meters[m], Level: level + off + 0.03*math.Sin(float64(11*v+5*p+3*k))})
			}
		}
	}
	for meter, m := range Offsets(looks) {
		want := 0.0
		if meter == "low" {
			want = math.Log10(0.5)
		}
		near(t, meter, m.Mean, want, 0.03)
		if found := m.OffZero() < 0.001; found != (meter == "low") {
			t.Errorf("%s: offset %.3f, p %.4f", meter, m.Mean, m.OffZero())
		}
	}
}

func TestAMeterThatSharedNoPointIsNotCompared(t *testing.T) {
	got := Offsets([]Look{{1, 1, "a", 8}, {1, 2, "b", 8}, {2, 1, "a", 8}, {2, 1, "c", 8.2}})
	if _, ok := got["b"]; ok || len(got) != 2 {
		t.Errorf("compared %v", got)
	}
}
