package report

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/casefile"
	"creepage/internal/draw"
	"creepage/internal/insulation"
	"creepage/internal/paper"
	"creepage/internal/store"
)

// What charts and tables have room for; what is left out is said beneath them.
const (
	mostRows     = 6   // of a chart with intervals: it stands on the first page
	mostColumns  = 36  // months of a chart
	mostVehicles = 15  // of the list of the most urgent
	mostLines    = 100 // of a table: a few pages
)

// printedSummary is what the fleet summary's pages are made of.
type printedSummary struct {
	query   *query
	months  []time.Time
	monthly []*summed // of each month, all parts and shops together
	whole   *groups   // of all months, with what is expected at their end
	end     time.Time // of which outlooks are
	urgent  []*creepagev1.Outlook
}

// summaryPages prints the fleet summary. Its rows cannot be added up where they
// hold medians, intervals and vehicles, so the pages are made from the records
// along their own cuts, by the same sums.
func summaryPages(ctx context.Context, _ *Service, tx *store.Tx, q *query) (*paper.Document, error) {
	said := saidBefore{}
	p := &printedSummary{query: q, whole: newGroups(q.where, said, store.Total, store.ByPlatform, store.ByComponent, store.ByShop)}
	months, err := summaryMonths(ctx, tx, q.in)
	if err != nil {
		return nil, err
	}
	for _, month := range months {
		g := newGroups(q.where, said, store.Total)
		if err := g.add(ctx, tx, store.ReportRange{AsOf: q.in.AsOf, Start: month, End: month.AddDate(0, 1, 0)}); err != nil {
			return nil, err
		}
		total := g.of(store.SummaryKey{Cut: store.Total})
		if total.nothing() && len(p.months) == 0 {
			continue // before the first record
		}
		p.months, p.monthly = append(p.months, month), append(p.monthly, total)
	}
	if n := len(p.months); n > 0 {
		in := store.ReportRange{AsOf: q.in.AsOf, Start: p.months[0], End: p.months[n-1].AddDate(0, 1, 0)}
		if err := p.whole.add(ctx, tx, in); err != nil {
			return nil, err
		}
		p.end = endOf(in)
		if err := p.addUrgent(ctx, tx); err != nil {
			return nil, err
		}
	}
	return p.document(), nil
}

func (s *summed) nothing() bool {
	return s.readings == 0 && s.warnings == 0 && s.repairs == 0 && s.limited == 0
}

// addUrgent takes the most urgent vehicles.
func (p *printedSummary) addUrgent(ctx context.Context, tx *store.Tx) error {
	return tx.ReportOutlooks(ctx, nil, p.end, func(o *store.ReportOutlook) error {
		if len(p.urgent) == mostVehicles {
			return nil
		}
		before, err := p.whole.said.of(o)
		if err != nil {
			return err
		}
		if before.state != creepagev1.Outlook_DUE && before.state != creepagev1.Outlook_UNDER {
			return nil
		}
		m, err := outlookOf(o.Details)
		if err != nil {
			return fmt.Errorf("outlook of %s: %w", o.Vehicle, err)
		}
		row := map[string]string{"platform": o.Platform, "component": componentWord(m.GetLimitingComponent()), "shop": o.LastShop}
		if matches(p.query.where, row) {
			m.Vehicle, m.Platform = o.Vehicle, o.Platform
			p.urgent = append(p.urgent, m)
		}
		return nil
	})
}

func (p *printedSummary) document() *paper.Document {
	d := &paper.Document{Title: "Fleet summary", Wide: true, Subtitle: p.query.organisation}
	if len(p.months) == 0 {
		d.Blocks = append(d.Blocks, paper.Text("No readings, warnings or repairs are on record for what was asked, so there is nothing to sum up."))
		return d
	}
	last := p.months[len(p.months)-1]
	d.Subtitle = strings.Join(nonEmpty(p.query.organisation, p.months[0].Format("January 2006")+" to "+last.Format("January 2006"), "what is expected as of "+moment(p.end)), " · ")
	d.Blocks = append(d.Blocks, p.facts())
	d.Blocks = append(d.Blocks, p.expected()...)
	d.Blocks = append(d.Blocks, p.urgentTable()...)
	for _, c := range []struct {
		cut   store.SummaryCut
		title string
		name  func(store.SummaryKey) string
	}{
		{store.ByPlatform, "Platform", func(k store.SummaryKey) string { return orElse(k.Platform, "no platform stated") }},
		{store.ByComponent, "Component", componentText},
		{store.ByShop, "Shop", func(k store.SummaryKey) string { return orElse(k.Shop, "no shop stated") }},
	} {
		d.Blocks = append(d.Blocks, paper.Heading("By "+strings.ToLower(c.title)))
		d.Blocks = append(d.Blocks, p.table(c.cut, c.title, c.name)...)
	}
	d.Blocks = append(d.Blocks, paper.Small("Readings, vehicles measured, warnings and repairs are of all months above; change and expected codes stand at their end. "+
		"The change is that of the column change_decade_per_30d in percent, 100 (10^decades − 1). Vehicles count by their limiting component; where none can be named they stand under “none named”. Of readings the shop is the one that took them, of everything else the one that measured the vehicle last."))
	d.Blocks = append(d.Blocks, p.byMonth()...)
	return d
}

