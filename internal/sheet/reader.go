package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"unicode/utf8"

	"creepage/internal/insulation"
	"creepage/internal/record"
)

// Row is one row of a table of readings.
type Row struct {
	Line    int                // line in the file, the header being line 1
	Cells   []string           // as written
	Reading insulation.Reading // what they say, if Err is nil
	Err     error              // why they say nothing
}

// Place is how far a table has been read: after a row.
type Place struct {
	Offset int64 `json:"offset"` // byte of a CSV file, row of an XLSX sheet
	Line   int   `json:"line"`
}

// table is a source of rows of cells.
type table interface {
	// next returns the next row's cells and its line, io.EOF after the last;
	// for a row that cannot be cut into cells an errNotARow.
	next() (cells []string, line int, err error)
	place() Place
	// resume goes on after a place.
	resume(Place) error
	// total is the place's offset at the end.
	total() int64
	close() error
}

// Reader reads a table of readings row by row. It keeps one row in memory.
type Reader struct {
	table   table
	mapping *Mapping // nil: the table is in the form of readings.csv
	header  []string
	column  map[string]int
	numbers []bool                  // columns of numbers and times, by the mapping
	pending []Row                   // readings of a row whose first has been returned
	ohms    []string                // columns of resistances whose bare numbers are ohms
	bare    map[string]*bareNumbers // by such a column
}

// The columns that a rejects file adds; reading such a file again ignores them.
const (
	rejectedLine   = "rejected_line"
	rejectedReason = "rejected_reason"
)

// Open opens a CSV or XLSX file, by the end of its name, and reads the header.
// Without a mapping the table has the form of readings.csv; a missing column is
// an error that names it and, where one looks like a slip of the pen, the
// column meant.
func Open(path string, mapping *Mapping) (*Reader, error) {
	t, err := openTable(path, mapping)
	if err != nil {
		return nil, err
	}
	r, err := newReader(t, path, mapping)
	if err != nil {
		return nil, errors.Join(err, t.close())
	}
	return r, nil
}

