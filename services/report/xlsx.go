package report

import (
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/klauspost/compress/flate"
	"github.com/xuri/excelize/v2"
)

const (
	contentsSheet = "contents"
	dataSheet     = "rows"
	// mostSheetRows is how many rows a sheet holds, its header included (ECMA-376
	// part 1, section 18.3.1.73: 1,048,576). What is more goes on on another sheet.
	mostSheetRows = excelize.TotalRows
)

// xlsxEncoder streams rows onto sheets behind a contents sheet. Numbers are
// numbers and times are spreadsheet dates in UTC. Nothing may open a sheet again
// once it is streamed: that takes all of it into memory.
type xlsxEncoder struct {
	out    io.Writer
	file   *excelize.File
	sheet  *excelize.StreamWriter
	t      *Table
	names  []string // of the sheets with rows
	cells  []any
	row    int // of the sheet, 1 is the header
	most   int // rows of a sheet
	style  map[Kind]int
	bold   int
	charts charts
}

func newXLSX(w io.Writer, t *Table, about About) (*xlsxEncoder, error) {
	e := &xlsxEncoder{out: w, file: excelize.NewFile(), t: t, cells: make([]any, len(t.Columns)), most: mostSheetRows, style: map[Kind]int{}, charts: newCharts(t)}
	if err := e.begin(about); err != nil {
		return nil, errors.Join(fmt.Errorf("spreadsheet %s: %w", t.Name, err), e.file.Close())
	}
	return e, nil
}

func (e *xlsxEncoder) begin(about About) error {
	if err := e.file.SetSheetName("Sheet1", contentsSheet); err != nil {
		return err
	}
	var err error
	if e.bold, err = e.file.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}, Alignment: &excelize.Alignment{Vertical: "top", WrapText: true}}); err != nil {
		return err
	}
	for kind, layout := range map[Kind]string{Time: "yyyy-mm-dd hh:mm:ss", Date: "yyyy-mm-dd"} {
		if e.style[kind], err = e.file.NewStyle(&excelize.Style{CustomNumFmt: &layout}); err != nil {
			return err
		}
	}
	if err := e.writeContents(about); err != nil {
		return err
	}
	index, err := e.file.NewSheet(dataSheet)
	if err != nil {
		return err
	}
	e.file.SetActiveSheet(index)
	return e.beginRows(dataSheet)
}

// writeContents fills the first sheet: what the file is, its sheets, and each
// column's meaning.
func (e *xlsxEncoder) writeContents(about About) error {
	rows := [][]any{
		{e.t.Title},
		{Caution},
		{},
		{"query", about.Query},
		{"as of (UTC)", about.AsOf.UTC().Format(time.RFC3339Nano)},
		{"made by", about.Software},
		{"sheet " + dataSheet, "the rows; more than " + strconv.Itoa(mostSheetRows-1) + " go on on " + dataSheet + " 2 and further"},
	}
	if e.charts.any() {
		rows = append(rows, []any{"sheet " + chartSheet, e.charts.say()})
	}
	rows = append(rows, []any{}, []any{"column", "unit", "meaning"})
	titles := []int{1, len(rows)}
	for _, c := range e.t.Columns {
		rows = append(rows, []any{c.Name, c.Unit, c.Help})
	}
	for i, row := range rows {
		if err := e.file.SetSheetRow(contentsSheet, fmt.Sprintf("A%d", i+1), &row); err != nil {
			return err
		}
	}
	for _, row := range titles {
		if err := e.file.SetRowStyle(contentsSheet, row, row, e.bold); err != nil {
			return err
		}
	}
	for column, width := range map[string]float64{"A": 28, "B": 24, "C": 100} {
		if err := e.file.SetColWidth(contentsSheet, column, column, width); err != nil {
			return err
		}
	}
	if err := onPages(e.file, contentsSheet, asWide); err != nil {
		return err
	}
	return e.file.SetDocProps(&excelize.DocProperties{Title: e.t.Title, Description: Caution, Creator: about.Software,
		Created: about.AsOf.UTC().Format(time.RFC3339), Modified: about.AsOf.UTC().Format(time.RFC3339)})
}

// fit is how much of a sheet goes onto a printed page.
type fit int

const (
	asLarge   fit = iota // as it is
	asWide               // all columns, and as many pages as it takes
	onOnePage            // all of it
)

