package report

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/casefile"
	"creepage/internal/draw"
	"creepage/internal/filter"
	"creepage/internal/insulation"
	"creepage/internal/paper"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/trend"
	"creepage/internal/wire"
)

// What a vehicle's page lists; its charts show all.
const (
	mostPages    = 50 // vehicles of one PDF
	mostReadings = 12 // of tests, the newest
	mostDoubted  = 8
)

// vehiclePages prints a page for every vehicle that the query lets pass: its
// trend by the very computation that warns, drawn as on the board.
func vehiclePages(ctx context.Context, s *Service, tx *store.Tx, q *query) (*paper.Document, error) {
	vehicles, err := tx.ReportVehicles(ctx, q.where, "", mostPages+1)
	if err != nil {
		return nil, err
	}
	if len(vehicles) > mostPages {
		return nil, problem.InvalidField("filter", "a PDF holds the pages of at most %d vehicles and the filter lets more pass; narrow it, such as vehicle = %q, or ask for csv, xlsx, parquet or jsonl", mostPages, vehicles[0].Name)
	}
	versions, err := tx.PlatformVersions(ctx)
	if err != nil {
		return nil, err
	}
	d := &paper.Document{Title: "Vehicles with their trend", Subtitle: strings.Join(nonEmpty(q.organisation, "as of "+moment(q.in.AsOf)), " · ")}
	if len(vehicles) == 0 {
		d.Blocks = append(d.Blocks, paper.Text("No vehicle is on record for what was asked."))
		return d, nil
	}
	var pages []*vehicleSheet
	for i := range vehicles {
		v, err := s.sheetOf(ctx, tx, q, &vehicles[i], versions)
		if err != nil {
			return nil, err
		}
		pages = append(pages, v)
	}
	if len(pages) == 1 {
		d.Title = "Vehicle " + vehicles[0].Name
		d.Blocks = pages[0].blocks()
		return d, nil
	}
	t := paper.Table{Columns: []paper.Column{{Title: "Vehicle", Width: 4}, {Title: "State", Width: 2}, {Title: "Code within 90 days", Width: 2, Right: true}, {Title: "Code expected", Width: 3}, {Title: "Limited by", Width: 3}}}
	for _, v := range pages {
		t.Rows = append(t.Rows, paper.Row{Cells: v.line()})
	}
	d.Blocks = append(d.Blocks, t)
	for i, v := range pages {
		d.Blocks = append(append(d.Blocks, paper.Sheet{Title: "Vehicle " + vehicles[i].Name, Subtitle: d.Subtitle}), v.blocks()...)
	}
	return d, nil
}

// vehicleSheet is a vehicle's page.
type vehicleSheet struct {
	casefile.File
	name string
	now  time.Time
	view casefile.View
}

// sheetOf gathers a vehicle's file as it was known at the query's time.
func (s *Service) sheetOf(ctx context.Context, tx *store.Tx, q *query, v *store.Vehicle, versions []insulation.Platform) (*vehicleSheet, error) {
	asOf := q.in.AsOf
	p := &vehicleSheet{name: v.Name, now: asOf, view: casefile.View{From: q.in.Start, To: q.in.End}}
	platform := insulation.Platform{ID: v.Platform}
	if held := insulation.Holding(versions, v.Platform, asOf); held != nil {
		platform = *held
	}
	p.Platform = wire.PlatformMessage(&platform)
	p.Vehicle = &creepagev1.Vehicle{Name: wire.Vehicles.Name(v.Name), Platform: wire.Platforms.Name(v.Platform), CreateTime: wire.Timestamp(v.CreatedAt), RetireTime: wire.Timestamp(v.RetiredAt)}
	entries, err := tx.History(ctx, v.Key, asOf)
	if err != nil {
		return nil, err
	}
	model, err := tx.Model(ctx, s.models)
	if err != nil {
		return nil, err
	}
	tracks, err := model.Tracks(v.Name, &platform, entries)
	if err != nil {
		return nil, err
	}
	for i := range tracks {
		p.Tracks = append(p.Tracks, wire.TrackMessage(&tracks[i]))
	}
	p.addEntries(entries, q.in)
	repairs, err := tx.Repairs(ctx, v.Key, store.TimeCursor{}, math.MaxInt32)
	if err != nil {
		return nil, err
	}
	for _, r := range repairs {
		if r.CreatedAt.After(asOf) {
			continue
		}
		p.Repairs = append(p.Repairs, &creepagev1.Repair{OccurTime: wire.Timestamp(r.OccurredAt), Component: creepagev1.Reading_Component(r.Component), Kind: creepagev1.Repair_Kind(r.Kind), Note: wire.Text(r.Note)})
	}
	own := &filter.Expression{Op: filter.Equal, Field: "vehicle", Value: v.Name}
	err = tx.ReportWarnings(ctx, own, store.ReportRange{AsOf: asOf}, codeWithin, func(w *store.ReportWarning) error {
		p.Warnings = append(p.Warnings, w.Message())
		return nil
	})
	if err != nil {
		return nil, err
	}
	said, err := tx.Outlook(ctx, v.Key, asOf)
	if errors.Is(err, store.ErrNotFound) {
		return p, nil
	}
	if err != nil {
		return nil, err
	}
	p.Outlook, err = outlookOf(said.Details)
	return p, err
}

