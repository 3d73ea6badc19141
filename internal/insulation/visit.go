package insulation

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// VisitAssessment is what the readings of one occasion say together.
type VisitAssessment struct {
	ReferenceCelsius float64
	Items            []VisitItem  // in the order of the readings
	Groups           []VisitGroup // pooled looks at one insulation, ordered by component and conductor
	Contradictions   []Contradiction
	Again            []MeasureAgain // what to measure again or for the first time, and why
}

// VisitItem is one reading with its verdicts.
type VisitItem struct {
	Assessment
	Corrected   Interval // ohm at the reference temperature with the laws' spread; NaN where it cannot be corrected
	AtReference Verdict  // the whole interval against the limit; CannotTell where it straddles it
	Uncorrected string   // why there is no correction; "" where there is one
}

// VisitGroup is the pooled looks at one insulation.
type VisitGroup struct {
	Component   Component
	Name        string   // "motor winding", "cable hv_plus"
	Readings    []int    // positions in the visit
	Relation    Relation // of the pooled value
	Ohms        float64  // geometric mean of the looks in range; for Above the highest bound
	AtReference Interval // the same at the reference temperature; NaN where not every look can be corrected
	LimitOhms   float64  // the highest of the looks' limits; NaN where none is known
	Verdict     Verdict
}

// Contradiction is readings that cannot all be right.
type Contradiction struct {
	Readings []int // positions; the odd one first where one stands apart
	Text     string
}

// MeasureAgain is a test point to measure again.
type MeasureAgain struct {
	Component Component
	Conductor Conductor
	Reference Reference
	Code      string // cannot_tell contradiction below_dew_point voltage_low hold_short confirm temperature not_measured
	Text      string
}

// apart is the factor beyond which looks at one insulation contradict each
// other: three times, well beyond two meters' 30 % each (IEC 61557-2; the
// factor itself is judgement).
const apart = 3.0

// AssessVisit holds all readings of a visit against their limits, as read and
// corrected to a reference temperature in C. p may be nil. It fails only where
// there are no readings or the reference temperature has no correction law.
func AssessVisit(readings []Reading, p *Platform, now time.Time, referenceCelsius float64) (*VisitAssessment, error) {
	var v Violations
	if len(readings) == 0 {
		v.add("readings", "", "is required: at least one reading")
	}
	low, high := NETASolid.Domain()
	if !(referenceCelsius >= low && referenceCelsius <= high) {
		v.add("reference_celsius", referenceCelsius, "allowed is %v to %v C", low, high)
	}
	if len(v) > 0 {
		return nil, v
	}
	a := &VisitAssessment{ReferenceCelsius: referenceCelsius}
	for i := range readings {
		a.Items = append(a.Items, assessItem(&readings[i], p, now, referenceCelsius))
	}
	a.pool(readings)
	a.contradict(readings)
	a.again(readings, p)
	return a, nil
}

func assessItem(r *Reading, p *Platform, now time.Time, reference float64) VisitItem {
	item := VisitItem{Assessment: Assess(r, p, now), Corrected: Interval{math.NaN(), math.NaN(), math.NaN()}, AtReference: NotApplicable}
	margin, _, ok := r.partDewPoint()
	celsius := r.Celsius()
	switch {
	case math.IsNaN(celsius):
		item.Uncorrected = "no temperature was taken"
		return item
	case ok && margin <= 0:
		item.Uncorrected = "the part was at or below the dew point: such readings are not corrected (IEEE 43)"
		return item
	}
	c, err := CorrectTemperature(celsius, reference)
	if err != nil {
		item.Uncorrected = err.Error()
		return item
	}
	item.Corrected = c.Apply(r.Ohms)
	if math.IsNaN(item.LimitOhms) {
		return item
	}
	lowest, highest := *r, *r
	lowest.Ohms, highest.Ohms = item.Corrected.Low, item.Corrected.High
	limit := limitOf(r, p, &notes{})
	one, other := limit.verdict(&lowest), limit.verdict(&highest)
	item.AtReference = CannotTell
	if one == other {
		item.AtReference = one
	}
	return item
}

// groupKey is which insulation a reading looks at: the three phases of a
// winding are one; shield and chassis of one conductor are one.
func groupKey(r *Reading) (Component, Conductor, Quantity) {
	w := r.Conductor
	winding := r.Component == Motor || r.Component == Generator || r.Component == Compressor
	if winding && (w == PhaseV || w == PhaseW) {
		w = PhaseU
	}
	q := Parallel
	if r.Component == System {
		q = max(r.Quantity, Parallel)
	}
	return r.Component, w, q
}

