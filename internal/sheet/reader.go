package sheet

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

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
	Offset int64 `json:"offset"` // byte
	Line   int   `json:"line"`
}

// Reader reads a table of readings row by row. It keeps one row in memory.
type Reader struct {
	rows   *csvRows
	file   io.ReadSeeker
	header []string
	column map[string]int
}

// The columns that a rejects file adds; reading such a file again ignores them.
const (
	rejectedLine   = "rejected_line"
	rejectedReason = "rejected_reason"
)

// NewReader reads the header of a CSV file in the form of readings.csv. A
// missing column is an error that names it and, where one looks like a slip of
// the pen, the column meant.
func NewReader(file io.ReadSeeker, name string) (*Reader, error) {
	rows := newCSVRows(file, ',', 0, 0)
	header, _, err := rows.next()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: the file is empty: want a header line %s", name, strings.Join(record.ReadingColumns, ","))
	}
	if err != nil {
		return nil, fmt.Errorf("%s: header: %w", name, err)
	}
	r := &Reader{rows: rows, file: file, header: header, column: make(map[string]int, len(header))}
	for i, h := range header {
		h = strings.TrimSpace(strings.TrimPrefix(h, "\ufeff"))
		header[i] = h
		if _, twice := r.column[h]; twice && h != "" {
			return nil, fmt.Errorf("%s: header: column %q stands twice", name, h)
		}
		r.column[h] = i
	}
	if err := r.checkColumns(name); err != nil {
		return nil, err
	}
	return r, nil
}

func (r *Reader) checkColumns(name string) error {
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
		return fmt.Errorf("%s: header: missing column %s", name, strings.Join(missing, ", "))
	}
	return nil
}

// Header returns the columns' names as the file has them.
func (r *Reader) Header() []string { return r.header }

// Ignored returns the columns that mean nothing to the importer.
func (r *Reader) Ignored() []string {
	var out []string
	for _, h := range r.header {
		known := slices.Contains(record.ReadingColumns, h) || slices.Contains(record.OptionalReadingColumns, h) ||
			h == rejectedLine || h == rejectedReason || h == ""
		if !known {
			out = append(out, h)
		}
	}
	return out
}

// Place returns how far the file has been read.
func (r *Reader) Place() Place { return Place{Offset: r.rows.offset, Line: r.rows.line} }

// Continue goes on after a place of the same file.
func (r *Reader) Continue(p Place) error {
	if _, err := r.file.Seek(p.Offset, io.SeekStart); err != nil {
		return err
	}
	r.rows = newCSVRows(r.file, r.rows.comma, p.Offset, p.Line)
	return nil
}

// Next returns the next row, io.EOF after the last. A row that is no reading
// is returned with its Err; any other error is the file's.
func (r *Reader) Next() (Row, error) {
	cells, line, err := r.rows.next()
	var bad errNotARow
	if errors.As(err, &bad) {
		return Row{Line: r.rows.line, Err: bad}, nil
	}
	if err != nil {
		return Row{}, err
	}
	row := Row{Line: line, Cells: cells}
	if len(cells) > len(r.header) {
		row.Err = fmt.Errorf("%d cells where the header has %d columns", len(cells), len(r.header))
		return row, nil
	}
	row.Reading, row.Err = parse(func(column string) string {
		i, ok := r.column[column]
		if !ok || i >= len(cells) {
			return ""
		}
		return strings.TrimSpace(cells[i])
	})
	return row, nil
}
