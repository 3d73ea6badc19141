package draw

import (
	"fmt"
	"math"
	"strconv"
)

// Bar is one column of Bars: its parts stand on one another.
type Bar struct {
	Label string // under it
	Below string // a second line, where something begins, such as a year; may be ""
	Parts []float64
}

// Bars is a chart of counts or shares, one column after another.
type Bars struct {
	Title   string
	Names   []string // of the parts, the lowest first; told in the key where there are several
	Bars    []Bar
	Percent bool // the values are shares from 0 to 1
	Size    Size
}

// SVG draws the chart. Parts differ by their ground, dark or open, so that they
// are told apart in grey.
func (b *Bars) SVG() string {
	const left, top, under, row = 46.0, 16.0, 36.0, 19.0
	w, h := b.Size.Width, b.Size.Height
	key := 0.0
	if len(b.Names) > 1 {
		key = row + 4
	}
	plot := box{left: left, top: top, right: w - 6, bottom: h - under}
	var c canvas
	c.begin(b.Title, b.describe(), w, h+key)
	most := 0.0
	for _, one := range b.Bars {
		most = max(most, sum(one.Parts))
	}
	scale := linearScale{low: 0, high: b.top(most), from: plot.bottom, to: plot.top}
	c.rules(scale.ticks(4, !b.Percent), func(v float64) string { return b.text(v) }, scale, plot)
	pitch := plot.width() / math.Max(1, float64(len(b.Bars)))
	thick := math.Min(pitch*0.72, 34)
	every := int(math.Ceil(30 / pitch))
	for i, one := range b.Bars {
		x := plot.left + pitch*(float64(i)+0.5)
		y := 0.0
		for j, v := range one.Parts {
			if !(v > 0) {
				continue
			}
			low, high := scale.at(y), scale.at(y+v)
			c.leaf("rect", append(partStyle(j), num("x", x-thick/2), num("y", high), num("width", thick), num("height", low-high))...)
			y += v
		}
		if total := sum(one.Parts); pitch >= 24 && total > 0 {
			c.text("text", b.text(total), attr{"class", "words"}, attr{"fill", "#222"}, attr{"text-anchor", "middle"}, num("x", x), num("y", scale.at(y)-4), num("font-size", 10))
		}
		if every > 0 && (i%every == 0 || one.Below != "" && every == 1) {
			c.text("text", one.Label, attr{"class", "words"}, attr{"fill", "#444"}, attr{"text-anchor", "middle"}, num("x", x), num("y", plot.bottom+15), num("font-size", 11))
		}
		if one.Below != "" {
			c.text("text", one.Below, attr{"class", "words"}, attr{"fill", "#444"}, attr{"text-anchor", "middle"}, num("x", x), num("y", plot.bottom+29), num("font-size", 11))
		}
	}
	c.leaf("line", attr{"class", "axis"}, attr{"stroke", "#444"}, num("x1", plot.left), num("x2", plot.right), num("y1", plot.bottom), num("y2", plot.bottom))
	if key > 0 {
		x := plot.left
		for j, name := range b.Names {
			c.leaf("rect", append(partStyle(j), num("x", x), num("y", h+1), num("width", 16), num("height", 11))...)
			c.text("text", name, attr{"class", "words"}, attr{"fill", "#444"}, num("x", x+22), num("y", h+11))
			x += 22 + textWidth(name, fontSize) + keyGap
		}
	}
	c.close("svg")
	return c.String()
}

// top is the upper end of the axis.
func (b *Bars) top(most float64) float64 {
	switch {
	case b.Percent:
		return 1
	case most < 4:
		return 4
	}
	return most * 1.08
}

func (b *Bars) text(v float64) string {
	if b.Percent {
		return fmt.Sprintf("%.0f %%", 100*v)
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

func (b *Bars) describe() string {
	return fmt.Sprintf("%s: %d columns.", b.Title, len(b.Bars))
}

// partStyle is the ground of a stacked part: dark, open, then something between.
func partStyle(j int) []attr {
	switch j {
	case 0:
		return []attr{{"class", "bar first"}, {"fill", "#444"}, {"stroke", "#444"}, {"stroke-width", "1"}}
	case 1:
		return []attr{{"class", "bar second"}, {"fill", "#fff"}, {"stroke", "#444"}, {"stroke-width", "1"}}
	}
	return []attr{{"class", "bar third"}, {"fill", "#bbb"}, {"stroke", "#444"}, {"stroke-width", "1"}}
}

func sum(x []float64) float64 {
	total := 0.0
	for _, v := range x {
		if v > 0 {
			total += v
		}
	}
	return total
}

// linearScale maps numbers to pixels.
type linearScale struct{ low, high, from, to float64 }

func (s linearScale) at(v float64) float64 {
	return s.from + (s.to-s.from)*(v-s.low)/(s.high-s.low)
}

// ticks returns about n round numbers within the scale, whole ones only where asked.
func (s linearScale) ticks(n int, whole bool) []float64 {
	span := s.high - s.low
	step := math.Pow(10, math.Floor(math.Log10(span/float64(n))))
	for _, m := range []float64{1, 2, 5, 10} {
		if span/(step*m) <= float64(n)+0.5 {
			step *= m
			break
		}
	}
	if whole {
		step = math.Max(1, step)
	}
	var list []float64
	for i := int(math.Ceil(s.low/step - 1e-9)); float64(i)*step <= s.high+1e-9*span; i++ {
		list = append(list, float64(i)*step)
	}
	return list
}

// begin opens an SVG with its title and description.
func (c *canvas) begin(title, description string, width, height float64) {
	c.open("svg", attr{"xmlns", "http://www.w3.org/2000/svg"}, attr{"class", "chart"}, attr{"viewBox", fmt.Sprintf("0 0 %s %s", px(width), px(height))}, num("width", width), num("height", height),
		attr{"role", "img"}, attr{"aria-label", title}, attr{"font-family", "system-ui, sans-serif"}, num("font-size", fontSize))
	c.text("title", title)
	c.text("desc", description)
}

// rules draws lines across the plot with their numbers at the left.
func (c *canvas) rules(ticks []float64, write func(float64) string, s linearScale, plot box) {
	for _, v := range ticks {
		y := s.at(v)
		c.leaf("line", attr{"class", "grid"}, attr{"stroke", "#d0d0d0"}, num("x1", plot.left), num("x2", plot.right), num("y1", y), num("y2", y))
		c.text("text", write(v), attr{"class", "words"}, attr{"fill", "#444"}, attr{"text-anchor", "end"}, num("x", plot.left-6), num("y", y+4), num("font-size", 11))
	}
}
