package sheet

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"creepage/internal/record"
)

// typedRows is the most rows of a sheet of which the type of a single cell is
// looked up, for that takes the sheet into memory: some 100 MB.
const typedRows = 50_000

var (
	storedNumber = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?([eE][-+]?[0-9]+)?$`)
	grouped      = regexp.MustCompile(`^-?[1-9][0-9]{0,2}(\.[0-9]{3})+$`)
)

// withCommas writes the numbers of a workbook's cells as its text cells have
// them. A cell that holds a number is stored with a point whatever the country,
// a cell that holds text as it was typed: with a decimal comma both stand in one
// column. A text such as 1.234 is one thousand two hundred and thirty-four, a
// stored number 1.234 is not; there the cell's type tells.
func (r *Reader) withCommas(cells []string, line int) error {
	x, ok := r.table.(*xlsxTable)
	if !ok || r.mapping == nil || !r.mapping.DecimalComma {
		return nil
	}
	for i, s := range cells {
		s = strings.TrimSpace(s)
		if i >= len(r.header) || !r.numbers[i] || !storedNumber.MatchString(s) {
			continue
		}
		if grouped.MatchString(s) {
			number, known := x.holdsNumber(i, line)
			if !known {
				return &record.FieldError{Field: r.header[i], Value: s, Want: fmt.Sprintf(
					"a number that reads one way: a sheet of more than %d rows does not tell the number %s from the text; write it with a decimal comma or without a point", typedRows, s)}
			}
			if !number {
				continue
			}
		}
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			continue // the strict parser says what is wrong with it
		}
		cells[i] = strings.Replace(strconv.FormatFloat(v, 'f', -1, 64), ".", ",", 1)
	}
	return nil
}

// numberColumns says which of the table's columns hold numbers or times.
func (m *Mapping) numberColumns(header []string) []bool {
	of := map[string]bool{}
	for column, names := range m.Columns {
		for _, n := range names {
			if isNumber(column) || column == "measured_at" || column == "received_at" {
				of[n] = true
			}
		}
	}
	for _, n := range m.Phases {
		of[n] = true
	}
	numbers := make([]bool, len(header))
	for i, h := range header {
		numbers[i] = of[h]
	}
	return numbers
}

// holdsNumber says whether a cell holds a number and not a text; known is false
// where the sheet is too large to ask.
func (x *xlsxTable) holdsNumber(column, row int) (number, known bool) {
	if x.count > typedRows {
		return false, false
	}
	name, err := excelize.CoordinatesToCellName(column+1, row)
	if err != nil {
		return false, false
	}
	kind, err := x.book.GetCellType(x.sheet, name)
	if err != nil {
		return false, false
	}
	return kind == excelize.CellTypeNumber || kind == excelize.CellTypeUnset, true
}
