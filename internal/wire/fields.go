package wire

import (
	"fmt"
	"math"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"
)

// FieldError says what is wrong with one field of a message: its path in proto
// snake_case, and the value with what is allowed.
type FieldError struct {
	Field       string
	Description string
}

// Error returns "field: description".
func (e FieldError) Error() string { return e.Field + ": " + e.Description }

// FieldErrors are all that is wrong with one message.
type FieldErrors []FieldError

// Error joins them with "; ".
func (es FieldErrors) Error() string {
	lines := make([]string, len(es))
	for i, e := range es {
		lines[i] = e.Error()
	}
	return strings.Join(lines, "; ")
}

// Under returns the errors with their paths put under a parent, such as
// "readings[3]".
func (es FieldErrors) Under(parent string) FieldErrors {
	moved := make(FieldErrors, len(es))
	for i, e := range es {
		moved[i] = FieldError{parent + "." + e.Field, e.Description}
	}
	return moved
}

// reader collects what is wrong with a message while its fields are read.
type reader struct {
	errs FieldErrors
}

func (r *reader) fail(field, format string, args ...any) {
	r.errs = append(r.errs, FieldError{field, fmt.Sprintf(format, args...)})
}

// err returns what was collected, nil if nothing was.
func (r *reader) err() error {
	if len(r.errs) == 0 {
		return nil
	}
	return r.errs
}

// number reads an optional number: NaN when it is left out.
func (r *reader) number(field string, v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	if math.IsNaN(*v) || math.IsInf(*v, 0) {
		r.fail(field, "%g is not a number; leave the field out if it was not taken", *v)
	}
	return *v
}

// between reads a number that must lie within bounds; words are their unit and why.
func (r *reader) between(field string, v, low, high float64, words string) {
	if !(v >= low && v <= high) {
		r.fail(field, "%.10g: allowed is %.10g to %.10g %s", v, low, high, words)
	}
}

// pointer reads an optional number of which unknown is a value of its own.
func (r *reader) pointer(field string, v *float64) *float64 {
	if v == nil {
		return nil
	}
	n := r.number(field, v)
	return &n
}

// time reads a timestamp: the zero time when it is left out.
func (r *reader) time(field string, ts *timestamppb.Timestamp) time.Time {
	if ts == nil {
		return time.Time{}
	}
	if err := ts.CheckValid(); err != nil {
		r.fail(field, "%v; allowed are RFC 3339 times from year 1 to 9999", err)
		return time.Time{}
	}
	return ts.AsTime().Truncate(time.Microsecond)
}

// requiredTime reads a timestamp that must be there.
func (r *reader) requiredTime(field string, ts *timestamppb.Timestamp) time.Time {
	if ts == nil {
		r.fail(field, "is missing; an RFC 3339 time is needed")
	}
	return r.time(field, ts)
}

// enum reads an enum whose numbers are the domain's own; zero when it is left out.
func enum[T ~uint8, E interface {
	~int32
	fmt.Stringer
}](r *reader, field string, v E, last T) T {
	if v < 0 || int32(v) > int32(last) {
		r.fail(field, "%d is none of its values; allowed are %s", int32(v), words[E](int32(last)))
		return 0
	}
	return T(v)
}

// requiredEnum reads an enum that must be there.
func requiredEnum[T ~uint8, E interface {
	~int32
	fmt.Stringer
}](r *reader, field string, v E, last T) T {
	if v == 0 {
		r.fail(field, "is missing; allowed are %s", words[E](int32(last)))
		return 0
	}
	return enum(r, field, v, last)
}

// words lists an enum's values for a message.
func words[E interface {
	~int32
	fmt.Stringer
}](last int32) string {
	names := make([]string, 0, last)
	for i := int32(1); i <= last; i++ {
		names = append(names, E(i).String())
	}
	return strings.Join(names, ", ")
}

// Optional is a number as the contract carries it: nil for NaN.
func Optional(v float64) *float64 {
	if math.IsNaN(v) {
		return nil
	}
	return &v
}

// Text is a string as the contract carries it: nil for "".
func Text(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// Stated is an enum as the contract carries it: nil for what was not stated.
func Stated[E ~int32](e E) *E {
	if e == 0 {
		return nil
	}
	return &e
}

// Timestamp is a time as the contract carries it: nil for the zero time.
func Timestamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
