package draw

// Widths of text are not known on the server; these are generous for the
// system fonts of the common browsers at the sizes used here, so that what is
// laid out as apart stays apart.
const (
	fontSize   = 12.0
	glyphWidth = 0.6 // em a character, upper bound of an average label
	lineHeight = 1.25
)

func textWidth(s string, size float64) float64 {
	n := 0.0
	for _, r := range s {
		switch r {
		case ' ', '.', ',', 'i', 'l', 't', 'f', 'j', ':', '\u2009', '\u202f', '\u00a0':
			n += 0.34
		case 'm', 'w', 'M', 'W', 'Ω', '%':
			n += 0.88
		case '–', '—':
			n += 0.7
		default:
			n += glyphWidth
		}
	}
	return n * size
}

// anchor is where a label hangs: at its start, middle or end.
type anchor string

const (
	start  anchor = "start"
	middle anchor = "middle"
	end    anchor = "end"
)

// spot is a candidate place for a label: its baseline's anchor point.
type spot struct {
	x, y float64
	hang anchor
}

func (p spot) box(text string, size float64) box {
	w := textWidth(text, size)
	b := box{left: p.x, right: p.x + w, top: p.y - size*0.95, bottom: p.y + size*0.3}
	switch p.hang {
	case middle:
		b.left, b.right = p.x-w/2, p.x+w/2
	case end:
		b.left, b.right = p.x-w, p.x
	}
	return b
}

// labels places text so that no two pieces overlap and nothing leaves the frame.
type labels struct {
	frame box
	taken []box
}

// reserve keeps later labels off a rectangle.
func (l *labels) reserve(b box) { l.taken = append(l.taken, b) }

// place returns the first of the candidates at which the text is free of all
// text placed before, and false when there is none.
func (l *labels) place(text string, size float64, candidates ...spot) (spot, bool) {
next:
	for _, c := range candidates {
		b := c.box(text, size)
		if !b.within(l.frame) {
			continue
		}
		for _, t := range l.taken {
			if b.overlaps(t) {
				continue next
			}
		}
		l.reserve(b)
		return c, true
	}
	return spot{}, false
}
