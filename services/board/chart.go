package board

import (
	"fmt"
	"html/template"
	"math"
	"sort"
	"strconv"
	"strings"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/draw"
	"creepage/internal/insulation"
	"creepage/internal/trend"
)

// value writes a resistance of a reading with its relation.
func value(r *creepagev1.Reading, ohms float64) string {
	return insulation.FormatResistance(relation(r), ohms)
}

func relation(r *creepagev1.Reading) insulation.Relation {
	if r.GetRelation() == creepagev1.Reading_RELATION_UNSPECIFIED {
		return insulation.Equal
	}
	return insulation.Relation(r.GetRelation())
}

// corrected is the resistance at 20 C by the solid insulation table, as
// everywhere; a monitor's value is taken at work and stays as it is.
func corrected(r *creepagev1.Reading) (float64, bool) {
	celsius := math.NaN()
	switch {
	case r.GetMethod() == creepagev1.Reading_MONITOR:
	case r.PartTemperatureCelsius != nil:
		celsius = r.GetPartTemperatureCelsius()
	case r.TemperatureCelsius != nil:
		celsius = r.GetTemperatureCelsius()
	}
	c, err := insulation.CorrectTemperature(celsius, insulation.ReferenceCelsius)
	if err != nil {
		return 0, false
	}
	return r.GetResistanceOhms() * c.Mid, true
}

// draw makes the large chart.
func (p *vehiclePage) draw(now time.Time, size draw.Size) {
	whole := p.chart("whole", creepagev1.Reading_SYSTEM, now, true)
	p.Heading = "Whole vehicle"
	if c, why := p.most(); len(whole.Readings) == 0 && c != creepagev1.Reading_COMPONENT_UNSPECIFIED {
		// Never measured as a whole: the component that limits it says most.
		whole = p.chart("whole", c, now, true)
		p.Heading = "The " + word(c) + ", which " + why + "; the whole was not measured"
	}
	whole.ID = fmt.Sprintf("whole-%.0f", size.Width)
	whole.Title = "Insulation of " + p.Name + ": " + strings.ToLower(p.Heading)
	p.Drawn = len(whole.Readings)
	p.Chart = template.HTML(whole.SVG(size))
	p.Steps = chartSteps(whole.From, whole.To, p.Corrected)
}

// most is the component that says most of the vehicle: the one that limits it,
// or else the one that takes most of the leak.
func (p *vehiclePage) most() (creepagev1.Reading_Component, string) {
	if c := p.Outlook.GetLimitingComponent(); c != creepagev1.Reading_COMPONENT_UNSPECIFIED {
		return c, "limits the vehicle"
	}
	var most *creepagev1.Part
	for _, part := range p.Outlook.GetParts() {
		if part.GetReadingCount() > 0 && part.GetComponent() != creepagev1.Reading_SYSTEM && (most == nil || part.GetConductanceShare() > most.GetConductanceShare()) {
			most = part
		}
	}
	return most.GetComponent(), "takes most of the leak"
}

// drawParts makes one small chart a component's group.
func (p *vehiclePage) drawParts(now time.Time) {
	for i, part := range p.Outlook.GetParts() {
		if part.GetComponent() == creepagev1.Reading_SYSTEM {
			continue
		}
		c := p.chart("part-"+strconv.Itoa(i), part.GetComponent(), now, false)
		c.Readings = inGroup(p.marks(part.GetComponent(), part.GetGroup()), c)
		c.Estimates = p.estimates(part.GetComponent(), part.GetGroup(), c)
		c.Title = word(part.GetComponent()) + ", " + groupText(part.GetGroup())
		c.LimitOhms, c.LimitText = part.GetServiceLimitOhms(), "service limit"
		p.Parts = append(p.Parts, partRow{Part: part, Trend: trendText(part), Chart: template.HTML(c.SVG(draw.Small)), Count: len(c.Readings)})
	}
	sort.SliceStable(p.Parts, func(i, j int) bool { return p.Parts[i].GetConductanceShare() > p.Parts[j].GetConductanceShare() })
}

