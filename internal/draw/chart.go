package draw

import (
	"fmt"
	"math"
	"strings"
	"time"

	"creepage/internal/insulation"
)

// Reading is one mark of a chart.
type Reading struct {
	At       time.Time
	Ohms     float64
	Method   insulation.Method
	Relation insulation.Relation
	Doubted  bool   // set aside, or believed in part
	Text     string // what is said when it is pointed at
}

// Estimate is the level of a track with its 80 % interval at a time, ohm.
type Estimate struct {
	At            time.Time
	P10, P50, P90 float64
}

// Forecast is the way from a level now to the limit.
type Forecast struct {
	P10, P50, P90             float64 // ohm at today's level, at work
	DaysP10, DaysP50, DaysP90 float64 // days from Now to the limit; NaN where beyond what is forecast
}

// Event is a mark above the plot.
type Event struct {
	At   time.Time
	Kind EventKind
	Text string
}

// Chart is insulation resistance over time with all that belongs to it.
type Chart struct {
	ID          string // unique in the page; becomes part of the ids inside
	Title       string
	Description string // what the chart shows, for people who hear it; "" makes one
	From, To    time.Time
	Zone        *time.Location // whose days the axis marks; nil: UTC's
	Now         time.Time      // zero: not marked
	LimitOhms   float64        // 0: none
	LimitText   string         // such as "code limit"
	Readings    []Reading
	Estimates   []Estimate
	Forecast    *Forecast // needs Now and LimitOhms
	Events      []Event
}

// Size is a chart's size in pixels. Small leaves out all but axes, marks,
// estimate and limit.
type Size struct {
	Width, Height float64
	Small         bool
}

// Sizes for a phone, a desk and a wide screen, and for a small chart.
var (
	Narrow = Size{Width: 336, Height: 300}
	Middle = Size{Width: 920, Height: 400}
	Wide   = Size{Width: 1460, Height: 470}
	Small  = Size{Width: 320, Height: 170, Small: true}
)

// layout is a chart being drawn.
type layout struct {
	canvas
	chart  *Chart
	size   Size
	plot   box
	time   timeScale
	ohm    ohmScale
	labels labels
	key    []keyItem
}

// SVG draws the chart.
func (c *Chart) SVG(size Size) string {
	l := &layout{chart: c, size: size}
	l.key = c.keyItems(size)
	keyRows := keyHeight(l.key, size.Width)
	l.plot = box{left: 62, top: 14, right: size.Width - 12, bottom: size.Height - 40}
	if !size.Small && len(c.Events) > 0 {
		l.plot.top = 34
	}
	height := size.Height + keyRows
	l.time = timeScale{from: c.From, to: c.To, zone: c.zone(), left: l.plot.left, right: l.plot.right}
	low, high := c.span()
	l.ohm = ohmScale{low: low, high: high, top: l.plot.top, bottom: l.plot.bottom}
	l.labels.frame = box{left: 2, top: 1, right: size.Width - 2, bottom: height - 1}

	l.head(height)
	l.axes()
	l.open("g", attr{"clip-path", "url(#" + c.ID + "-clip)"})
	l.future()
	l.estimate()
	l.limit()
	l.forecast()
	l.marks()
	l.close("g")
	if !size.Small {
		l.events()
	}
	l.words()
	l.drawKey(size.Height)
	l.close("svg")
	return l.String()
}

func (l *layout) head(height float64) {
	c := l.chart
	id := c.ID
	// Where the plot lies and which days it shows, for a page's script that zooms.
	l.open("svg", attr{"xmlns", "http://www.w3.org/2000/svg"}, attr{"class", "chart"}, attr{"id", id},
		attr{"data-from", c.From.UTC().Format(time.RFC3339)}, attr{"data-to", c.To.UTC().Format(time.RFC3339)}, num("data-left", l.plot.left), num("data-right", l.plot.right),
		attr{"viewBox", fmt.Sprintf("0 0 %s %s", px(l.size.Width), px(height))}, num("width", l.size.Width), num("height", height),
		attr{"role", "img"}, attr{"aria-labelledby", id + "-title " + id + "-desc"}, attr{"font-family", "system-ui, sans-serif"}, num("font-size", fontSize))
	l.text("title", c.Title, attr{"id", id + "-title"})
	l.text("desc", c.describe(), attr{"id", id + "-desc"})
	l.open("clipPath", attr{"id", id + "-clip"})
	l.leaf("rect", num("x", l.plot.left), num("y", l.plot.top), num("width", l.plot.width()), num("height", l.plot.height()))
	l.close("clipPath")
}

