package board

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/download"
)

// exportField is a way to narrow a report that people understand. Its fields
// are what the reports call it; a report has one of them at most.
type exportField struct {
	Name, Label string
	fields      []string
	term        func(field string, values []string) string
}

// exportFields are all ways; those that the pages' addresses carry too have the same names.
var exportFields = []exportField{
	{"vehicle", "vehicle", []string{"vehicle"}, quotedTerm},
	{"platform", "platform", []string{"platform"}, quotedTerm},
	{"shop", "shop", []string{"shop", "last_shop"}, quotedTerm},
	{"component", "component", []string{"component", "limiting_component"}, wordTerm},
	{"method", "method", []string{"method"}, wordTerm},
	{"state", "state", []string{"state"}, wordTerm},
	{"within", "due within", []string{"days_to_code_p50"}, func(field string, values []string) string { return field + " <= " + values[0] }},
	{"kind", "kind of warning", []string{"kind"}, wordTerm},
	{"standing", "standing or ended", []string{"standing"}, func(field string, values []string) string { return field + " = " + values[0] }},
}

func quotedTerm(field string, values []string) string {
	return field + " = " + strconv.Quote(values[0])
}

func wordTerm(field string, values []string) string {
	terms := make([]string, len(values))
	for i, v := range values {
		terms[i] = field + " = " + strings.ToUpper(v)
	}
	if len(terms) == 1 {
		return terms[0]
	}
	return "(" + strings.Join(terms, " OR ") + ")"
}

// exportPage is one report with how it is asked for.
type exportPage struct {
	Report     *creepagev1.Report
	Reports    []exportTab
	Asked      url.Values
	Formats    []exportFormat
	RangeOf    string   // what the dates bound, in words
	Lost       []string // ways in which the page before was narrowed and this report cannot be
	Problem    string
	Shops      []*creepagev1.Shop
	Platforms  []*creepagev1.Platform
	Components []string
	Methods    []string
	States     []string
	LeadTimes  []string
	Kinds      []string
	Today      string
}

// exportTab leads to another report asked for in the same way.
type exportTab struct {
	Title, Address string
	Chosen         bool
}

type exportFormat struct{ Name, For string }

// formatUses say what each format is good for.
var formatUses = map[string]string{
	"csv": "CSV – for any program", "xlsx": "XLSX – a workbook, with the columns explained in it", "parquet": "Parquet – for analysis programs",
	"jsonl": "JSON lines – for programs that read row by row", "csvw": "Description of the CSV’s columns – for programs", "pdf": "PDF – to read and print",
}

// Get is the first value of an address's parameter.
func (p *exportPage) Get(name string) string { return p.Asked.Get(name) }

// Has says whether a parameter has a value.
func (p *exportPage) Has(name, value string) bool { return slices.Contains(p.Asked[name], value) }

// Can says whether the report can be narrowed in a way.
func (p *exportPage) Can(name string) bool {
	i := slices.IndexFunc(exportFields, func(f exportField) bool { return f.Name == name })
	return i >= 0 && p.field(exportFields[i]) != ""
}

// field is what the report calls a way of narrowing, empty if it does not know it.
func (p *exportPage) field(f exportField) string {
	for _, name := range f.fields {
		if slices.Contains(p.Report.GetFilterFields(), name) {
			return name
		}
	}
	return ""
}

// filter writes what was asked as the API's filter.
func (p *exportPage) filter() string {
	var terms []string
	for _, f := range exportFields {
		values := slices.DeleteFunc(slices.Clone(p.Asked[f.Name]), func(s string) bool { return strings.TrimSpace(s) == "" })
		if field := p.field(f); field != "" && len(values) > 0 {
			terms = append(terms, f.term(field, values))
		}
	}
	if expert := strings.TrimSpace(p.Get("filter")); expert != "" {
		terms = append(terms, "("+expert+")")
	}
	return strings.Join(terms, " AND ")
}

// request is the download asked for. Days are the viewer's where the page's
// script has said how far they lie from UTC, else UTC's.
func (p *exportPage) request(now time.Time) (*creepagev1.DownloadReportRequest, error) {
	req := &creepagev1.DownloadReportRequest{Name: p.Report.GetName(), Format: cmp.Or(p.Get("format"), "csv"), Filter: p.filter(), Columns: p.Asked["column"]}
	if p.RangeOf != "" {
		var err error
		if req.StartTime, err = p.day("from", "from", 0); err != nil {
			return nil, err
		}
		if req.EndTime, err = p.day("to", "up to", 1); err != nil {
			return nil, err
		}
	}
	asOf, err := p.day("as_of", "as known on", 1)
	if err != nil {
		return nil, err
	}
	begins, err := p.day("as_of", "as known on", 0)
	if err != nil {
		return nil, err
	}
	if asOf != nil && (!asOf.AsTime().After(now) || begins.AsTime().After(now)) { // of today: as it is known now
		req.AsOfTime = asOf
	}
	return req, nil
}