// chart gathers what a component's chart shows; the group with the lowest
// level gives the estimate.
func (p *vehiclePage) chart(chartID string, c creepagev1.Reading_Component, now time.Time, large bool) *draw.Chart {
	ch := &draw.Chart{ID: chartID, LimitOhms: p.Platform.GetEffectiveCodeOhms(), LimitText: "code limit"}
	var lowest *creepagev1.Part
	for _, part := range p.Outlook.GetParts() {
		if part.GetComponent() == c && (lowest == nil || part.GetOperatingOhms() < lowest.GetOperatingOhms()) {
			lowest = part
		}
	}
	group := ""
	if c == creepagev1.Reading_SYSTEM {
		// The two whole-vehicle quantities are never mixed in one chart.
		group = quantityGroup(p.Platform.GetCodeQuantity())
		if lowest != nil {
			group = lowest.GetGroup()
		}
	}
	all := p.marks(c, group)
	p.setSpan(ch, all, now, large)
	ch.Readings = inGroup(all, ch)
	if lowest != nil {
		ch.Estimates = p.estimates(c, lowest.GetGroup(), ch)
	}
	if !large {
		return ch
	}
	ch.Now = now
	if o := p.Outlook; lowest != nil && (o.GetState() == creepagev1.Outlook_DUE || o.GetState() == creepagev1.Outlook_FALLING) {
		// Days count from the evaluation, up to a day ago: the date is then the same as everywhere.
		gone := now.Sub(o.GetEvaluateTime().AsTime()).Hours() / 24
		ch.Forecast = &draw.Forecast{P10: lowest.GetOperatingP10Ohms(), P50: lowest.GetOperatingOhms(), P90: lowest.GetOperatingP90Ohms(),
			DaysP10: orNaN(o.DaysToCodeP10) - gone, DaysP50: orNaN(o.DaysToCodeP50) - gone, DaysP90: orNaN(o.DaysToCodeP90) - gone}
	}
	p.addEvents(ch)
	return ch
}