// describe returns the description, or one made of what is drawn.
func (c *Chart) describe() string {
	if c.Description != "" {
		return c.Description
	}
	over := 0
	for _, r := range c.Readings {
		if r.Relation == insulation.Above {
			over++
		}
	}
	s := fmt.Sprintf("%d readings from %s to %s, %d of them over range.", len(c.Readings), c.From.In(c.zone()).Format("2 Jan 2006"), c.To.In(c.zone()).Format("2 Jan 2006"), over)
	if n := len(c.Estimates); n > 0 {
		e := c.Estimates[n-1]
		s += fmt.Sprintf(" Estimate at the end: %s, between %s and %s.", insulation.FormatOhms(e.P50), insulation.FormatOhms(e.P10), insulation.FormatOhms(e.P90))
	}
	if c.LimitOhms > 0 {
		s += fmt.Sprintf(" The %s is %s.", c.limitText(), insulation.FormatOhms(c.LimitOhms))
	}
	if f := c.Forecast; f != nil && !math.IsNaN(f.DaysP50) {
		s += " It is expected to be reached about " + c.day(f.DaysP50) + "."
	}
	return s
}

func (c *Chart) limitText() string {
	if c.LimitText == "" {
		return "limit"
	}
	return c.LimitText
}

func (c *Chart) after(days float64) time.Time {
	return c.Now.Add(time.Duration(days * 24 * float64(time.Hour)))
}

func (c *Chart) zone() *time.Location {
	if c.Zone == nil {
		return time.UTC
	}
	return c.Zone
}

func (c *Chart) day(days float64) string { return c.after(days).UTC().Format("2 Jan 2006") }

// span returns the ohm axis in log10(ohm): all marks, the limit and the
// estimate's median, with a little room, at least two decades. The band of an
// estimate made of over-range readings alone has no upper end worth its space.
func (c *Chart) span() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	take := func(ohms float64) {
		if ohms > 0 && !math.IsInf(ohms, 0) {
			y := math.Log10(ohms)
			low, high = min(low, y), max(high, y)
		}
	}
	for _, r := range c.Readings {
		if !r.Doubted {
			take(r.Ohms)
		}
	}
	for _, e := range c.Estimates {
		take(e.P50)
	}
	if c.Forecast != nil {
		take(c.Forecast.P50)
	}
	take(c.LimitOhms)
	if low > high {
		return 5, 9
	}
	low, high = low-0.5, high+0.45
	if missing := 2 - (high - low); missing > 0 {
		low, high = low-missing/2, high+missing/2
	}
	return low, high
}

func (l *layout) axes() {
	p := l.plot
	l.open("g", attr{"class", "grid"}, attr{"stroke", "#d0d0d0"}, attr{"fill", "#444"})
	for _, t := range l.ohm.ticks(20) {
		y := l.ohm.at(t.ohms)
		l.leaf("line", num("x1", p.left), num("x2", p.right), num("y1", y), num("y2", y))
		if t.label && y > p.top+4 {
			l.put(insulation.FormatOhms(t.ohms), "tick", fontSize, spot{p.left - 7, y + 4, end})
		}
	}
	for _, t := range l.time.ticks(44) {
		x := l.time.at(t.at)
		l.leaf("line", attr{"class", "stem"}, num("x1", x), num("x2", x), num("y1", p.bottom), num("y2", p.bottom+5))
		l.put(t.text, "tick", fontSize, spot{x, p.bottom + 18, middle})
		if t.year != "" {
			l.put(t.year, "tick", fontSize, spot{x, p.bottom + 33, middle})
		}
	}
	l.close("g")
	l.leaf("path", attr{"class", "axis"}, attr{"fill", "none"}, attr{"stroke", "#444"},
		attr{"d", (&path{}).move(p.left, p.top).line(p.left, p.bottom).line(p.right, p.bottom).String()})
}

