package paper

import (
	"fmt"
	"math"
)

func (s Sheet) print(p *press) {
	if p.GetY() > p.top {
		p.AddPage()
		p.SetY(p.top)
	}
	p.head(s.Title, s.Subtitle)
}

func (h Heading) print(p *press) {
	p.room(8 + p.following) // itself and some of what follows
	p.SetY(p.GetY() + 1)
	p.style("B", 10.5, deep)
	p.lines(string(h), p.left, p.width())
	p.SetY(p.GetY() + 0.8)
}

func (t Text) print(p *press)  { paragraph(p, string(t), body, ink) }
func (t Small) print(p *press) { paragraph(p, string(t), small, quiet) }

func paragraph(p *press, text string, points float64, colour string) {
	p.style("", points, colour)
	p.room(float64(len(p.wrap(text, p.width()))) * p.lineHeight())
	p.lines(text, p.left, p.width())
	p.SetY(p.GetY() + gap)
}

const indent = 5.5 // mm, of a list's text

func (l List) print(p *press) {
	for i, item := range l.Items {
		p.style("", body, ink)
		p.room(float64(len(p.wrap(item, p.width()-indent))) * p.lineHeight())
		l.mark(p, i)
		p.lines(item, p.left+indent, p.width()-indent)
		p.SetY(p.GetY() + 0.5)
	}
	p.SetY(p.GetY() + gap - 0.5)
}

func (l List) mark(p *press, i int) {
	y := p.GetY()
	switch l.Mark {
	case Number:
		p.Text(p.left, y+0.78*p.lineHeight(), fmt.Sprintf("%d.", i+1))
	case Tick:
		p.SetDrawColor(35, 26, 33)
		p.SetLineWidth(0.25)
		p.Rect(p.left+0.3, y+0.55, 2.7, 2.7, "D")
	default:
		p.Text(p.left+1, y+0.78*p.lineHeight(), "–")
	}
}

// print lays facts in two columns, row by row.
func (f Facts) print(p *press) {
	const columnGap, share = 6.0, 0.43
	column := (p.width() - columnGap) / 2
	name := column * share
	for i := 0; i < len(f); i += 2 {
		height := 0.0
		pair := f[i:min(i+2, len(f))]
		for _, one := range pair {
			p.style("", body, ink)
			n := max(len(p.wrap(one.Value, column-name)), len(p.wrap(one.Name, name-2)))
			height = max(height, float64(n)*p.lineHeight())
		}
		if height > p.bottom-p.top { // beside nothing, and from page to page
			for _, one := range pair {
				p.style("", body, quiet)
				p.lines(one.Name, p.left, p.width())
				p.style("", body, ink)
				p.lines(one.Value, p.left, p.width())
			}
			continue
		}
		p.room(height)
		y := p.GetY()
		for j, one := range pair {
			x := p.left + float64(j)*(column+columnGap)
			p.SetY(y)
			p.style("", body, quiet)
			p.lines(one.Name, x, name-2)
			p.SetY(y)
			p.style("", body, ink)
			p.lines(one.Value, x+name, column-name)
		}
		p.SetY(y + height + 0.4)
	}
	p.SetY(p.GetY() + gap - 0.4)
}

func (b Box) print(p *press) {
	const pad = 2.5
	inner := p.width() - 2*pad - 3
	p.style("", body, ink)
	height := 2*pad + p.lineHeight() + 0.6
	for _, item := range b.Items {
		height += float64(len(p.wrap(item, inner))) * p.lineHeight()
	}
	if height > p.bottom-p.top { // no frame can go around it
		Heading(b.Title).print(p)
		List{Items: b.Items}.print(p)
		return
	}
	p.room(height)
	top := p.GetY()
	p.SetDrawColor(82, 26, 70) // deep
	p.SetLineWidth(0.5)
	p.Rect(p.left, top, p.width(), height, "D")
	p.SetY(top + pad)
	p.style("B", body, deep)
	p.lines(b.Title, p.left+pad, p.width()-2*pad)
	p.SetY(p.GetY() + 0.6)
	for _, item := range b.Items {
		p.style("", body, ink)
		p.Text(p.left+pad, p.GetY()+0.78*p.lineHeight(), "–")
		p.lines(item, p.left+pad+3, inner)
	}
	p.SetY(top + height + gap)
}

func (d Drawing) print(p *press) { Drawings{Across: 1, Items: []Drawing{d}}.print(p) }

// largest is how many mm a unit of a drawing may take, so that its words stay
// about as large as the text around it.
const largest = 0.28

// least is the height in mm that a heading before a block must leave for it.
func least(p *press, b Block) float64 {
	const some = 14.0
	switch b := b.(type) {
	case Drawing:
		return least(p, Drawings{Across: 1, Items: []Drawing{b}})
	case Drawings:
		across := max(b.Across, 1)
		height := some
		for _, one := range b.Items[:min(len(b.Items), across)] {
			if w, h, err := svgSize(one.SVG); err == nil {
				height = max(height, h/w*min(b.column(p), w*largest)+2*small)
			}
		}
		return height
	}
	return some
}

const between = 5.0 // mm, of drawings side by side

// column is the width in mm of each drawing's place.
func (d Drawings) column(p *press) float64 {
	across := float64(max(d.Across, 1))
	return (p.width() - between*(across-1)) / across
}

