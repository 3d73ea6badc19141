package draw

import (
	"math"
	"time"
)

// SparkPoint is a level at a time, ohm.
type SparkPoint struct {
	At   time.Time
	Ohms float64
	Over bool // over range: the true value is above
}

// Spark draws a line of a word's height: the points in order of time and the
// limit under them. What is over range is a bound: an open arrowhead that no
// line runs through. It carries no text but its title.
func Spark(title string, points []SparkPoint, limitOhms float64) string {
	const width, height, pad = 132.0, 34.0, 4.0
	var c canvas
	c.open("svg", attr{"xmlns", "http://www.w3.org/2000/svg"}, attr{"class", "spark"}, attr{"viewBox", "0 0 132 34"}, num("width", width), num("height", height), attr{"role", "img"}, attr{"aria-label", title})
	if len(points) > 0 {
		low, high := math.Inf(1), math.Inf(-1)
		take := func(ohms float64) {
			if ohms > 0 {
				low, high = min(low, math.Log10(ohms)), max(high, math.Log10(ohms))
			}
		}
		for _, p := range points {
			take(p.Ohms)
		}
		take(limitOhms)
		if high-low < 1 {
			high, low = (high+low)/2+0.5, (high+low)/2-0.5
		}
		from, to := points[0].At, points[len(points)-1].At
		if !to.After(from) {
			from = to.AddDate(0, 0, -30)
		}
		t := timeScale{from: from, to: to, left: pad, right: width - 2*pad}
		y := ohmScale{low: low, high: high, top: pad + 2, bottom: height - pad}
		if limitOhms > 0 {
			c.leaf("line", attr{"class", "limit"}, attr{"stroke", "#000"}, attr{"stroke-dasharray", "4 2"}, num("x1", 0), num("x2", width), num("y1", y.at(limitOhms)), num("y2", y.at(limitOhms)))
		}
		var line, over path
		joined := false
		for _, p := range points {
			x, at := t.at(p.At), y.at(p.Ohms)
			switch {
			case p.Over:
				over.move(x-3, at+2).line(x, at-2).line(x+3, at+2)
			case joined:
				line.line(x, at)
			default:
				line.move(x, at)
			}
			joined = !p.Over
		}
		if line.Len() > 0 {
			c.leaf("path", attr{"class", "median"}, attr{"fill", "none"}, attr{"stroke", "#333"}, attr{"stroke-width", "1.8"}, attr{"stroke-linejoin", "round"}, attr{"d", line.String()})
		}
		if over.Len() > 0 {
			c.leaf("path", attr{"class", "over"}, attr{"fill", "none"}, attr{"stroke", "#222"}, attr{"stroke-width", "1.3"}, attr{"d", over.String()})
		}
		if last := points[len(points)-1]; !last.Over {
			c.leaf("circle", attr{"class", "end"}, attr{"fill", "#222"}, attr{"stroke", "#222"}, num("cx", t.at(last.At)), num("cy", y.at(last.Ohms)), num("r", 3))
		}
	}
	c.close("svg")
	return c.String()
}

// State is an outlook's state as the glyph shows it.
type State string

// States, by the contract's words.
const (
	Steady  State = "steady"
	Falling State = "falling"
	Due     State = "due"
	Under   State = "under"
	Unknown State = "unknown"
)

// Glyph draws a state as a stroke against a base line that stands for the
// limit: level above it, sloping above it, sloping down onto it, a block under
// it, or dots where too little is known. It never stands without the word.
func Glyph(s State) string {
	var c canvas
	c.open("svg", attr{"xmlns", "http://www.w3.org/2000/svg"}, attr{"class", "glyph " + string(s)}, attr{"viewBox", "0 0 28 20"}, attr{"width", "28"}, attr{"height", "20"}, attr{"aria-hidden", "true"})
	base := 14.5
	c.leaf("line", attr{"class", "base"}, attr{"stroke", "#888"}, attr{"stroke-width", "1.5"}, num("x1", 1), num("x2", 27), num("y1", base), num("y2", base))
	stroke := []attr{{"class", "stroke"}, {"fill", "none"}, {"stroke", "#222"}, {"stroke-width", "3"}, {"stroke-linecap", "round"}, {"stroke-linejoin", "round"}}
	var p path
	switch s {
	case Steady:
		p.move(3, 5).line(25, 5)
	case Falling:
		p.move(3, 3).line(14, 4.5).line(25, 9)
	case Due:
		p.move(3, 3).line(13, 5.5).line(24, 12.5)
	case Under:
		c.leaf("rect", attr{"class", "block"}, attr{"fill", "#222"}, num("x", 9), num("y", base-0.7), num("width", 16), num("height", 5.7))
		p.move(3, 3).line(9, 13)
	default:
		stroke = append(stroke, attr{"stroke-dasharray", "0.1 7"})
		p.move(4, 6).line(26, 6)
	}
	c.leaf("path", append(stroke, attr{"d", p.String()})...)
	c.close("svg")
	return c.String()
}
