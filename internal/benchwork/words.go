package benchwork

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"creepage/internal/insulation"
)

// each writes what the readings state of one thing: one text, several with
// their counts, or "not stated".
func (v *VisitRecord) each(of func(r *insulation.Reading) string) string {
	return each(v.Readings, of)
}

func each(readings []insulation.Reading, of func(r *insulation.Reading) string) string {
	texts := distinct(readings, of)
	count := map[string]int{}
	for i := range readings {
		count[of(&readings[i])]++
	}
	missing := count[""]
	switch {
	case len(texts) == 0:
		return "not stated"
	case len(texts) == 1 && missing == 0:
		return texts[0]
	case len(texts) > 4:
		texts = append(texts[:3], fmt.Sprintf("%d more", len(texts)-3))
	case len(texts) > 1 || missing > 0:
		for i, t := range texts {
			texts[i] = fmt.Sprintf("%s (%d of %d)", t, count[t], len(readings))
		}
	}
	if missing > 0 {
		texts = append(texts, fmt.Sprintf("not stated (%d of %d)", missing, len(readings)))
	}
	return strings.Join(texts, ", ")
}

// distinct lists what the readings say, each once, in their order, without "".
func distinct(readings []insulation.Reading, of func(r *insulation.Reading) string) []string {
	var out []string
	for i := range readings {
		if t := of(&readings[i]); t != "" && !slices.Contains(out, t) {
			out = append(out, t)
		}
	}
	return out
}

func nonEmpty(texts ...string) []string {
	return slices.DeleteFunc(texts, func(s string) bool { return s == "" })
}

// quantity writes a number with its unit, "" for NaN.
func quantity(v float64, unit string) string {
	if math.IsNaN(v) {
		return ""
	}
	return short(v) + " " + unit
}

// short writes a number without needless digits.
func short(v float64) string { return fmt.Sprintf("%.4g", v) }

// spreadWords writes an interval, its unit once where both ends have the same.
func spreadWords(relation insulation.Relation, i insulation.Interval) string {
	low, high := insulation.FormatResistance(relation, i.Low), insulation.FormatResistance(relation, i.High)
	number, unit, _ := strings.Cut(low, " ")
	if strings.HasSuffix(high, " "+unit) {
		low = number
	}
	return low + " to " + high
}

// yesNo is what a technician states: "" for nothing, which is not "no".
func yesNo(b *bool) string {
	switch {
	case b == nil:
		return ""
	case *b:
		return "yes, stated"
	}
	return "NO, stated"
}

func maybe(v *float64, unit string) string {
	if v == nil {
		return ""
	}
	return quantity(*v, unit)
}

func date(t time.Time) string { return t.UTC().Format("2 Jan 2006") }

// plain writes the words of the sets as people do: "hv_plus" becomes "HV+".
func plain(s string) string {
	return strings.NewReplacer("hv_plus", "HV+", "hv_minus", "HV−", "phase_u", "phase U", "phase_v", "phase V", "phase_w", "phase W",
		"fuel_cell", "fuel cell", "weaker_pole", "weaker pole").Replace(s)
}

// pointWords names a reading's test point.
func pointWords(r *insulation.Reading) string {
	if r.Component == insulation.System {
		what := "both poles in parallel"
		if r.Quantity == insulation.WeakerPole {
			what = "weaker pole"
		}
		return fmt.Sprintf("whole vehicle to %s, %s", r.Reference, what)
	}
	conductor := plain(r.Conductor.String())
	if r.Conductor == insulation.AllConductors {
		conductor = "all conductors"
	}
	return fmt.Sprintf("%s, %s to %s", plain(r.Component.String()), conductor, r.Reference)
}

// testWords says at what voltage and for how long a reading was taken.
func testWords(r *insulation.Reading) string {
	parts := nonEmpty(quantity(r.TestVolts, "V"), quantity(r.HoldSeconds, "s"))
	if len(parts) == 0 {
		return r.Method.String()
	}
	return strings.Join(parts, ", ")
}

func verdictWords(v insulation.Verdict) string {
	switch v {
	case insulation.Met:
		return "meets the limit"
	case insulation.NotMet:
		return "below the limit"
	case insulation.CannotTell:
		return "cannot tell"
	}
	return "no limit known"
}

// numbers writes positions as the sheet counts them, from 1.
func numbers(positions []int) string {
	words := make([]string, len(positions))
	for i, p := range positions {
		words[i] = fmt.Sprint(p + 1)
	}
	return strings.Join(words, ", ")
}

// sentence begins a text with a capital.
func sentence(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(first)) + s[size:]
}

// TrackTitle names a track: a component and its conductor group's word.
func TrackTitle(c insulation.Component, group string) string {
	switch {
	case c == insulation.System && group == insulation.WeakerPole.String():
		return "Whole vehicle, weaker pole"
	case c == insulation.System:
		return "Whole vehicle, both poles in parallel"
	case group == "phases":
		return sentence(plain(c.String())) + ", phases U, V, W"
	case group == "all":
		return sentence(plain(c.String())) + ", all conductors"
	}
	return sentence(plain(c.String())) + ", " + plain(group)
}