// put writes a label at the first free candidate, and nothing when none is free.
func (l *layout) put(text, class string, size float64, candidates ...spot) bool {
	s, ok := l.labels.place(text, size, candidates...)
	if !ok {
		return false
	}
	attrs := []attr{{"class", class}, num("x", s.x), num("y", s.y), {"text-anchor", string(s.hang)}, {"stroke", "none"}}
	if size != fontSize {
		attrs = append(attrs, num("font-size", size))
	}
	l.text("text", text, attrs...)
	return true
}

// future tints what lies after now.
func (l *layout) future() {
	c := l.chart
	if c.Now.IsZero() || !c.Now.Before(c.To) {
		return
	}
	x := max(l.time.at(c.Now), l.plot.left)
	l.leaf("rect", attr{"class", "future"}, attr{"fill", "#f3f3f3"}, num("x", x), num("y", l.plot.top), num("width", l.plot.right-x), num("height", l.plot.height()))
	l.leaf("line", attr{"class", "now"}, attr{"stroke", "#888"}, attr{"stroke-dasharray", "1 3"}, num("x1", x), num("x2", x), num("y1", l.plot.top), num("y2", l.plot.bottom))
}

// estimate draws the band and the median. A jump of the level (a repair, a
// drop) is drawn as the days stand: the path simply goes there.
func (l *layout) estimate() {
	es := l.bends()
	if len(es) == 0 {
		return
	}
	var upper, lower []point
	var median path
	if len(es) == 1 { // a day alone has no width: it gets that of a mark
		e := es[0]
		x, half := l.time.at(e.At), markRadius
		l.leaf("path", attr{"class", "band"}, attr{"fill", "#bbb"}, attr{"fill-opacity", "0.45"},
			attr{"d", (&path{}).polygon(point{x - half, l.ohm.at(e.P90)}, point{x + half, l.ohm.at(e.P90)}, point{x + half, l.ohm.at(e.P10)}, point{x - half, l.ohm.at(e.P10)}).String()})
		median.move(x-half, l.ohm.at(e.P50)).line(x+half, l.ohm.at(e.P50))
		l.leaf("path", attr{"class", "median"}, attr{"fill", "none"}, attr{"stroke", "#333"}, attr{"stroke-width", "2"}, attr{"d", median.String()})
		return
	}
	for i, e := range es {
		x := l.time.at(e.At)
		upper = append(upper, point{x, l.ohm.at(e.P90)})
		lower = append(lower, point{x, l.ohm.at(e.P10)})
		if i == 0 {
			median.move(x, l.ohm.at(e.P50))
		} else {
			median.line(x, l.ohm.at(e.P50))
		}
	}
	for i := len(lower) - 1; i >= 0; i-- {
		upper = append(upper, lower[i])
	}
	l.leaf("path", attr{"class", "band"}, attr{"fill", "#bbb"}, attr{"fill-opacity", "0.45"}, attr{"d", (&path{}).polygon(upper...).String()})
	l.leaf("path", attr{"class", "median"}, attr{"fill", "none"}, attr{"stroke", "#333"}, attr{"stroke-width", "2"}, attr{"d", median.String()})
}

// flat is how far, in pixels, a line may stray from the days left out of it.
const flat = 0.3

// bends are the estimates at which band or median bend: the days between them
// lie on the lines within a fraction of a pixel.
func (l *layout) bends() []Estimate {
	es := l.chart.Estimates
	if len(es) < 3 {
		return es
	}
	at := func(e *Estimate) [4]float64 {
		return [4]float64{l.time.at(e.At), l.ohm.at(e.P10), l.ohm.at(e.P50), l.ohm.at(e.P90)}
	}
	keep := make([]bool, len(es))
	keep[0], keep[len(es)-1] = true, true
	var split func(a, b int)
	split = func(a, b int) {
		from, to := at(&es[a]), at(&es[b])
		worst, most := 0, flat
		for i := a + 1; i < b; i++ {
			p := at(&es[i])
			share := 0.0
			if to[0] > from[0] {
				share = (p[0] - from[0]) / (to[0] - from[0])
			}
			for k := 1; k < 4; k++ {
				if off := math.Abs(p[k] - from[k] - share*(to[k]-from[k])); off > most {
					worst, most = i, off
				}
			}
		}
		if worst > 0 {
			keep[worst] = true
			split(a, worst)
			split(worst, b)
		}
	}
	split(0, len(es)-1)
	var out []Estimate
	for i, k := range keep {
		if k {
			out = append(out, es[i])
		}
	}
	return out
}

