package trend

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"creepage/internal/insulation"
)

// WarningKind is what a warning is about.
type WarningKind uint8

// Warning kinds.
const (
	CodeDue WarningKind = iota + 1
	UnderCodeLimit
	UnderServiceLimit
	SuddenDrop
)

var warningWords = [...]string{CodeDue: "code_due", UnderCodeLimit: "under_code_limit", UnderServiceLimit: "under_service_limit", SuddenDrop: "sudden_drop"}

// String returns the kind's word.
func (k WarningKind) String() string {
	if int(k) < len(warningWords) {
		return warningWords[k]
	}
	return ""
}

// Policy is what an organisation wants to be told. A code that is due is judged
// by its chance within the nearest days of the lead time: one that is as likely only
// towards the lead time's end is of a slow fault, warned of too early, or of a fault
// that may yet level off. One that is sure to come within the
// lead time (sureAt) is told all the same.
//
// Of a vehicle that is followed by its own monitor the days are fewer, for the next look is
// near, and more is asked: its chance moves with every day's value and comes by a bound in
// passing, that of test points moves at visits alone.
//
// On four simulated fleets of 600 (mild seed 7, rough seed 6, and one of either kind of a simulator written apart)
// half the lead time for all, at 0.065 and 1.8 times the odds, made 3.9 false calls per 100 vehicle-years and met .628 of
// the codes in time; nearer days and renameShare, before sureAt, 3.3 and .636.
type Policy struct {
	LeadDays float64 `json:"lead_days"` // how far ahead a code is to be warned of
	Followed Bounds  `json:"followed"`  // for vehicles whose own monitor has been read of late
	Testers  Bounds  `json:"testers"`   // for those that only testers look at
	HoldDays float64 `json:"hold_days"` // days for which Bounds.raise holds before code_due is raised; an hour is enough where the nearer chance is three times Bounds.Raise
	EndDays  float64 `json:"end_days"`  // days for which Bounds.keep does not hold before code_due is ended
}

// Bounds are the probabilities of a code within so many days that raise code_due
// and that end it.
type Bounds struct {
	Days  float64 `json:"days"`
	Raise float64 `json:"raise"`
	End   float64 `json:"end"`
}

// bounds returns those of a policy that hold for a vehicle, moved by what the fleet's own
// forecasts came to (learnBounds).
func (ps *Params) bounds(p *Policy, followed bool) Bounds {
	b := p.Testers
	if followed {
		b = p.Followed
	}
	if ps.BoundShift != 0 {
		raise := logistic(logit(b.Raise) + ps.BoundShift)
		b.Raise, b.End = raise, b.End*raise/b.Raise
	}
	return b
}

// raise says whether the chances within the bounds' days and within the whole lead time raise code_due.
func (b *Bounds) raise(near, lead float64) bool { return near >= b.Raise || lead >= sureAt }

// keep says whether they let one that is open stand. It is sure until it is not: a warning raised long before
// that stood by a share of it would stand when the code comes near, and nothing would be said then.
func (b *Bounds) keep(near, lead float64) bool { return near >= b.End || lead >= sureAt }

// usualLead is how far ahead codes are warned of by default.
const usualLead = 90.0

var usualPolicy = PolicyOf(usualLead, UsualFalseCalls)

// DefaultPolicy looks 90 days ahead with the usual number of false calls: a warning is
// raised when the probability within 30 days, or 21 where the vehicle is followed by its
// own monitor, has stood at its bound for three days, or that within 90 days at eight tenths, and
// ended after 14 days below three tenths of the bound and below eight tenths; an odd value of a monitor moves a forecast until the next one.
func DefaultPolicy() Policy { return usualPolicy }

// FalseCalls is how many false calls are borne for being warned of more codes in
// time.
type FalseCalls uint8

// False calls borne, from few to many.
const (
	FewFalseCalls FalseCalls = iota + 1
	UsualFalseCalls
	ManyFalseCalls
)

