package casefile

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/draw"
)

// Word writes an enum's name as people say it: FUEL_CELL is "fuel cell".
func Word(v fmt.Stringer) string {
	switch s := v.String(); s {
	case "HV_PLUS":
		return "HV+"
	case "HV_MINUS":
		return "HV−"
	case "PHASE_U", "PHASE_V", "PHASE_W":
		return "phase " + s[len(s)-1:]
	case "SYSTEM":
		return "whole vehicle"
	default:
		return strings.ToLower(strings.ReplaceAll(s, "_", " "))
	}
}

// StateOf is a state as the glyph shows it.
func StateOf(s creepagev1.Outlook_State) draw.State {
	switch s {
	case creepagev1.Outlook_STEADY:
		return draw.Steady
	case creepagev1.Outlook_FALLING:
		return draw.Falling
	case creepagev1.Outlook_DUE:
		return draw.Due
	case creepagev1.Outlook_UNDER:
		return draw.Under
	}
	return draw.Unknown
}

// StateText says what a state means.
func StateText(s string) string {
	return map[string]string{
		"steady": "no decline worth naming", "falling": "declines, not due yet", "due": "may reach the code limit within the lead time",
		"under": "below the code limit now", "unknown": "too little measured, or not settled",
	}[s]
}

// WarningText says what is warned of.
func WarningText(k creepagev1.Warning_Kind) string {
	switch k {
	case creepagev1.Warning_CODE_DUE:
		return "isolation code due"
	case creepagev1.Warning_UNDER_CODE_LIMIT:
		return "under the code limit"
	case creepagev1.Warning_UNDER_SERVICE_LIMIT:
		return "under a service limit"
	case creepagev1.Warning_SUDDEN_DROP:
		return "sudden drop"
	}
	return "warning"
}