// onPages lays a sheet out for print on A4, landscape.
func onPages(f *excelize.File, sheet string, how fit) error {
	landscape, a4, one, free := "landscape", 9, 1, 0
	layout := &excelize.PageLayoutOptions{Orientation: &landscape, Size: &a4}
	if how != asLarge {
		yes := true
		layout.FitToWidth, layout.FitToHeight = &one, &free
		if how == onOnePage {
			layout.FitToHeight = &one
		}
		if err := f.SetSheetProps(sheet, &excelize.SheetPropsOptions{FitToPage: &yes}); err != nil {
			return err
		}
	}
	return f.SetPageLayout(sheet, layout)
}

// beginRows starts a streamed sheet: widths, frozen header, a note on each column.
func (e *xlsxEncoder) beginRows(name string) error {
	// Comments are added before streaming starts: the stream writer owns the sheet afterwards.
	for i, c := range e.t.Columns {
		cell, err := excelize.CoordinatesToCellName(i+1, 1)
		if err != nil {
			return err
		}
		note := c.Help
		if c.Unit != "" {
			note += " Unit: " + c.Unit + "."
		}
		if err := e.file.AddComment(name, excelize.Comment{Cell: cell, Author: "creepage", Text: note}); err != nil {
			return err
		}
	}
	err := onPages(e.file, name, asLarge)
	if err != nil {
		return err
	}
	// The header stands at the top of every printed page.
	if err := e.file.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", RefersTo: "'" + name + "'!$1:$1", Scope: name}); err != nil {
		return err
	}
	if e.sheet, err = e.file.NewStreamWriter(name); err != nil {
		return err
	}
	header := make([]any, len(e.t.Columns))
	for i, c := range e.t.Columns {
		header[i] = excelize.Cell{StyleID: e.bold, Value: c.Name}
	}
	// The stream writes the columns last set first, and spreadsheets want them from left to right.
	for i, c := range slices.Backward(e.t.Columns) {
		width := float64(max(len(c.Name)+2, 10))
		if c.Kind == Time {
			width = max(width, 20)
		}
		if err := e.sheet.SetColWidth(i+1, i+1, width); err != nil {
			return err
		}
	}
	if err := e.sheet.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	e.names, e.row = append(e.names, name), 1
	return e.sheet.SetRow("A1", header)
}

func (e *xlsxEncoder) Row(cells []Value) error {
	if err := checkWidth(e.t, cells); err != nil {
		return err
	}
	if e.row == e.most {
		if err := e.nextSheet(); err != nil {
			return err
		}
	}
	e.row++
	e.charts.take(cells, e.names[len(e.names)-1], e.row)
	for i := range cells {
		e.cells[i] = e.cell(e.t.Columns[i].Kind, &cells[i])
	}
	return e.sheet.SetRow("A"+strconv.Itoa(e.row), e.cells)
}

func (e *xlsxEncoder) nextSheet() error {
	if err := e.sheet.Flush(); err != nil {
		return err
	}
	name := dataSheet + " " + strconv.Itoa(len(e.names)+1)
	if _, err := e.file.NewSheet(name); err != nil {
		return err
	}
	return e.beginRows(name)
}

func (e *xlsxEncoder) cell(kind Kind, v *Value) any {
	if !v.Given {
		return nil
	}
	switch kind {
	case Text:
		return strings.ToValidUTF8(v.S, "�")
	case Number:
		return fifteenDigits(v.F)
	case Integer:
		return v.I
	case Flag:
		return v.I != 0
	}
	return excelize.Cell{StyleID: e.style[kind], Value: fifteenDigits(serialDay(v.T))}
}

// fifteenDigits rounds to the digits that spreadsheets keep of a number; the
// library would cut them off.
func fifteenDigits(x float64) float64 {
	var digits [32]byte
	if r, err := strconv.ParseFloat(string(strconv.AppendFloat(digits[:0], x, 'g', 15, 64)), 64); err == nil {
		return r
	}
	return x
}

// serialDay is a time as spreadsheets count it: days since the end of 1899, the
// time of day as their fraction (ECMA-376 part 1, section 18.17.4.1), to the
// microsecond; right from March 1900 on.
func serialDay(t time.Time) float64 {
	return float64(t.UnixMicro())/86_400e6 + 25_569
}

func (e *xlsxEncoder) Close() (err error) {
	defer func() { err = errors.Join(err, e.file.Close()) }()
	if err := e.sheet.Flush(); err != nil {
		return err
	}
	if err := e.charts.write(e.file, e.bold); err != nil {
		return err
	}
	// Straight to its reader: by itself the library would collect the whole file first.
	e.file.SetZipWriter(func(io.Writer) excelize.ZipWriter {
		w := zip.NewWriter(e.out)
		w.RegisterCompressor(zip.Deflate, func(out io.Writer) (io.WriteCloser, error) { return flate.NewWriter(out, flate.BestSpeed) })
		return w
	})
	return e.file.Write(io.Discard)
}
