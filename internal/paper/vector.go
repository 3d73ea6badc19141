package paper

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"maps"
	"strconv"
	"strings"

	"codeberg.org/go-pdf/fpdf"
)

// The part of SVG that creepage/internal/draw writes: rect, line, path (M, L, Z
// and half circles by a), circle and text in groups, with presentation
// attributes, rectangular clips, and classes that the tints colour.

// figure is an SVG being drawn on a page.
type figure struct {
	pdf   *fpdf.Fpdf
	x, y  float64 // of its upper left corner, mm
	scale float64 // mm a unit of the SVG
	clips map[string]map[string]string
}

// svgSize reads the size of an SVG's view box.
func svgSize(svg string) (width, height float64, err error) {
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		t, err := d.Token()
		if err != nil {
			return 0, 0, fmt.Errorf("no svg element: %w", err)
		}
		e, ok := t.(xml.StartElement)
		if !ok {
			continue
		}
		for _, a := range e.Attr {
			if a.Name.Local != "viewBox" {
				continue
			}
			v, err := numbers(a.Value)
			if err != nil || len(v) != 4 || v[2] <= 0 || v[3] <= 0 {
				return 0, 0, fmt.Errorf("view box %q is not four numbers", a.Value)
			}
			return v[2], v[3], nil
		}
		return 0, 0, fmt.Errorf("%s has no view box", e.Name.Local)
	}
}

// drawSVG draws an SVG with its upper left corner at x and y, as wide as width
// allows and its words stay of a size with the text, all in mm.
func drawSVG(pdf *fpdf.Fpdf, svg string, x, y, width float64) error {
	w, _, err := svgSize(svg)
	if err != nil {
		return err
	}
	f := &figure{pdf: pdf, x: x, y: y, scale: min(width/w, largest), clips: map[string]map[string]string{}}
	defer f.reset()
	// A small disc whose end misses its beginning by a rounding would grow a spike.
	pdf.SetLineJoinStyle("round")
	d := xml.NewDecoder(strings.NewReader(svg))
	stack := []map[string]string{{"fill": "#000", "stroke": "none", "stroke-width": "1", "font-size": "12"}}
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("read a drawing: %w", err)
		}
		switch t := token.(type) {
		case xml.StartElement:
			style := inherit(stack[len(stack)-1], t.Attr)
			stack = append(stack, style)
			if err := f.element(t.Name.Local, style); err != nil {
				return err
			}
		case xml.CharData:
			if style := stack[len(stack)-1]; style["element"] == "text" {
				if err := f.text(string(t), style); err != nil {
					return err
				}
			}
		case xml.EndElement:
			if stack[len(stack)-1]["clipped"] != "" {
				f.pdf.ClipEnd()
			}
			stack = stack[:len(stack)-1]
		}
	}
}

// inherited are the attributes that children take over.
var inherited = []string{"fill", "stroke", "stroke-width", "font-size", "inside"}

func inherit(parent map[string]string, attrs []xml.Attr) map[string]string {
	style := map[string]string{}
	for _, name := range inherited {
		if v, ok := parent[name]; ok {
			style[name] = v
		}
	}
	for _, a := range attrs {
		style[a.Name.Local] = a.Value
	}
	fill, stroke := tintOf(strings.Fields(style["class"]))
	if fill != "" {
		style["fill"] = fill
	}
	if stroke != "" {
		style["stroke"] = stroke
	}
	return style
}

