package draw

import (
	"creepage/internal/insulation"
)

// keyItem is one entry of the key under a chart: a mark and its meaning.
type keyItem struct {
	text string
	draw func(l *layout, x, y float64)
}

const (
	keyRow  = 19.0
	keyMark = 26.0 // room of the mark left of the text
	keyGap  = 16.0
)

var methodNames = map[insulation.Method]string{
	insulation.Tester: "insulation tester", insulation.Monitor: "on-board monitor", insulation.Voltmeter: "voltmeter method",
}

// keyItems lists what this chart shows, in a fixed order.
func (c *Chart) keyItems(size Size) []keyItem {
	if size.Small {
		return nil
	}
	var items []keyItem
	for _, m := range []insulation.Method{insulation.Tester, insulation.Monitor, insulation.Voltmeter} {
		if c.any(func(r Reading) bool { return r.Method == m }) {
			items = append(items, readingItem(methodNames[m], m, insulation.Equal, false))
		}
	}
	method := insulation.Tester
	if len(c.Readings) > 0 {
		method = c.Readings[0].Method
	}
	if c.any(func(r Reading) bool { return r.Relation == insulation.Above }) {
		items = append(items, readingItem("over range: more than", method, insulation.Above, false))
	}
	if c.any(func(r Reading) bool { return r.Relation == insulation.Below }) {
		items = append(items, readingItem("under range: less than", method, insulation.Below, false))
	}
	if c.any(func(r Reading) bool { return r.Doubted }) {
		items = append(items, readingItem("doubted", method, insulation.Equal, true))
	}
	if len(c.Estimates) > 0 {
		items = append(items, keyItem{"estimate, 8 in 10", func(l *layout, x, y float64) {
			l.leaf("rect", attr{"class", "band"}, attr{"fill", "#bbb"}, attr{"fill-opacity", "0.45"}, num("x", x), num("y", y-6), num("width", 20), num("height", 12))
			l.leaf("line", attr{"class", "median"}, attr{"stroke", "#333"}, attr{"stroke-width", "2"}, num("x1", x), num("x2", x+20), num("y1", y), num("y2", y))
		}})
	}
	if c.hasForecast() {
		items = append(items, keyItem{"forecast at work", func(l *layout, x, y float64) {
			l.leaf("path", attr{"class", "fan"}, attr{"fill", "#888"}, attr{"fill-opacity", "0.22"}, attr{"d", (&path{}).polygon(point{x, y - 6}, point{x + 20, y + 6}, point{x + 8, y + 6}, point{x, y}).String()})
			l.leaf("line", attr{"class", "course"}, attr{"stroke", "#333"}, attr{"stroke-width", "2"}, attr{"stroke-dasharray", "2 4"}, attr{"stroke-linecap", "round"}, num("x1", x), num("x2", x+14), num("y1", y-3), num("y2", y+6))
		}})
	}
	for _, k := range []EventKind{Repair, WarningRaise, WarningEnd, Code} {
		for _, e := range c.Events {
			if e.Kind == k {
				items = append(items, eventItem(k))
				break
			}
		}
	}
	return items
}

func (c *Chart) any(f func(Reading) bool) bool {
	for _, r := range c.Readings {
		if f(r) {
			return true
		}
	}
	return false
}

func readingItem(text string, m insulation.Method, rel insulation.Relation, doubted bool) keyItem {
	return keyItem{text, func(l *layout, x, y float64) {
		attrs := []attr{{"class", "key-" + markClass(m, rel, doubted)}, {"stroke", "#222"}, {"fill", "#222"}, {"stroke-width", "1.3"}}
		if rel != insulation.Equal || doubted {
			attrs[2].value = "none"
		}
		if rel == insulation.Above {
			y += 3
		}
		l.leaf("path", append(attrs, attr{"d", markPath(x+9, y, radius(m, false), m, rel, doubted)})...)
	}}
}

func eventItem(k EventKind) keyItem {
	return keyItem{eventWords[k], func(l *layout, x, y float64) {
		fill := "#fff"
		if k == WarningRaise || k == Code {
			fill = "#222"
		}
		l.leaf("path", attr{"class", "key-event " + eventClasses[k]}, attr{"stroke", "#222"}, attr{"fill", fill}, attr{"stroke-width", "1.3"}, attr{"d", eventPath(x+9, y, k)})
	}}
}

// walkKey calls at for each entry's place, left to right and row by row.
func walkKey(items []keyItem, width float64, at func(i int, x float64, row int)) (rows int) {
	x, row := 12.0, 0
	for i, it := range items {
		w := keyMark + textWidth(it.text, fontSize)
		if x > 12 && x+w > width-8 {
			x, row = 12, row+1
		}
		if at != nil {
			at(i, x, row)
		}
		x += w + keyGap
	}
	if len(items) == 0 {
		return 0
	}
	return row + 1
}

func keyHeight(items []keyItem, width float64) float64 {
	rows := walkKey(items, width, nil)
	if rows == 0 {
		return 0
	}
	return float64(rows)*keyRow + 8
}

func (l *layout) drawKey(top float64) {
	if len(l.key) == 0 {
		return
	}
	l.open("g", attr{"class", "key"}, attr{"fill", "#444"})
	walkKey(l.key, l.size.Width, func(i int, x float64, row int) {
		y := top + 10 + float64(row)*keyRow
		l.key[i].draw(l, x, y)
		l.put(l.key[i].text, "tick", fontSize, spot{x + keyMark, y + 4, start})
	})
	l.close("g")
}
