// Package filter reads what a caller asks of a list: filters as google.aip.dev/160
// writes them, and orders as google.aip.dev/132 does. It knows the fields of a
// list, not how they are kept; internal/store makes SQL of the result.
package filter

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.einride.tech/aip/filtering"
	"go.einride.tech/aip/ordering"
	expr "google.golang.org/genproto/googleapis/api/expr/v1alpha1"
)

// Kind is what a field holds.
type Kind uint8

// Kinds.
const (
	Text   Kind = iota + 1 // string
	Number                 // float64
	Time                   // time.Time, written as an RFC 3339 string
	Flag                   // bool
	Word                   // string, one of the field's words
	Name                   // string: a resource id, written as collection/id or id alone
)

// Field is a field a list can be filtered by.
type Field struct {
	Name       string
	Kind       Kind
	Words      []string // of a Word, in lower case; written in either case
	Collection string   // of a Name, such as platforms
}

// Fields are the fields of one list.
type Fields []Field

// Op is what an expression does.
type Op uint8

// Operators. And, Or and Not combine Kids; the others compare Field with Value.
const (
	And Op = iota + 1
	Or
	Not
	Equal
	NotEqual
	Less
	LessEqual
	Greater
	GreaterEqual
)

// Expression is a filter as a tree. Value is a string, float64, bool or
// time.Time by the field's kind.
type Expression struct {
	Op    Op
	Kids  []*Expression
	Field string
	Value any
}

// Error says what is wrong with a filter or an order.
type Error struct {
	Field       string // of the request: filter or order_by
	Description string // what was sent and what is allowed
}

// Error returns "field: description".
func (e *Error) Error() string { return e.Field + ": " + e.Description }

func invalid(field, format string, args ...any) *Error {
	return &Error{Field: field, Description: fmt.Sprintf(format, args...)}
}

// maxTerms bounds what one filter may cost.
const maxTerms = 50

// Parse reads a filter. An empty one gives nil. The error is an Error of
// the field `filter`.
func (fs Fields) Parse(text string) (*Expression, error) {
	if strings.TrimSpace(text) == "" {
		return nil, nil
	}
	var parser filtering.Parser
	parser.Init(text)
	parsed, err := parser.Parse()
	if err != nil {
		return nil, invalid("filter", "%q cannot be read: %s; want a field, one of = != < <= > >= and a value, joined by AND, OR, NOT; fields are %s",
			text, cause(err), strings.Join(fs.names(), ", "))
	}
	w := walker{fields: fs}
	e, err := w.expression(parsed.GetExpr())
	if err != nil {
		return nil, invalid("filter", "%q: %v", text, err)
	}
	return e, nil
}

// cause returns the innermost message of the parser's error, which holds the
// filter, a pointer into it and the message, each on a line of its own.
func cause(err error) string {
	for inner := errors.Unwrap(err); inner != nil; inner = errors.Unwrap(inner) {
		err = inner
	}
	if errors.Is(err, io.EOF) {
		return "it ends where more must follow"
	}
	lines := strings.Split(strings.TrimSpace(err.Error()), "\n")
	return strings.TrimLeft(lines[len(lines)-1], " ^")
}

type walker struct {
	fields Fields
	terms  int
}

var compare = map[string]Op{
	filtering.FunctionEquals: Equal, filtering.FunctionNotEquals: NotEqual, filtering.FunctionLessThan: Less,
	filtering.FunctionLessEquals: LessEqual, filtering.FunctionGreaterThan: Greater, filtering.FunctionGreaterEquals: GreaterEqual,
}

var combine = map[string]Op{filtering.FunctionAnd: And, filtering.FunctionFuzzyAnd: And, filtering.FunctionOr: Or, filtering.FunctionNot: Not}

func (w *walker) expression(e *expr.Expr) (*Expression, error) {
	if w.terms++; w.terms > maxTerms {
		return nil, fmt.Errorf("has more than %d terms", maxTerms)
	}
	call := e.GetCallExpr()
	if call == nil {
		return w.bare(e)
	}
	if op, ok := combine[call.GetFunction()]; ok {
		return w.combination(op, call.GetArgs())
	}
	op, ok := compare[call.GetFunction()]
	if !ok || len(call.GetArgs()) != 2 {
		return nil, fmt.Errorf("%q is not an operator here; allowed are = != < <= > >= AND OR NOT", call.GetFunction())
	}
	field, err := w.field(call.GetArgs()[0])
	if err != nil {
		return nil, err
	}
	value, err := field.value(call.GetArgs()[1])
	if err != nil {
		return nil, err
	}
	if op != Equal && op != NotEqual && field.Kind != Number && field.Kind != Time {
		return nil, fmt.Errorf("%s has no order; allowed are = and !=", field.Name)
	}
	return &Expression{Op: op, Field: field.Name, Value: value}, nil
}