func groupName(c Component, w Conductor, q Quantity) string {
	switch {
	case c == System:
		return "whole vehicle, " + quantityName(q)
	case w == PhaseU && (c == Motor || c == Generator || c == Compressor):
		return c.String() + " winding"
	case w == AllConductors:
		return c.String()
	}
	return c.String() + " " + w.String()
}

func (a *VisitAssessment) pool(readings []Reading) {
	type key struct {
		c Component
		w Conductor
		q Quantity
	}
	members := map[key][]int{}
	for i := range readings {
		var k key
		k.c, k.w, k.q = groupKey(&readings[i])
		members[k] = append(members[k], i)
	}
	keys := make([]key, 0, len(members))
	for k := range members {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(x, y key) int {
		return cmp.Or(cmp.Compare(x.c, y.c), cmp.Compare(x.w, y.w), cmp.Compare(x.q, y.q))
	})
	for _, k := range keys {
		g := VisitGroup{Component: k.c, Name: groupName(k.c, k.w, k.q), Readings: members[k]}
		g.pool(readings, a.Items)
		a.Groups = append(a.Groups, g)
	}
}

// pool takes the geometric mean of the looks in range, for they are equally
// good looks at one log-normal quantity; only where all are bounds the
// tightest bound stands.
func (g *VisitGroup) pool(readings []Reading, items []VisitItem) {
	var levels, low, mid, high float64
	n, bound := 0, math.Inf(-1)
	bottom := math.Inf(1)
	g.LimitOhms = math.NaN()
	for _, i := range g.Readings {
		r := &readings[i]
		if l := items[i].LimitOhms; !math.IsNaN(l) && !(g.LimitOhms >= l) {
			g.LimitOhms = l
		}
		switch r.Relation {
		case Equal:
			n++
			levels += r.Level()
			c := items[i].Corrected
			low, mid, high = low+math.Log10(c.Low), mid+math.Log10(c.Mid), high+math.Log10(c.High)
		case Above:
			bound = math.Max(bound, r.Ohms)
		case Below:
			bottom = math.Min(bottom, r.Ohms)
		}
	}
	g.AtReference = Interval{math.NaN(), math.NaN(), math.NaN()}
	switch {
	case n > 0:
		mean := func(sum float64) float64 { return math.Pow(10, sum/float64(n)) }
		g.Relation, g.Ohms = Equal, mean(levels)
		g.AtReference = Interval{mean(low), mean(mid), mean(high)}
	case !math.IsInf(bound, 0):
		g.Relation, g.Ohms = Above, bound
	default:
		g.Relation, g.Ohms = Below, bottom
	}
	l := limit{ohms: g.LimitOhms, low: 1, high: 1}
	g.Verdict = l.verdict(&Reading{Relation: g.Relation, Ohms: g.Ohms})
}

// contradict names looks at one insulation that are too far apart, and a whole
// that is better than one of its parts.
func (a *VisitAssessment) contradict(readings []Reading) {
	for _, g := range a.Groups {
		a.contradictWithin(g, readings)
	}
	for i := range readings {
		whole := &readings[i]
		if whole.Component != System || whole.Relation == Below || whole.Quantity == WeakerPole {
			continue
		}
		for j := range readings {
			part := &readings[j]
			if part.Component == System || part.Relation == Above || part.Reference == Shield || whole.Ohms <= apart*part.Ohms {
				continue
			}
			a.Contradictions = append(a.Contradictions, Contradiction{Readings: []int{j, i}, Text: fmt.Sprintf("the whole vehicle at %s cannot be better than its %s at %s: was the part connected, and were both taken in the same state?",
				FormatResistance(whole.Relation, whole.Ohms), pointName(part), FormatResistance(part.Relation, part.Ohms))})
		}
	}
}

func (a *VisitAssessment) contradictWithin(g VisitGroup, readings []Reading) {
	if odd, others := oddOne(g.Readings, readings); odd >= 0 {
		r := &readings[odd]
		text := fmt.Sprintf("%s at %s stands apart from %s, which look at the same insulation", pointName(r), FormatResistance(r.Relation, r.Ohms), looks(others, readings))
		if strings.HasSuffix(g.Name, "winding") {
			text += ": a winding joins its phases, so this may be a contact or probe problem; no fault is ruled out: check contact and probe as well as the winding"
		}
		a.Contradictions = append(a.Contradictions, Contradiction{Readings: append([]int{odd}, others...), Text: text})
		return
	}
	for x, i := range g.Readings {
		for _, j := range g.Readings[x+1:] {
			if farApart(&readings[i], &readings[j]) {
				a.Contradictions = append(a.Contradictions, Contradiction{Readings: []int{i, j}, Text: fmt.Sprintf("%s: %s look at the same insulation and are more than a factor of %v apart", g.Name, looks([]int{i, j}, readings), apart)})
			}
		}
	}
}

