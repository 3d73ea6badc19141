package sheet

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/record"
)

// Mapping says how a table that is not in the form of readings.csv is read. It
// is a JSON file that a person has read and agreed to: nothing about a table is
// guessed while it is imported.
type Mapping struct {
	// Unsure is what a proposal could not tell. A mapping with anything in it
	// is refused: settle the points and remove them.
	Unsure []string `json:"unsure,omitempty"`

	Separator string `json:"separator,omitempty"` // of a CSV file: "," (if left out), ";" or "\t"
	Sheet     string `json:"sheet,omitempty"`     // of an XLSX file; may be left out if there is one only

	// Columns names the table's column (or several, joined by a space) for a column of readings.csv.
	Columns map[string]Names `json:"columns"`
	// Phases turns columns of one row into a reading each: conductor to column.
	Phases map[string]string `json:"phases,omitempty"`
	// IDs are columns whose cells are made into ids: LKW 17 becomes lkw-17.
	IDs []string `json:"ids,omitempty"`
	// Constants are cells of readings.csv that are the same in every row.
	Constants map[string]string `json:"constants,omitempty"`
	// Words translates cells: column of readings.csv, then cell to word.
	Words map[string]map[string]string `json:"words,omitempty"`
	// Units are the units of bare numbers where they are not those of readings.csv, such as MΩ.
	Units map[string]string `json:"units,omitempty"`

	DecimalComma bool     `json:"decimal_comma,omitempty"` // 21,5 is 21.5, and 1.234,5 is 1234.5
	TimeForms    []string `json:"time_forms,omitempty"`    // such as DD.MM.YYYY hh:mm; serial for a spreadsheet's day numbers; RFC 3339 if left out
	TimeZone     string   `json:"time_zone,omitempty"`     // of times without an offset, such as Europe/Berlin
	TimeOfDay    string   `json:"time_of_day,omitempty"`   // hh:mm for dates without a time

	zone    *time.Location
	layouts []string // of package time, beside TimeForms
}

// Names is one column name or several.
type Names []string

// UnmarshalJSON takes a name or a list of names.
func (n *Names) UnmarshalJSON(b []byte) error {
	var one string
	if err := json.Unmarshal(b, &one); err == nil {
		*n = Names{one}
		return nil
	}
	var many []string
	if err := json.Unmarshal(b, &many); err != nil {
		return errors.New("want a column's name, or a list of names")
	}
	*n = many
	return nil
}

// MarshalJSON writes one name plainly.
func (n Names) MarshalJSON() ([]byte, error) {
	if len(n) == 1 {
		return json.Marshal(n[0])
	}
	return json.Marshal([]string(n))
}

// serialForm is the time form of a spreadsheet's day numbers.
const serialForm = "serial"

// ReadMapping reads a mapping file and checks all that can be checked without the table.
func ReadMapping(r io.Reader, name string) (*Mapping, error) {
	var m Mapping
	if err := record.DecodeJSON(r, &m, true); err != nil {
		return nil, fmt.Errorf("mapping %s: %w", name, err)
	}
	if err := m.prepare(); err != nil {
		return nil, fmt.Errorf("mapping %s: %w", name, err)
	}
	return &m, nil
}

func (m *Mapping) prepare() error {
	if len(m.Unsure) > 0 {
		return fmt.Errorf("unsure: %s (settle this in the file and remove it from the list)", strings.Join(m.Unsure, "; "))
	}
	for _, part := range []struct {
		name string
		keys []string
	}{{"columns", keysOf(m.Columns)}, {"constants", keysOf(m.Constants)}, {"words", keysOf(m.Words)}, {"units", keysOf(m.Units)}} {
		for _, column := range part.keys {
			if !isReadingColumn(column) {
				return fmt.Errorf("%s: %q is no column of readings.csv; those are %s", part.name, column, strings.Join(allColumns(), ", "))
			}
		}
	}
	for _, column := range m.IDs {
		if !slices.Contains(idColumns, column) {
			return fmt.Errorf("ids: %q does not hold ids; those are %s", column, strings.Join(idColumns, ", "))
		}
	}
	for conductor := range m.Phases {
		if _, err := insulation.ParseConductor(conductor); err != nil {
			return fmt.Errorf("phases: %w", err)
		}
	}
	for column, unit := range m.Units {
		text, err := inUnit(column, "1", unit)
		if err == nil && isOhms(column) {
			_, _, err = insulation.ParseResistance(text, math.NaN())
		}
		if err != nil {
			return fmt.Errorf("units: %w", err)
		}
	}
	return m.prepareTimes()
}

