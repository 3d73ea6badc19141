package report

import (
	"fmt"
	"time"
)

// Kind is the type of a column's values.
type Kind uint8

// Kinds of columns.
const (
	Text    Kind = iota + 1
	Number       // 64-bit float in the column's unit
	Integer      // 64-bit integer
	Time         // instant, UTC, to the microsecond
	Date         // calendar day
	Flag         // true or false
)

// Column describes one column of a table.
type Column struct {
	Name string // lower snake case, with the unit as its last word where it has one
	Kind Kind
	Unit string // such as "ohm"; empty for text and counts
	Help string // what it means, one sentence
}

// Table is a report's shape.
type Table struct {
	Name    string // file name without its ending
	Title   string // for people
	Columns []Column
	Sums    []Sums   // charts of a workbook
	Courses *Courses // others; a table has one kind at most
}

// About is what every exported file carries beside its rows.
type About struct {
	Query    string    // the query as it can be asked again
	AsOf     time.Time // the rows are what was known then
	Software string    // name and version of the software
}

// Caution stands in every file made for people.
const Caution = "Advice from records, not a release of any vehicle. High voltage kills: testing is for qualified people only, " +
	"who follow the vehicle maker's procedure and local codes and prove zero volts."

// Value is one cell. Its zero value is an empty cell; which of the other
// fields holds it follows from the column's kind: S for Text, F for Number, I
// for Integer and Flag (0 or 1), T for Time and Date.
type Value struct {
	Given bool
	S     string
	F     float64
	I     int64
	T     time.Time
}

// TextValue returns a text cell; an empty text is an empty cell.
func TextValue(s string) Value { return Value{Given: s != "", S: s} }

// NumberValue returns a number cell; NaN is an empty cell.
func NumberValue(f float64) Value { return Value{Given: f == f, F: f} }

// IntegerValue returns an integer cell.
func IntegerValue(i int64) Value { return Value{Given: true, I: i} }

// TimeValue returns a time or date cell; the zero time is an empty cell.
func TimeValue(t time.Time) Value { return Value{Given: !t.IsZero(), T: t} }

// FlagValue returns a true-or-false cell.
func FlagValue(b bool) Value {
	v := Value{Given: true}
	if b {
		v.I = 1
	}
	return v
}

// Encoder writes one table in one file format. Row may keep nothing of the
// slice it is given. Nothing is complete before Close has returned nil.
type Encoder interface {
	Row(cells []Value) error
	Close() error
}

// checkWidth guards an encoder against a row source that disagrees with its table.
func checkWidth(t *Table, cells []Value) error {
	if len(cells) != len(t.Columns) {
		return fmt.Errorf("report %s: row has %d cells, the table %d columns", t.Name, len(cells), len(t.Columns))
	}
	return nil
}