func nonEmpty(list ...string) []string {
	return slices.DeleteFunc(list, func(s string) bool { return s == "" })
}

// facts is the fleet in one look.
func (p *printedSummary) facts() paper.Facts {
	t := p.whole.of(store.SummaryKey{Cut: store.Total})
	var states []string
	for _, s := range []creepagev1.Outlook_State{creepagev1.Outlook_UNDER, creepagev1.Outlook_DUE, creepagev1.Outlook_FALLING, creepagev1.Outlook_STEADY, creepagev1.Outlook_UNKNOWN} {
		states = append(states, fmt.Sprintf("%d %s", t.states[s], strings.ToLower(s.String())))
	}
	facts := paper.Facts{
		{Name: "Vehicles with an outlook", Value: fmt.Sprintf("%d: %s", t.limited, strings.Join(states, ", "))},
		{Name: "Readings", Value: fmt.Sprintf("%d of %d vehicles, %s over range", t.readings, t.vehicles, sharePercent(t.share()))},
		{Name: "Codes expected", Value: fmt.Sprintf("%s within 30 days, %s within 90, %s within 365", expectedText(t.within30), expectedText(t.within90), expectedText(t.within365))},
		{Name: "Warnings raised", Value: fmt.Sprintf("%d, of which %d stood when a code was set within 180 days%s", t.warnings, t.withCode, leadText(t.lead))},
		{Name: "Repairs", Value: strconv.FormatInt(t.repairs, 10)},
	}
	if f := p.query.filterText; f != "" {
		facts = append(facts, paper.Fact{Name: "Filter", Value: f})
	}
	return facts
}

func leadText(lead []float64) string {
	if len(lead) == 0 {
		return ""
	}
	return fmt.Sprintf("; median lead time %s days", threeDigits(median(lead)))
}

// expectedText is a number of codes with its interval.
func expectedText(p []float64) string {
	return withInterval(expectedCount(p))
}

// expected draws what is expected of platforms, and how components change.
func (p *printedSummary) expected() []paper.Block {
	codes := draw.Ranges{Title: "Isolation codes expected, by platform", Axis: "codes; the bar is 8 in 10", Names: []string{"within 30 days", "within 90 days", "within 365 days"}, Width: 468}
	keys := p.keys(store.ByPlatform)
	shown := keys[:min(len(keys), mostRows)]
	for _, k := range shown {
		s := p.whole.by[k]
		row := draw.RangeRow{Label: orElse(k.Platform, "no platform stated")}
		for _, list := range [][]float64{s.within30, s.within90, s.within365} {
			mean, low, high := expectedCount(list)
			row.Ranges = append(row.Ranges, draw.Range{Low: low, Mid: mean, High: high, Text: withInterval(mean, low, high)})
		}
		codes.Rows = append(codes.Rows, row)
	}
	change := draw.Ranges{Title: "Change of components", Axis: "% in 30 days, median; the bar holds it with 9 in 10", Width: 468}
	for _, k := range p.keys(store.ByComponent) {
		// The whole vehicle falls by other amounts than its parts, and stands in the table.
		if s := p.whole.by[k]; len(s.change) > 0 && k.Component != insulation.System {
			mid, low, high := s.changePercent()
			change.Rows = append(change.Rows, draw.RangeRow{Label: componentText(k), Ranges: []draw.Range{{Low: low, Mid: mid, High: high, Text: withInterval(mid, low, high)}}})
		}
	}
	var items []paper.Drawing
	if len(shown) > 0 {
		items = append(items, paper.Drawing{SVG: codes.SVG(), Caption: "Isolation codes expected, by platform, with the vehicles taken as independent" + ofAll(len(shown), len(keys), "platforms, those with most expected") + "."})
	}
	if len(change.Rows) > 0 {
		items = append(items, paper.Drawing{SVG: change.SVG(), Caption: "Change of each component's insulation resistance at 20 °C and dry; left of zero it declines. No bar: fewer than five parts."})
	}
	if len(items) == 0 {
		return nil
	}
	return []paper.Block{paper.Heading("What is expected"), paper.Drawings{Across: 2, Items: items}}
}