// raises are the probabilities within raiseDays that raise a warning of a vehicle
// that only testers look at.
var raises = [...]float64{FewFalseCalls: 0.07, UsualFalseCalls: 0.035, ManyFalseCalls: 0.022}

// PolicyOf is the policy of an organisation that wants to be warned some days
// ahead and bears so many false calls, the usual ones if it is none of the three. The odds that raise a warning grow with the days
// it is judged by as those of a code do, so that about as many false calls come of every lead
// time. A warning is ended at three tenths of the probability that raises it.
func PolicyOf(leadDays float64, f FalseCalls) Policy {
	if f < FewFalseCalls || f > ManyFalseCalls {
		f = UsualFalseCalls
	}
	judgedBy := func(share, times float64) Bounds {
		days := max(share*leadDays, leastDays)
		odds := times * raises[f] / (1 - raises[f]) * math.Pow(days/raiseDays, oddsGrowth)
		p := odds / (1 + odds)
		return Bounds{Days: days, Raise: p, End: 0.3 * p}
	}
	return Policy{LeadDays: leadDays, Followed: judgedBy(followedShare, followedOdds), Testers: judgedBy(testersShare, 1), HoldDays: 3, EndDays: 14}
}

const (
	testersShare  = raiseDays / usualLead // of the lead time, by which a vehicle that only testers look at is judged,
	followedShare = 21 / usualLead        // and one that is followed
	raiseDays     = 30.0
	leastDays     = 10.0 // a week, by which a warning is to come before the code, and the three days it waits
	oddsGrowth    = 1.5  // power of the days with which the odds of a code within them grow
	followedOdds  = 2.4  // times the odds that are asked of a vehicle that is followed
)

// OpenWarning is a warning that has been raised and not ended.
type OpenWarning struct {
	Kind       WarningKind          `json:"kind"`
	Component  insulation.Component `json:"component"`
	RaisedAt   time.Time            `json:"raised_at"`
	BelowSince time.Time            `json:"below_since"` // since when its condition has not held; zero: it holds
	// Of a warning of the vehicle's code: what has limited in Component's place, and since when.
	Other      insulation.Component `json:"other,omitempty"`
	OtherSince time.Time            `json:"other_since,omitzero"`
}

// ofCode says whether a kind is about the vehicle's code, brought about by whichever component.
func (k WarningKind) ofCode() bool { return k == CodeDue || k == UnderCodeLimit }

// noteLimiting notes which component limits by an outlook; another than the warning
// names must do so clearly: where many might, the first of them changes with the weather.
func (w *OpenWarning) noteLimiting(o *Outlook) {
	switch {
	case !w.Kind.ofCode() || !w.BelowSince.IsZero():
	case o.Limiting == 0 || o.Limiting == w.Component || o.LimitingShare < renameShare:
		w.Other, w.OtherSince = 0, time.Time{}
	case o.Limiting != w.Other:
		w.Other, w.OtherSince = o.Limiting, o.EvaluatedAt
	}
}

// misnamed says whether another component than the warning names has limited for
// so long that the warning is to name that.
func (w *OpenWarning) misnamed(at time.Time) bool {
	return w.Other != 0 && at.Sub(w.OtherSince).Hours() >= 24*renameDays
}

// RuleState is the warn rule's memory of one vehicle. It makes the round trip
// through JSON; the zero value is a vehicle that was never warned about.
type RuleState struct {
	Open        []OpenWarning `json:"open,omitempty"`
	DueSince    time.Time     `json:"due_since,omitzero"`     // since when code_due's probability has stood high enough to raise it; zero: it does not
	AtOnceSince time.Time     `json:"at_once_since,omitzero"` // since when it has stood so high that it is not waited on for days
	UnderSince  time.Time     `json:"under_since,omitzero"`   // since when under_code_limit's has stood high enough to raise it
}