func (m *Mapping) prepareTimes() error {
	var err error
	if m.TimeZone != "" {
		if m.zone, err = time.LoadLocation(m.TimeZone); err != nil {
			return fmt.Errorf("time_zone: %w", err)
		}
	}
	if m.TimeOfDay != "" {
		if _, err := time.Parse("15:04", m.TimeOfDay); err != nil {
			return fmt.Errorf("time_of_day %q: want hh:mm", m.TimeOfDay)
		}
	}
	for _, form := range m.TimeForms {
		if m.zone == nil {
			return fmt.Errorf("time_forms %q needs time_zone, such as Europe/Berlin", form)
		}
		layout, err := layoutOf(form)
		if err != nil {
			return err
		}
		m.layouts = append(m.layouts, layout)
	}
	return nil
}

func keysOf[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

func allColumns() []string {
	return slices.Concat(record.ReadingColumns, record.OptionalReadingColumns)
}

func isReadingColumn(name string) bool { return slices.Contains(allColumns(), name) }

// checkHeader says which of the mapping's columns the table does not have.
func (m *Mapping) checkHeader(column map[string]int) error {
	var missing []string
	want := func(name string) {
		if _, ok := column[name]; !ok && !slices.Contains(missing, name) {
			missing = append(missing, name)
		}
	}
	for _, c := range keysOf(m.Columns) {
		for _, name := range m.Columns[c] {
			want(name)
		}
	}
	for _, c := range keysOf(m.Phases) {
		want(m.Phases[c])
	}
	if len(missing) > 0 {
		return fmt.Errorf("the mapping names columns that the table does not have: %s", strings.Join(missing, ", "))
	}
	for _, needed := range []string{"vehicle", "measured_at", "method", "component", "resistance_ohm"} {
		_, fromColumn := m.Columns[needed]
		_, constant := m.Constants[needed]
		if !fromColumn && !constant && !(needed == "resistance_ohm" && len(m.Phases) > 0) {
			return fmt.Errorf("the mapping says nothing about %s, which every reading needs: want it in columns or constants", needed)
		}
	}
	return nil
}

// uses says whether a table's column means something to the mapping.
func (m *Mapping) uses(name string) bool {
	for _, names := range m.Columns {
		if slices.Contains(names, name) {
			return true
		}
	}
	for _, n := range m.Phases {
		if n == name {
			return true
		}
	}
	return false
}

// readings turns one row into the cells of a readings.csv row, or of one for
// each phase whose cell is not empty.
func (m *Mapping) readings(cell func(string) string) []func(string) (string, error) {
	base := func(column string) (string, error) { return m.cell(cell, column) }
	if len(m.Phases) == 0 {
		return []func(string) (string, error){base}
	}
	var out []func(string) (string, error)
	for _, conductor := range keysOf(m.Phases) {
		text := cell(m.Phases[conductor])
		if text == "" {
			continue
		}
		out = append(out, func(column string) (string, error) {
			switch column {
			case "conductor":
				return conductor, nil
			case "resistance_ohm":
				return m.value(column, text)
			case "reading_id":
				id, err := base(column)
				if err != nil || id == "" {
					return id, err
				}
				return id + "-" + conductor, nil
			}
			return base(column)
		})
	}
	return out
}

// cell is one cell of readings.csv.
func (m *Mapping) cell(cell func(string) string, column string) (string, error) {
	names, ok := m.Columns[column]
	if !ok {
		return m.Constants[column], nil
	}
	parts := make([]string, 0, len(names))
	for _, n := range names {
		if s := cell(n); s != "" {
			parts = append(parts, s)
		}
	}
	text := strings.Join(parts, " ")
	if words, ok := m.Words[column]; ok && text != "" {
		word, ok := words[text]
		if !ok {
			return "", &record.FieldError{Field: column, Value: text, Want: "one of the cells that the mapping has words for: " + strings.Join(keysOf(words), ", ")}
		}
		return word, nil
	}
	if text == "" {
		return m.Constants[column], nil
	}
	return m.value(column, text)
}

// value turns a number or time as people write it into the form of readings.csv.
func (m *Mapping) value(column, text string) (string, error) {
	switch {
	case slices.Contains(m.IDs, column):
		id := idOf(text)
		if id == "" {
			return "", &record.FieldError{Field: column, Value: text, Want: "a name with letters or digits"}
		}
		return id, nil
	case column == "measured_at" || column == "received_at":
		t, err := m.time(text)
		if err != nil {
			return "", fmt.Errorf("%s %q: %w", column, text, err)
		}
		return t.UTC().Format(time.RFC3339Nano), nil
	case isNumber(column):
		if m.DecimalComma {
			var err error
			if text, err = pointForComma(column, text); err != nil {
				return "", err
			}
		}
		return inUnit(column, text, m.Units[column])
	}
	return text, nil
}