func (d Drawings) print(p *press) {
	across := max(d.Across, 1)
	column := d.column(p)
	for i := 0; i < len(d.Items); i += across {
		row := d.Items[i:min(i+across, len(d.Items))]
		height, caption := 0.0, 0.0
		p.style("", small, quiet)
		for _, one := range row {
			w, h, err := svgSize(one.SVG)
			if err != nil {
				p.err = err
				return
			}
			height = max(height, h/w*min(column, w*largest))
			if one.Caption != "" {
				caption = max(caption, float64(len(p.wrap(one.Caption, column)))*p.lineHeight())
			}
		}
		p.room(height + caption)
		top := p.GetY()
		for j, one := range row {
			x := p.left + float64(j)*(column+between)
			if err := drawSVG(p.Fpdf, one.SVG, x, top, column); err != nil {
				p.err = err
				return
			}
			p.SetY(top + height)
			p.style("", small, quiet)
			if one.Caption != "" {
				p.lines(one.Caption, x, column)
			}
		}
		p.SetY(top + height + caption + gap)
	}
}

func (s Signature) print(p *press) {
	const between, high = 6.0, 13.0
	p.style("", small, quiet)
	p.room(high + p.lineHeight())
	width := (p.width() - between*float64(len(s)-1)) / float64(len(s))
	y := p.GetY() + high
	p.SetDrawColor(35, 26, 33)
	p.SetLineWidth(0.25)
	for i, name := range s {
		x := p.left + float64(i)*(width+between)
		p.Line(x, y, x+width, y)
		p.SetY(y + 0.5)
		p.lines(name, x, width)
	}
	p.SetY(y + p.lineHeight() + gap)
}

// print draws the table, its head again on every page.
func (t Table) print(p *press) {
	widths := t.widths(p)
	p.style("B", small, quiet)
	head := t.cells(p, t.titles(), widths)
	t.head(p, head, widths)
	for _, row := range t.Rows {
		weight := ""
		if row.Strong {
			weight = "B"
		}
		p.style(weight, t.points(), ink)
		cells := t.cells(p, row.Cells, widths)
		for _, part := range cells.parts(p.bottom-p.top-head.height, p.lineHeight()) {
			if p.room(part.height) {
				t.head(p, head, widths)
				p.style(weight, t.points(), ink)
			}
			t.row(p, part, widths)
		}
		p.rule(p.GetY(), rule, 0.2)
	}
	p.SetY(p.GetY() + gap)
}

func (t Table) points() float64 {
	if t.Small {
		return small
	}
	return body
}

func (t Table) titles() []string {
	titles := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		titles[i] = c.Title
	}
	return titles
}

func (t Table) widths(p *press) []float64 {
	total := 0.0
	for _, c := range t.Columns {
		total += c.Width
	}
	if !(total > 0) || math.IsInf(total, 0) {
		p.err = fmt.Errorf("columns as wide as %v together", total)
		return make([]float64, len(t.Columns))
	}
	widths := make([]float64, len(t.Columns))
	for i, c := range t.Columns {
		widths[i] = c.Width / total * p.width()
	}
	return widths
}

// wrapped is a row broken into lines, with its height in mm.
type wrapped struct {
	lines  [][]string
	height float64
}

// parts cuts a row that is higher than a page into ones that are not.
func (w wrapped) parts(page, line float64) []wrapped {
	if w.height <= page {
		return []wrapped{w}
	}
	most := max(1, int((page-2*cellPad)/line))
	var parts []wrapped
	for from := 0; ; from += most {
		part, longest := wrapped{}, 0
		for _, ls := range w.lines {
			some := ls[min(from, len(ls)):min(from+most, len(ls))]
			part.lines = append(part.lines, some)
			longest = max(longest, len(some))
		}
		if longest == 0 {
			return parts
		}
		part.height = float64(longest)*line + 2*cellPad
		parts = append(parts, part)
	}
}

const cellGap, cellPad = 2.5, 0.7 // mm between columns, above and below a row

func (t Table) cells(p *press, cells []string, widths []float64) wrapped {
	w := wrapped{}
	if len(cells) != len(widths) {
		p.err = fmt.Errorf("a row of %d cells in a table of %d columns", len(cells), len(widths))
		return w
	}
	most := 1
	for i, c := range cells {
		ls := p.wrap(c, widths[i]-cellGap)
		w.lines = append(w.lines, ls)
		most = max(most, len(ls))
	}
	w.height = float64(most)*p.lineHeight() + 2*cellPad
	return w
}

func (t Table) head(p *press, head wrapped, widths []float64) {
	p.style("B", small, quiet)
	p.room(head.height + 8)
	t.row(p, head, widths)
	p.rule(p.GetY(), quiet, 0.3)
}

func (t Table) row(p *press, w wrapped, widths []float64) {
	y, h := p.GetY()+cellPad, p.lineHeight()
	x := p.left
	for i, ls := range w.lines {
		for j, s := range ls {
			at := x
			if t.Columns[i].Right {
				at = x + widths[i] - cellGap - p.GetStringWidth(s)
			}
			p.Text(at, y+float64(j)*h+0.78*h, s)
		}
		x += widths[i]
	}
	p.SetY(p.GetY() + w.height)
}