func ofAll(shown, all int, what string) string {
	if shown == all {
		return ""
	}
	return fmt.Sprintf("; %d of %d %s", shown, all, what)
}

// keys lists the rows of a cut: those with most codes expected within 90 days
// first, then by name.
func (p *printedSummary) keys(cut store.SummaryCut) []store.SummaryKey {
	var keys []store.SummaryKey
	for k := range p.whole.by {
		if k.Cut == cut {
			keys = append(keys, k)
		}
	}
	slices.SortFunc(keys, func(a, b store.SummaryKey) int {
		return cmp.Or(cmp.Compare(total(p.whole.by[b].within90), total(p.whole.by[a].within90)), cmp.Compare(a.Platform, b.Platform), cmp.Compare(a.Component, b.Component), cmp.Compare(a.Shop, b.Shop))
	})
	return keys
}

func total(list []float64) float64 {
	sum := 0.0
	for _, x := range list {
		sum += x
	}
	return sum
}

func componentText(k store.SummaryKey) string {
	switch {
	case k.Component == 0:
		return "none named"
	case k.Component.String() == "system":
		return "whole vehicle"
	}
	return strings.ReplaceAll(k.Component.String(), "_", " ")
}

// figures are the columns that every table of the summary has.
func figures() []paper.Column {
	return []paper.Column{{Title: "Vehicles measured", Width: 16, Right: true}, {Title: "Readings", Width: 16, Right: true}, {Title: "Over range", Width: 15, Right: true},
		{Title: "Change in 30 days, % (9 in 10)", Width: 36, Right: true}, {Title: "Vehicles limited", Width: 15, Right: true},
		{Title: "Codes in 30 days (8 in 10)", Width: 25, Right: true}, {Title: "in 90 days", Width: 25, Right: true}, {Title: "in 365 days", Width: 27, Right: true},
		{Title: "Warnings", Width: 17, Right: true}, {Title: "with code", Width: 12, Right: true}, {Title: "Lead, days", Width: 13, Right: true}, {Title: "Repairs", Width: 14, Right: true}}
}

// changePercent is the median change with its interval, from decades to what is
// gained or lost in percent.
func (s *summed) changePercent() (mid, low, high float64) {
	percent := func(decades float64) float64 { return 100 * (math.Pow(10, decades) - 1) }
	low, high = medianInterval(s.change)
	return percent(median(s.change)), percent(low), percent(high)
}

func (s *summed) figures() []string {
	return []string{strconv.FormatInt(s.vehicles, 10), strconv.FormatInt(s.readings, 10), sharePercent(s.share()), withInterval(s.changePercent()),
		strconv.FormatInt(s.limited, 10), expectedText(s.within30), expectedText(s.within90), expectedText(s.within365),
		strconv.FormatInt(s.warnings, 10), strconv.FormatInt(s.withCode, 10), threeDigits(median(s.lead)), strconv.FormatInt(s.repairs, 10)}
}

func (p *printedSummary) table(cut store.SummaryCut, title string, name func(store.SummaryKey) string) []paper.Block {
	t := paper.Table{Small: true, Columns: append([]paper.Column{{Title: title, Width: 40}}, figures()...)}
	keys := p.keys(cut)
	for _, k := range keys[:min(len(keys), mostLines)] {
		t.Rows = append(t.Rows, paper.Row{Cells: append([]string{name(k)}, p.whole.by[k].figures()...)})
	}
	if len(keys) <= mostLines {
		return []paper.Block{t}
	}
	return []paper.Block{t, paper.Small(fmt.Sprintf("The %d of %d %ss with most codes expected within 90 days; the report's other formats have all.", mostLines, len(keys), strings.ToLower(title)))}
}