func openTable(path string, mapping *Mapping) (table, error) {
	if strings.EqualFold(filepath.Ext(path), ".xlsx") {
		sheet := ""
		if mapping != nil {
			sheet = mapping.Sheet
		}
		return openXLSX(path, sheet)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	if err := checkText(f, path); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return newCSVTable(f, (&Reader{mapping: mapping}).separator())
}

// beginnings of files that are no text in UTF-8, with what to do about each.
var beginnings = []struct{ begin, what string }{
	{"PK\x03\x04", "this is a workbook and no CSV; its name must end in .xlsx"},
	{"\xd0\xcf\x11\xe0", "this is a workbook of an old kind; save it as XLSX or as CSV in UTF-8"},
	{"\xff\xfe", "the text is in UTF-16; save it as CSV in UTF-8"},
	{"\xfe\xff", "the text is in UTF-16; save it as CSV in UTF-8"},
	{"%PDF", "this is a PDF and no table"},
}

// checkText refuses what cannot be a table in CSV by its beginning.
func checkText(f *os.File, name string) error {
	start := make([]byte, 512)
	n, err := f.ReadAt(start, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	start = start[:n]
	for _, b := range beginnings {
		if bytes.HasPrefix(start, []byte(b.begin)) {
			return fmt.Errorf("%s: %s", name, b.what)
		}
	}
	if bytes.IndexByte(start, 0) >= 0 {
		return fmt.Errorf("%s: this is no text; want CSV in UTF-8, or XLSX", name)
	}
	return nil
}

// errNotUTF8 is a row's, or the header's, that was written in another encoding.
var errNotUTF8 = errNotARow{why: "it is not in UTF-8; save the file as CSV in UTF-8"}

func newReader(t table, name string, mapping *Mapping) (*Reader, error) {
	header, _, err := t.next()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: the file is empty: want a header line %s", name, strings.Join(record.ReadingColumns, ","))
	}
	if err != nil {
		return nil, fmt.Errorf("%s: header: %w", name, err)
	}
	r := &Reader{table: t, mapping: mapping, header: header, column: make(map[string]int, len(header))}
	for i, h := range header {
		h = strings.TrimSpace(strings.TrimPrefix(h, "\ufeff"))
		header[i] = h
		if _, twice := r.column[h]; twice && h != "" {
			return nil, fmt.Errorf("%s: header: column %q stands twice", name, h)
		}
		r.column[h] = i
	}
	check := r.checkColumns
	if mapping != nil {
		check = func() error { return mapping.checkHeader(r.column) }
	}
	if err := check(); err != nil {
		return nil, fmt.Errorf("%s: header: %w", name, err)
	}
	if mapping != nil {
		r.numbers = mapping.numberColumns(header)
	}
	return r, nil
}

func (r *Reader) checkColumns() error {
	var missing []string
	for _, c := range record.ReadingColumns {
		if _, ok := r.column[c]; ok {
			continue
		}
		if like := nearest(c, r.Ignored()); like != "" {
			c = fmt.Sprintf("%s (is %q meant?)", c, like)
		}
		missing = append(missing, c)
	}
	if len(missing) > 0 {
		return fmt.Errorf("missing column %s", strings.Join(missing, ", "))
	}
	return nil
}

// Header returns the columns' names as the table has them.
func (r *Reader) Header() []string { return r.header }

// Ignored returns the columns that mean nothing to the importer.
func (r *Reader) Ignored() []string {
	var out []string
	for _, h := range r.header {
		known := isReadingColumn(h)
		if r.mapping != nil {
			known = r.mapping.uses(h)
		}
		if !known && h != rejectedLine && h != rejectedReason && h != "" {
			out = append(out, h)
		}
	}
	return out
}

// separator is what separates cells where the table is written as CSV.
func (r *Reader) separator() rune {
	if r.mapping != nil && r.mapping.Separator != "" {
		comma, _ := utf8.DecodeRuneInString(r.mapping.Separator)
		return comma
	}
	return ','
}

// Place returns how far the table has been read. In the midst of a row that
// holds several readings it is the place after that row.
func (r *Reader) Place() Place { return r.table.place() }

// Total returns the offset of the table's end.
func (r *Reader) Total() int64 { return r.table.total() }

// Continue goes on after a place of the same table.
func (r *Reader) Continue(p Place) error {
	r.pending = nil
	return r.table.resume(p)
}

// Close closes the file.
func (r *Reader) Close() error { return r.table.close() }

// midRow says that the row read last holds more readings.
func (r *Reader) midRow() bool { return len(r.pending) > 0 }

// Next returns the next row, io.EOF after the last. A row that is no reading
// is returned with its Err; any other error is the file's.
func (r *Reader) Next() (Row, error) {
	for len(r.pending) == 0 {
		cells, line, err := r.table.next()
		var bad errNotARow
		if errors.As(err, &bad) {
			return Row{Line: line, Err: bad}, nil
		}
		if err != nil {
			return Row{}, err
		}
		if len(cells) > len(r.header) {
			return Row{Line: line, Cells: cells, Err: fmt.Errorf("%d cells where the header has %d columns", len(cells), len(r.header))}, nil
		}
		if err := r.withCommas(cells, line); err != nil {
			return Row{Line: line, Cells: cells, Err: err}, nil
		}
		r.pending = r.rowsOf(cells, line)
	}
	row := r.pending[0]
	r.pending = r.pending[1:]
	return row, nil
}

// rowsOf reads the readings of one row; a row of phases without any has none.
func (r *Reader) rowsOf(cells []string, line int) []Row {
	cell := func(column string) string {
		i, ok := r.column[column]
		if !ok || i >= len(cells) {
			return ""
		}
		return strings.TrimSpace(cells[i])
	}
	r.lookForUnits(cell, line)
	if r.mapping == nil {
		row := Row{Line: line, Cells: cells}
		row.Reading, row.Err = parse(cell)
		return []Row{row}
	}
	var rows []Row
	for _, mapped := range r.mapping.readings(cell) {
		row := Row{Line: line, Cells: cells}
		row.Reading, row.Err = parseMapped(mapped)
		rows = append(rows, row)
	}
	return rows
}

// parseMapped reads a row through a mapping, whose own errors come first.
func parseMapped(mapped func(string) (string, error)) (insulation.Reading, error) {
	var failed error
	reading, err := parse(func(column string) string {
		s, err := mapped(column)
		if err != nil && failed == nil {
			failed = err
		}
		return s
	})
	if failed != nil {
		return insulation.Reading{}, failed
	}
	return reading, err
}

// Shops returns the shops that a table names, each once, in order.
func Shops(path string, mapping *Mapping) ([]string, error) {
	r, err := Open(path, mapping)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	seen := map[string]bool{}
	for {
		row, err := r.Next()
		if errors.Is(err, io.EOF) {
			return keysOf(seen), nil
		}
		if err != nil {
			return nil, err
		}
		if row.Err == nil && row.Reading.Shop != "" {
			seen[row.Reading.Shop] = true
		}
	}
}
