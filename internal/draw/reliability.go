package draw

import (
	"fmt"
	"math"
)

// Share compares a stated probability with how often it came true.
type Share struct {
	Stated, Observed float64
	N                int // of how many
}

// Reliability draws observed against stated probability, both from 0 to 1, with
// the line on which they agree. The bar of a point is its 95 % interval (Wilson
// 1927) as if its outlooks were independent; those of one vehicle are not, so
// the truth may lie further off.
func Reliability(title string, shares []Share) string {
	const size, left, top, side = 340.0, 52.0, 12.0, 270.0
	var c canvas
	at := func(x, y float64) (float64, float64) { return left + side*x, top + side*(1-y) }
	c.open("svg", attr{"xmlns", "http://www.w3.org/2000/svg"}, attr{"class", "chart"}, attr{"viewBox", "0 0 340 330"}, num("width", size), num("height", 330),
		attr{"role", "img"}, attr{"aria-label", title}, attr{"font-family", "system-ui, sans-serif"}, num("font-size", fontSize))
	c.text("title", title)
	for i := 0; i <= 5; i++ {
		v := float64(i) / 5
		x, y := at(v, v)
		x0, y0 := at(0, 0)
		x1, y1 := at(1, 1)
		for _, l := range [][4]float64{{x, y0, x, y1}, {x0, y, x1, y}} {
			c.leaf("line", attr{"class", "grid"}, attr{"stroke", "#ccc"}, num("stroke-width", 1), num("x1", l[0]), num("y1", l[1]), num("x2", l[2]), num("y2", l[3]))
		}
		word := fmt.Sprintf("%.0f %%", 100*v)
		c.text("text", word, attr{"class", "words"}, attr{"fill", "#222"}, attr{"text-anchor", "middle"}, num("x", x), num("y", y0+16))
		c.text("text", word, attr{"class", "words"}, attr{"fill", "#222"}, attr{"text-anchor", "end"}, num("x", x0-6), num("y", y+4))
	}
	x0, y0 := at(0, 0)
	x1, y1 := at(1, 1)
	c.leaf("line", attr{"class", "limit"}, attr{"stroke", "#222"}, attr{"stroke-dasharray", "5 3"}, num("stroke-width", 1.2), num("x1", x0), num("y1", y0), num("x2", x1), num("y2", y1))
	for _, s := range shares {
		if s.N == 0 {
			continue
		}
		low, high := wilson(s.Observed, float64(s.N))
		x, y := at(s.Stated, s.Observed)
		_, a := at(0, low)
		_, b := at(0, high)
		c.leaf("line", attr{"class", "axis"}, attr{"stroke", "#666"}, num("stroke-width", 1.4), num("x1", x), num("y1", a), num("x2", x), num("y2", b))
		c.leaf("circle", attr{"class", "mark"}, attr{"fill", "#521a46"}, attr{"stroke", "none"}, num("cx", x), num("cy", y), num("r", 3.6))
	}
	c.text("text", "stated within 90 days; upwards: came true", attr{"class", "words"}, attr{"fill", "#222"}, attr{"text-anchor", "middle"}, num("x", left+side/2), num("y", 322))
	c.close("svg")
	return c.String()
}

// wilson is the 95 % score interval of a share p of n (Wilson 1927).
func wilson(p, n float64) (low, high float64) {
	const z = 1.959963984540054
	d := 1 + z*z/n
	middle := (p + z*z/(2*n)) / d
	half := z * math.Sqrt(p*(1-p)/n+z*z/(4*n*n)) / d
	return middle - half, middle + half
}