// bare reads a flag standing by itself.
func (w *walker) bare(e *expr.Expr) (*Expression, error) {
	field, err := w.field(e)
	if err != nil {
		return nil, err
	}
	if field.Kind != Flag {
		return nil, fmt.Errorf("%s needs an operator and a value, such as %s = ...", field.Name, field.Name)
	}
	return &Expression{Op: Equal, Field: field.Name, Value: true}, nil
}

func (w *walker) combination(op Op, args []*expr.Expr) (*Expression, error) {
	kids := make([]*Expression, len(args))
	for i, a := range args {
		var err error
		if kids[i], err = w.expression(a); err != nil {
			return nil, err
		}
	}
	if len(kids) == 1 && op != Not {
		return kids[0], nil
	}
	return &Expression{Op: op, Kids: kids}, nil
}

func (w *walker) field(e *expr.Expr) (*Field, error) {
	name := e.GetIdentExpr().GetName()
	for i := range w.fields {
		if w.fields[i].Name == name && name != "" {
			return &w.fields[i], nil
		}
	}
	if name == "" {
		name = "a value"
	}
	return nil, fmt.Errorf("%s is not a field of this list; allowed are %s", name, strings.Join(w.fields.names(), ", "))
}

func (fs Fields) names() []string {
	names := make([]string, len(fs))
	for i, f := range fs {
		names[i] = f.Name
	}
	return names
}

func (f *Field) value(e *expr.Expr) (any, error) {
	text, isText := literal(e)
	switch f.Kind {
	case Number:
		if n, err := strconv.ParseFloat(text, 64); err == nil {
			return n, nil
		}
		return nil, fmt.Errorf("%s: %q is not a number", f.Name, text)
	case Time:
		if t, err := time.Parse(time.RFC3339, text); err == nil {
			return t, nil
		}
		return nil, fmt.Errorf("%s: %q is not a quoted RFC 3339 time such as \"2026-03-02T09:15:00Z\"", f.Name, text)
	case Flag:
		if b, err := strconv.ParseBool(strings.ToLower(text)); err == nil {
			return b, nil
		}
		return nil, fmt.Errorf("%s: %q is neither true nor false", f.Name, text)
	case Word:
		if word := strings.ToLower(text); slices.Contains(f.Words, word) {
			return word, nil
		}
		return nil, fmt.Errorf("%s: %q is none of %s", f.Name, text, strings.ToUpper(strings.Join(f.Words, ", ")))
	case Name:
		id := strings.TrimPrefix(text, f.Collection+"/")
		if id == "" || strings.Contains(id, "/") {
			return nil, fmt.Errorf("%s: %q is not a name such as \"%s/...\"", f.Name, text, f.Collection)
		}
		return id, nil
	}
	if !isText {
		return nil, fmt.Errorf("%s needs a quoted string", f.Name)
	}
	return text, nil
}

// literal returns a constant, or a bare word, as text.
func literal(e *expr.Expr) (text string, isText bool) {
	if name := e.GetIdentExpr().GetName(); name != "" {
		return name, true
	}
	switch c := e.GetConstExpr().GetConstantKind().(type) {
	case *expr.Constant_StringValue:
		return c.StringValue, true
	case *expr.Constant_Int64Value:
		return strconv.FormatInt(c.Int64Value, 10), false
	case *expr.Constant_Uint64Value:
		return strconv.FormatUint(c.Uint64Value, 10), false
	case *expr.Constant_DoubleValue:
		return strconv.FormatFloat(c.DoubleValue, 'g', -1, 64), false
	case *expr.Constant_BoolValue:
		return strconv.FormatBool(c.BoolValue), false
	}
	return "", false
}

// Order is one field to order by.
type Order struct {
	Field      string
	Descending bool
}

// ParseOrder reads an order. An empty one gives nil, which is the list's own.
// The error is an Error of the field `order_by`.
func ParseOrder(text string, allowed []string) ([]Order, error) {
	var by ordering.OrderBy
	if err := by.UnmarshalString(text); err != nil {
		return nil, invalid("order_by", "%q cannot be read; write fields separated by commas, each perhaps followed by desc", text)
	}
	var orders []Order
	for _, f := range by.Fields {
		if !slices.Contains(allowed, f.Path) {
			return nil, invalid("order_by", "%q is not a field to order by; allowed are %s", f.Path, strings.Join(allowed, ", "))
		}
		if slices.ContainsFunc(orders, func(o Order) bool { return o.Field == f.Path }) {
			return nil, invalid("order_by", "%q is named twice", f.Path)
		}
		orders = append(orders, Order{Field: f.Path, Descending: f.Desc})
	}
	return orders, nil
}