// oddOne returns the one look that is far from all the others while they agree, -1 if there is none.
func oddOne(members []int, readings []Reading) (int, []int) {
	if len(members) < 3 {
		return -1, nil
	}
	for _, i := range members {
		others := slices.DeleteFunc(slices.Clone(members), func(j int) bool { return j == i })
		far, agree := true, true
		for x, j := range others {
			far = far && farApart(&readings[i], &readings[j])
			for _, k := range others[x+1:] {
				agree = agree && !farApart(&readings[j], &readings[k])
			}
		}
		if far && agree {
			return i, others
		}
	}
	return -1, nil
}

// farApart says whether two looks cannot be of one value within the factor.
func farApart(a, b *Reading) bool {
	higher := func(x, y *Reading) bool {
		return x.Relation != Below && y.Relation != Above && x.Ohms > apart*y.Ohms
	}
	return higher(a, b) || higher(b, a)
}

func pointName(r *Reading) string {
	return fmt.Sprintf("%s %s to %s", r.Component, r.Conductor, r.Reference)
}

func looks(members []int, readings []Reading) string {
	words := make([]string, len(members))
	for k, i := range members {
		words[k] = fmt.Sprintf("%s (%s)", pointName(&readings[i]), FormatResistance(readings[i].Relation, readings[i].Ohms))
	}
	return strings.Join(words, " and ")
}

// again lists what to measure again, each point once with its weightiest reason.
func (a *VisitAssessment) again(readings []Reading, p *Platform) {
	type place struct {
		c Component
		w Conductor
		r Reference
	}
	listed := map[place]bool{}
	add := func(c Component, w Conductor, ref Reference, code, format string, args ...any) {
		if k := (place{c, w, ref}); !listed[k] {
			listed[k] = true
			a.Again = append(a.Again, MeasureAgain{c, w, ref, code, fmt.Sprintf(format, args...)})
		}
	}
	for _, c := range a.Contradictions {
		for _, i := range c.Readings {
			r := &readings[i]
			add(r.Component, r.Conductor, r.Reference, "contradiction", "%s", c.Text)
		}
	}
	for i := range readings {
		r, item := &readings[i], &a.Items[i]
		if code, text := item.reason(r); code != "" {
			add(r.Component, r.Conductor, r.Reference, code, "%s", text)
		}
	}
	for i := range readings {
		listed[place{readings[i].Component, readings[i].Conductor, readings[i].Reference}] = true
	}
	if p == nil {
		return
	}
	for _, t := range Plan(p).Points {
		add(t.Component, t.Conductor, t.Reference, "not_measured", "%s %s to %s was not measured in this visit", t.Component, t.Conductor, t.Reference)
	}
}

// reason says why one reading should be taken again, "" if it need not.
func (item *VisitItem) reason(r *Reading) (code, text string) {
	has := func(code NoteCode) (string, bool) {
		for _, n := range item.Notes {
			if n.Code == code {
				return n.Text, true
			}
		}
		return "", false
	}
	if item.ServiceLimit == CannotTell {
		return "cannot_tell", item.Sentence(r)
	}
	for _, c := range []struct {
		note NoteCode
		code string
	}{{NoteBelowDewPoint, "below_dew_point"}, {NoteTestVoltsBelowHalf, "voltage_low"}} {
		if text, ok := has(c.note); ok {
			return c.code, text
		}
	}
	// A short hold reads low: it matters only where the limit was missed.
	if text, ok := has(NoteHoldShort); ok && item.ServiceLimit == NotMet {
		return "hold_short", text
	}
	switch {
	case item.ServiceLimit == NotMet:
		return "confirm", item.Sentence(r) + ": confirm it with a second reading before replacing anything"
	case item.AtReference == CannotTell:
		return "temperature", fmt.Sprintf("corrected from %s °C it lies between %s and %s, on both sides of the limit: measure again nearer the reference temperature", number(r.Celsius()), FormatOhms(item.Corrected.Low), FormatOhms(item.Corrected.High))
	}
	return "", ""
}