func (l *layout) limit() {
	if l.chart.LimitOhms <= 0 {
		return
	}
	y := l.ohm.at(l.chart.LimitOhms)
	l.leaf("line", attr{"class", "limit"}, attr{"stroke", "#000"}, attr{"stroke-width", "2"}, attr{"stroke-dasharray", "9 4"},
		num("x1", l.plot.left), num("x2", l.plot.right), num("y1", y), num("y2", y))
}

func (c *Chart) hasForecast() bool {
	return c.Forecast != nil && !c.Now.IsZero() && c.LimitOhms > 0 && c.Forecast.P50 > c.LimitOhms && c.Now.Before(c.To)
}

// forecast draws the fan from the level at work now to the limit. An end that
// lies beyond what is forecast runs level to the edge: nothing is known there.
func (l *layout) forecast() {
	c := l.chart
	if !c.hasForecast() {
		return
	}
	f := c.Forecast
	x := l.time.at(c.Now)
	limit := l.ohm.at(c.LimitOhms)
	reach := func(days, ohms float64) point {
		if math.IsNaN(days) {
			return point{l.plot.right, l.ohm.at(ohms)}
		}
		return point{l.time.at(c.after(days)), limit}
	}
	late, early, mid := reach(f.DaysP90, f.P90), reach(f.DaysP10, max(f.P10, c.LimitOhms)), reach(f.DaysP50, f.P50)
	fan := []point{{x, l.ohm.at(f.P90)}, late}
	if math.IsNaN(f.DaysP90) && !math.IsNaN(f.DaysP10) {
		fan = append(fan, point{l.plot.right, limit})
	}
	fan = append(fan, early, point{x, l.ohm.at(max(f.P10, c.LimitOhms))})
	l.leaf("path", attr{"class", "fan"}, attr{"fill", "#888"}, attr{"fill-opacity", "0.22"}, attr{"d", (&path{}).polygon(fan...).String()})
	if !math.IsNaN(f.DaysP50) {
		l.leaf("path", attr{"class", "course"}, attr{"fill", "none"}, attr{"stroke", "#333"}, attr{"stroke-width", "2"}, attr{"stroke-dasharray", "2 4"}, attr{"stroke-linecap", "round"},
			attr{"d", (&path{}).move(x, l.ohm.at(f.P50)).line(mid.x, mid.y).String()})
		l.leaf("path", attr{"class", "expected"}, attr{"fill", "#fff"}, attr{"stroke", "#000"}, attr{"stroke-width", "2"},
			attr{"d", (&path{}).polygon(point{mid.x - 7, limit - 7}, point{mid.x + 7, limit - 7}, point{mid.x, limit + 1}).String()})
	}
}

// marks draws all readings of one look as one path, for a monitor may send a
// value a day for years. What is said of each stands in the path as metadata,
// a line a mark in the path's order, with the time in minutes since 1970.
func (l *layout) marks() {
	l.open("g", attr{"class", "marks"}, attr{"stroke", "#222"}, attr{"fill", "#222"}, attr{"stroke-width", "1.3"})
	for _, m := range []insulation.Method{insulation.Monitor, insulation.Voltmeter, insulation.Tester} {
		for _, rel := range []insulation.Relation{insulation.Equal, insulation.Below, insulation.Above} {
			for _, doubted := range []bool{false, true} {
				l.marksOf(m, rel, doubted)
			}
		}
	}
	l.close("g")
}

