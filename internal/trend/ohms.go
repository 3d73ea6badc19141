package trend

import (
	"fmt"
	"math"
)

// Ohms writes a resistance as people say it, to two figures: "2.1 MΩ".
func Ohms(ohms float64) string {
	for _, u := range []struct {
		unit  string
		scale float64
	}{{"TΩ", 1e12}, {"GΩ", 1e9}, {"MΩ", 1e6}, {"kΩ", 1e3}} {
		if ohms >= 0.995*u.scale {
			x := ohms / u.scale
			digits := 0
			if x < 9.95 {
				digits = 1
			}
			if x >= 99.5 {
				x = 10 * math.Round(x/10)
			}
			return fmt.Sprintf("%.*f %s", digits, x, u.unit)
		}
	}
	return fmt.Sprintf("%.0f Ω", ohms)
}
