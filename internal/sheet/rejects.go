package sheet

import (
	"encoding/csv"
	"io"
	"os"
	"strconv"
	"strings"
)

// Rejects is the file of rows that were refused: the input's own columns with
// the line and the reason after them, so that it can be mended and imported in
// its turn. The file is made with its first row.
type Rejects struct {
	path      string
	header    []string
	separator rune // that of the mapping, by which the file is read again
	file      *os.File
	csv       *csv.Writer
	size      int64
	last      []string // the row added last, which another reading of it may join
	line      int
}

// NewRejects begins a file after the given number of bytes (0: anew). What
// stands after them came from a run that ended before it could say so; it is cut.
func NewRejects(path string, table *Reader, size int64) (*Rejects, error) {
	r := &Rejects{path: path, header: withoutRejectColumns(table.Header()), separator: table.separator()}
	if size == 0 {
		err := os.Remove(path)
		if err != nil && !os.IsNotExist(err) {
			return nil, err
		}
		return r, nil
	}
	if err := r.open(); err != nil {
		return nil, err
	}
	if err := r.file.Truncate(size); err != nil {
		return nil, err
	}
	if _, err := r.file.Seek(size, io.SeekStart); err != nil {
		return nil, err
	}
	r.size = size
	return r, nil
}

func withoutRejectColumns(header []string) []string {
	for i, h := range header {
		if h == rejectedLine || h == rejectedReason {
			return header[:i]
		}
	}
	return header
}

func (r *Rejects) open() (err error) {
	r.file, err = os.OpenFile(r.path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	r.csv = csv.NewWriter(counting{r})
	r.csv.Comma = r.separator
	return nil
}

// counting passes on to the file and counts.
type counting struct{ r *Rejects }

func (c counting) Write(b []byte) (int, error) {
	n, err := c.r.file.Write(b)
	c.r.size += int64(n)
	return n, err
}

// Add writes one row with its reason.
func (r *Rejects) Add(row Row, reason error) error {
	if r.file == nil {
		if err := r.open(); err != nil {
			return err
		}
		if err := r.csv.Write(append(append([]string{}, r.header...), rejectedLine, rejectedReason)); err != nil {
			return err
		}
	}
	if r.last != nil && r.line == row.Line { // one of several readings of one row
		if before := &r.last[len(r.last)-1]; !strings.Contains(*before, reason.Error()) {
			*before += "; " + reason.Error()
		}
		return nil
	}
	if err := r.writeLast(); err != nil {
		return err
	}
	cells := make([]string, len(r.header), len(r.header)+2)
	copy(cells, row.Cells)
	r.last, r.line = append(cells, strconv.Itoa(row.Line), reason.Error()), row.Line
	return nil
}

func (r *Rejects) writeLast() error {
	if r.last == nil {
		return nil
	}
	last := r.last
	r.last = nil
	return r.csv.Write(last)
}

// Flush hands what was added to the file and returns its size.
func (r *Rejects) Flush() (int64, error) {
	if r.file == nil {
		return 0, nil
	}
	if err := r.writeLast(); err != nil {
		return 0, err
	}
	r.csv.Flush()
	return r.size, r.csv.Error()
}

// Close flushes and closes the file.
func (r *Rejects) Close() error {
	if r.file == nil {
		return nil
	}
	if _, err := r.Flush(); err != nil {
		return err
	}
	return r.file.Close()
}