func (f *figure) element(name string, style map[string]string) error {
	style["element"] = name
	switch name {
	case "clipPath":
		style["inside"] = style["id"]
		return nil
	case "g":
		return f.clip(style)
	case "rect":
		if id := style["inside"]; id != "" {
			f.clips["url(#"+id+")"] = maps.Clone(style)
			return nil
		}
		return f.paint(style, func(n func(string) float64) {
			f.pdf.MoveTo(f.at(n("x"), n("y")))
			f.pdf.LineTo(f.at(n("x")+n("width"), n("y")))
			f.pdf.LineTo(f.at(n("x")+n("width"), n("y")+n("height")))
			f.pdf.LineTo(f.at(n("x"), n("y")+n("height")))
			f.pdf.ClosePath()
		})
	case "line":
		style["fill"] = "none"
		return f.paint(style, func(n func(string) float64) {
			f.pdf.MoveTo(f.at(n("x1"), n("y1")))
			f.pdf.LineTo(f.at(n("x2"), n("y2")))
		})
	case "circle":
		return f.paint(style, func(n func(string) float64) {
			r := n("r")
			f.pdf.MoveTo(f.at(n("cx")-r, n("cy")))
			f.halfCircle(n("cx")-r, n("cy"), 2*r)
			f.halfCircle(n("cx")+r, n("cy"), -2*r)
			f.pdf.ClosePath()
		})
	case "path":
		steps, err := pathSteps(style["d"])
		if err != nil {
			return err
		}
		return f.paint(style, func(func(string) float64) { f.path(steps) })
	}
	return nil
}

// at turns a point of the SVG into one of the page.
func (f *figure) at(x, y float64) (px, py float64) { return f.x + x*f.scale, f.y + y*f.scale }

// paint sets fill, stroke and dashes, lays the outline and paints it. A number
// that cannot be read is an error, whatever the outline made of it.
func (f *figure) paint(style map[string]string, outline func(n func(string) float64)) error {
	var bad error
	number := func(name string) float64 {
		v, err := strconv.ParseFloat(style[name], 64)
		if err != nil {
			bad = fmt.Errorf("%s of a %s: %w", name, style["element"], err)
		}
		return v
	}
	how := ""
	if fill := style["fill"]; fill != "none" {
		how = "F"
		r, g, b, err := rgb(fill)
		if err != nil {
			return err
		}
		f.pdf.SetFillColor(r, g, b)
	}
	if stroke := style["stroke"]; stroke != "none" {
		how += "D"
		r, g, b, err := rgb(stroke)
		if err != nil {
			return err
		}
		f.pdf.SetDrawColor(r, g, b)
		f.pdf.SetLineWidth(number("stroke-width") * f.scale)
	}
	if how == "" {
		return bad
	}
	dashes, err := numbers(style["stroke-dasharray"])
	if err != nil {
		return err
	}
	for i := range dashes {
		dashes[i] *= f.scale
	}
	f.pdf.SetDashPattern(dashes, 0)
	if style["fill-opacity"] != "" {
		f.pdf.SetAlpha(number("fill-opacity"), "Normal")
		defer f.pdf.SetAlpha(1, "Normal")
	}
	if style["stroke-linecap"] == "round" {
		f.pdf.SetLineCapStyle("round")
		defer f.pdf.SetLineCapStyle("butt")
	}
	outline(number)
	f.pdf.DrawPath(how)
	return bad
}

// clip begins a clip that lasts until the group ends.
func (f *figure) clip(style map[string]string) error {
	name := style["clip-path"]
	if name == "" {
		return nil
	}
	rect, ok := f.clips[name]
	if !ok {
		return fmt.Errorf("clip %s is not laid down before it is used", name)
	}
	var box [4]float64
	for i, side := range []string{"x", "y", "width", "height"} {
		v, err := strconv.ParseFloat(rect[side], 64)
		if err != nil {
			return fmt.Errorf("%s of clip %s: %w", side, name, err)
		}
		box[i] = v
	}
	x, y := f.at(box[0], box[1])
	f.pdf.ClipRect(x, y, box[2]*f.scale, box[3]*f.scale, false)
	style["clipped"] = "yes"
	return nil
}

