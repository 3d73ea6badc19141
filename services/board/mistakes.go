package board

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
)

// formField is where the pages ask for a field of the API: the id of the control
// and its label.
type formField struct{ ID, Label string }

// formFields are the controls of the pages' forms, by what the API calls them.
var formFields = map[string]formField{
	"key.title": {"k-title", "For whom or what"}, "key.role": {"k-role", "It may"}, "key.shop": {"k-shop", "Shop"}, "key.expire_time": {"k-until", "Holds through"},
	"shop_id": {"o-shop", "Id"}, "shop.title": {"o-title", "Name"},
	"policy.lead_days": {"p-lead", "Days ahead"}, "policy.false_calls": {"p-false-calls", "False calls"},
	"endpoint.title": {"w-title", "For what"}, "endpoint.url": {"w-url", "Address"}, "endpoint.filter": {"w-filter", "Only warnings"}, "endpoint.events": {"w-events", "When it is"},
	"repair.component": {"r-component", "Component"}, "repair.kind": {"r-kind", "What was done"}, "repair.occur_time": {"r-time", "When"}, "repair.note": {"r-note", "Note"},
	"report_schedule.title": {"a-title", "For what"}, "report_schedule.report": {"a-report", "Report"}, "report_schedule.format": {"a-format", "As"}, "report_schedule.filter": {"a-filter", "Filter"},
	"report_schedule.columns": {"a-columns", "Columns"}, "report_schedule.as_of": {"a-as-of", "As known at"}, "report_schedule.span": {"a-span", "Rows"}, "report_schedule.frequency": {"a-frequency", "How often"},
	"report_schedule.weekday": {"a-weekday", "Day of the week"}, "report_schedule.month_day": {"a-month-day", "Day of the month"}, "report_schedule.hour": {"a-hour", "At"},
	"report_schedule.time_zone": {"a-zone", "In the time of"}, "report_schedule.destination": {"a-destination", "To"}, "report_schedule.folder": {"a-folder", "Folder there"},
	"calibration.calibrate_time": {"", "Calibrated on"}, "calibration.due_time": {"", "Due again"}, "calibration.note": {"", "Note"},
	"start_time": {"", "From"}, "end_time": {"", "Up to that day"}, "as_of_time": {"", "As known at the end of"}, "columns": {"", "Columns"},
	"note": {"", "Note"}, "reason": {"", "What was wrong with it"}, "finding": {"", "Found"}, "component": {"", "Component"},
}

// mistake is what is wrong with one field of a form.
type mistake struct{ ID, Label, Text string }

// mistakes are what the API did not take of a form, each at its field, and what
// became of the form. The zero value says that nothing is wrong.
type mistakes struct {
	Fields  []mistake
	Rest    string // what belongs to no field
	Outcome string
}

// mistakesOf reads them off the API's answer.
func mistakesOf(err error, outcome string) mistakes {
	m := mistakes{Outcome: outcome}
	var rest []string
	for _, f := range violations(err) {
		if at, ok := fieldOf(f.GetField()); ok && at.ID != "" {
			m.Fields = append(m.Fields, mistake{at.ID, at.Label, sentence(f.GetDescription())})
		} else {
			rest = append(rest, labelled(f))
		}
	}
	if m.Rest = strings.Join(rest, " "); m.Rest == "" && len(m.Fields) == 0 {
		m.Rest = upper(sentence(status.Convert(err).Message()))
	}
	return m
}

// oneMistake is about a field that is read here.
func oneMistake(path, text, outcome string) mistakes {
	at := formFields[path]
	return mistakes{Fields: []mistake{{at.ID, at.Label, sentence(text)}}, Outcome: outcome}
}

// Any says whether something is wrong.
func (m mistakes) Any() bool { return m.Rest != "" || len(m.Fields) > 0 }

// Of says what is wrong with the control of an id, "" if nothing is.
func (m mistakes) Of(id string) string {
	for _, f := range m.Fields {
		if f.ID == id {
			return f.Text
		}
	}
	return ""
}

func violations(err error) (list []*errdetails.BadRequest_FieldViolation) {
	for _, d := range status.Convert(err).Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			list = append(list, bad.GetFieldViolations()...)
		}
	}
	return list
}

// fieldOf finds the control of a field; of a list's entry that of the list.
func fieldOf(path string) (formField, bool) {
	path, _, _ = strings.Cut(path, "[")
	f, ok := formFields[path]
	return f, ok
}

// labelled says what is wrong with a field by the label that people know, or by
// the last word of its name.
func labelled(f *errdetails.BadRequest_FieldViolation) string {
	at, ok := fieldOf(f.GetField())
	if !ok {
		name := f.GetField()[strings.LastIndexByte(f.GetField(), '.')+1:]
		at.Label = upper(strings.ReplaceAll(name, "_", " "))
	}
	return at.Label + ": " + sentence(f.GetDescription())
}

// sentence ends a text with one full stop.
func sentence(text string) string { return strings.TrimRight(text, ". ") + "." }

func upper(text string) string {
	first, n := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + text[n:]
}

// problemText is the API's message for people: what is wrong with each field by
// its label, one sentence each.
func problemText(err error) string {
	var fields []string
	for _, f := range violations(err) {
		fields = append(fields, labelled(f))
	}
	if len(fields) > 0 {
		return strings.Join(fields, " ")
	}
	return upper(sentence(status.Convert(err).Message()))
}

// amiss is one field's mistake for the template beside it.
func amiss(m mistakes, id string) mistake { return mistake{ID: id, Text: m.Of(id)} }
