package insulation

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
)

// The resistances a reading may state, ohm. Below the lower one a contact
// resistance was measured, above the upper one no insulation tester reads.
const (
	MinOhms = 0.01
	MaxOhms = 1e15
)

// unitFactors are the spellings of a unit, Ω sign and "ohm" removed.
// "m" is missing on purpose: as written it means milliohm, as meant it is
// usually megohm, and the two differ by nine decades.
var unitFactors = map[string]float64{
	"": 1, "R": 1, "r": 1,
	"k": 1e3, "K": 1e3, "kil": 1e3, "kilo": 1e3, // kilohm, kiloohm
	"M": 1e6, "meg": 1e6, "mega": 1e6,
	"g": 1e9, "G": 1e9, "gig": 1e9, "giga": 1e9,
	"T": 1e12, "tera": 1e12,
}

// overRangeWords are what meters show and people write for "above the range".
var overRangeWords = map[string]bool{
	"ol": true, "o.l": true, "o.l.": true, "0l": true, "0.l": true, "0.l.": true, "ovl": true, "ofl": true, "over": true, "overload": true,
	"over range": true, "over-range": true, "overrange": true, "inf": true, "infinite": true, "infinity": true, "∞": true,
}

// ParseResistance reads a resistance as people write it: a relation (none, =,
// >, <, ≥, ≤), a number with decimal point or unambiguous decimal comma, and a
// unit (none for ohm; Ω, ohm, ohms after k, M, G, T or their words). The
// letter may stand in the decimal point's place as in IEC 60062 (4M7). OL, inf
// and their like are over-range and need rangeOhms, the top of the meter's
// range in ohm (NaN if not known). The error names the text and what is allowed.
func ParseResistance(text string, rangeOhms float64) (Relation, float64, error) {
	s := strings.TrimSpace(strings.Map(plainCharacter, text))
	if s == "" {
		return 0, 0, resistanceError(text, "it is empty")
	}
	relation, s := cutRelation(s)
	if overRangeWords[strings.ToLower(s)] || s == "" && relation == Above {
		return parseOverRange(text, relation, rangeOhms)
	}
	number, unit := cutNumber(s)
	if strings.HasPrefix(s, "-") {
		return 0, 0, resistanceError(text, "a resistance is greater than zero")
	}
	if number == "" {
		return 0, 0, resistanceError(text, "it has no number")
	}
	unit = trimOhm(unit)
	number, unit = letterAsPoint(number, unit)
	factor, ok := unitFactors[unit]
	if !ok {
		factor, ok = unitFactors[strings.ToLower(unit)]
		ok = ok && len(unit) > 1
	}
	if !ok {
		return 0, 0, resistanceError(text, unitHint(unit))
	}
	value, err := parseNumber(number)
	if err != nil {
		return 0, 0, resistanceError(text, err.Error())
	}
	ohms := value * factor
	if ohms == 0 {
		return 0, 0, resistanceError(text, "a meter that shows zero says only that the value is below its lowest one: write that as < and the lowest value")
	}
	if !(ohms >= MinOhms && ohms <= MaxOhms) {
		return 0, 0, resistanceError(text, fmt.Sprintf("%s is outside %s to %s", FormatOhms(ohms), FormatOhms(MinOhms), FormatOhms(MaxOhms)))
	}
	return relation, ohms, nil
}

func resistanceError(text, why string) error {
	return fmt.Errorf("resistance %q: %s; allowed is a number with k, M or G and Ω or ohm, > or < before it, or OL with the meter's range: 550 MΩ, >550M, 0.42 GΩ, <10 kohm", text, why)
}

func parseOverRange(text string, relation Relation, rangeOhms float64) (Relation, float64, error) {
	if relation == Below {
		return 0, 0, resistanceError(text, "over-range cannot be below something")
	}
	if math.IsNaN(rangeOhms) || rangeOhms == 0 {
		return 0, 0, resistanceError(text, "over-range says nothing without the top of the meter's range (range_ohm)")
	}
	if !(rangeOhms >= MinOhms && rangeOhms <= MaxOhms) {
		return 0, 0, resistanceError(text, fmt.Sprintf("range_ohm %v is outside %s to %s", rangeOhms, FormatOhms(MinOhms), FormatOhms(MaxOhms)))
	}
	return Above, rangeOhms, nil
}

// plainCharacter maps look-alikes to one spelling: the Greek capital omega
// (U+03A9) to the ohm sign (U+2126), every kind of space to a plain one.
func plainCharacter(r rune) rune {
	switch {
	case r == '\u03A9' || r == '\u03C9':
		return '\u2126'
	case unicode.IsSpace(r), r == '\u2060', r == '\uFEFF':
		return ' '
	case r == '\u2212':
		return '-'
	}
	return r
}

func cutRelation(s string) (Relation, string) {
	for _, c := range []struct {
		sign     string
		relation Relation
	}{{">=", Above}, {"<=", Below}, {">", Above}, {"<", Below}, {"≥", Above}, {"≤", Below}, {"=", Equal}} {
		if rest, ok := strings.CutPrefix(s, c.sign); ok {
			return c.relation, strings.TrimSpace(rest)
		}
	}
	return Equal, s
}

