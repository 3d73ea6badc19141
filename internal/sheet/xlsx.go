package sheet

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/xuri/excelize/v2"
)

// xlsxTable streams one sheet of a workbook. Cells are as stored, not as
// shown: a time is its day number, and no digit is lost to a number's format.
type xlsxTable struct {
	book  *excelize.File
	sheet string
	rows  *excelize.Rows
	count int64 // rows of the sheet
	row   int64
}

func openXLSX(path, sheet string) (*xlsxTable, error) {
	book, err := excelize.OpenFile(path, excelize.Options{RawCellValue: true})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	x := &xlsxTable{book: book, sheet: sheet}
	if err := x.choose(); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", path, err), book.Close())
	}
	return x, nil
}

// Sheets lists the sheets of a workbook.
func Sheets(path string) ([]string, error) {
	book, err := excelize.OpenFile(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return book.GetSheetList(), book.Close()
}

func (x *xlsxTable) choose() error {
	sheets := x.book.GetSheetList()
	if x.sheet == "" && len(sheets) == 1 {
		x.sheet = sheets[0]
	}
	if i, err := x.book.GetSheetIndex(x.sheet); err != nil || i < 0 {
		return fmt.Errorf("sheet %q: want the mapping to name one of %s", x.sheet, strings.Join(sheets, ", "))
	}
	rows, err := x.book.Rows(x.sheet)
	if err != nil {
		return err
	}
	for rows.Next() {
		x.count++
	}
	if err := errors.Join(rows.Error(), rows.Close()); err != nil {
		return err
	}
	return x.resume(Place{})
}

func (x *xlsxTable) next() ([]string, int, error) {
	for x.rows.Next() {
		x.row++
		cells, err := x.rows.Columns()
		if err != nil {
			return nil, int(x.row), err
		}
		if strings.TrimSpace(strings.Join(cells, "")) != "" {
			return cells, int(x.row), nil
		}
	}
	if err := x.rows.Error(); err != nil {
		return nil, int(x.row), err
	}
	return nil, int(x.row), io.EOF
}

func (x *xlsxTable) resume(p Place) error {
	if x.rows != nil {
		if err := x.rows.Close(); err != nil {
			return err
		}
	}
	rows, err := x.book.Rows(x.sheet)
	if err != nil {
		return err
	}
	x.rows, x.row = rows, 0
	for x.row < p.Offset && rows.Next() {
		x.row++
	}
	return rows.Error()
}

func (x *xlsxTable) place() Place { return Place{Offset: x.row, Line: int(x.row)} }
func (x *xlsxTable) total() int64 { return x.count }
func (x *xlsxTable) close() error { return errors.Join(x.rows.Close(), x.book.Close()) }
