package report

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"
)

// maxSheetRows is the most rows a sheet holds (ECMA-376, 1,048,576), header included.
const maxSheetRows = excelize.TotalRows

// ErrTooManyRows says that a table does not fit into one spreadsheet.
var ErrTooManyRows = errors.New("more rows than a spreadsheet holds (1,048,575); narrow the query or export CSV or Parquet")

const (
	contentsSheet = "contents"
	dataSheet     = "rows"
)

// xlsxEncoder streams one sheet of rows behind a contents sheet. Numbers are
// numbers and times are spreadsheet dates in UTC.
type xlsxEncoder struct {
	out   io.Writer
	file  *excelize.File
	sheet *excelize.StreamWriter
	t     *Table
	cells []any
	row   int
	style map[Kind]int
}

func newXLSX(w io.Writer, t *Table, about About) (*xlsxEncoder, error) {
	e := &xlsxEncoder{out: w, file: excelize.NewFile(), t: t, cells: make([]any, len(t.Columns)), row: 1, style: map[Kind]int{}}
	if err := e.begin(about); err != nil {
		return nil, errors.Join(fmt.Errorf("spreadsheet %s: %w", t.Name, err), e.file.Close())
	}
	return e, nil
}

func (e *xlsxEncoder) begin(about About) error {
	if err := e.file.SetSheetName("Sheet1", contentsSheet); err != nil {
		return err
	}
	if _, err := e.file.NewSheet(dataSheet); err != nil {
		return err
	}
	bold, err := e.file.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}, Alignment: &excelize.Alignment{Vertical: "top", WrapText: true}})
	if err != nil {
		return err
	}
	if err := e.writeContents(about, bold); err != nil {
		return err
	}
	for kind, layout := range map[Kind]string{Time: "yyyy-mm-dd hh:mm:ss", Date: "yyyy-mm-dd"} {
		if e.style[kind], err = e.file.NewStyle(&excelize.Style{CustomNumFmt: &layout}); err != nil {
			return err
		}
	}
	return e.beginRows(bold)
}

// writeContents fills the first sheet: what the file is, and each column's meaning.
func (e *xlsxEncoder) writeContents(about About, bold int) error {
	rows := [][]any{
		{e.t.Title},
		{Caution},
		{},
		{"query", about.Query},
		{"as of (UTC)", about.AsOf.UTC().Format(time.RFC3339Nano)},
		{"made by", about.Software},
		{},
		{"column", "unit", "meaning"},
	}
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
		if err := e.file.SetRowStyle(contentsSheet, row, row, bold); err != nil {
			return err
		}
	}
	for column, width := range map[string]float64{"A": 28, "B": 24, "C": 100} {
		if err := e.file.SetColWidth(contentsSheet, column, column, width); err != nil {
			return err
		}
	}
	return e.file.SetDocProps(&excelize.DocProperties{Title: e.t.Title, Description: Caution, Creator: about.Software,
		Created: about.AsOf.UTC().Format(time.RFC3339), Modified: about.AsOf.UTC().Format(time.RFC3339)})
}

// beginRows starts the streamed sheet: widths, frozen header, a note on each column.
func (e *xlsxEncoder) beginRows(bold int) error {
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
		if err := e.file.AddComment(dataSheet, excelize.Comment{Cell: cell, Author: "creepage", Text: note}); err != nil {
			return err
		}
	}
	var err error
	if e.sheet, err = e.file.NewStreamWriter(dataSheet); err != nil {
		return err
	}
	header := make([]any, len(e.t.Columns))
	for i, c := range e.t.Columns {
		header[i] = excelize.Cell{StyleID: bold, Value: c.Name}
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
	return e.sheet.SetRow("A1", header)
}

func (e *xlsxEncoder) Row(cells []Value) error {
	if err := checkWidth(e.t, cells); err != nil {
		return err
	}
	if e.row == maxSheetRows {
		return ErrTooManyRows
	}
	e.row++
	for i := range cells {
		e.cells[i] = e.cell(e.t.Columns[i].Kind, &cells[i])
	}
	return e.sheet.SetRow(fmt.Sprintf("A%d", e.row), e.cells)
}

func (e *xlsxEncoder) cell(kind Kind, v *Value) any {
	if !v.Given {
		return nil
	}
	switch kind {
	case Text:
		return strings.ToValidUTF8(v.S, "�")
	case Number:
		return v.F
	case Integer:
		return v.I
	case Flag:
		return v.I != 0
	}
	return excelize.Cell{StyleID: e.style[kind], Value: v.T.UTC()}
}

func (e *xlsxEncoder) Close() (err error) {
	defer func() { err = errors.Join(err, e.file.Close()) }()
	if err := e.sheet.Flush(); err != nil {
		return err
	}
	if index, err := e.file.GetSheetIndex(dataSheet); err == nil {
		e.file.SetActiveSheet(index)
	}
	return e.file.Write(e.out)
}
