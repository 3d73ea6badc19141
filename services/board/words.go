package board

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/casefile"
	"creepage/internal/draw"
	"creepage/internal/insulation"
	"creepage/internal/trend"
)

func functions() template.FuncMap {
	return template.FuncMap{
		"ohms":      insulation.FormatOhms,
		"word":      casefile.Word,
		"id":        id,
		"percent":   casefile.Percent,
		"likely":    casefile.LikelyOf,
		"day":       day,
		"date":      casefile.Date,
		"moment":    moment,
		"prose":     casefile.Prose,
		"why":       func(reason string) string { return tell(reason).What },
		"glyph":     func(s creepagev1.Outlook_State) template.HTML { return template.HTML(draw.Glyph(casefile.StateOf(s))) },
		"state":     func(s creepagev1.Outlook_State) string { return string(casefile.StateOf(s)) },
		"glyphOf":   func(s string) template.HTML { return template.HTML(draw.Glyph(draw.State(s))) },
		"stateText": casefile.StateText,
		"kind":      casefile.WarningText,
		"kindWord": func(s string) string {
			return casefile.WarningText(creepagev1.Warning_Kind(creepagev1.Warning_Kind_value[strings.ToUpper(s)]))
		},
		"amiss":   amiss,
		"again":   againText,
		"section": sectionWord,
		"due":     timetableText,
		"run":     func(name string) string { return strings.Replace(id(name), "/runs/", "/files/", 1) },
		"became":  runWords,
		"asOf":    func(s creepagev1.ReportSchedule_AsOf) string { return wordOf(aheadAsOf, s.String()) },
		"span":    func(s creepagev1.ReportSchedule_Span) string { return wordOf(aheadSpans, s.String()) },
		"lower":   strings.ToLower,
		"inc":     func(i int) int { return i + 1 },
		"group":   casefile.GroupText,
		"stamp":   func(t *timestamppb.Timestamp) string { return t.AsTime().UTC().Format(time.RFC3339Nano) },
		"said":    func(r *creepagev1.Reading) string { return casefile.Value(r, r.GetResistanceOhms()) },
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

// againText says which point to measure again and why; many a reason names it itself.
func againText(m *creepagev1.MeasureAgain) string {
	reason, component := casefile.Prose(m.GetReason()), casefile.Word(m.GetComponent())
	if strings.HasPrefix(reason, component+" ") {
		return upper(reason)
	}
	return upper(component) + ", " + casefile.Word(m.GetConductor()) + ": " + reason
}

// sectionWord is how a page stands to a link of the navigation, as ARIA has it: it
// is that page, or belongs to it or to one beside it.
func sectionWord(link, path string, beside ...string) string {
	if path == link {
		return "page"
	}
	for _, at := range append(beside, link) {
		if path == at || strings.HasPrefix(path, at+"/") {
			return "true"
		}
	}
	return ""
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

// id cuts the collection from a resource name.
func id(name string) string {
	if i := strings.IndexByte(name, '/'); i >= 0 {
		name = name[i+1:]
	}
	return strings.TrimSuffix(name, "/outlook")
}

// day writes a time's day; the page's script makes it the day in the viewer's zone.
func day(t *timestamppb.Timestamp) template.HTML {
	if t == nil {
		return "–"
	}
	return template.HTML(`<time data-day datetime="` + t.AsTime().UTC().Format(time.RFC3339) + `">` + casefile.Day(t) + `</time>`)
}

// moment writes a time for the page's script to turn into the viewer's zone.
func moment(t *timestamppb.Timestamp) template.HTML {
	if t == nil {
		return "–"
	}
	u := t.AsTime().UTC()
	return template.HTML(`<time datetime="` + u.Format(time.RFC3339) + `">` + u.Format(casefile.DayForm+", 15:04") + ` UTC</time>`)
}

// account is what a page shows of an outlook's reason: what is going on, and what
// else there is to say. How likely the code is and what to measure, which the
// reason says as well, stand beside it.
type account struct{ What, Also string }

func tell(reason string) account {
	a := trend.TakeApart(reason)
	if a.What != "" {
		a.What += "."
	}
	return account{What: casefile.Prose(a.What), Also: casefile.Prose(a.Also)}
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
