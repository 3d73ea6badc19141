package sheet

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Bounds of one record, so that a file that is no table cannot fill the memory.
const (
	longestLine    = 1 << 20 // byte
	longestRecord  = 64 << 10
	linesPerRecord = 20 // a quoted cell may hold line breaks
)

// errNotARow says that a record is no row of the table; the next one may be.
type errNotARow struct{ why string }

func (e errNotARow) Error() string { return e.why }

// csvTable cuts a CSV file into records without ever losing more than one line
// to a mistake: a quote that is never closed costs its own line, where a plain
// CSV parser would swallow the rest of the file. Offsets are those of bytes, so
// that reading can start again at any record.
type csvTable struct {
	file   readSeekCloser
	size   int64
	in     *bufio.Reader
	comma  rune
	offset int64    // bytes consumed
	line   int      // lines consumed
	ahead  [][]byte // lines read to look for a closing quote and given back
}

type readSeekCloser interface {
	io.ReadSeeker
	io.Closer
}

func newCSVTable(file readSeekCloser, comma rune) (*csvTable, error) {
	c := &csvTable{file: file, comma: comma}
	var err error
	if c.size, err = file.Seek(0, io.SeekEnd); err != nil {
		return nil, err
	}
	return c, c.resume(Place{})
}

func (c *csvTable) resume(p Place) error {
	if _, err := c.file.Seek(p.Offset, io.SeekStart); err != nil {
		return err
	}
	c.in, c.offset, c.line, c.ahead = bufio.NewReaderSize(c.file, 64<<10), p.Offset, p.Line, nil
	return nil
}

func (c *csvTable) place() Place { return Place{Offset: c.offset, Line: c.line} }
func (c *csvTable) total() int64 { return c.size }
func (c *csvTable) close() error { return c.file.Close() }

// next returns the next record's cells and the line on which it begins. At the
// end it returns io.EOF; for a line that is no record an errNotARow.
func (c *csvTable) next() (cells []string, line int, err error) {
	for {
		first, err := c.take()
		if err != nil {
			return nil, c.line + 1, err
		}
		if len(bytes.TrimSpace(first)) == 0 {
			continue
		}
		cells, err := c.record(first)
		return cells, c.lineOf(cells), err
	}
}

// lineOf is the line on which a record of the given cells began: line breaks
// inside cells have been consumed after it.
func (c *csvTable) lineOf(cells []string) int {
	inside := 0
	for _, s := range cells {
		inside += strings.Count(s, "\n")
	}
	return c.line - inside
}

func (c *csvTable) record(first []byte) ([]string, error) {
	if !bytes.ContainsRune(first, '"') {
		if !utf8.Valid(first) {
			return nil, errNotUTF8
		}
		return strings.Split(string(bytes.TrimRight(first, "\r\n")), string(c.comma)), nil
	}
	text := first
	var joined [][]byte
	for bytes.Count(text, []byte{'"'})%2 == 1 && len(joined) < linesPerRecord && len(text) < longestRecord {
		more, err := c.take()
		if err != nil {
			break
		}
		joined = append(joined, more)
		text = append(bytes.Clone(text), more...)
	}
	cells, err := c.parse(text)
	if err == nil {
		return cells, nil
	}
	for _, l := range joined { // give the lines back: they are rows of their own
		c.offset -= int64(len(l))
		c.line--
	}
	c.ahead = append(joined, c.ahead...)
	return nil, errNotARow{why: "the line is not CSV: " + csvReason(err)}
}

func (c *csvTable) parse(text []byte) ([]string, error) {
	if !utf8.Valid(text) {
		return nil, errNotUTF8
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comma = c.comma
	r.FieldsPerRecord = -1
	cells, err := r.Read()
	if err != nil {
		return nil, err
	}
	if _, err := r.Read(); !errors.Is(err, io.EOF) {
		return nil, csv.ErrQuote // quotes that pair up across rows
	}
	return cells, nil
}

func csvReason(err error) string {
	if errors.Is(err, errNotUTF8) {
		return "it is not in UTF-8; save the file as CSV in UTF-8"
	}
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		err = pe.Err
	}
	switch {
	case errors.Is(err, csv.ErrBareQuote):
		return `a cell with a " in it must stand in quotes, the " doubled`
	case errors.Is(err, csv.ErrQuote):
		return `a " is not closed`
	}
	return err.Error()
}

// take consumes one line, line break included.
func (c *csvTable) take() ([]byte, error) {
	var line []byte
	if len(c.ahead) > 0 {
		line, c.ahead = c.ahead[0], c.ahead[1:]
	} else {
		var err error
		if line, err = c.readLine(); err != nil {
			return nil, err
		}
	}
	c.offset += int64(len(line))
	c.line++
	return line, nil
}

func (c *csvTable) readLine() ([]byte, error) {
	var line []byte
	for {
		part, err := c.in.ReadSlice('\n')
		line = append(line, part...)
		switch {
		case len(line) > longestLine:
			return nil, fmt.Errorf("line %d is longer than %d bytes: this is not a table in CSV", c.line+1, longestLine)
		case err == nil, errors.Is(err, io.EOF) && len(line) > 0:
			return line, nil
		case errors.Is(err, bufio.ErrBufferFull):
		default:
			return nil, err
		}
	}
}
