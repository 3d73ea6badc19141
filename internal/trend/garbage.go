package trend

import (
	"fmt"
	"math"

	"creepage/internal/insulation"
)

// beyondRange is how far above the top of its own meter's range a value cannot
// lie: well above what a meter may show of the next range, well below a slip of a thousand.
const beyondRange = 100

// Impossible returns why what is stated cannot be a reading, or "". Nothing is
// mended: the row is set aside with this reason.
func Impossible(r *insulation.Reading) string {
	if why := impossibleOhms(r.Ohms); why != "" {
		return why
	}
	if r.RangeOhms > 0 && r.Ohms > beyondRange*r.RangeOhms {
		return fmt.Sprintf("%s is %.0f times the top of its meter's range, %s: %s", Ohms(r.Ohms), r.Ohms/r.RangeOhms, Ohms(r.RangeOhms), slipOfUnit)
	}
	return ""
}

func impossibleOhms(ohms float64) string {
	switch {
	case math.IsNaN(ohms) || math.IsInf(ohms, 0):
		return fmt.Sprintf("resistance %v is no number", ohms)
	case ohms == 0:
		return "resistance 0: an empty field or no measurement; a true short is stated as below the meter's range"
	case ohms < 0:
		return fmt.Sprintf("resistance %g ohm is negative", ohms)
	case ohms < 1:
		return fmt.Sprintf("resistance %g ohm is below what any insulation meter shows", ohms)
	case ohms > 1e14:
		return fmt.Sprintf("resistance %g ohm is above what any insulation meter shows", ohms)
	}
	// All-ones patterns of 16 and 32 bits and the one below ("invalid",
	// "abnormal" in GB/T 32960.3-2016) at the usual scales.
	for _, scale := range [...]float64{1, 1e2, 1e3, 1e4, 1e5, 1e6} {
		v := ohms / scale
		for _, bad := range [...]float64{0xFFFF, 0xFFFE, 0xFFFFFFFF, 0xFFFFFFFE} {
			if math.Abs(v-bad) < 1e-6*bad/0xFFFF {
				return fmt.Sprintf("resistance %g ohm is the all-ones pattern %.0f: the sender had no value", ohms, bad)
			}
		}
	}
	return ""
}

// slip returns by how many decades (+3 or -3) a level is off when a unit slip
// of a thousand explains it and little else does, or 0: it lies far outside
// what is expected, and well inside once undone. exact says that it fits so well
// that no other reading is needed to tell.
func slip(level, mean, variance, noise float64) (by float64, exact bool) {
	s := math.Sqrt(variance + noise)
	if s > 0.6 {
		return 0, false // too little is known to tell a slip from a change
	}
	d := level - mean
	if math.Abs(d) < 2.2 || math.Abs(d) < 4*s {
		return 0, false
	}
	by = math.Copysign(3, d)
	off := math.Abs(d - by)
	if off > min(2*s, 0.7) {
		return 0, false
	}
	return by, s <= 0.3 && off <= min(1.5*s, 0.35)
}