// Change is a warning raised or ended.
type Change struct {
	Kind        WarningKind
	Raised      bool // else ended
	Component   insulation.Component
	Probability float64
	DaysP50     float64
	Reason      string
	At          time.Time
}

// Thresholds of the kinds that no policy sets.
const (
	underRaise = 0.8 // chance that the whole is below the code limit now
	underEnd   = 0.2
	sureAt     = 0.8 // chance within the whole lead time from which code_due is raised, however small it is within the nearer days
	dueAtOnce  = 3.0 // times the probability that raises code_due: not waited on for days
	dropRaise  = 0.5 // weight of "has just dropped"
	dropEnd    = 0.2
	// For so many days another component must have limited, and that much of the chance must
	// have hung on it, before a warning of the code is raised anew by its name.
	renameDays  = 14.0
	renameShare = 0.6
	// visitLasts is how long a visit is taken to last, and so how long even what is not waited on must hold. The rows of a visit may come in one by one, and each is
	// judged with those before it: of half a visit nothing is raised.
	visitLasts = time.Hour
)

// condition is one thing a warning can be about, as an outlook shows it.
type condition struct {
	kind        WarningKind
	component   insulation.Component
	raise, keep bool // begin a warning; let one that is open stand
	probability float64
	atOnce      bool  // of code_due: so likely within the days it is judged by that it is not waited on for days
	part        *Part // what it is about, where that is a part
}

// Fold is the warn rule: from the rule's memory and an outlook to the next
// memory and what changed. It is silent about the future and depends on its
// arguments alone, so it can be replayed and taken up after a restart. Outlooks
// must come in the order of their time.
func (m *Model) Fold(rs RuleState, o *Outlook, policy Policy) (RuleState, []Change) {
	var changes []Change
	next := RuleState{}
	var renamed []WarningKind
	conditions := m.conditionsOf(o, policy)
	open := slices.Clone(rs.Open)
	for i := range open {
		w := &open[i]
		if w.noteLimiting(o); w.misnamed(o.EvaluatedAt) && w.Other == o.Limiting && find(conditions, w.Kind, w.Component).raise {
			renamed = append(renamed, w.Kind)
		}
	}
	for _, w := range open {
		c := find(conditions, w.Kind, w.Component)
		ended := ""
		switch {
		case !o.CodeSet.IsZero() && w.Kind.ofCode():
			ended = "the isolation code was set on " + date(o.CodeSet)
		case slices.Contains(renamed, w.Kind) && w.Component != o.Limiting:
			ended = fmt.Sprintf("for %.0f days it has been the %s that limits most: warned of by that name", renameDays, inWords(o.Limiting))
		case c.keep:
			w.BelowSince = time.Time{}
		case w.BelowSince.IsZero():
			w.BelowSince = o.EvaluatedAt
			if policy.EndDays <= 0 || w.Kind == UnderServiceLimit {
				ended = m.endWords(c, o, policy)
			}
		case o.EvaluatedAt.Sub(w.BelowSince).Hours() >= 24*policy.EndDays:
			ended = m.endWords(c, o, policy)
		}
		if ended == "" {
			next.Open = append(next.Open, w)
			continue
		}
		changes = append(changes, Change{Kind: w.Kind, Component: w.Component, Probability: c.probability, DaysP50: o.DaysP50, Reason: ended, At: o.EvaluatedAt})
	}
	for _, c := range conditions {
		if c.raise && c.kind.ofCode() && next.waits(&rs, &c, o.EvaluatedAt, policy) && !slices.Contains(renamed, c.kind) {
			continue
		}
		if !c.raise || next.open(c.kind, c.component) {
			continue
		}
		component := c.component
		if c.kind.ofCode() {
			component = o.Limiting
		}
		next.Open = append(next.Open, OpenWarning{Kind: c.kind, Component: component, RaisedAt: o.EvaluatedAt})
		changes = append(changes, Change{Kind: c.kind, Raised: true, Component: component, Probability: c.probability, DaysP50: o.DaysP50, Reason: c.words(o), At: o.EvaluatedAt})
	}
	return next, changes
}

