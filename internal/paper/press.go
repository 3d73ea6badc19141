package paper

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
)

const (
	family = "sans"
	margin = 15.0 // mm, on every side; below it stands the foot
	footer = 12.0 // mm, room of the foot above the margin's half

	body  = 9.0 // pt
	small = 7.5
	line  = 1.28 // heights of its type a line takes
	gap   = 2.2  // mm between blocks
)

// press lays blocks down on pages.
type press struct {
	*fpdf.Fpdf
	left, right, top, bottom float64 // of what may be printed on, mm
	size                     float64 // of all type, 1 is usual
	now                      face
	following                float64 // mm, at least, of the block after the one being laid down
	err                      error
}

// face is a style of writing.
type face struct {
	weight string
	points float64
	colour string
}

// PDF returns the document's pages.
func (d *Document) PDF() ([]byte, error) {
	for size := 1.0; ; size -= 0.09 {
		p, err := d.set(size)
		if err != nil {
			return nil, err
		}
		if d.OnePage && p.PageCount() > 1 && size > 0.7 {
			continue
		}
		var out bytes.Buffer
		if err := p.Output(&out); err != nil {
			return nil, fmt.Errorf("write %q: %w", d.Title, err)
		}
		return out.Bytes(), nil
	}
}

// set lays all blocks down in type of a size.
func (d *Document) set(size float64) (*press, error) {
	p := newPress(d, size)
	p.head(d.Title, d.Subtitle)
	for i, b := range d.Blocks {
		p.following = 0
		if i+1 < len(d.Blocks) {
			p.following = least(p, d.Blocks[i+1])
		}
		b.print(p)
		if p.err != nil {
			return nil, fmt.Errorf("block %d of %q: %w", i+1, d.Title, p.err)
		}
	}
	return p, nil
}

func newPress(d *Document, size float64) *press {
	orientation := "P"
	if d.Wide {
		orientation = "L"
	}
	p := &press{Fpdf: fpdf.New(orientation, "mm", "A4", ""), size: size}
	width, height := p.GetPageSize()
	p.left, p.right, p.top, p.bottom = margin, width-margin, margin, height-margin-footer/2
	p.AddUTF8FontFromBytes(family, "", liberationsansregular.TTF)
	p.AddUTF8FontFromBytes(family, "B", liberationsansbold.TTF)
	p.SetTitle(printable(d.Title), true)
	p.SetSubject(printable(d.Subject), true)
	p.SetCreator("creepage", true)
	p.SetLang("en")
	p.SetCreationDate(d.Made.UTC())
	p.SetModificationDate(d.Made.UTC())
	p.SetCatalogSort(true)
	p.SetAutoPageBreak(false, 0) // blocks break pages where it does not hurt
	p.SetMargins(p.left, p.top, margin)
	p.SetCellMargin(0)
	p.AliasNbPages("{pages}")
	p.SetFooterFunc(func() { p.foot(d.Foot) })
	p.AddPage()
	p.SetY(p.top)
	return p
}

// foot writes the foot of a page.
func (p *press) foot(text string) {
	y := p.bottom + footer/2
	p.colour(quiet)
	p.SetFont(family, "", small)
	p.Text(p.left, y, printable(text))
	page := fmt.Sprintf("page %d of {pages}", p.PageNo())
	p.Text(p.right-p.GetStringWidth(fmt.Sprintf("page %d of 99", p.PageNo())), y, page)
}

// head writes the title of what follows.
func (p *press) head(title, subtitle string) {
	p.style("B", 15, ink)
	p.lines(title, p.left, p.width())
	if subtitle != "" {
		p.style("", 10.5, quiet)
		p.lines(subtitle, p.left, p.width())
	}
	p.rule(p.GetY()+0.8, deep, 0.5)
	p.SetY(p.GetY() + 0.8 + gap)
}

func (p *press) width() float64 { return p.right - p.left }

func (p *press) colour(colour string) {
	r, g, b, err := rgb(colour)
	if err != nil {
		p.err = err
	}
	p.SetTextColor(r, g, b)
}

// style chooses weight ("" or "B"), size in pt and colour of what is written next.
func (p *press) style(weight string, points float64, colour string) {
	p.now = face{weight, points, colour}
	p.again()
}

// again takes the style chosen last, for the foot of a page has its own.
func (p *press) again() {
	p.SetFont(family, p.now.weight, p.now.points*p.size)
	p.colour(p.now.colour)
}

// lineHeight is the height in mm of a line of the current type.
func (p *press) lineHeight() float64 {
	_, size := p.GetFontSize()
	return size * line
}

// lines writes text in lines no longer than width, from x on, and moves below
// it. A block that fits on a page has made room before; what is longer goes on
// on the next page.
func (p *press) lines(text string, x, width float64) {
	h := p.lineHeight()
	for _, s := range p.wrap(text, width) {
		if p.room(h) {
			p.again()
		}
		p.Text(x, p.GetY()+0.78*h, s)
		p.SetY(p.GetY() + h)
	}
}

// wrap breaks text at spaces into lines no longer than width mm in the current
// type; a word that is longer is broken.
func (p *press) wrap(text string, width float64) []string {
	var out []string
	current := ""
	for word := range strings.FieldsSeq(printable(text)) {
		joined := word
		if current != "" {
			joined = current + " " + word
		}
		if p.GetStringWidth(joined) <= width {
			current = joined
			continue
		}
		if current != "" {
			out = append(out, current)
		}
		for word != "" && p.GetStringWidth(word) > width {
			cut := p.fit(word, width)
			if at := strings.LastIndexAny(word[:cut], "-_/&"); at > cut/2 {
				cut = at + 1 // where a name has a joint
			}
			out, word = append(out, word[:cut]), word[cut:]
		}
		current = word
	}
	return append(out, current)
}

// fit is how many bytes of a word fit into width mm, at least its first letter's.
func (p *press) fit(word string, width float64) int {
	_, first := utf8.DecodeRuneInString(word)
	last := first
	for i := range word {
		if i > first && p.GetStringWidth(word[:i]) > width {
			return last
		}
		last = max(last, i)
	}
	if p.GetStringWidth(word) > width {
		return last
	}
	return len(word)
}

// printable leaves out what no page can carry: control characters, and letters
// beyond the basic plane, which the fonts' encoding cannot name; those become
// a question mark, so that something is seen to be missing.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\t' || r == '\n':
			return ' '
		case r < ' ' || r == 0x7f:
			return -1
		case r > 0xffff:
			return '?'
		}
		return r
	}, s)
}

// rule draws a line across the page.
func (p *press) rule(y float64, colour string, width float64) {
	r, g, b, err := rgb(colour)
	if err != nil {
		p.err = err
	}
	p.SetDrawColor(r, g, b)
	p.SetLineWidth(width)
	p.Line(p.left, y, p.right, y)
}

// room begins a new page unless height mm are left on this one. It says
// whether it did.
func (p *press) room(height float64) bool {
	if p.GetY()+height <= p.bottom || p.GetY() <= p.top {
		return false
	}
	p.AddPage()
	p.SetY(p.top)
	return true
}
