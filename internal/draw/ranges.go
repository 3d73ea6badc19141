package draw

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Range is a number with its interval; NaN: none.
type Range struct {
	Low, Mid, High float64
	Text           string // written at the right, such as "1.2 (0 to 3)"
}

// RangeRow is a line of Ranges: one mark of each series.
type RangeRow struct {
	Label  string
	Ranges []Range
}

// Ranges is a chart of numbers with their intervals, row by row.
type Ranges struct {
	Title string
	Axis  string   // what the numbers are, under the axis
	Names []string // of the series, in the order of a row's ranges; told in the key where there are several
	Rows  []RangeRow
	Width float64
}

// SVG draws the chart. Series differ by the shape of their marks: a disc, a
// square, an open lozenge.
func (r *Ranges) SVG() string {
	const top, line, gap, under, labels = 6.0, 15.0, 7.0, 40.0, 140.0
	texts := r.textRoom()
	series := max(1, len(r.Names))
	rowHeight := line*float64(series) + gap
	h := top + rowHeight*float64(max(1, len(r.Rows))) + under
	key := 0.0
	if series > 1 {
		key = 20
	}
	plot := box{left: labels, top: top, right: r.Width - texts, bottom: h - under}
	low, high := r.span()
	scale := linearScale{low: low, high: high, from: plot.left + 6, to: plot.right - 6}
	var c canvas
	c.begin(r.Title, fmt.Sprintf("%s: %d rows. %s.", r.Title, len(r.Rows), r.Axis), r.Width, h+key)
	for _, v := range scale.ticks(int(math.Max(2, plot.width()/52)), false) {
		x := scale.at(v)
		c.leaf("line", attr{"class", "grid"}, attr{"stroke", "#d0d0d0"}, num("x1", x), num("x2", x), num("y1", plot.top), num("y2", plot.bottom))
		c.text("text", shortNumber(v), attr{"class", "words"}, attr{"fill", "#444"}, attr{"text-anchor", "middle"}, num("x", x), num("y", plot.bottom+14), num("font-size", 11))
	}
	if low <= 0 && high >= 0 {
		c.leaf("line", attr{"class", "axis"}, attr{"stroke", "#444"}, num("x1", scale.at(0)), num("x2", scale.at(0)), num("y1", plot.top), num("y2", plot.bottom))
	}
	for i, row := range r.Rows {
		y := plot.top + rowHeight*float64(i) + gap/2
		if i > 0 {
			c.leaf("line", attr{"class", "grid"}, attr{"stroke", "#d0d0d0"}, num("x1", 2), num("x2", r.Width-2), num("y1", y-gap/2), num("y2", y-gap/2))
		}
		c.text("text", fit(row.Label, labels-10, fontSize), attr{"class", "words"}, attr{"fill", "#222"}, num("x", 2), num("y", y+line*float64(series)/2+4))
		for j, one := range row.Ranges {
			r.mark(&c, scale, j, y+line*(float64(j)+0.5), one)
			c.text("text", fit(one.Text, texts-8, 11), attr{"class", "words"}, attr{"fill", "#222"}, num("x", plot.right+8), num("y", y+line*(float64(j)+0.5)+4), num("font-size", 11))
		}
	}
	c.text("text", r.Axis, attr{"class", "words"}, attr{"fill", "#444"}, attr{"text-anchor", "middle"}, num("x", (plot.left+plot.right)/2), num("y", plot.bottom+30), num("font-size", 11))
	if series > 1 {
		r.key(&c, h)
	}
	c.close("svg")
	return c.String()
}

// textRoom is how wide the column of texts is, at most two fifths of the chart.
func (r *Ranges) textRoom() float64 {
	widest := 0.0
	for _, row := range r.Rows {
		for _, one := range row.Ranges {
			widest = max(widest, textWidth(one.Text, 11))
		}
	}
	return min(widest+16, r.Width*0.4)
}

func (r *Ranges) key(c *canvas, y float64) {
	x := 2.0
	for j, name := range r.Names {
		c.leaf("path", append(seriesStyle(j), attr{"d", seriesPath(j, x+6, y+6)})...)
		c.text("text", name, attr{"class", "words"}, attr{"fill", "#444"}, num("x", x+18), num("y", y+10))
		x += 18 + textWidth(name, fontSize) + keyGap
	}
}

func (r *Ranges) mark(c *canvas, s linearScale, series int, y float64, v Range) {
	if !math.IsNaN(v.Low) && !math.IsNaN(v.High) {
		a, b := s.at(v.Low), s.at(v.High)
		c.leaf("line", attr{"class", "whisker"}, attr{"stroke", "#444"}, attr{"stroke-width", "1.6"}, num("x1", a), num("x2", b), num("y1", y), num("y2", y))
		for _, x := range []float64{a, b} {
			c.leaf("line", attr{"class", "whisker"}, attr{"stroke", "#444"}, attr{"stroke-width", "1.6"}, num("x1", x), num("x2", x), num("y1", y-3.5), num("y2", y+3.5))
		}
	}
	if !math.IsNaN(v.Mid) {
		c.leaf("path", append(seriesStyle(series), attr{"d", seriesPath(series, s.at(v.Mid), y)})...)
	}
}

// span is the axis: all that is drawn and zero.
func (r *Ranges) span() (low, high float64) {
	for _, row := range r.Rows {
		for _, v := range row.Ranges {
			for _, x := range []float64{v.Low, v.Mid, v.High} {
				if !math.IsNaN(x) {
					low, high = min(low, x), max(high, x)
				}
			}
		}
	}
	if low == high {
		return low, low + 1
	}
	return low, high
}

func seriesStyle(j int) []attr {
	fill := "#222"
	if j == 2 {
		fill = "#fff"
	}
	return []attr{{"class", [...]string{"point", "point", "point open"}[min(j, 2)]}, {"fill", fill}, {"stroke", "#222"}, {"stroke-width", "1.3"}}
}

func seriesPath(j int, x, y float64) string {
	var p path
	switch j {
	case 0:
		p.circle(x, y, 4)
	case 1:
		p.polygon(point{x - 3.6, y - 3.6}, point{x + 3.6, y - 3.6}, point{x + 3.6, y + 3.6}, point{x - 3.6, y + 3.6})
	default:
		p.polygon(point{x, y - 5}, point{x + 5, y}, point{x, y + 5}, point{x - 5, y})
	}
	return p.String()
}

// fit cuts a label to a width in pixels and shows that it did.
func fit(s string, width, size float64) string {
	if textWidth(s, size) <= width {
		return s
	}
	runes := []rune(s)
	for len(runes) > 1 && textWidth(string(runes)+"…", size) > width {
		runes = runes[:len(runes)-1]
	}
	return strings.TrimRight(string(runes), " -_.") + "…"
}

func shortNumber(v float64) string {
	if math.Abs(v) < 1e-12 {
		return "0"
	}
	return strings.Replace(strconv.FormatFloat(v, 'g', 4, 64), "-", "−", 1)
}