// Percent rounds to what a forecast can carry, and never says 0 or 100 %.
func Percent(p float64) string {
	switch {
	case math.IsNaN(p):
		return "–"
	case p < 0.01:
		return "under 1 %"
	case p > 0.99:
		return "over 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// Chance is a probability in words; the help page lists the same bounds.
func Chance(p float64) string {
	for _, c := range chances {
		if p >= c.From {
			return c.Word
		}
	}
	return ""
}

// ChanceWord is the word for probabilities from From on.
type ChanceWord struct {
	From float64
	Word string
}

// Chances lists the words, the highest first.
func Chances() []ChanceWord { return append([]ChanceWord(nil), chances...) }

var chances = []ChanceWord{{0.95, "almost certain"}, {0.75, "very likely"}, {0.5, "likely"}, {0.2, "possible"}, {0.05, "unlikely"}, {0, "very unlikely"}}

// DayForm is how days are written everywhere: no reader takes one for another,
// whatever order of numbers is usual where they are.
const DayForm = "2 Jan 2006"

// Day writes a time's day where there is no page around it, such as in a chart.
func Day(t *timestamppb.Timestamp) string {
	if t == nil {
		return "–"
	}
	return t.AsTime().UTC().Format(DayForm)
}

// Date writes a day of the contract, YYYY-MM-DD, as people do.
func Date(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.Format(DayForm)
}

var dayOfTheContract = regexp.MustCompile(`\b\d{4}-\d{2}-\d{2}\b`)

var wordOfTheContract = regexp.MustCompile(`\b(hv_plus|hv_minus|phase_[uvw]|fuel_cell|weaker_pole)\b`)

// Prose writes the days and the words of the sets in a sentence of the API, which
// programs read too, as everywhere on the pages.
func Prose(sentence string) string {
	return dayOfTheContract.ReplaceAllStringFunc(wordOfTheContract.ReplaceAllStringFunc(sentence, GroupText), Date)
}

// Due is by when, as people say it.
type Due struct {
	Big, Small, Range string
}

// DueOf makes dates of an outlook's days.
func DueOf(o *creepagev1.Outlook) Due {
	at := o.GetEvaluateTime().AsTime().UTC()
	on := func(days float64) string {
		return at.Add(time.Duration(days * 24 * float64(time.Hour))).Format(DayForm)
	}
	switch {
	case o.CodeSetTime != nil:
		return Due{Big: "set", Small: "on " + Day(o.GetCodeSetTime())}
	case o.GetState() == creepagev1.Outlook_UNDER:
		return Due{Big: "now", Small: "below the code limit"}
	case o.GetState() == creepagev1.Outlook_UNKNOWN, o.Unsettled != nil:
		return Due{Big: "–", Small: "not known"}
	}
	if o.DaysToCodeP50 == nil {
		if o.DaysToCodeP10 != nil {
			return Due{Big: "open", Small: "hardly before " + on(o.GetDaysToCodeP10()), Range: "if it comes at all"}
		}
		return Due{Big: "–", Small: "not within two years"}
	}
	d := Due{Big: on(o.GetDaysToCodeP50()), Small: "in about " + days(o.GetDaysToCodeP50())}
	switch {
	case o.DaysToCodeP10 != nil && o.DaysToCodeP90 != nil:
		d.Range = on(o.GetDaysToCodeP10()) + " to " + on(o.GetDaysToCodeP90())
	case o.DaysToCodeP10 != nil:
		d.Range = on(o.GetDaysToCodeP10()) + " or much later"
	}
	return d
}

// Likely is an outlook's chances in words and per cent; nothing of a vehicle whose code is set, nor of one whose
// last look is not settled: the chances leave that look out.
type Likely struct {
	Word, Percent, Within30 string
	But                     string // what they leave open, if anything
}

// LikelyOf words an outlook's chances.
func LikelyOf(o *creepagev1.Outlook) Likely {
	if o.CodeSetTime != nil || o.Unsettled != nil {
		return Likely{}
	}
	l := Likely{Word: Chance(o.GetCodeProbability_90D()), Percent: Percent(o.GetCodeProbability_90D()), Within30: Percent(o.GetCodeProbability_30D())}
	if o.GetState() == creepagev1.Outlook_UNKNOWN {
		l.But = "as far as is known"
	}
	return l
}

func days(n float64) string {
	switch r := int(math.Round(n)); {
	case r <= 0:
		return "a day"
	case r == 1:
		return "1 day"
	case r < 60:
		return fmt.Sprintf("%d days", r)
	case r < 730:
		return fmt.Sprintf("%d weeks", int(math.Round(n/7)))
	}
	return "two years"
}

// soonDays is within which a median date asks for the bay rather than for
// another measurement: a shop's usual planning ahead, a judgement.
const soonDays = 30

// NextStep says what to do about an outlook.
func NextStep(o *creepagev1.Outlook) string {
	component := "the code memory and a test of every part"
	if o.LimitingComponent != nil {
		component = "the " + Word(o.GetLimitingComponent())
	}
	measure := ""
	if m := o.GetMeasureNext(); m.GetComponent() != creepagev1.Reading_COMPONENT_UNSPECIFIED {
		measure = "measure the " + Word(m.GetComponent())
		if g := GroupText(m.GetGroup()); g != "" {
			measure += ", " + g
		}
	}
	by := ""
	if o.MeasureAgainBy != nil {
		by = " by " + Date(o.GetMeasureAgainBy())
	}
	switch {
	case o.GetState() == creepagev1.Outlook_UNDER:
		return "Book it in now; begin with " + component + "."
	case o.GetState() == creepagev1.Outlook_DUE && o.DaysToCodeP50 != nil && o.GetDaysToCodeP50() <= soonDays:
		return "Book it in now; begin with " + component + "."
	case measure != "":
		return strings.ToUpper(measure[:1]) + measure[1:] + by + ": it tells most."
	case o.GetState() == creepagev1.Outlook_DUE:
		return "Plan a bay for " + component + by + "."
	case by != "":
		return "Measure again" + by + "."
	}
	return ""
}

// GroupText writes a conductor group as people say it.
func GroupText(group string) string {
	switch group {
	case "hv_plus":
		return "HV+"
	case "hv_minus":
		return "HV−"
	case "phases":
		return "phases U, V, W"
	case "phase_u", "phase_v", "phase_w":
		return "phase " + strings.ToUpper(group[len(group)-1:])
	case "all":
		return "all conductors tied"
	case "parallel":
		return "both poles in parallel"
	case "weaker_pole":
		return "weaker pole"
	}
	return strings.ReplaceAll(group, "_", " ")
}

// WouldChange says which measurement would settle the verdict.
func WouldChange(o *creepagev1.Outlook) string {
	m := o.GetMeasureNext()
	if m.GetComponent() == creepagev1.Reading_COMPONENT_UNSPECIFIED {
		return ""
	}
	s := "A reading of the " + Word(m.GetComponent())
	if g := GroupText(m.GetGroup()); g != "" {
		s += ", " + g + ","
	}
	if n := m.GetNarrowsTo(); n > 0 && n < 1 && o.DaysToCodeP50 != nil && o.CodeSetTime == nil {
		s += " would narrow the span of dates to about " + Percent(n) + " of what it is."
	} else {
		s += " would tell most."
	}
	if reason := strings.TrimSpace(m.GetReason()); reason != "" && o.CodeSetTime == nil { // which is about when the code may come
		s += " " + strings.ToUpper(reason[:1]) + strings.TrimSuffix(reason[1:], ".") + "."
	}
	return s
}
