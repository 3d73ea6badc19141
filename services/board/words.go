package board

import (
	"fmt"
	"html/template"
	"math"
	"regexp"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/draw"
	"creepage/internal/insulation"
)

func functions() template.FuncMap {
	return template.FuncMap{
		"ohms":      insulation.FormatOhms,
		"word":      word,
		"id":        id,
		"percent":   percent,
		"chance":    chance,
		"day":       day,
		"date":      date,
		"moment":    moment,
		"prose":     prose,
		"why":       func(reason string) string { return tell(reason).What },
		"glyph":     func(s creepagev1.Outlook_State) template.HTML { return template.HTML(draw.Glyph(stateWord(s))) },
		"state":     func(s creepagev1.Outlook_State) string { return string(stateWord(s)) },
		"glyphOf":   func(s string) template.HTML { return template.HTML(draw.Glyph(draw.State(s))) },
		"stateText": stateText,
		"kind":      warningText,
		"kindWord": func(s string) string {
			return warningText(creepagev1.Warning_Kind(creepagev1.Warning_Kind_value[strings.ToUpper(s)]))
		},
		"lower":   strings.ToLower,
		"inc":     func(i int) int { return i + 1 },
		"group":   groupText,
		"stamp":   func(t *timestamppb.Timestamp) string { return t.AsTime().UTC().Format(time.RFC3339Nano) },
		"said":    func(r *creepagev1.Reading) string { return value(r, r.GetResistanceOhms()) },
		"verdict": verdictText,
		"table": func(name string, v *visitor, rows []readingRow, title string) readingTable {
			return readingTable{name, v, rows, title}
		},
		"decades":  factorText,
		"share":    shareText,
		"lost":     lostText,
		"action":   actionText,
		"roleText": roleText,
		"roleWord": func(s string) string {
			return roleText(creepagev1.Key_Role(creepagev1.Key_Role_value[strings.ToUpper(s)]))
		},
		"lastDay": func(t *timestamppb.Timestamp) *timestamppb.Timestamp {
			return timestamppb.New(t.AsTime().Add(-time.Second))
		},
		"past":     func(t *timestamppb.Timestamp, now time.Time) bool { return !now.Before(t.AsTime()) },
		"size":     sizeText,
		"int":      func(n int64) int { return int(n) },
		"when":     func(t time.Time) template.HTML { return moment(timestamppb.New(t)) },
		"settling": func(p *uploadPage, v *visitor) settling { return settling{p.ID.String(), p.Settle, v} },
		"columned": func(c columnChoice, header []string) columned { return columned{c, header} },
		"args":     func(p *vehiclePage, v *visitor, w *creepagev1.Warning) warningArgs { return warningArgs{p, v, w} },
	}
}

// warningArgs is what the form for a warning's finding needs.
type warningArgs struct {
	Page    *vehiclePage
	Visitor *visitor
	Warning *creepagev1.Warning
}

// readingTable is one table of readings.
type readingTable struct {
	Name    string // of the vehicle
	Visitor *visitor
	Rows    []readingRow
	Title   string
}

