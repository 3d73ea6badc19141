package insulation

import (
	"fmt"
	"math"
)

// noValues are what a field of a data link holds where the sender has no value. A
// field of all ones, and all ones less one, mean "invalid" and "abnormal" in the
// telematics frames of GB/T 32960.3-2016 (two bytes, 1 kohm a step, FFFFh and FFFEh);
// wider fields are filled in the same way.
var noValues = [...]struct {
	value float64
	name  string
	typed bool // also met in what people and their programs hand on as a tester's reading
}{
	{1<<16 - 1, "a two-byte field of all ones (FFFFh, invalid)", true},
	{1<<16 - 2, "a two-byte field's FFFEh (abnormal)", true},
	{1<<24 - 1, "a three-byte field of all ones (invalid)", false},
	{1<<24 - 2, "a three-byte field's all ones less one (abnormal)", false},
	{1<<32 - 1, "a four-byte field of all ones (invalid)", true},
	{1<<32 - 2, "a four-byte field's all ones less one (abnormal)", true},
}

// Filler says which filler value of a data link a resistance (ohm) is, or "" if it
// may be a measured value. Only on-board values travel over such links, in steps of
// an ohm or a kilohm; a tester's display does not, so that a row with such a value is
// taken and what it says is doubted (Impossible).
func Filler(m Method, ohms float64) string {
	if m != Monitor {
		return ""
	}
	for _, f := range &noValues {
		if ohms == f.value || ohms == f.value*1000 {
			return f.name
		}
	}
	return ""
}

// Impossible returns why no reading can have this resistance (ohm), whatever was
// measured, or "".
func Impossible(m Method, ohms float64) string {
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
	for _, scale := range [...]float64{1, 1e2, 1e3, 1e4, 1e5, 1e6} { // the usual ones; common practice, no source
		v := ohms / scale
		for i := range noValues {
			if f := &noValues[i]; f.typed && math.Abs(v-f.value) < 1e-6*f.value/0xFFFF {
				return fmt.Sprintf("resistance %g ohm is the all-ones pattern %.0f: the sender had no value", ohms, f.value)
			}
		}
	}
	if filler := Filler(m, ohms); filler != "" {
		return fmt.Sprintf("resistance %g ohm is %s: the sender had no value", ohms, filler)
	}
	return ""
}