// cutNumber splits a text after its leading number, which may hold digit groups
// and an exponent (5.5e8).
func cutNumber(s string) (number, rest string) {
	i := 0
	for i < len(s) && (isDigit(s[i]) || s[i] == '.' || s[i] == ',' || s[i] == ' ' && i > 0 && i+1 < len(s) && isDigit(s[i+1])) {
		i++
	}
	if j := i; i > 0 && j+1 < len(s) && (s[j] == 'e' || s[j] == 'E') {
		j++
		if j < len(s) && (s[j] == '+' || s[j] == '-') {
			j++
		}
		for k := j; k < len(s) && isDigit(s[k]); k++ {
			i = k + 1
		}
	}
	return s[:i], strings.TrimSpace(s[i:])
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// letterAsPoint rewrites 4M7 as 4.7 M (IEC 60062).
func letterAsPoint(number, unit string) (string, string) {
	if len(unit) < 2 || !strings.ContainsRune("RkKMGT", rune(unit[0])) {
		return number, unit
	}
	for i := 1; i < len(unit); i++ {
		if !isDigit(unit[i]) {
			return number, unit
		}
	}
	for i := range len(number) {
		if !isDigit(number[i]) {
			return number, unit
		}
	}
	return number + "." + unit[1:], unit[:1]
}

func trimOhm(unit string) string {
	if rest, ok := strings.CutSuffix(unit, "\u2126"); ok {
		return strings.TrimSpace(rest)
	}
	for _, word := range []string{"ohms", "ohm"} {
		if n := len(unit) - len(word); n >= 0 && strings.EqualFold(unit[n:], word) {
			return keepPrefixOf(strings.TrimSpace(unit[:n]), unit[n:])
		}
	}
	if strings.EqualFold(unit, "megs") || strings.EqualFold(unit, "gigs") {
		return unit[:len(unit)-1]
	}

	return unit
}

// keepPrefixOf tells MOHM, where everything is in capitals, from mOhm.
func keepPrefixOf(prefix, ohm string) string {
	if prefix == "m" && ohm == strings.ToUpper(ohm) {
		return "milli"
	}
	return prefix
}

func unitHint(unit string) string {
	if unit == "m" || unit == "milli" {
		return "m means milli; write M for mega"
	}
	return fmt.Sprintf("unit %q is not known", unit)
}

// parseNumber reads digits with a decimal point, an unambiguous decimal comma,
// or groups of three digits.
func parseNumber(s string) (float64, error) {
	mantissa, exponent := s, ""
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		mantissa, exponent = s[:i], s[i:]
	}
	plain, err := plainDigits(mantissa)
	if err != nil {
		return 0, err
	}
	v, err := strconv.ParseFloat(plain+exponent, 64)
	if err != nil {
		return 0, fmt.Errorf("%q is not a number", s)
	}
	return v, nil
}

func plainDigits(s string) (string, error) {
	bad := fmt.Errorf("%q is not a number", s)
	if strings.Contains(s, " ") {
		return ungroup(s, " ", bad)
	}
	dots, commas := strings.Count(s, "."), strings.Count(s, ",")
	switch {
	case dots > 0 && commas > 0 && strings.LastIndex(s, ",") > strings.LastIndex(s, "."):
		if commas > 1 {
			return "", bad
		}
		return ungroup(strings.Replace(s, ",", "\x00", 1), ".", bad)
	case dots > 0 && commas > 0:
		if dots > 1 {
			return "", bad
		}
		return ungroup(strings.Replace(s, ".", "\x00", 1), ",", bad)
	case commas > 1:
		return ungroup(s, ",", bad)
	case dots > 1:
		return ungroup(s, ".", bad)
	case commas == 1:
		whole, fraction, _ := strings.Cut(s, ",")
		if len(fraction) == 3 && whole != "" && len(whole) <= 3 && whole[0] != '0' {
			return "", fmt.Errorf("%q may mean %s.%s or %s%s: write it with a decimal point or without the comma", s, whole, fraction, whole, fraction)
		}
		return whole + "." + fraction, nil
	}
	return s, nil
}

// ungroup removes separators between groups of three digits; \x00 marks the decimal point.
func ungroup(s, sep string, bad error) (string, error) {
	point := strings.IndexAny(s, "\x00.,")
	if sep != " " {
		point = strings.IndexByte(s, 0)
	}
	whole, fraction := s, ""
	if point >= 0 {
		whole, fraction = s[:point], "."+s[point+1:]
	}
	groups := strings.Split(whole, sep)
	for i, g := range groups {
		if len(g) > 3 || len(g) == 0 || i > 0 && len(g) != 3 {
			return "", bad
		}
	}
	if strings.ContainsAny(fraction[min(1, len(fraction)):], " .,\x00") {
		return "", bad
	}
	return strings.Join(groups, "") + fraction, nil
}

// FormatOhms writes a resistance as people say it: three significant digits
// and the prefix that leaves one to three digits before the point ("550 MΩ",
// "1.5 GΩ", "24.3 kΩ"). NaN is "not stated", +Inf is "infinite".
func FormatOhms(ohms float64) string {
	switch {
	case math.IsNaN(ohms):
		return "not stated"
	case math.IsInf(ohms, 0):
		return "infinite"
	}
	// Rounding first, so that 999.6 kΩ becomes 1 MΩ.
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(ohms, 'e', 2, 64), 64)
	if err != nil {
		rounded = ohms
	}
	units := []string{"Ω", "kΩ", "MΩ", "GΩ", "TΩ"}
	power := 0
	for math.Abs(rounded) >= 1e3 && power < len(units)-1 {
		rounded /= 1e3
		power++
	}
	if math.Abs(rounded) >= 1000 {
		return strconv.FormatFloat(rounded, 'f', 0, 64) + " " + units[power]
	}
	return strconv.FormatFloat(threeDigits(rounded), 'f', -1, 64) + " " + units[power]
}

func threeDigits(v float64) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 3, 64), 64)
	if err != nil {
		return v
	}
	return r
}

// FormatResistance writes a resistance with its relation: ">550 MΩ", "420 kΩ".
func FormatResistance(relation Relation, ohms float64) string {
	if relation == Above || relation == Below {
		return relation.String() + FormatOhms(ohms)
	}
	return FormatOhms(ohms)
}