// word writes an enum's name as people say it: FUEL_CELL is "fuel cell".
func word(v fmt.Stringer) string {
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

// id cuts the collection from a resource name.
func id(name string) string {
	if i := strings.IndexByte(name, '/'); i >= 0 {
		name = name[i+1:]
	}
	return strings.TrimSuffix(name, "/outlook")
}

func stateWord(s creepagev1.Outlook_State) draw.State {
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

func stateText(s string) string {
	return map[string]string{
		"steady": "no decline worth naming", "falling": "declines, the code limit not in sight", "due": "expected to reach the code limit within the lead time",
		"under": "below the code limit now", "unknown": "too little measured to say",
	}[s]
}

func warningText(k creepagev1.Warning_Kind) string {
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

// percent rounds to what a forecast can carry, and never says 0 or 100 %.
func percent(p float64) string {
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

// chance is a probability in words; the help page lists the same bounds.
func chance(p float64) string {
	for _, c := range chances {
		if p >= c.From {
			return c.Word
		}
	}
	return ""
}

type chanceWord struct {
	From float64
	Word string
}

var chances = []chanceWord{{0.95, "almost certain"}, {0.75, "very likely"}, {0.5, "likely"}, {0.2, "possible"}, {0.05, "unlikely"}, {0, "very unlikely"}}

// dayForm and momentForm are how days and times are written on every page: no
// reader takes one for another, whatever order of numbers is usual where they are.
const (
	dayForm    = "2 Jan 2006"
	momentForm = "2 Jan 2006, 15:04"
)

// dayText writes a time's day where there is no page around it, such as in a chart.
func dayText(t *timestamppb.Timestamp) string {
	if t == nil {
		return "–"
	}
	return t.AsTime().UTC().Format(dayForm)
}

// day writes a time's day; the page's script makes it the day in the viewer's zone.
func day(t *timestamppb.Timestamp) template.HTML {
	if t == nil {
		return "–"
	}
	return template.HTML(`<time data-day datetime="` + t.AsTime().UTC().Format(time.RFC3339) + `">` + dayText(t) + `</time>`)
}

// date writes a day of the contract, YYYY-MM-DD, as people do.
func date(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.Format(dayForm)
}

// moment writes a time for the page's script to turn into the viewer's zone.
func moment(t *timestamppb.Timestamp) template.HTML {
	if t == nil {
		return "–"
	}
	u := t.AsTime().UTC()
	return template.HTML(`<time datetime="` + u.Format(time.RFC3339) + `">` + u.Format(momentForm) + ` UTC</time>`)
}

var dayOfTheContract = regexp.MustCompile(`\b\d{4}-\d{2}-\d{2}\b`)

// prose writes the days in a sentence of the API, which programs read too, as
// everywhere on the pages.
func prose(sentence string) string { return dayOfTheContract.ReplaceAllStringFunc(sentence, date) }

// account is an outlook's reason in its parts: what is going on, and what else
// there is to say. How likely the code is and what to measure, which the reason
// says as well, stand beside it on the pages.
type account struct{ What, Also string }

// tell takes a reason apart; one that is worded otherwise stays whole.
func tell(reason string) account {
	if i := strings.LastIndex(reason, " Measure the "); i >= 0 {
		reason = reason[:i]
	}
	what, rest, found := strings.Cut(reason, "; the chance of the isolation code ")
	if !found {
		return account{What: prose(reason)}
	}
	_, also, _ := strings.Cut(rest, ". ")
	return account{What: prose(what + "."), Also: prose(also)}
}

// due is by when, as people say it.
type due struct {
	Big, Small, Range string
}

// dueOf makes dates of an outlook's days.
func dueOf(o *creepagev1.Outlook) due {
	at := o.GetEvaluateTime().AsTime().UTC()
	date := func(days float64) string {
		return at.Add(time.Duration(days * 24 * float64(time.Hour))).Format(dayForm)
	}
	if o.GetState() == creepagev1.Outlook_UNDER {
		return due{Big: "now", Small: "below the code limit"}
	}
	if o.DaysToCodeP50 == nil {
		if o.DaysToCodeP10 != nil {
			return due{Big: "open", Small: "not before " + date(o.GetDaysToCodeP10()), Range: "1 in 10 by then"}
		}
		return due{Big: "–", Small: "not within two years"}
	}
	d := due{Big: date(o.GetDaysToCodeP50()), Small: "in about " + days(o.GetDaysToCodeP50())}
	switch {
	case o.DaysToCodeP10 != nil && o.DaysToCodeP90 != nil:
		d.Range = date(o.GetDaysToCodeP10()) + " to " + date(o.GetDaysToCodeP90())
	case o.DaysToCodeP10 != nil:
		d.Range = date(o.GetDaysToCodeP10()) + " or much later"
	}
	return d
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

// nextStep says what to do about an outlook.
func nextStep(o *creepagev1.Outlook) string {
	component := "the limiting component"
	if o.LimitingComponent != nil {
		component = "the " + word(o.GetLimitingComponent())
	}
	measure := ""
	if m := o.GetMeasureNext(); m.GetComponent() != creepagev1.Reading_COMPONENT_UNSPECIFIED {
		measure = "measure the " + word(m.GetComponent())
		if g := groupText(m.GetGroup()); g != "" {
			measure += ", " + g
		}
	}
	by := ""
	if o.MeasureAgainBy != nil {
		by = " by " + date(o.GetMeasureAgainBy())
	}
	switch {
	case o.GetState() == creepagev1.Outlook_UNDER:
		return "Book it in now; begin with " + component + "."
	case o.GetState() == creepagev1.Outlook_DUE && o.DaysToCodeP50 != nil && o.GetDaysToCodeP50() <= soonDays:
		return "Book " + component + " now."
	case measure != "":
		return strings.ToUpper(measure[:1]) + measure[1:] + by + ": it tells most."
	case o.GetState() == creepagev1.Outlook_DUE:
		return "Plan a bay for " + component + by + "."
	case by != "":
		return "Measure again" + by + "."
	}
	return ""
}

func groupText(group string) string {
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

// factorText writes decades as people say them: how much lower or higher.
func factorText(decades float64) string {
	if decades < 0 {
		return fmt.Sprintf("%.0f %% low", 100*(1-math.Pow(10, decades)))
	}
	return fmt.Sprintf("%.0f %% high", 100*(math.Pow(10, decades)-1))
}

// shareText writes a count as a share of all.
func shareText(part, all int64) string {
	if all == 0 {
		return "–"
	}
	return fmt.Sprintf("%.0f %%", 100*float64(part)/float64(all))
}

// lostText writes a change in decades over 30 days as what is lost a month.
func lostText(decades float64) string {
	if decades >= 0 {
		return "nothing"
	}
	return fmt.Sprintf("%.0f %%", 100*(1-math.Pow(10, decades)))
}

// roleText says what a key may do.
func roleText(r creepagev1.Key_Role) string {
	switch r {
	case creepagev1.Key_SHOP:
		return "enter and correct its own shop’s readings, and ask the bench"
	case creepagev1.Key_FEEDER:
		return "enter on-board monitors’ values of any vehicle"
	case creepagev1.Key_FLEET:
		return "read everything, acknowledge, record repairs, findings and calibrations, void readings"
	case creepagev1.Key_ANALYST:
		return "read and export everything, and change nothing"
	case creepagev1.Key_ADMINISTRATOR:
		return "do all of it, and keep keys, shops, the warning policy and webhooks"
	}
	return "do nothing"
}