// waits notes since when a condition of the vehicle's code has held, and says whether it is still waited on.
func (rs *RuleState) waits(before *RuleState, c *condition, at time.Time, policy Policy) bool {
	if c.kind == UnderCodeLimit {
		rs.UnderSince = since(before.UnderSince, at)
		return at.Sub(rs.UnderSince) < visitLasts
	}
	rs.DueSince = since(before.DueSince, at)
	if c.atOnce {
		rs.AtOnceSince = since(before.AtOnceSince, at)
		if at.Sub(rs.AtOnceSince) >= visitLasts {
			return false
		}
	}
	return at.Sub(rs.DueSince).Hours() < 24*policy.HoldDays
}

// Again returns when, after an evaluation, the vehicle is to be evaluated next though nothing arrives: something is raised then
// unless what arrives until then takes it back. It is zero if nothing is waited for but days.
func (rs *RuleState) Again(evaluated time.Time) (when time.Time) {
	over := func(kind WarningKind, began time.Time) {
		at := began.Add(visitLasts)
		if !began.IsZero() && at.After(evaluated) && !rs.open(kind, 0) && (when.IsZero() || at.Before(when)) {
			when = at
		}
	}
	over(CodeDue, rs.AtOnceSince)
	over(UnderCodeLimit, rs.UnderSince)
	return when
}

// since keeps a time that is known, or begins one.
func since(known, at time.Time) time.Time {
	if known.IsZero() {
		return at
	}
	return known
}

// open says whether a warning of the kind stands; those about the vehicle's
// code stand once, whichever component limits at the time.
func (rs *RuleState) open(k WarningKind, c insulation.Component) bool {
	for _, w := range rs.Open {
		if w.Kind == k && (k.ofCode() || w.Component == c) {
			return true
		}
	}
	return false
}

func find(conditions []condition, k WarningKind, c insulation.Component) condition {
	for _, x := range conditions {
		if x.kind == k && (k.ofCode() || x.component == c) {
			return x
		}
	}
	return condition{kind: k, component: c}
}

// conditionsOf reads every condition off an outlook.
func (m *Model) conditionsOf(o *Outlook, policy Policy) []condition {
	b := m.params.bounds(&policy, o.Followed)
	near, lead := Within(o.Curve, b.Days), Within(o.Curve, policy.LeadDays)
	free := o.CodeSet.IsZero()
	out := []condition{
		{kind: CodeDue, raise: free && b.raise(near, lead), keep: b.keep(near, lead), probability: lead, atOnce: near >= dueAtOnce*b.Raise},
		{kind: UnderCodeLimit, raise: free && o.P0 >= underRaise, keep: o.P0 >= underEnd, probability: o.P0},
	}
	for i := range o.Parts {
		part := &o.Parts[i]
		if part.Group.Whole() {
			continue
		}
		c := part.Group.Component
		if part.Dropped >= dropEnd {
			out = merge(out, condition{kind: SuddenDrop, component: c, raise: part.Dropped >= dropRaise, keep: true, probability: part.Dropped, part: part})
		}
		if part.UnderService > 0 {
			out = merge(out, condition{kind: UnderServiceLimit, component: c, raise: true, keep: true, probability: 1, part: part})
		}
	}
	return out
}