func (l *layout) marksOf(m insulation.Method, rel insulation.Relation, doubted bool) {
	var shapes, said strings.Builder
	r, dense := radius(m, l.size.Small), m == insulation.Monitor && l.dense()
	if dense {
		r *= denseFactor
	}
	for i := range l.chart.Readings {
		q := &l.chart.Readings[i]
		if q.Method != m || q.Relation != rel || q.Doubted != doubted {
			continue
		}
		shapes.WriteString(markPath(l.time.at(q.At), l.ohm.at(q.Ohms), r, m, rel, doubted))
		fmt.Fprintf(&said, "%s\t%d\n", q.Text, q.At.Unix()/60)
	}
	if shapes.Len() == 0 {
		return
	}
	attrs := []attr{{"class", markClass(m, rel, doubted)}}
	if dense {
		attrs[0].value += " dense"
		attrs = append(attrs, attr{"stroke-width", "0.6"})
	}
	if rel != insulation.Equal || doubted {
		attrs = append(attrs, attr{"fill", "none"})
	}
	attrs = append(attrs, attr{"d", shapes.String()})
	if l.size.Small {
		l.leaf("path", attrs...)
		return
	}
	l.open("path", append(attrs, num("data-half", halfWidth(m, r)))...)
	l.text("metadata", strings.TrimSuffix(said.String(), "\n"))
	l.close("path")
}

// dense says whether a monitor's marks stand so close that full ones would run
// into one another.
func (l *layout) dense() bool {
	n := 0
	for i := range l.chart.Readings {
		if l.chart.Readings[i].Method == insulation.Monitor {
			n++
		}
	}
	return float64(n)*monitorRadius > l.plot.width()
}

func (l *layout) events() {
	if len(l.chart.Events) == 0 {
		return
	}
	l.open("g", attr{"class", "events"}, attr{"stroke", "#222"}, attr{"fill", "#222"}, attr{"stroke-width", "1.3"})
	y := l.plot.top - 16
	for _, e := range l.chart.Events {
		x := l.time.at(e.At)
		if x < l.plot.left || x > l.plot.right {
			continue
		}
		l.leaf("line", attr{"class", "drop"}, attr{"stroke", "#999"}, attr{"stroke-dasharray", "1 4"}, num("x1", x), num("x2", x), num("y1", y+7), num("y2", l.plot.bottom))
		attrs := []attr{{"class", "event " + eventClasses[e.Kind]}}
		if e.Kind != WarningRaise && e.Kind != Code {
			attrs = append(attrs, attr{"fill", "#fff"})
		}
		l.open("path", append(attrs, attr{"d", eventPath(x, y, e.Kind)})...)
		l.text("title", e.Text)
		l.close("path")
		l.labels.reserve(box{x - 8, y - 8, x + 10, y + 8})
	}
	l.close("g")
}

// words writes the labels inside the plot, most important first.
func (l *layout) words() {
	c, p := l.chart, l.plot
	l.open("g", attr{"class", "words"}, attr{"fill", "#111"}, attr{"paint-order", "stroke"})
	if c.LimitOhms > 0 {
		y := l.ohm.at(c.LimitOhms)
		text := c.limitText() + " " + insulation.FormatOhms(c.LimitOhms)
		under, over := spot{p.left + 6, y + 15, start}, spot{p.left + 6, y - 7, start}
		if y+20 > p.bottom { // there the axis stands in the way
			under, over = over, under
		}
		l.put(text, "word limit-word", fontSize, under, over, spot{p.right - 6, y + 15, end})
	}
	if c.hasForecast() && !l.size.Small && !math.IsNaN(c.Forecast.DaysP50) {
		x, y := min(l.time.at(c.after(c.Forecast.DaysP50)), p.right-4), l.ohm.at(c.LimitOhms)
		text := "about " + c.day(c.Forecast.DaysP50)
		l.put(text, "word expected-word", fontSize+1, spot{x, y - 14, middle}, spot{p.right - 4, y - 14, end}, spot{p.right - 4, y + 17, end}, spot{p.right - 4, y + 33, end}, spot{p.right - 4, y - 30, end})
	}
	if !c.Now.IsZero() && c.Now.Before(c.To) && !l.size.Small {
		x := l.time.at(c.Now)
		l.put("today", "word now-word", fontSize, spot{x + 5, p.top + 13, start}, spot{x - 5, p.top + 13, end}, spot{x + 5, p.bottom - 6, start})
	}
	l.close("g")
}
