package record

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// FieldError says that one field's value is not allowed.
type FieldError struct {
	Field string // column name
	Value string // as written
	Want  string // what is allowed
}

func (e *FieldError) Error() string {
	if e.Value == "" {
		return fmt.Sprintf("%s is empty: want %s", e.Field, e.Want)
	}
	return fmt.Sprintf("%s %q: want %s", e.Field, e.Value, e.Want)
}

// RowError is a row that could not be read; the rows after it can.
type RowError struct {
	Row int    // line in the file, the header being line 1
	ID  string // reading id, if the row has one
	Err error  // usually a *FieldError
}

func (e *RowError) Error() string { return fmt.Sprintf("row %d: %v", e.Row, e.Err) }

// Unwrap returns the cause.
func (e *RowError) Unwrap() error { return e.Err }

// table reads a CSV file whose columns are found by name.
type table struct {
	csv    *csv.Reader
	column map[string]int
	fields []string
	row    int
}

// newTable reads the header and checks that the required columns are there.
func newTable(r io.Reader, file string, required []string) (*table, error) {
	c := csv.NewReader(r)
	c.ReuseRecord = true
	c.FieldsPerRecord = -1
	header, err := c.Read()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: the file is empty: want a header line %s", file, strings.Join(required, ","))
	}
	if err != nil {
		return nil, fmt.Errorf("%s: header: %w", file, err)
	}
	t := &table{csv: c, column: make(map[string]int, len(header)), row: 1}
	for i, name := range header {
		name = strings.TrimSpace(strings.TrimPrefix(name, "\ufeff"))
		if _, twice := t.column[name]; twice && name != "" {
			return nil, fmt.Errorf("%s: header: column %q stands twice", file, name)
		}
		t.column[name] = i
	}
	var missing []string
	for _, name := range required {
		if _, ok := t.column[name]; !ok {
			missing = append(missing, name)
		}
	}
	if len(missing) > 0 {
		return nil, fmt.Errorf("%s: header: missing column %s", file, strings.Join(missing, ", "))
	}
	return t, nil
}

// next moves to the next row. It returns io.EOF at the end and a *RowError
// for a line that is not CSV.
func (t *table) next() error {
	fields, err := t.csv.Read()
	if errors.Is(err, io.EOF) {
		return io.EOF
	}
	if err != nil {
		var pe *csv.ParseError
		if errors.As(err, &pe) {
			t.row = pe.Line
			return &RowError{Row: t.row, Err: pe.Err}
		}
		return err
	}
	t.row, _ = t.csv.FieldPos(0)
	t.fields = fields
	return nil
}

// cell returns the trimmed cell of a column, empty if the row or the file has none.
func (t *table) cell(column string) string {
	i, ok := t.column[column]
	if !ok || i >= len(t.fields) {
		return ""
	}
	return strings.TrimSpace(t.fields[i])
}

// parser collects the first error of a row, so that parsing reads as a list of fields.
type parser struct {
	cell func(column string) string
	err  error
}

func (p *parser) fail(field, value, want string) {
	if p.err == nil {
		p.err = &FieldError{Field: field, Value: value, Want: want}
	}
}

// text returns a cell that must not be empty.
func (p *parser) text(field string) string {
	s := p.cell(field)
	if s == "" {
		p.fail(field, s, "a value")
	}
	return strings.Clone(s)
}

// optionalText returns a cell that may be empty.
func (p *parser) optionalText(field string) string { return strings.Clone(p.cell(field)) }

// Times outside these years are clock faults, not records.
const firstYear, lastYear = 1990, 2100

func (p *parser) time(field string) time.Time {
	s := p.cell(field)
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		p.fail(field, s, "an RFC 3339 time such as 2026-03-02T09:15:00Z")
		return time.Time{}
	}
	if t.Year() < firstYear || t.Year() > lastYear {
		p.fail(field, s, fmt.Sprintf("a year from %d to %d", firstYear, lastYear))
	}
	return t.UTC()
}

func (p *parser) optionalTime(field string) time.Time {
	if p.cell(field) == "" {
		return time.Time{}
	}
	return p.time(field)
}

// number returns a cell's finite number within [lo, hi], NaN if the cell is empty.
func (p *parser) number(field string, lo, hi float64) float64 {
	s := p.cell(field)
	if s == "" {
		return math.NaN()
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(x) || x < lo || x > hi {
		p.fail(field, s, fmt.Sprintf("a number from %g to %g, or an empty cell", lo, hi))
		return math.NaN()
	}
	return x
}

// word parses a cell with one of the domain's word parsers; an empty cell gives
// the default unless that is the zero value.
func word[T ~uint8](p *parser, field string, parse func(string) (T, error), empty T) T {
	s := p.cell(field)
	if s == "" && empty != 0 {
		return empty
	}
	v, err := parse(s)
	if err != nil && p.err == nil {
		_, allowed, _ := strings.Cut(err.Error(), " is none of ")
		p.fail(field, s, "one of "+allowed)
	}
	return v
}

// formatNumber writes a number exactly and without an exponent; NaN as an empty cell.
func formatNumber(x float64) string {
	if math.IsNaN(x) {
		return ""
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

// formatFixed writes a number with fixed decimals; NaN and infinity as an empty cell.
func formatFixed(x float64, decimals int) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	return strconv.FormatFloat(x, 'f', decimals, 64)
}

func formatTime(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339Nano)
}

// writeTable writes a header and rows.
func writeTable[T any](w io.Writer, columns []string, rows []T, fields func(T) []string) error {
	c := csv.NewWriter(w)
	if err := c.Write(columns); err != nil {
		return err
	}
	for i := range rows {
		if err := c.Write(fields(rows[i])); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// readTable reads every row with parse; rows that cannot be read are returned beside.
func readTable[T any](r io.Reader, file string, required []string, parse func(*parser) T) (rows []T, bad []*RowError, err error) {
	t, err := newTable(r, file, required)
	if err != nil {
		return nil, nil, err
	}
	for {
		err := t.next()
		var re *RowError
		switch {
		case errors.Is(err, io.EOF):
			return slices.Clip(rows), bad, nil
		case errors.As(err, &re):
			bad = append(bad, re)
			continue
		case err != nil:
			return nil, nil, fmt.Errorf("%s: %w", file, err)
		}
		p := parser{cell: t.cell}
		v := parse(&p)
		if p.err != nil {
			bad = append(bad, &RowError{Row: t.row, Err: p.err})
			continue
		}
		rows = append(rows, v)
	}
}