// setSpan chooses the time axis: from the first reading, or the chosen number
// of days, to today and as far ahead as the forecast tells something.
func (p *vehiclePage) setSpan(ch *draw.Chart, all []draw.Reading, now time.Time, large bool) {
	from := now.AddDate(0, -3, 0)
	if p.Vehicle.GetCreateTime() != nil && len(all) > 0 {
		from = all[0].At
	}
	if !p.Shown.To.IsZero() { // chosen: these days and no others
		ch.From, ch.To = p.Shown.From, p.Shown.To
		return
	}
	if !p.Shown.From.IsZero() {
		from = p.Shown.From
	}
	past := now.Sub(from)
	ch.From, ch.To = from.Add(-past/40-24*time.Hour), now.Add(past/60+24*time.Hour)
	if o := p.Outlook; large && o.DaysToCodeP50 != nil && (o.GetState() == creepagev1.Outlook_DUE || o.GetState() == creepagev1.Outlook_FALLING) {
		ahead := o.GetDaysToCodeP50() * 1.3
		if o.DaysToCodeP90 != nil {
			ahead = max(ahead, min(o.GetDaysToCodeP90()*1.08, 2.5*o.GetDaysToCodeP50()))
		}
		ch.To = now.Add(time.Duration(max(ahead, 14) * 24 * float64(time.Hour)))
	}
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

// marks are a component's readings that stand, oldest first; group "" is all.
func (p *vehiclePage) marks(c creepagev1.Reading_Component, group string) []draw.Reading {
	doubted := map[string]bool{}
	for _, d := range p.Outlook.GetDoubted() {
		doubted[d.GetReadingId()] = d.GetSetAside() || d.GetWeight() < 0.5
	}
	var out []draw.Reading
	for i := len(p.Readings) - 1; i >= 0; i-- {
		r := p.Readings[i].GetReading()
		if r.GetComponent() != c || r.VoidReason != nil || group != "" && !seenBy(group, r) {
			continue
		}
		ohms := r.GetResistanceOhms()
		note := ""
		if p.Corrected {
			if v, ok := corrected(r); ok {
				ohms, note = v, " at 20 °C"
			}
		}
		mark := draw.Reading{At: r.GetMeasureTime().AsTime(), Ohms: ohms, Method: insulation.Method(r.GetMethod()), Relation: relation(r), Doubted: doubted[r.GetReadingId()]}
		mark.Text = value(r, ohms) + note
		if p.tops[i] {
			mark.Relation = insulation.Above
			mark.Text = insulation.FormatResistance(insulation.Above, ohms) + ", the monitor's ceiling"
		}
		if r.GetComponent() != creepagev1.Reading_SYSTEM {
			mark.Text += ", " + word(r.GetConductor()) + " to " + word(r.GetReference())
		}
		out = append(out, mark)
	}
	return out
}

// ceilings finds the places of those monitor values, newest first, that are at
// the top of what the monitor can show: bounds, although nothing says so.
func ceilings(readings []*creepagev1.AssessedReading) map[int]bool {
	at := map[int]bool{}
	for _, q := range []creepagev1.Reading_Quantity{creepagev1.Reading_PARALLEL, creepagev1.Reading_WEAKER_POLE} {
		var levels []float64
		var places []int
		for i := len(readings) - 1; i >= 0; i-- {
			r := readings[i].GetReading()
			if r.GetMethod() == creepagev1.Reading_MONITOR && r.VoidReason == nil && r.GetResistanceOhms() > 0 && quantityGroup(r.GetQuantity()) == quantityGroup(q) {
				levels, places = append(levels, math.Log10(r.GetResistanceOhms())), append(places, i)
			}
		}
		for k, top := range trend.AtCeiling(levels) {
			at[places[k]] = top
		}
	}
	return at
}

// seenBy says whether a reading is a look at the group. A row with all
// conductors tied sees every group of its component; a reading of the whole
// vehicle is a look at its own quantity alone.
func seenBy(group string, r *creepagev1.Reading) bool {
	if r.GetComponent() == creepagev1.Reading_SYSTEM {
		return group == quantityGroup(r.GetQuantity())
	}
	name := strings.ToLower(r.GetConductor().String())
	switch {
	case name == "all" || group == "all" || group == name:
		return true
	case group == "phases":
		return strings.HasPrefix(name, "phase_")
	}
	return false
}

// quantityGroup is the word of the whole-vehicle track of a quantity; left
// out, the quantity is the parallel one.
func quantityGroup(q creepagev1.Reading_Quantity) string {
	if q == creepagev1.Reading_WEAKER_POLE {
		return insulation.WeakerPole.String()
	}
	return insulation.Parallel.String()
}

func inGroup(all []draw.Reading, ch *draw.Chart) []draw.Reading {
	var out []draw.Reading
	for _, r := range all {
		if !r.At.Before(ch.From) && !r.At.After(ch.To) {
			out = append(out, r)
		}
	}
	return out
}

func (p *vehiclePage) estimates(c creepagev1.Reading_Component, group string, ch *draw.Chart) []draw.Estimate {
	var out []draw.Estimate
	for _, t := range p.Tracks {
		if t.GetComponent() != c || t.GetGroup() != group {
			continue
		}
		for _, e := range t.GetEstimates() {
			if at := e.GetTime().AsTime(); !at.Before(ch.From) && !at.After(ch.To) {
				out = append(out, draw.Estimate{At: at, P10: e.GetP10Ohms(), P50: e.GetMedianOhms(), P90: e.GetP90Ohms()})
			}
		}
	}
	return out
}

func (p *vehiclePage) addEvents(ch *draw.Chart) {
	for _, r := range p.Repairs {
		ch.Events = append(ch.Events, draw.Event{At: r.GetOccurTime().AsTime(), Kind: draw.Repair, Text: word(r.GetComponent()) + " " + word(r.GetKind()) + ", " + dayText(r.GetOccurTime())})
	}
	for _, w := range p.Warnings {
		ch.Events = append(ch.Events, draw.Event{At: w.GetRaiseTime().AsTime(), Kind: draw.WarningRaise, Text: warningText(w.GetKind()) + ", raised " + dayText(w.GetRaiseTime())})
		if w.GetEndTime() != nil {
			ch.Events = append(ch.Events, draw.Event{At: w.GetEndTime().AsTime(), Kind: draw.WarningEnd, Text: warningText(w.GetKind()) + ", ended " + dayText(w.GetEndTime())})
		}
	}
	for _, c := range p.Codes {
		ch.Events = append(ch.Events, draw.Event{At: c.GetSetTime().AsTime(), Kind: draw.Code, Text: c.GetCode() + ", " + dayText(c.GetSetTime())})
	}
	sort.SliceStable(ch.Events, func(i, j int) bool { return ch.Events[i].At.Before(ch.Events[j].At) })
}

// trendText says what a part is doing and since when.
func trendText(part *creepagev1.Part) string {
	switch {
	case part.GetDroppedProbability() >= 0.5:
		return "has dropped at once (" + percent(part.GetDroppedProbability()) + ")"
	case part.GetDampProbability() >= 0.5:
		return "leaks when damp (" + percent(part.GetDampProbability()) + ")"
	case part.GetDecliningProbability() >= 0.5:
		s := "declining (" + percent(part.GetDecliningProbability()) + ")"
		if d := part.GetDecadesPer_30D(); d < 0 {
			s += fmt.Sprintf(", loses %s a month", percent(1-math.Pow(10, d)))
		}
		if part.GetDecliningSinceTime() != nil {
			s += ", since about " + dayText(part.GetDecliningSinceTime())
		}
		return s
	}
	return "holds its level"
}