// words is the sentence of a condition. It is made when a warning is raised:
// on most days nobody asks for it.
func (c *condition) words(o *Outlook) string {
	part := c.part
	switch c.kind {
	case SuddenDrop:
		return fmt.Sprintf("The %s has dropped suddenly to %s (chance %.0f %%).", part.Group.words(), Ohms(part.LevelNow.P50), 100*part.Dropped)
	case UnderServiceLimit:
		how := "a single reading, to be confirmed"
		if part.UnderService > 1 {
			how = fmt.Sprintf("%d readings in a row", part.UnderService)
		}
		read, least := Ohms(part.LastUnderOhms), Ohms(part.ServiceLimit)
		switch near := read == least; { // 9.97 MΩ is 10 MΩ to two figures
		case near && part.UnderBound:
			read = ""
		case near:
			read = "just "
		case part.UnderBound:
			read = "less than " + read + ", "
		default:
			read += ", "
		}
		return fmt.Sprintf("The %s read %sbelow its service limit of %s: %s.", part.Group.words(), read, least, how)
	}
	return o.Reason()
}

// merge keeps one condition per kind and component, the stronger.
func merge(out []condition, c condition) []condition {
	for i := range out {
		if out[i].kind == c.kind && out[i].component == c.component {
			if c.probability > out[i].probability {
				out[i] = c
			}
			return out
		}
	}
	return append(out, c)
}

func (m *Model) endWords(c condition, o *Outlook, policy Policy) string {
	switch c.kind {
	case CodeDue:
		b := m.params.bounds(&policy, o.Followed)
		return fmt.Sprintf("the chance within %.0f days has been below %.2g %%, and that within %.0f days below %.0f %%, for %.0f days",
			b.Days, 100*b.End, policy.LeadDays, 100*sureAt, policy.EndDays)
	case UnderCodeLimit:
		return fmt.Sprintf("the whole has stood above the code limit for %.0f days", policy.EndDays)
	case UnderServiceLimit:
		return "a later reading met the service limit, or the part was exchanged or repaired"
	}
	return fmt.Sprintf("has not looked like a drop for %.0f days", policy.EndDays)
}

// Evaluate is the daily step of the rule for one vehicle: what Fold says of
// the vehicle's outlook at the given time, computed as cheaply as possible (no
// bands, no sentences, only the horizons that decide) unless something
// changes. It equals Outlook followed by Fold. Calm says that the following CalmDays
// change nothing unless an entry arrives: all chances are far from raising a warning, and
// nothing stands or waits that time alone would end or raise.
func (m *Model) Evaluate(rs RuleState, v *Vehicle, p *insulation.Platform, at time.Time, policy Policy) (next RuleState, changes []Change, calm bool) {
	o := Outlook{Vehicle: v.id, EvaluatedAt: at, DaysP50: math.NaN()}
	if v.open != 0 {
		o = m.glance(v, p, at, policy, rs.warnsOfCode())
	}
	next, changes = m.Fold(rs, &o, policy)
	if len(changes) == 0 {
		return next, nil, m.calm(&next, &o, policy)
	}
	o = m.Outlook(v, p, at)
	next, changes = m.Fold(rs, &o, policy)
	return next, changes, false
}

// CalmDays is for how long a vehicle of which nothing arrives stays calm. By time alone a
// chance moves by a fraction of itself in a week: more may have begun unseen, the season's usual
// temperature moves, a monitor read a month ago is followed no longer.
const CalmDays = 7

// calmShare is what a chance may be of that which raises a warning to be far from it.
const calmShare = 0.1

// calm says whether all conditions are far from raising anything, and none that stands can end by time.
func (m *Model) calm(rs *RuleState, o *Outlook, policy Policy) bool {
	b := m.params.bounds(&policy, o.Followed)
	if Within(o.Curve, b.Days) >= calmShare*b.Raise || Within(o.Curve, policy.LeadDays) >= calmShare*sureAt || o.P0 >= calmShare*underRaise {
		return false
	}
	for i := range o.Parts {
		if o.Parts[i].Dropped >= dropEnd {
			return false
		}
	}
	for i := range rs.Open {
		if w := &rs.Open[i]; w.Kind != UnderServiceLimit || !w.BelowSince.IsZero() {
			return false
		}
	}
	return true
}

