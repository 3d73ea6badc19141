package record

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"creepage/internal/insulation"
)

// ReadingColumns are the columns a readings file must have.
var ReadingColumns = []string{"reading_id", "shop", "vehicle", "platform", "measured_at", "method", "component", "conductor", "reference",
	"relation", "resistance_ohm", "test_volt", "hold_s", "temperature_c", "humidity_pct"}

// OptionalReadingColumns are the columns a readings file may have.
var OptionalReadingColumns = []string{"meter", "range_ohm", "visit", "quantity", "part_temperature_c", "received_at"}

// ReadingReader reads a readings file row by row.
type ReadingReader struct {
	table *table
}

// NewReadingReader reads the header. A missing required column is an error that names it.
func NewReadingReader(r io.Reader, file string) (*ReadingReader, error) {
	t, err := newTable(r, file, ReadingColumns)
	if err != nil {
		return nil, err
	}
	return &ReadingReader{table: t}, nil
}

// Row returns the line of the reading that Next returned last.
func (rr *ReadingReader) Row() int { return rr.table.row }

// Next returns the next reading. At the end it returns io.EOF; for a row that
// cannot be a reading a *RowError, after which Next goes on.
func (rr *ReadingReader) Next() (insulation.Reading, error) {
	if err := rr.table.next(); err != nil {
		return insulation.Reading{}, err
	}
	r, err := ParseReading(rr.table.cell)
	if err == nil && r.Platform == "" { // nobody else is asked what it is
		err = &FieldError{Field: "platform", Want: "a value"}
	}
	if err != nil {
		return insulation.Reading{}, &RowError{Row: rr.table.row, ID: strings.Clone(rr.table.cell("reading_id")), Err: err}
	}
	return r, nil
}

// Highest resistance taken for a reading, ohm: a thousand times the top range
// of laboratory insulation testers (about 10 teraohm).
const highestOhms = 1e16

// ParseReading reads one row strictly; cell returns the text of a column and
// "" for a column that is not there. Numbers are plain numbers in the column's
// unit. The platform may be empty, for the vehicle may be known elsewhere. The
// error is a *FieldError.
func ParseReading(cell func(column string) string) (insulation.Reading, error) {
	p := parser{cell: cell}
	r := insulation.Reading{
		ID:          p.optionalText("reading_id"),
		Shop:        p.optionalText("shop"),
		Vehicle:     p.text("vehicle"),
		Platform:    p.optionalText("platform"),
		Visit:       p.optionalText("visit"),
		MeasuredAt:  p.time("measured_at"),
		ReceivedAt:  p.optionalTime("received_at"),
		Method:      word(&p, "method", insulation.ParseMethod, 0),
		Component:   word(&p, "component", insulation.ParseComponent, 0),
		Conductor:   word(&p, "conductor", insulation.ParseConductor, insulation.AllConductors),
		Reference:   word(&p, "reference", insulation.ParseReference, insulation.Chassis),
		Quantity:    word(&p, "quantity", insulation.ParseQuantity, insulation.Parallel),
		Relation:    word(&p, "relation", insulation.ParseRelation, insulation.Equal),
		TestVolts:   p.number("test_volt", 0, 100_000),
		HoldSeconds: p.number("hold_s", 0, 86_400),
		AirCelsius:  p.number("temperature_c", -60, 150),
		HumidityPct: p.number("humidity_pct", 0, 100),
		PartCelsius: p.number("part_temperature_c", -60, 300),
		Meter:       p.optionalText("meter"),
		RangeOhms:   p.number("range_ohm", 0, math.Inf(1)),
	}
	if r.Quantity == insulation.WeakerPole && r.Component != insulation.System {
		p.fail("quantity", "weaker_pole", "parallel or an empty cell: the weaker pole is a quantity of component system")
	}
	r.Ohms = ohms(&p, r.Method)
	if p.err != nil {
		return insulation.Reading{}, p.err
	}
	return r, nil
}

func ohms(p *parser, m insulation.Method) float64 {
	s := p.cell("resistance_ohm")
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || !(x > 0 && x <= highestOhms) {
		p.fail("resistance_ohm", s, fmt.Sprintf("a number of ohms above 0 and at most %g", float64(highestOhms)))
		return math.NaN()
	}
	if filler := insulation.Filler(m, x); filler != "" {
		p.fail("resistance_ohm", s, "a measured resistance: this is "+filler)
	}
	return x
}

// ReadingWriter writes a readings file with every column, required and optional.
type ReadingWriter struct {
	csv    *csv.Writer
	fields []string
}

// NewReadingWriter writes the header.
func NewReadingWriter(w io.Writer) (*ReadingWriter, error) {
	c := csv.NewWriter(w)
	if err := c.Write(append(append([]string{}, ReadingColumns...), OptionalReadingColumns...)); err != nil {
		return nil, err
	}
	return &ReadingWriter{csv: c}, nil
}

// Write writes one reading.
func (rw *ReadingWriter) Write(r *insulation.Reading) error {
	quantity := ""
	if r.Component == insulation.System {
		quantity = r.Quantity.String()
	}
	rw.fields = append(rw.fields[:0], r.ID, r.Shop, r.Vehicle, r.Platform, formatTime(r.MeasuredAt), r.Method.String(), r.Component.String(),
		r.Conductor.String(), r.Reference.String(), r.Relation.String(), formatNumber(r.Ohms), formatNumber(r.TestVolts), formatNumber(r.HoldSeconds),
		formatNumber(r.AirCelsius), formatNumber(r.HumidityPct), r.Meter, formatNumber(r.RangeOhms), r.Visit, quantity,
		formatNumber(r.PartCelsius), formatTime(r.ReceivedAt))
	return rw.csv.Write(rw.fields)
}

// Close writes what is still buffered. It does not close the file.
func (rw *ReadingWriter) Close() error {
	rw.csv.Flush()
	return rw.csv.Error()
}

// WriteReadings writes a whole readings file.
func WriteReadings(w io.Writer, readings []insulation.Reading) error {
	rw, err := NewReadingWriter(w)
	if err != nil {
		return err
	}
	for i := range readings {
		if err := rw.Write(&readings[i]); err != nil {
			return err
		}
	}
	return rw.Close()
}

// ReadReadings reads a whole readings file; rows that cannot be readings are returned beside.
func ReadReadings(r io.Reader, file string) (readings []insulation.Reading, bad []*RowError, err error) {
	rr, err := NewReadingReader(r, file)
	if err != nil {
		return nil, nil, err
	}
	for {
		reading, err := rr.Next()
		var re *RowError
		switch {
		case errors.Is(err, io.EOF):
			return readings, bad, nil
		case errors.As(err, &re):
			bad = append(bad, re)
		case err != nil:
			return nil, nil, fmt.Errorf("%s: %w", file, err)
		default:
			readings = append(readings, reading)
		}
	}
}