// urgentTable lists the vehicles that need a bay.
func (p *printedSummary) urgentTable() []paper.Block {
	if len(p.urgent) == 0 {
		return []paper.Block{paper.Heading("Vehicles that need a bay"), paper.Text("Of no vehicle has the chance to reach its code limit within the lead time passed the bound of a warning, and none is known to be below it.")}
	}
	t := paper.Table{Small: true, Columns: []paper.Column{{Title: "Vehicle", Width: 26}, {Title: "Platform", Width: 26}, {Title: "State", Width: 12}, {Title: "Code within 90 days", Width: 20},
		{Title: "Expected", Width: 22}, {Title: "8 in 10 between", Width: 38}, {Title: "Limited by", Width: 20}, {Title: "Next", Width: 62}}}
	for _, o := range p.urgent {
		due := casefile.DueOf(o)
		limited := none
		if o.LimitingComponent != nil {
			limited = casefile.Word(o.GetLimitingComponent())
		}
		t.Rows = append(t.Rows, paper.Row{Strong: o.GetState() == creepagev1.Outlook_UNDER, Cells: []string{o.GetVehicle(), o.GetPlatform(), strings.ToLower(o.GetState().String()),
			casefile.Percent(o.GetCodeProbability_90D()), due.Big, due.Range, limited, casefile.NextStep(o)}})
	}
	blocks := []paper.Block{paper.Heading("Vehicles that need a bay"), t}
	s := p.whole.of(store.SummaryKey{Cut: store.Total})
	if all := int(s.states[creepagev1.Outlook_DUE] + s.states[creepagev1.Outlook_UNDER]); all > len(p.urgent) {
		blocks = append(blocks, paper.Small(fmt.Sprintf("The %d most urgent, of %d; the report outlooks has all.", len(p.urgent), all)))
	}
	return blocks
}

// byMonth draws and lists the months.
func (p *printedSummary) byMonth() []paper.Block {
	from := max(0, len(p.months)-mostColumns)
	size := draw.Size{Width: 468, Height: 160}
	readings := draw.Bars{Title: "Readings by month", Names: []string{"with a value", "over range"}, Size: size}
	share := draw.Bars{Title: "Share over range by month", Percent: true, Size: size}
	warnings := draw.Bars{Title: "Warnings by month", Names: []string{"a code set within 180 days, while it stood", "no code so far"}, Size: size}
	for i, month := range p.months[from:] {
		s := p.monthly[from+i]
		bar := func(parts ...float64) draw.Bar {
			b := draw.Bar{Label: month.Format("Jan"), Parts: parts}
			if i == 0 || month.Month() == time.January {
				b.Below = month.Format("2006")
			}
			return b
		}
		readings.Bars = append(readings.Bars, bar(float64(s.readings-s.overRange), float64(s.overRange)))
		share.Bars = append(share.Bars, bar(s.share()))
		warnings.Bars = append(warnings.Bars, bar(float64(s.withCode), float64(s.warnings-s.withCode)))
	}
	which := ofAll(len(p.months)-from, len(p.months), "months, the last")
	drawings := paper.Drawings{Across: 2, Items: []paper.Drawing{
		{SVG: readings.SVG(), Caption: "Readings taken in each month" + which + "."},
		{SVG: share.SVG(), Caption: "Share of them that was over range: of these only a lower bound is known" + which + "."},
		{SVG: warnings.SVG(), Caption: "Warnings raised in each month, and what followed so far" + which + "."},
		{SVG: p.leadTimes(size), Caption: "Days from the warning to the code, of warnings that a code followed while they stood."},
	}}
	t := paper.Table{Small: true, Columns: append([]paper.Column{{Title: "Month", Width: 40}}, figures()...)}
	from = max(0, len(p.months)-mostLines)
	for i, month := range p.months[from:] {
		t.Rows = append(t.Rows, paper.Row{Cells: append([]string{month.Format("January 2006")}, p.monthly[from+i].figures()...)})
	}
	note := "A month's change and expected codes are what was said last by its end; its warnings are followed up to the time of the report."
	if from > 0 {
		note += fmt.Sprintf(" The last %d of %d months; the report's other formats have all.", mostLines, len(p.months))
	}
	return []paper.Block{paper.Heading("Month by month"), drawings, t, paper.Small(note)}
}

// leadTimes counts lead times by their length.
func (p *printedSummary) leadTimes(size draw.Size) string {
	bounds := []float64{0, 7, 14, 30, 60, 90, 180}
	chart := draw.Bars{Title: "Lead times", Size: size}
	lead := p.whole.of(store.SummaryKey{Cut: store.Total}).lead
	for i := range len(bounds) - 1 {
		n := 0.0
		for _, d := range lead {
			if d >= bounds[i] && (d < bounds[i+1] || i == len(bounds)-2) {
				n++
			}
		}
		chart.Bars = append(chart.Bars, draw.Bar{Label: fmt.Sprintf("%.0f to %.0f d", bounds[i], bounds[i+1]), Parts: []float64{n}})
	}
	return chart.SVG()
}
