package sheet

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"creepage/internal/record"
)

// unitsOf are the spellings of the units that a number may carry, with what a
// number in them is multiplied by and then added to.
var unitsOf = map[string]map[string]struct{ factor, plus float64 }{
	"test_volt":          {"v": {1, 0}, "vdc": {1, 0}, "v dc": {1, 0}, "kv": {1e3, 0}},
	"hold_s":             {"s": {1, 0}, "sec": {1, 0}, "sek": {1, 0}, "min": {60, 0}},
	"temperature_c":      celsius,
	"part_temperature_c": celsius,
	"humidity_pct":       {"%": {1, 0}, "% rh": {1, 0}, "%rh": {1, 0}},
}

var celsius = map[string]struct{ factor, plus float64 }{
	"°c": {1, 0}, "c": {1, 0}, "grad": {1, 0}, "°f": {5. / 9, -160. / 9}, "f": {5. / 9, -160. / 9}, "k": {1, -273.15},
}

// Ohms have a parser of their own, which knows their units.
func isOhms(column string) bool { return column == "resistance_ohm" || column == "range_ohm" }

func isNumber(column string) bool { return isOhms(column) || unitsOf[column] != nil }

var numberAndUnit = regexp.MustCompile(`^([-+−]?[0-9.]+(?:[eE][-+]?[0-9]+)?)\s*(.*)$`)

// inUnit turns "1 min" into 60, and "21" into what it is in the unit given for
// bare numbers.
func inUnit(column, text, bare string) (string, error) {
	parts := numberAndUnit.FindStringSubmatch(strings.TrimSpace(text))
	if isOhms(column) {
		prefix, rest := cutSign(text)
		if p := numberAndUnit.FindStringSubmatch(rest); p != nil && p[2] == "" && bare != "" {
			return prefix + rest + " " + bare, nil
		}
		return text, nil
	}
	units := unitsOf[column]
	if units == nil {
		return "", fmt.Errorf("%s is no number with a unit", column)
	}
	if parts == nil {
		return text, nil // the strict parser says what is wrong with it
	}
	unit := strings.ToLower(strings.TrimSpace(parts[2]))
	if unit == "" {
		unit = strings.ToLower(bare)
	}
	if unit == "" {
		return parts[1], nil
	}
	u, ok := units[unit]
	if !ok {
		return "", &record.FieldError{Field: column, Value: text, Want: "a number, or one with a unit of " + strings.Join(keysOf(units), ", ")}
	}
	x, err := strconv.ParseFloat(strings.Replace(parts[1], "−", "-", 1), 64)
	if err != nil {
		return text, nil
	}
	x = x*u.factor + u.plus
	if u.factor != 1 {
		x = math.Round(x*1e9) / 1e9 // 70 °F is 21.111111111, not an endless fraction
	}
	return strconv.FormatFloat(x, 'g', -1, 64), nil
}

func cutSign(text string) (sign, rest string) {
	text = strings.TrimSpace(text)
	rest = strings.TrimLeft(text, "<>=≤≥ ")
	return text[:len(text)-len(rest)], rest
}

var (
	writtenNumber = regexp.MustCompile(`[0-9][0-9.,]*`)
	withComma     = regexp.MustCompile(`^([0-9]{1,3}(\.[0-9]{3})+|[0-9]+)(,[0-9]+)?$`)
)

// pointForComma rewrites the number of a cell with a decimal comma: 21,5 as
// 21.5 and 1.234,5 as 1234.5. In such a table 1.5 is a mistake, not one and a half.
func pointForComma(column, text string) (string, error) {
	at := writtenNumber.FindStringIndex(text)
	if at == nil {
		return text, nil
	}
	number := text[at[0]:at[1]]
	if !withComma.MatchString(number) {
		return "", &record.FieldError{Field: column, Value: text, Want: "a number with a decimal comma, as the mapping says, such as 21,5 or 1.234,5"}
	}
	number = strings.ReplaceAll(strings.ReplaceAll(number, ".", ""), ",", ".")
	return text[:at[0]] + number + text[at[1]:], nil
}
