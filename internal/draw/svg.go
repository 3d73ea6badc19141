package draw

import (
	"math"
	"strconv"
	"strings"
)

// canvas collects SVG text. Numbers have at most one decimal: a tenth of a
// pixel is finer than any screen here, and short text keeps pages small.
type canvas struct{ strings.Builder }

// attr is one attribute of an element.
type attr struct{ name, value string }

var escaper = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;")

func px(v float64) string {
	if math.Abs(v) < 0.05 {
		return "0"
	}
	return strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
}

func num(name string, v float64) attr { return attr{name, px(v)} }

func (c *canvas) open(element string, attrs ...attr) {
	c.tag(element, attrs)
	c.WriteByte('>')
}

func (c *canvas) tag(element string, attrs []attr) {
	c.WriteByte('<')
	c.WriteString(element)
	for _, a := range attrs {
		c.WriteByte(' ')
		c.WriteString(a.name)
		c.WriteString(`="`)
		c.WriteString(escaper.Replace(a.value))
		c.WriteByte('"')
	}
}

func (c *canvas) close(element string) {
	c.WriteString("</")
	c.WriteString(element)
	c.WriteString(">\n")
}

// leaf writes an element without content.
func (c *canvas) leaf(element string, attrs ...attr) {
	c.tag(element, attrs)
	c.WriteString("/>\n")
}

// text writes an element that holds text alone.
func (c *canvas) text(element, content string, attrs ...attr) {
	c.open(element, attrs...)
	c.WriteString(escaper.Replace(content))
	c.close(element)
}

// path collects the data of a path element.
type path struct{ strings.Builder }

func (p *path) move(x, y float64) *path { return p.op('M', x, y) }
func (p *path) line(x, y float64) *path { return p.op('L', x, y) }
func (p *path) shut() *path             { p.WriteByte('Z'); return p }

func (p *path) op(letter byte, xs ...float64) *path {
	p.WriteByte(letter)
	for i, x := range xs {
		if i > 0 {
			p.WriteByte(' ')
		}
		p.WriteString(px(x))
	}
	return p
}

func (p *path) circle(x, y, r float64) *path {
	p.move(x-r, y)
	p.op('a', r, r, 0, 1, 0, 2*r, 0)
	p.op('a', r, r, 0, 1, 0, -2*r, 0)
	return p.shut()
}

func (p *path) polygon(points ...point) *path {
	for i, q := range points {
		if i == 0 {
			p.move(q.x, q.y)
		} else {
			p.line(q.x, q.y)
		}
	}
	return p.shut()
}

type point struct{ x, y float64 }
