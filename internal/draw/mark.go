package draw

import "creepage/internal/insulation"

// Half the size in pixels of a reading's mark. A monitor's are small, for
// there may be one a day.
const (
	markRadius    = 4.5
	monitorRadius = 3
	smallFactor   = 0.75
	denseFactor   = 0.65
)

func radius(m insulation.Method, small bool) float64 {
	r := markRadius
	if m == insulation.Monitor {
		r = monitorRadius
	}
	if small {
		r *= smallFactor
	}
	return r
}

// halfWidth of the shape of a method's mark.
func halfWidth(m insulation.Method, r float64) float64 {
	switch m {
	case insulation.Monitor:
		return 1.25 * r
	case insulation.Voltmeter:
		return 0.9 * r
	}
	return r
}

// markPath draws one reading: the shape is the method's (tester a disc, monitor
// a lozenge, voltmeter a square), an over-range value is open and points up from
// the top of the meter's range, an under-range one points down, and a doubted
// one is struck through. It begins at the left end of the shape's middle, and
// the shape alone is closed: a path of many marks has as many Z as marks.
func markPath(x, y, r float64, m insulation.Method, rel insulation.Relation, doubted bool) string {
	var p path
	h := halfWidth(m, r)
	switch m {
	case insulation.Monitor:
		p.polygon(point{x - h, y}, point{x, y - h}, point{x + h, y}, point{x, y + h})
	case insulation.Voltmeter:
		p.polygon(point{x - h, y}, point{x - h, y - h}, point{x + h, y - h}, point{x + h, y + h}, point{x - h, y + h})
	default:
		p.circle(x, y, r)
	}
	switch rel {
	case insulation.Above:
		p.arrow(x, y-r, -r)
	case insulation.Below:
		p.arrow(x, y+r, r)
	}
	if doubted {
		s := r * 1.9
		p.move(x-s, y+s).line(x+s, y-s)
	}
	return p.String()
}

// arrow draws a stem of length twice d from (x, y) and its head; negative d is up.
func (p *path) arrow(x, y, d float64) {
	tip := y + 2.4*d
	w := d
	if w < 0 {
		w = -w
	}
	p.move(x, y).line(x, tip)
	p.move(x-w, tip-d).line(x, tip).line(x+w, tip-d)
}

func markClass(m insulation.Method, rel insulation.Relation, doubted bool) string {
	class := "mark " + m.String()
	switch rel {
	case insulation.Above:
		class += " above"
	case insulation.Below:
		class += " below"
	}
	if doubted {
		class += " doubted"
	}
	return class
}

// EventKind is what a mark above the plot stands for.
type EventKind uint8

// Event kinds.
const (
	Repair       EventKind = iota + 1 // something was done to a component
	WarningRaise                      // a warning was raised
	WarningEnd                        // a warning ended
	Code                              // an isolation code was seen
)

var eventWords = [...]string{Repair: "repair", WarningRaise: "warning raised", WarningEnd: "warning ended", Code: "code seen"}

var eventClasses = [...]string{Repair: "repair", WarningRaise: "raised", WarningEnd: "ended", Code: "code"}

// eventPath draws an event's mark around (x, y): a repair a plate with two
// fixings, a warning a pennant (filled when raised, open when ended), a code a
// keystone.
func eventPath(x, y float64, k EventKind) string {
	const r = 5
	var p path
	switch k {
	case Repair:
		p.polygon(point{x - r - 2, y - 3}, point{x + r + 2, y - 3}, point{x + r + 2, y + 3}, point{x - r - 2, y + 3})
		p.circle(x-3.5, y, 1.2)
		p.circle(x+3.5, y, 1.2)
	case WarningRaise, WarningEnd:
		p.move(x, y+r+1).line(x, y-r)
		p.polygon(point{x, y - r}, point{x + 2*r - 1, y - 2}, point{x, y + 1})
	case Code:
		p.polygon(point{x - r - 1, y - r}, point{x + r + 1, y - r}, point{x + 2.5, y + r}, point{x - 2.5, y + r})
	}
	return p.String()
}
