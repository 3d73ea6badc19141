package casefile

import (
	"fmt"
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

// File is all that is on record of one vehicle.
type File struct {
	Vehicle  *creepagev1.Vehicle
	Platform *creepagev1.Platform
	Outlook  *creepagev1.Outlook // nil: not evaluated yet
	Tracks   []*creepagev1.Track
	Readings []*creepagev1.AssessedReading // newest first
	Repairs  []*creepagev1.Repair
	Codes    []*creepagev1.CodeSighting
	Warnings []*creepagev1.Warning // newest first

	tops map[int]bool // readings at the monitor's ceiling, by place
}

// Tops are the places of readings that are at their monitor's ceiling.
func (f *File) Tops() map[int]bool {
	if f.tops == nil {
		f.tops = Ceilings(f.Readings)
	}
	return f.tops
}

// View says which days a chart shows and how.
type View struct {
	From, To  time.Time // To zero: to today and on into the forecast; From zero: from the first reading
	Corrected bool      // to 20 C
}

// Value writes a resistance of a reading with its relation.
func Value(r *creepagev1.Reading, ohms float64) string {
	return insulation.FormatResistance(relation(r), ohms)
}

func relation(r *creepagev1.Reading) insulation.Relation {
	if r.GetRelation() == creepagev1.Reading_RELATION_UNSPECIFIED {
		return insulation.Equal
	}
	return insulation.Relation(r.GetRelation())
}

// Corrected is the resistance at 20 C by the solid insulation table, as
// everywhere; a monitor's value is taken at work and stays as it is.
func Corrected(r *creepagev1.Reading) (float64, bool) {
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

// Whole is the large chart, of the whole vehicle, and its heading.
func (f *File) Whole(now time.Time, view View) (chart *draw.Chart, heading string) {
	chart, heading = f.chart("whole", creepagev1.Reading_SYSTEM, now, view, true), "Whole vehicle"
	if c, why := f.most(); len(chart.Readings) == 0 && c != creepagev1.Reading_COMPONENT_UNSPECIFIED {
		// Never measured as a whole: the component that limits it says most.
		chart = f.chart("whole", c, now, view, true)
		heading = "The " + Word(c) + ", which " + why + "; the whole was not measured"
	}
	return chart, heading
}

// PartChart is what is known of a component's group, with its small chart.
type PartChart struct {
	*creepagev1.Part
	Trend string
	Chart *draw.Chart
}

// Parts makes a chart of each component's group, what takes most of the leak first.
func (f *File) Parts(now time.Time, view View) []PartChart {
	var parts []PartChart
	for i, part := range f.Outlook.GetParts() {
		if part.GetComponent() == creepagev1.Reading_SYSTEM {
			continue
		}
		c := f.chart("part-"+strconv.Itoa(i), part.GetComponent(), now, view, false)
		c.Readings = inGroup(f.marks(part.GetComponent(), part.GetGroup(), view), c)
		c.Estimates = f.estimates(part.GetComponent(), part.GetGroup(), c)
		c.Title = Word(part.GetComponent()) + ", " + GroupText(part.GetGroup())
		c.LimitOhms, c.LimitText = part.GetServiceLimitOhms(), "service limit"
		parts = append(parts, PartChart{Part: part, Trend: TrendText(part), Chart: c})
	}
	sort.SliceStable(parts, func(i, j int) bool { return parts[i].GetConductanceShare() > parts[j].GetConductanceShare() })
	return parts
}

// most is the component that says most of the vehicle: the one that limits it,
// or else the one that takes most of the leak.
func (f *File) most() (creepagev1.Reading_Component, string) {
	if c := f.Outlook.GetLimitingComponent(); c != creepagev1.Reading_COMPONENT_UNSPECIFIED {
		return c, "limits the vehicle"
	}
	var most *creepagev1.Part
	for _, part := range f.Outlook.GetParts() {
		if part.GetReadingCount() > 0 && part.GetComponent() != creepagev1.Reading_SYSTEM && (most == nil || part.GetConductanceShare() > most.GetConductanceShare()) {
			most = part
		}
	}
	return most.GetComponent(), "takes most of the leak"
}

// chart gathers what a component's chart shows; the group with the lowest
// level gives the estimate.
func (f *File) chart(chartID string, c creepagev1.Reading_Component, now time.Time, view View, large bool) *draw.Chart {
	ch := &draw.Chart{ID: chartID, LimitOhms: f.Platform.GetEffectiveCodeOhms(), LimitText: "code limit"}
	var lowest *creepagev1.Part
	for _, part := range f.Outlook.GetParts() {
		if part.GetComponent() == c && (lowest == nil || part.GetOperatingOhms() < lowest.GetOperatingOhms()) {
			lowest = part
		}
	}
	group := ""
	if c == creepagev1.Reading_SYSTEM {
		// The two whole-vehicle quantities are never mixed in one chart.
		group = quantityGroup(f.Platform.GetCodeQuantity())
		if lowest != nil {
			group = lowest.GetGroup()
		}
	}
	all := f.marks(c, group, view)
	f.setSpan(ch, all, now, view, large)
	ch.Readings = inGroup(all, ch)
	if lowest != nil {
		ch.Estimates = f.estimates(c, lowest.GetGroup(), ch)
	}
	if !large {
		return ch
	}
	ch.Now = now
	if o := f.Outlook; lowest != nil && (o.GetState() == creepagev1.Outlook_DUE || o.GetState() == creepagev1.Outlook_FALLING) {
		// Days count from the evaluation, up to a day ago: the date is then the same as everywhere.
		gone := now.Sub(o.GetEvaluateTime().AsTime()).Hours() / 24
		ch.Forecast = &draw.Forecast{P10: lowest.GetOperatingP10Ohms(), P50: lowest.GetOperatingOhms(), P90: lowest.GetOperatingP90Ohms(),
			DaysP10: orNaN(o.DaysToCodeP10) - gone, DaysP50: orNaN(o.DaysToCodeP50) - gone, DaysP90: orNaN(o.DaysToCodeP90) - gone}
	}
	f.addEvents(ch)
	return ch
}

// setSpan chooses the time axis: from the first reading, or the chosen number
// of days, to today and as far ahead as the forecast tells something.
func (f *File) setSpan(ch *draw.Chart, all []draw.Reading, now time.Time, view View, large bool) {
	from := now.AddDate(0, -3, 0)
	if f.Vehicle.GetCreateTime() != nil && len(all) > 0 {
		from = all[0].At
	}
	if !view.To.IsZero() { // chosen: these days and no others
		ch.From, ch.To = view.From, view.To
		return
	}
	if !view.From.IsZero() {
		from = view.From
	}
	past := now.Sub(from)
	ch.From, ch.To = from.Add(-past/40-24*time.Hour), now.Add(past/60+24*time.Hour)
	if o := f.Outlook; large && o != nil && o.DaysToCodeP50 != nil && (o.GetState() == creepagev1.Outlook_DUE || o.GetState() == creepagev1.Outlook_FALLING) {
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
func (f *File) marks(c creepagev1.Reading_Component, group string, view View) []draw.Reading {
	doubted := map[string]bool{}
	for _, d := range f.Outlook.GetDoubted() {
		doubted[d.GetReadingId()] = d.GetSetAside() || d.GetWeight() < 0.5
	}
	tops := f.Tops()
	var out []draw.Reading
	for i := len(f.Readings) - 1; i >= 0; i-- {
		r := f.Readings[i].GetReading()
		if r.GetComponent() != c || r.VoidReason != nil || group != "" && !seenBy(group, r) {
			continue
		}
		ohms := r.GetResistanceOhms()
		note := ""
		if view.Corrected {
			if v, ok := Corrected(r); ok {
				ohms, note = v, " at 20 °C"
			}
		}
		mark := draw.Reading{At: r.GetMeasureTime().AsTime(), Ohms: ohms, Method: insulation.Method(r.GetMethod()), Relation: relation(r), Doubted: doubted[r.GetReadingId()]}
		mark.Text = Value(r, ohms) + note
		if tops[i] {
			mark.Relation = insulation.Above
			mark.Text = insulation.FormatResistance(insulation.Above, ohms) + ", the monitor's ceiling"
		}
		if r.GetComponent() != creepagev1.Reading_SYSTEM {
			mark.Text += ", " + Word(r.GetConductor()) + " to " + Word(r.GetReference())
		}
		out = append(out, mark)
	}
	return out
}

// Ceilings finds the places of those monitor values, newest first, that are at
// the top of what the monitor can show: bounds, although nothing says so.
func Ceilings(readings []*creepagev1.AssessedReading) map[int]bool {
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

func (f *File) estimates(c creepagev1.Reading_Component, group string, ch *draw.Chart) []draw.Estimate {
	var out []draw.Estimate
	for _, t := range f.Tracks {
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

func (f *File) addEvents(ch *draw.Chart) {
	for _, r := range f.Repairs {
		ch.Events = append(ch.Events, draw.Event{At: r.GetOccurTime().AsTime(), Kind: draw.Repair, Text: Word(r.GetComponent()) + " " + Word(r.GetKind()) + ", " + Day(r.GetOccurTime())})
	}
	for _, w := range f.Warnings {
		ch.Events = append(ch.Events, draw.Event{At: w.GetRaiseTime().AsTime(), Kind: draw.WarningRaise, Text: WarningText(w.GetKind()) + ", raised " + Day(w.GetRaiseTime())})
		if w.GetEndTime() != nil {
			ch.Events = append(ch.Events, draw.Event{At: w.GetEndTime().AsTime(), Kind: draw.WarningEnd, Text: WarningText(w.GetKind()) + ", ended " + Day(w.GetEndTime())})
		}
	}
	for _, c := range f.Codes {
		ch.Events = append(ch.Events, draw.Event{At: c.GetSetTime().AsTime(), Kind: draw.Code, Text: c.GetCode() + ", " + Day(c.GetSetTime())})
	}
	sort.SliceStable(ch.Events, func(i, j int) bool { return ch.Events[i].At.Before(ch.Events[j].At) })
}

// TrendText says what a part is doing and since when.
func TrendText(part *creepagev1.Part) string {
	switch {
	case part.GetDroppedProbability() >= 0.5:
		return "has dropped at once (" + Percent(part.GetDroppedProbability()) + ")"
	case part.GetDampProbability() >= 0.5:
		return "leaks when damp (" + Percent(part.GetDampProbability()) + ")"
	case part.GetDecliningProbability() >= 0.5:
		s := "declining (" + Percent(part.GetDecliningProbability()) + ")"
		if d := part.GetDecadesPer_30D(); d < 0 {
			s += fmt.Sprintf(", loses %s a month", Percent(1-math.Pow(10, d)))
		}
		if part.GetDecliningSinceTime() != nil {
			s += ", since about " + Day(part.GetDecliningSinceTime())
		}
		return s
	}
	return "holds its level"
}