// addEntries takes readings, newest first, and codes out of a vehicle's history.
func (p *vehicleSheet) addEntries(entries []trend.Entry, in store.ReportRange) {
	for i := len(entries) - 1; i >= 0; i-- {
		e := &entries[i]
		switch {
		case e.Code != nil:
			p.Codes = append(p.Codes, wire.CodeMessage(e.Code))
		case e.Reading != nil:
			if p.Vehicle.LastMeasureTime == nil {
				p.Vehicle.LastMeasureTime = wire.Timestamp(e.Reading.MeasuredAt)
				p.Vehicle.LastShop = wire.Text(e.Reading.Shop)
			}
			if within(e.Reading.MeasuredAt, in) {
				p.Readings = append(p.Readings, &creepagev1.AssessedReading{Reading: wire.ReadingMessage(e.Reading)})
			}
		}
	}
	slices.SortStableFunc(p.Codes, func(a, b *creepagev1.CodeSighting) int {
		return b.GetSetTime().AsTime().Compare(a.GetSetTime().AsTime())
	})
}

// line is the vehicle's line in the list of all.
func (p *vehicleSheet) line() []string {
	o := p.Outlook
	if o == nil {
		return []string{p.name, "unknown", none, none, none}
	}
	limited := none
	if o.LimitingComponent != nil {
		limited = casefile.Word(o.GetLimitingComponent())
	}
	return []string{p.name, string(casefile.StateOf(o.GetState())), cmp.Or(casefile.LikelyOf(o).Percent, none), casefile.DueOf(o).Big, limited}
}

func (p *vehicleSheet) blocks() []paper.Block {
	blocks := append([]paper.Block{p.facts()}, p.verdict()...)
	blocks = append(blocks, p.standing()...)
	blocks = append(blocks, p.charts()...)
	blocks = append(blocks, p.parts()...)
	blocks = append(blocks, p.happened()...)
	return append(blocks, p.newest()...)
}

func (p *vehicleSheet) facts() paper.Facts {
	f := p.Platform
	platform := wireID(f.GetName())
	if t := f.GetTitle(); t != "" {
		platform = t + " (" + platform + ")"
	}
	if v := f.GetMaxWorkingVolts(); v > 0 {
		platform += ", working voltage up to " + threeDigits(v) + " V"
	}
	limit, measured := "not known", "never"
	if ohms := f.GetEffectiveCodeOhms(); ohms > 0 {
		limit = insulation.FormatOhms(ohms) + ", whole vehicle"
	}
	if p.Vehicle.LastMeasureTime != nil {
		measured = strings.Join(nonEmpty(casefile.Day(p.Vehicle.GetLastMeasureTime()), p.Vehicle.GetLastShop()), ", ")
	}
	facts := paper.Facts{{Name: "Platform", Value: platform}, {Name: "Code limit", Value: limit}, {Name: "Last measured", Value: measured}, {Name: "Readings", Value: p.counted()}}
	if p.Vehicle.RetireTime != nil {
		facts = append(facts, paper.Fact{Name: "Retired", Value: casefile.Day(p.Vehicle.GetRetireTime())})
	}
	o := p.Outlook
	if o == nil {
		return facts
	}
	due := casefile.DueOf(o)
	facts = append(facts, paper.Fact{Name: "State", Value: string(casefile.StateOf(o.GetState())) + ": " + casefile.StateText(string(casefile.StateOf(o.GetState())))},
		paper.Fact{Name: "Code expected", Value: strings.Join(nonEmpty(due.Big, due.Small), ", ")})
	if l := casefile.LikelyOf(o); l.Word != "" {
		facts = append(facts, paper.Fact{Name: "Chance within 90 days", Value: strings.Join(nonEmpty(fmt.Sprintf("%s, %s (%s within 30)", l.Word, l.Percent, l.Within30), l.But), ", ")})
	}
	if due.Range != "" {
		facts = append(facts, paper.Fact{Name: "8 in 10 between", Value: due.Range})
	}
	if o.LimitingComponent != nil {
		facts = append(facts, paper.Fact{Name: "Limiting component", Value: casefile.Word(o.GetLimitingComponent())})
	}
	if o.MeasureAgainBy != nil {
		facts = append(facts, paper.Fact{Name: "Measure again by", Value: casefile.Date(o.GetMeasureAgainBy())})
	}
	if o.CodeSetTime != nil {
		facts = append(facts, paper.Fact{Name: "Isolation code", Value: "seen " + casefile.Day(o.GetCodeSetTime()) + ", nothing recorded since"})
	}
	return append(facts, paper.Fact{Name: "Said", Value: moment(o.GetEvaluateTime().AsTime())})
}

