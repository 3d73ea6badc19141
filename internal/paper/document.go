package paper

import (
	"html/template"
	"time"
)

// Document is what is printed.
type Document struct {
	Title    string
	Subtitle string    // what it is about, under the title; may be ""
	Subject  string    // what kind of document it is, for the metadata
	Foot     string    // stands at the foot of every page, beside the page number
	Made     time.Time // when it was made, for the metadata
	Wide     bool      // landscape, for tables of many columns
	OnePage  bool      // set smaller, down to two thirds, until it fits on one page
	Blocks   []Block
}

// Block is one piece of a document, laid down below the one before.
type Block interface {
	print(p *press)
	html() template.HTML
}

// Sheet begins a new page with a title of its own, for a document of several
// things alike.
type Sheet struct{ Title, Subtitle string }

// Heading begins a section. It stays on the page of what follows it.
type Heading string

// Text is a paragraph.
type Text string

// Small is a paragraph in small print.
type Small string

// List is a list of sentences, one a line.
type List struct {
	Items []string
	Mark  Mark
}

// Mark is what stands before the items of a List.
type Mark uint8

// Marks.
const (
	Dash   Mark = iota // a dash
	Number             // 1, 2, 3 ... for steps in order
	Tick               // an empty box, to be ticked by hand
)

// Facts are names with their values, in two columns where there is room.
type Facts []Fact

// Fact is one name with its value.
type Fact struct{ Name, Value string }

// Box is a framed list under a title, for cautions.
type Box struct {
	Title string
	Items []string
}

// Table is rows under a head that is repeated on every page. A row is split
// between pages only where it is higher than one.
type Table struct {
	Columns []Column
	Rows    []Row
	Small   bool // in small print
}

// Column is one column of a Table. Widths are shares of the page: 2 is twice
// as wide as 1.
type Column struct {
	Title string
	Width float64
	Right bool // align to the right, for numbers
}

// Row is one row of a Table.
type Row struct {
	Cells  []string
	Strong bool // set in bold, for a row that must not be overlooked
}

// Drawing is a chart made by creepage/internal/draw.
type Drawing struct {
	SVG     string
	Caption string // under the chart; may be ""
}

// Drawings stand side by side, each Across'th of the page's width, as many rows
// as it takes.
type Drawings struct {
	Across int
	Items  []Drawing
}

// Signature is room to sign: each line is named under it.
type Signature []string