// day is the beginning of the day of a field, or that of so many days later.
func (p *exportPage) day(name, label string, later int) (*timestamppb.Timestamp, error) {
	text := strings.TrimSpace(p.Get(name))
	if text == "" {
		return nil, nil
	}
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return nil, fmt.Errorf("%s %q is no day; want one such as 2026-03-02", label, text)
	}
	t = t.AddDate(0, 0, later)
	if offset, err := time.ParseDuration(p.Get(name+"_offset") + "m"); err == nil {
		t = t.Add(offset)
	}
	return timestamppb.New(t), nil
}

// exporting finds the report that is asked for. The first is taken where none is named.
func (b *Board) exporting(r *http.Request) (*exportPage, error) {
	res, err := b.reports.ListReports(r.Context(), &creepagev1.ListReportsRequest{})
	if err != nil {
		return nil, err
	}
	p := &exportPage{Asked: r.URL.Query(), Today: b.now().UTC().Format(time.DateOnly)}
	for _, report := range res.GetReports() {
		if p.Report == nil || id(report.GetName()) == p.Get("report") {
			p.Report = report
		}
	}
	for _, report := range res.GetReports() {
		q := url.Values{}
		for name, values := range p.Asked {
			if name != "column" && name != "filter" && name != "format" { // these are of one report alone
				q[name] = values
			}
		}
		q.Set("report", id(report.GetName()))
		p.Reports = append(p.Reports, exportTab{Title: report.GetTitle(), Address: "/export?" + q.Encode(), Chosen: report == p.Report})
	}
	for _, f := range p.Report.GetFormats() {
		p.Formats = append(p.Formats, exportFormat{f, cmp.Or(formatUses[f], strings.ToUpper(f))})
	}
	for _, c := range p.Report.GetColumns() {
		if c.GetName() == p.Report.GetRangeOf() {
			p.RangeOf = c.GetName()
		}
	}
	p.RangeOf = cmp.Or(p.RangeOf, p.Report.GetRangeOf())
	for _, f := range exportFields {
		if strings.TrimSpace(strings.Join(p.Asked[f.Name], "")) != "" && p.field(f) == "" {
			p.Lost = append(p.Lost, f.Label)
		}
	}
	return p, nil
}

func (b *Board) showExport(w http.ResponseWriter, r *http.Request, v *visitor) {
	p, err := b.exporting(r)
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	b.exportPage(w, r, v, http.StatusOK, p)
}

func (b *Board) exportPage(w http.ResponseWriter, r *http.Request, v *visitor, code int, p *exportPage) {
	p.Components, p.States, p.LeadTimes = components(), allStates, leadTimes
	p.Methods = []string{"tester", "monitor", "voltmeter"}
	for k := creepagev1.Warning_CODE_DUE; k <= creepagev1.Warning_SUDDEN_DROP; k++ {
		p.Kinds = append(p.Kinds, strings.ToLower(k.String()))
	}
	g, ctx := errgroup.WithContext(r.Context())
	b.listPlaces(ctx, g, &p.Shops, &p.Platforms)
	if err := g.Wait(); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	b.render(w, r, code, "export", "Export", v, p)
}

// giveExport passes a report on as a file. What is wrong before its first byte
// stands on the page of the export, with everything that was chosen.
func (b *Board) giveExport(w http.ResponseWriter, r *http.Request, v *visitor) {
	p, err := b.exporting(r)
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	refuse := func(err error) {
		if status.Code(err) != codes.InvalidArgument {
			b.failWith(w, r, v, err)
			return
		}
		p.Problem = problemText(err)
		b.exportPage(w, r, v, http.StatusBadRequest, p)
	}
	req, err := p.request(b.now())
	if err != nil {
		refuse(status.Error(codes.InvalidArgument, err.Error()))
		return
	}
	stream, err := b.reports.DownloadReport(r.Context(), req)
	if err != nil {
		refuse(err)
		return
	}
	download.Serve(w, stream, refuse)
}

// exportAddress leads to the export of what the list shows.
func (c choice) exportAddress() string {
	q := url.Values{"report": {"outlooks"}}
	set := func(name, value string) {
		if value != "" {
			q.Set(name, value)
		}
	}
	if states := c.shown(); len(states) < len(allStates) {
		q["state"] = states
	}
	set("shop", c.Shop)
	set("platform", c.Platform)
	set("component", c.Component)
	set("within", c.Within)
	if c.Vehicle != "" {
		q.Set("vehicle", strings.TrimSuffix(c.Vehicle, "*")+"*")
	}
	return "/export?" + q.Encode()
}