// counted counts the readings of the days shown by method.
func (p *vehicleSheet) counted() string {
	n := map[creepagev1.Reading_Method]int{}
	over := 0
	for _, a := range p.Readings {
		n[a.GetReading().GetMethod()]++
		if a.GetReading().GetRelation() == creepagev1.Reading_ABOVE {
			over++
		}
	}
	var list []string
	for _, m := range []creepagev1.Reading_Method{creepagev1.Reading_TESTER, creepagev1.Reading_MONITOR, creepagev1.Reading_VOLTMETER} {
		if n[m] > 0 {
			list = append(list, fmt.Sprintf("%d %s", n[m], casefile.Word(m)))
		}
	}
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, ", ") + fmt.Sprintf("; %d over range", over)
}

func wireID(name string) string {
	_, id, _ := strings.Cut(name, "/")
	return id
}

// verdict is what is said of the vehicle, and what would change it.
func (p *vehicleSheet) verdict() []paper.Block {
	o := p.Outlook
	if o == nil {
		return []paper.Block{paper.Text("Nothing had been said of this vehicle by then: no outlook follows before the first reading.")}
	}
	blocks := []paper.Block{paper.Text(casefile.Prose(o.GetReason()))}
	var items []string
	if s := casefile.NextStep(o); s != "" {
		items = append(items, "Next: "+s)
	}
	if s := casefile.WouldChange(o); s != "" {
		items = append(items, "What would change this: "+casefile.Prose(s))
	}
	if o.MonitorDefectTime != nil {
		items = append(items, "A defect of the on-board monitor was reported on "+casefile.Day(o.GetMonitorDefectTime())+"; its values since are not used.")
	}
	if m := o.GetMissing(); len(m) > 0 {
		items = append(items, "Never measured: "+strings.Join(m, ", ")+". Unknown, not assumed good.")
	}
	if len(items) > 0 {
		blocks = append(blocks, paper.List{Items: items})
	}
	return blocks
}

func (p *vehicleSheet) standing() []paper.Block {
	var items []string
	for _, w := range p.Warnings {
		if w.EndTime == nil {
			s := warningTitle(w) + ", raised " + casefile.Day(w.GetRaiseTime()) + ": " + casefile.Prose(w.GetReason())
			if w.AcknowledgeTime != nil {
				s += " Acknowledged " + casefile.Day(w.GetAcknowledgeTime()) + "."
			}
			items = append(items, s)
		}
	}
	if len(items) == 0 {
		return []paper.Block{paper.Text("No warning stands.")}
	}
	return []paper.Block{paper.Box{Title: "Open warnings", Items: items}}
}

