package store

import (
	"fmt"
	"strconv"
	"strings"

	"creepage/internal/filter"
)

// column is how a field of a list is kept: an SQL expression, for words kept as
// numbers what a word's number is, and whether a value that ends in * asks for
// what begins with the rest (google.aip.dev/160).
type column struct {
	sql      string
	words    map[string]int16
	wildcard bool
}

// columns are the fields of one list, by the name callers know them by. Only
// what is in here ever becomes SQL; values are always arguments.
type columns map[string]column

// arguments collects the values of a statement.
type arguments []any

// add returns the placeholder of a value.
func (a *arguments) add(v any) string {
	*a = append(*a, v)
	return "$" + strconv.Itoa(len(*a))
}

var operators = map[filter.Op]string{filter.Equal: "=", filter.NotEqual: "<>", filter.Less: "<", filter.LessEqual: "<=", filter.Greater: ">", filter.GreaterEqual: ">="}

// where makes a condition of a filter. What is not there is not equal to
// anything, and no comparison with it holds (so NOT (days < 30) holds for it).
func (cs columns) where(e *filter.Expression, args *arguments) (string, error) {
	if e == nil {
		return "true", nil
	}
	return cs.condition(e, args, false)
}

// condition is where below a number of NOTs. Without one above it a comparison
// that is unknown counts as false by itself, and stands bare, so that an index
// can serve it.
func (cs columns) condition(e *filter.Expression, args *arguments, negated bool) (string, error) {
	switch e.Op {
	case filter.And, filter.Or:
		parts := make([]string, len(e.Kids))
		for i, kid := range e.Kids {
			var err error
			if parts[i], err = cs.condition(kid, args, negated); err != nil {
				return "", err
			}
		}
		return "(" + strings.Join(parts, map[filter.Op]string{filter.And: " AND ", filter.Or: " OR "}[e.Op]) + ")", nil
	case filter.Not:
		inner, err := cs.condition(e.Kids[0], args, true)
		return "(NOT " + inner + ")", err
	}
	c, ok := cs[e.Field]
	if !ok {
		return "", fmt.Errorf("field %q of a filter has no column", e.Field)
	}
	value := e.Value
	if c.words != nil {
		number, ok := c.words[fmt.Sprint(value)]
		if !ok {
			return "", fmt.Errorf("word %q of field %q has no number", value, e.Field)
		}
		value = number
	}
	if begin, ok := strings.CutSuffix(fmt.Sprint(value), "*"); ok && c.wildcard {
		condition := "coalesce(starts_with(" + c.sql + ", " + args.add(begin) + "), false)"
		if e.Op == filter.NotEqual {
			return "(NOT " + condition + ")", nil
		}
		return condition, nil
	}
	if e.Op == filter.NotEqual {
		return "(" + c.sql + " IS DISTINCT FROM " + args.add(value) + ")", nil
	}
	comparison := c.sql + " " + operators[e.Op] + " " + args.add(value)
	if negated {
		return "coalesce(" + comparison + ", false)", nil
	}
	return "(" + comparison + ")", nil
}

// sortKey is one expression to order by. Absent values must have been given a
// place by the expression itself: it is never null.
type sortKey struct {
	sql        string
	descending bool
}

// orderBy writes an ORDER BY list.
func orderBy(keys []sortKey) string {
	parts := make([]string, len(keys))
	for i, k := range keys {
		parts[i] = k.sql
		if k.descending {
			parts[i] += " DESC"
		}
	}
	return strings.Join(parts, ", ")
}

// after makes the condition "comes after the row with these values", by which
// the next page begins where the last one ended, however many rows came or went.
func after(keys []sortKey, values []any, args *arguments) string {
	placeholders := make([]string, len(keys))
	for i := range keys {
		placeholders[i] = args.add(values[i])
	}
	var alternatives []string
	for i, k := range keys {
		var parts []string
		for j := range i {
			parts = append(parts, keys[j].sql+" = "+placeholders[j])
		}
		sign := " > "
		if k.descending {
			sign = " < "
		}
		parts = append(parts, k.sql+sign+placeholders[i])
		alternatives = append(alternatives, "("+strings.Join(parts, " AND ")+")")
	}
	return "(" + strings.Join(alternatives, " OR ") + ")"
}
