package record

import (
	"io"

	"creepage/internal/insulation"
)

// EventColumns are the columns of events.csv.
var EventColumns = []string{"vehicle", "component", "occurred_at", "kind"}

// ReadEvents reads events.csv; rows that cannot be read are returned beside.
func ReadEvents(r io.Reader, file string) ([]insulation.Event, []*RowError, error) {
	return readTable(r, file, EventColumns, func(p *parser) insulation.Event {
		return insulation.Event{
			Vehicle:    p.text("vehicle"),
			Component:  word(p, "component", insulation.ParseComponent, 0),
			OccurredAt: p.time("occurred_at"),
			Kind:       word(p, "kind", insulation.ParseEventKind, 0),
		}
	})
}

// WriteEvents writes events.csv.
func WriteEvents(w io.Writer, events []insulation.Event) error {
	return writeTable(w, EventColumns, events, func(e insulation.Event) []string {
		return []string{e.Vehicle, e.Component.String(), formatTime(e.OccurredAt), e.Kind.String()}
	})
}

// CodeColumns are the columns of codes.csv.
var CodeColumns = []string{"vehicle", "code", "set_at"}

// ReadCodes reads codes.csv; rows that cannot be read are returned beside.
func ReadCodes(r io.Reader, file string) ([]insulation.Code, []*RowError, error) {
	return readTable(r, file, CodeColumns, func(p *parser) insulation.Code {
		return insulation.Code{Vehicle: p.text("vehicle"), Code: p.text("code"), SetAt: p.time("set_at")}
	})
}

// WriteCodes writes codes.csv.
func WriteCodes(w io.Writer, codes []insulation.Code) error {
	return writeTable(w, CodeColumns, codes, func(c insulation.Code) []string {
		return []string{c.Vehicle, c.Code, formatTime(c.SetAt)}
	})
}
