package insulation

import (
	"fmt"
	"strings"
)

// Violation says which field of an input is wrong, what it held and what is allowed.
type Violation struct {
	Field       string // path in snake_case, such as hold_seconds or precautions.residual_volts
	Value       string // the value as given
	Description string // what is wrong and what is allowed
}

// Violations is every violation found in one input; as an error it lists them all.
type Violations []Violation

// Error lists the violations in one line.
func (v Violations) Error() string {
	lines := make([]string, len(v))
	for i, w := range v {
		lines[i] = fmt.Sprintf("%s %s: %s", w.Field, w.Value, w.Description)
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