func warningTitle(w *creepagev1.Warning) string {
	s := casefile.WarningText(w.GetKind())
	if w.Component != nil {
		s += ", " + casefile.Word(w.GetComponent())
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// charts draws the whole vehicle across the page and its parts small.
func (p *vehicleSheet) charts() []paper.Block {
	whole, heading := p.Whole(p.now, p.view)
	whole.Title = "Insulation of " + p.name + ": " + strings.ToLower(heading)
	blocks := []paper.Block{paper.Heading(heading), paper.Drawing{SVG: whole.SVG(draw.Size{Width: 643, Height: 300}),
		Caption: fmt.Sprintf("%d readings, ohms on a logarithmic axis. Open marks that point up are over range: the true value is above. The estimate is at 20 °C and dry; the forecast is for work, warm and damp, where the code is set.", len(whole.Readings))}}
	parts := p.Parts(p.now, p.view)
	if len(parts) == 0 {
		return blocks
	}
	d := paper.Drawings{Across: 3}
	for _, part := range parts {
		level := ""
		if part.GetReadingCount() > 0 {
			level = fmt.Sprintf("%s (%s to %s); ", insulation.FormatOhms(part.GetMedianOhms()), insulation.FormatOhms(part.GetP10Ohms()), insulation.FormatOhms(part.GetP90Ohms()))
		}
		d.Items = append(d.Items, paper.Drawing{SVG: part.Chart.SVG(draw.Small), Caption: strings.ToUpper(part.Chart.Title[:1]) + part.Chart.Title[1:] + ": " + level + part.Trend + "."})
	}
	return append(blocks, paper.Heading("Its parts"), d)
}

// parts is the table of what drives the outlook.
func (p *vehicleSheet) parts() []paper.Block {
	parts := slices.Clone(p.Outlook.GetParts())
	if len(parts) == 0 {
		return nil
	}
	slices.SortStableFunc(parts, func(a, b *creepagev1.Part) int {
		switch {
		case a.GetConductanceShare() > b.GetConductanceShare():
			return -1
		case a.GetConductanceShare() < b.GetConductanceShare():
			return 1
		}
		return 0
	})
	t := paper.Table{Small: true, Columns: []paper.Column{{Title: "Part", Width: 30}, {Title: "At 20 °C, dry (8 in 10)", Width: 27, Right: true}, {Title: "At work (8 in 10)", Width: 27, Right: true},
		{Title: "% in 30 days", Width: 17, Right: true}, {Title: "Declining", Width: 18, Right: true}, {Title: "Of the leak allowed", Width: 17, Right: true}, {Title: "Code in 90 days alone", Width: 17, Right: true},
		{Title: "Service limit", Width: 17, Right: true}, {Title: "Readings", Width: 17, Right: true}, {Title: "Last measured", Width: 19}}}
	span := func(mid, low, high float64) string {
		return insulation.FormatOhms(mid) + " (" + insulation.FormatOhms(low) + " to " + insulation.FormatOhms(high) + ")"
	}
	for _, part := range parts {
		limit := none
		if part.GetServiceLimitOhms() > 0 {
			limit = insulation.FormatOhms(part.GetServiceLimitOhms())
		}
		t.Rows = append(t.Rows, paper.Row{Strong: p.Outlook.LimitingComponent != nil && part.GetComponent() == p.Outlook.GetLimitingComponent(), Cells: []string{
			strings.Join(nonEmpty(casefile.Word(part.GetComponent()), casefile.GroupText(part.GetGroup())), ", "),
			span(part.GetMedianOhms(), part.GetP10Ohms(), part.GetP90Ohms()), span(part.GetOperatingOhms(), part.GetOperatingP10Ohms(), part.GetOperatingP90Ohms()),
			percentChange(part.GetDecadesPer_30D()), casefile.Percent(part.GetDecliningProbability()), casefile.Percent(part.GetConductanceShare()), casefile.Percent(part.GetCodeProbability_90D()),
			limit, strconv.Itoa(int(part.GetReadingCount())), casefile.Day(part.GetLastMeasureTime())}})
	}
	blocks := []paper.Block{paper.Heading("What drives it"), t, paper.Small("In bold: the limiting component. % in 30 days is the expected change of the insulation resistance, negative when falling. The leak allowed is that at which the code sets, at work. A part without readings stands at what is usual for its kind and is known badly.")}
	if n := p.Outlook.GetDoubted(); len(n) > 0 {
		doubted := paper.Table{Small: true, Columns: []paper.Column{{Title: "Doubted reading", Width: 30}, {Title: "Taken", Width: 16}, {Title: "States", Width: 14, Right: true}, {Title: "Believed", Width: 12, Right: true}, {Title: "Why", Width: 70}}}
		for _, x := range n[:min(len(n), mostDoubted)] {
			believed := casefile.Percent(x.GetWeight())
			if x.GetSetAside() {
				believed = "set aside"
			}
			doubted.Rows = append(doubted.Rows, paper.Row{Cells: []string{x.GetReadingId(), casefile.Day(x.GetMeasureTime()), insulation.FormatOhms(x.GetResistanceOhms()), believed, casefile.Prose(x.GetReason())}})
		}
		blocks = append(blocks, doubted)
		if len(n) > mostDoubted {
			blocks = append(blocks, paper.Small(fmt.Sprintf("%d of %d doubted readings.", mostDoubted, len(n))))
		}
	}
	return blocks
}

// happened lists repairs, codes and warnings that have ended, newest first.
func (p *vehicleSheet) happened() []paper.Block {
	type event struct {
		at   time.Time
		what string
		text string
	}
	var events []event
	for _, r := range p.Repairs {
		events = append(events, event{r.GetOccurTime().AsTime(), "Repair", casefile.Word(r.GetComponent()) + " " + casefile.Word(r.GetKind()) + noteText(r.GetNote())})
	}
	for _, c := range p.Codes {
		events = append(events, event{c.GetSetTime().AsTime(), "Code", c.GetCode()})
	}
	for _, w := range p.Warnings {
		if w.EndTime == nil {
			continue
		}
		text := warningTitle(w) + "; ended " + casefile.Day(w.GetEndTime()) + noteText(casefile.Prose(w.GetEndReason()))
		if w.Finding != nil {
			text += "; found: " + casefile.Word(w.GetFinding()) + noteText(w.GetFindingNote())
		}
		events = append(events, event{w.GetRaiseTime().AsTime(), "Warning", text})
	}
	if len(events) == 0 {
		return []paper.Block{paper.Heading("What happened"), paper.Text("No repair, no code and no earlier warning is on record.")}
	}
	slices.SortStableFunc(events, func(a, b event) int { return b.at.Compare(a.at) })
	t := paper.Table{Small: true, Columns: []paper.Column{{Title: "Day", Width: 16}, {Title: "What", Width: 14}, {Title: "In words", Width: 110}}}
	for _, e := range events {
		t.Rows = append(t.Rows, paper.Row{Cells: []string{dayText(e.at), e.what, e.text}})
	}
	return []paper.Block{paper.Heading("What happened"), t}
}

// percentChange writes a change in decades as what is gained or lost, in percent.
func percentChange(decades float64) string {
	return threeDigits(100 * (math.Pow(10, decades) - 1))
}

func noteText(s string) string {
	if s == "" {
		return ""
	}
	return " – " + s
}

// newest lists the newest readings of tests.
func (p *vehicleSheet) newest() []paper.Block {
	t := paper.Table{Small: true, Columns: []paper.Column{{Title: "Taken, UTC", Width: 29}, {Title: "Point", Width: 44}, {Title: "Reading", Width: 18, Right: true}, {Title: "Method", Width: 18}, {Title: "Test", Width: 22}, {Title: "Air", Width: 24}, {Title: "Shop", Width: 24}}}
	tests := 0
	for _, a := range p.Readings {
		r := a.GetReading()
		if r.GetMethod() == creepagev1.Reading_MONITOR {
			continue
		}
		if tests++; tests > mostReadings {
			continue
		}
		test := strings.Join(nonEmpty(quantityText(r.TestVolts, "V"), quantityText(r.HoldSeconds, "s")), ", ")
		air := strings.Join(nonEmpty(quantityText(r.TemperatureCelsius, "°C"), quantityText(r.HumidityPercent, "%")), ", ")
		t.Rows = append(t.Rows, paper.Row{Cells: []string{r.GetMeasureTime().AsTime().UTC().Format("2 Jan 2006 15:04"), casefile.Word(r.GetComponent()) + ", " + casefile.Word(r.GetConductor()) + " to " + casefile.Word(r.GetReference()),
			casefile.Value(r, r.GetResistanceOhms()), casefile.Word(r.GetMethod()), test, air, wireID(r.GetShop())}})
	}
	if tests == 0 {
		return nil
	}
	blocks := []paper.Block{paper.Heading("Readings of tests"), t}
	if tests > mostReadings {
		blocks = append(blocks, paper.Small(fmt.Sprintf("The newest %d of %d; the report readings has all.", mostReadings, tests)))
	}
	return blocks
}

func quantityText(v *float64, unit string) string {
	if v == nil {
		return ""
	}
	return threeDigits(*v) + " " + unit
}
