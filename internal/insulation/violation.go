package insulation

import (
	"fmt"
	"strings"
)

// Violation says which field of an input is wrong, what it held and what is allowed.
type Violation struct {
	Field       string   // path in snake_case, such as hold_seconds or precautions.residual_volts
	Value       string   // the value as given
	Description string   // what is wrong and what is allowed; of a field that takes words what is wrong alone, or nothing
	Words       []string // that are allowed, where the field takes words
}

// Sentence is the value, what is wrong with it and what is allowed.
func (v *Violation) Sentence() string {
	said := v.Value + ": " + v.Description
	if len(v.Words) == 0 {
		return said
	}
	if v.Description != "" {
		said += "; "
	}
	if len(v.Words) == 1 {
		return said + "allowed is " + v.Words[0]
	}
	return said + "allowed are " + strings.Join(v.Words, ", ")
}

// Violations is every violation found in one input; as an error it lists them all.
type Violations []Violation

// Error lists the violations in one line.
func (v Violations) Error() string {
	lines := make([]string, len(v))
	for i := range v {
		lines[i] = v[i].Field + " " + v[i].Sentence()
	}
	return strings.Join(lines, "; ")
}

// err returns the violations as an error, nil if there is none.
func (v Violations) err() error {
	if len(v) == 0 {
		return nil
	}
	return v
}

// add appends a violation; value is written as %v, strings quoted.
func (v *Violations) add(field string, value any, format string, args ...any) {
	written := fmt.Sprint(value)
	if s, ok := value.(string); ok {
		written = fmt.Sprintf("%q", s)
	}
	*v = append(*v, Violation{Field: field, Value: written, Description: fmt.Sprintf(format, args...)})
}

// addWord appends a violation of a field that takes words: what is wrong with the
// one given, "" where it is none at all, and those that are allowed.
func (v *Violations) addWord(field string, given fmt.Stringer, wrong string, allowed ...string) {
	value := given.String()
	if value == "" {
		value = fmt.Sprintf("%d", given)
	}
	*v = append(*v, Violation{Field: field, Value: value, Description: wrong, Words: allowed})
}
