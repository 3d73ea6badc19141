package sheet

import (
	"fmt"
	"strconv"
	"strings"
)

// bareNumbers are the resistances of a column that were written without a unit.
type bareNumbers struct {
	n, line int  // how many, and the line of the first
	units   bool // others of the column have one
	low     bool // some are lower than what is written in plain ohms
}

// leastBareOhms is what a tester's resistance in plain ohms is at least: 550 is
// more often megohms whose unit was left out (judgement).
const leastBareOhms = 1000

// lookForUnits notes which resistances of a row have no unit.
func (r *Reader) lookForUnits(cell func(string) string, line int) {
	if r.bare == nil {
		r.bare, r.ohms = map[string]*bareNumbers{}, r.ohmColumns()
	}
	for _, name := range r.ohms {
		_, text := cutSign(strings.ReplaceAll(cell(name), ",", "."))
		parts := numberAndUnit.FindStringSubmatch(text)
		if parts == nil {
			continue
		}
		b := r.bare[name]
		if b == nil {
			b = &bareNumbers{}
			r.bare[name] = b
		}
		if parts[2] != "" {
			b.units = true
			continue
		}
		if b.n++; b.n == 1 {
			b.line = line
		}
		if x, err := strconv.ParseFloat(parts[1], 64); err == nil && x < leastBareOhms && cell("method") != "monitor" {
			b.low = true
		}
	}
}

// ohmColumns are the table's columns of resistances whose bare numbers are ohms.
func (r *Reader) ohmColumns() []string {
	names := []string{"resistance_ohm", "range_ohm"}
	if r.mapping == nil {
		return names
	}
	var from []string
	for _, c := range names {
		if r.mapping.Units[c] == "" {
			from = append(from, r.mapping.Columns[c]...)
		}
	}
	if r.mapping.Units["resistance_ohm"] == "" {
		for _, conductor := range keysOf(r.mapping.Phases) {
			from = append(from, r.mapping.Phases[conductor])
		}
	}
	return from
}

// Remarks says, of the rows that were read, where a unit was left out and taken
// for ohm: in columns of which neither name nor mapping states one, and in those of
// readings.csv, which are ohms by their name, where it looks like a slip.
func (r *Reader) Remarks() []string {
	var out []string
	for _, name := range r.ohms {
		b := r.bare[name]
		if b == nil || b.n == 0 || isOhms(name) && !b.units && !b.low {
			continue
		}
		text := fmt.Sprintf("column %q: numbers without a unit, the first in line %d, are taken as ohm (%d in all)", name, b.line, b.n)
		if r.mapping != nil {
			text += "; the mapping may state another in units"
		}
		out = append(out, text)
	}
	return out
}