// text writes a label. A word that stands among the marks gets a ground of
// paper, as it has a halo on a screen.
func (f *figure) text(s string, style map[string]string) error {
	v, err := numbers(style["x"] + " " + style["y"] + " " + style["font-size"])
	if err != nil || len(v) != 3 {
		return fmt.Errorf("the place of %q cannot be read: %w", s, err)
	}
	r, g, b, err := rgb(style["fill"])
	if err != nil {
		return err
	}
	classes := strings.Fields(style["class"])
	weight := ""
	if hasAll(classes, []string{"word"}) && !hasAll(classes, []string{"now-word"}) {
		weight = "B"
	}
	size := v[2] * f.scale
	f.pdf.SetFont(family, weight, f.pdf.UnitToPointConvert(size))
	width := f.pdf.GetStringWidth(s)
	x, y := f.at(v[0], v[1])
	switch style["text-anchor"] {
	case "middle":
		x -= width / 2
	case "end":
		x -= width
	}
	if hasAll(classes, []string{"word"}) {
		f.pdf.SetFillColor(255, 255, 255)
		f.pdf.SetAlpha(0.8, "Normal")
		f.pdf.Rect(x-0.2*size, y-0.85*size, width+0.4*size, 1.1*size, "F")
		f.pdf.SetAlpha(1, "Normal")
	}
	f.pdf.SetTextColor(r, g, b)
	f.pdf.Text(x, y, s)
	return nil
}

// reset leaves the page as other blocks expect it.
func (f *figure) reset() {
	f.pdf.SetDashPattern(nil, 0)
	f.pdf.SetLineWidth(0.2)
	f.pdf.SetLineJoinStyle("miter")
}

// step is one command of a path with its numbers.
type step struct {
	letter byte
	v      []float64
}

// counts is how many numbers follow each letter.
var counts = map[byte]int{'M': 2, 'L': 2, 'Z': 0, 'a': 7}

// pathSteps reads the data of a path.
func pathSteps(d string) ([]step, error) {
	var steps []step
	for len(d) > 0 {
		s := step{letter: d[0]}
		end := strings.IndexAny(d[1:], "MLZa") + 1
		if end == 0 {
			end = len(d)
		}
		var err error
		if s.v, err = numbers(d[1:end]); err != nil {
			return nil, err
		}
		if n, known := counts[s.letter]; !known || n != len(s.v) || s.letter == 'a' && s.v[6] != 0 {
			return nil, fmt.Errorf("%q is no step of a path that can be drawn", d[:end])
		}
		steps, d = append(steps, s), d[end:]
	}
	return steps, nil
}

func (f *figure) path(steps []step) {
	var x, y float64
	for _, s := range steps {
		switch s.letter {
		case 'M':
			x, y = s.v[0], s.v[1]
			f.pdf.MoveTo(f.at(x, y))
		case 'L':
			x, y = s.v[0], s.v[1]
			f.pdf.LineTo(f.at(x, y))
		case 'a':
			f.halfCircle(x, y, s.v[5])
			x += s.v[5]
		case 'Z':
			f.pdf.ClosePath()
		}
	}
}

// halfCircle goes from (x, y) by d along the x axis, counter-clockwise: a way
// to the right passes below, one to the left above. Two cubic curves a half
// circle are off it by 0.03 % of the radius.
func (f *figure) halfCircle(x, y, d float64) {
	const k = 0.5522847498 // 4 (sqrt 2 - 1) / 3
	r := d / 2
	curve := func(cx0, cy0, cx1, cy1, x, y float64) {
		ax, ay := f.at(cx0, cy0)
		bx, by := f.at(cx1, cy1)
		ex, ey := f.at(x, y)
		f.pdf.CurveBezierCubicTo(ax, ay, bx, by, ex, ey)
	}
	curve(x, y+k*r, x+r-k*r, y+r, x+r, y+r)
	curve(x+r+k*r, y+r, x+d, y+k*r, x+d, y)
}

// numbers reads numbers parted by spaces.
func numbers(s string) ([]float64, error) {
	var out []float64
	for word := range strings.FieldsSeq(s) {
		v, err := strconv.ParseFloat(word, 64)
		if err != nil {
			return nil, fmt.Errorf("%q in %q is no number", word, s)
		}
		out = append(out, v)
	}
	return out, nil
}