// warnsOfCode says whether a warning of the vehicle's code stands: then what limits is asked for too.
func (rs *RuleState) warnsOfCode() bool {
	return slices.ContainsFunc(rs.Open, func(w OpenWarning) bool { return w.Kind.ofCode() })
}

// Warned makes an outlook of what declines, is steady near the limit or not settled, due while a warning of its code stands and is not
// about to end: its chance goes to and fro between the bound that raises and the one that ends, and the word would go with it.
func (o *Outlook) Warned(rs *RuleState) {
	for i := range rs.Open {
		w := &rs.Open[i]
		switch {
		case !w.Kind.ofCode() || !w.BelowSince.IsZero():
		case o.State == Steady:
			o.State = Due
			if a := &o.Account; *a != (Account{}) { // what only a reader needs was asked for
				a.What = steadyWord + ", and warned of" + strings.TrimPrefix(a.What, steadyWord)
				if a.Measure == "" {
					a.Measure = o.next()
				}
			}
		case o.State == Falling || o.State == Unknown:
			o.State = Due
		}
	}
}

// decidingRows returns the horizons the rule's decisions hang on: now, those about the nearer days and about the lead
// time, and all up to so many days.
func decidingRows(near, lead, upTo float64) (rows [numHorizons]int, n int) {
	for h := range numHorizons {
		if h == 0 || between(h, near) || between(h, lead) || horizons[h] <= upTo {
			rows[n], n = h, n+1
		}
	}
	return rows, n
}

// between says whether the chance within so many days is read off horizon h: it is one of the two about them.
func between(h int, days float64) bool {
	switch {
	case horizons[h] < days:
		return h == numHorizons-1 || horizons[h+1] > days
	case horizons[h] > days:
		return horizons[h-1] < days
	}
	return true
}

// glance is as much of an outlook as the rule's decisions hang on; what limits only if a warning of the code stands.
//
// Where the season cools, a horizon before those asked for may hold more than they, and what has come by then has come. So these are
// looked at too, but of a vehicle without a warning only up to those days within which its chance is a tenth and more of what raises
// one: in a season of 20 degrees' swing a nearer horizon was seen to hold five times as much, not ten.
func (m *Model) glance(v *Vehicle, p *insulation.Platform, at time.Time, policy Policy, warned bool) Outlook {
	o := Outlook{Vehicle: v.id, EvaluatedAt: at, DaysP50: math.NaN()}
	b := m.params.bounds(&policy, v.now.followed(v.now.seenAt(at)))
	last := max(b.Days, policy.LeadDays)
	upTo := 0.0
	if warned {
		upTo = max(last, 90) // by which what limits is named
	}
	rows, n := decidingRows(b.Days, policy.LeadDays, upTo)
	f := m.forecastAt(v, p, at, rows[:n])
	defer f.done()
	f.ruled(&o)
	switch {
	case warned:
		f.nameLimiting(&o)
		return o
	case Within(o.Curve, policy.LeadDays) >= calmShare*sureAt:
		upTo = last
	case Within(o.Curve, b.Days) >= calmShare*b.Raise:
		upTo = b.Days
	default:
		return o
	}
	rows, n = decidingRows(b.Days, policy.LeadDays, upTo)
	f.judge(rows[:n])
	o.Curve = f.curve()
	return o
}

// ruled writes into an outlook what the rule asks of a forecast.
func (f *forecast) ruled(o *Outlook) {
	o.Curve = f.curve()
	o.P0, o.Followed = f.now(), f.mem.followed(f.at)
	if f.mem.codeDay != 0 {
		o.CodeSet = f.mem.codeDay.start()
	}
	for i := range f.groups {
		x := &f.groups[i]
		if x.bank[modeDrop].w >= dropEnd || x.g.under > 0 {
			o.Parts = append(o.Parts, Part{Group: x.g.key, Dropped: x.bank[modeDrop].w, UnderService: int(x.g.under)})
		}
	}
}
