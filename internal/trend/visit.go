package trend

import (
	"fmt"
	"math"
	"slices"
	"time"

	"creepage/internal/insulation"
)

// look is what a visit shows of one group.
type look struct {
	key      GroupKey
	sights   []Sight
	readings []*insulation.Reading
	slips    []float64 // per reading: decades a slip of unit would explain, or 0
	exact    []bool    // it fits so well that nothing else is needed to tell
	sure     bool      // seen before and set aside as a slip: now it is believed
	together bool      // rows with all conductors tied, of a component with groups of its own
	// ln likelihood of the group's readings for each shift of the whole visit.
	evidence [len(visitShifts)]float64
}

// visitShifts are the offsets weighed for a whole visit, decades; the first is
// "nothing wrong". A damp day or dirty leads read low, a wrong factor either way.
var visitShifts = [...]float64{0, -1.6, -1.2, -0.9, -0.6, -0.35, 0.35, 0.6, 0.9}

// foldVisit folds the readings of one visit, all groups together, so that a
// visit that is off as a whole is recognised by what it does to all of them.
func (m *Model) foldVisit(mem *memory, p *insulation.Platform, d day, visit []*insulation.Reading) {
	looks := m.looksOf(mem, p, d, visit)
	for i := range looks {
		m.weighShifts(mem, &looks[i])
	}
	for i := range looks {
		l := &looks[i]
		good, shift := m.visitPrior(looks, i)
		if l.together {
			m.foldTogether(mem, p, d, l, good, shift)
			continue
		}
		g := mem.find(l.key)
		if by := mem.comesAgain(g, l); by > 0 {
			g.bank.fallen(by)
			l.sure, good = true, 1
		}
		believed := g.foldLook(m, l, good, shift)
		g.last = d
		g.readings += int32(len(l.sights))
		for j := range l.sights {
			g.reached(&l.sights[j], believed[j])
		}
		if m.noteDoubts(mem, l, believed, good) {
			mem.bearOut(l.key, d)
		}
		g.noteService(p, l)
	}
}

// looksOf sorts a visit's readings by group, brings those groups to the day,
// and sets aside what does not look like a reading.
func (m *Model) looksOf(mem *memory, p *insulation.Platform, d day, visit []*insulation.Reading) []look {
	var keys []GroupKey
	for _, r := range visit {
		k := visitKey(r)
		if !hasKey(keys, k) {
			keys = append(keys, k)
		}
	}
	sortKeys(keys)
	looks := make([]look, 0, len(keys))
	// Every reading is of one look: all of them share one piece of memory.
	sights, of := make([]Sight, 0, len(visit)), make([]*insulation.Reading, 0, len(visit))
	slips, exact := make([]float64, 0, len(visit)), make([]bool, 0, len(visit))
	for _, k := range keys {
		begin := len(sights)
		l := look{key: k, together: k.Conductor == Together && mem.hasOthers(k)}
		if k == wholeCold && !l.together {
			continue // no parts are known that it could tell of
		}
		var g *group
		if !l.together {
			g = mem.need(m, p, k, d)
			gap := int(d - g.unseenSince())
			g.bringTo(m.chainOf(p.ID, k), d)
			g.bank.boundHumidity()
			m.survive(mem, &g.bank, k, math.Log10(p.CodeLimit()), d, gap)
		}
		for _, r := range visit {
			if visitKey(r) != k {
				continue
			}
			s := m.sightOf(mem, p, r, k)
			m.checkTop(mem, r, &s)
			by, sure := 0.0, false
			if g != nil {
				by, sure = g.slipOf(&s)
			}
			sights, of, slips, exact = append(sights, s), append(of, r), append(slips, by), append(exact, sure)
		}
		l.sights, l.readings, l.slips, l.exact = sights[begin:], of[begin:], slips[begin:], exact[begin:]
		if len(l.sights) > 0 {
			looks = append(looks, l)
		}
	}
	return m.withoutSlips(mem, d, looks)
}

// slipOf returns the slip of a thousand that would explain a reading, or 0.
func (g *group) slipOf(s *Sight) (by float64, exact bool) {
	mean, variance := g.bank.seen(&s.H)
	by, exact = slip(s.Y, mean, variance, s.Noise)
	if s.Relation != seenEqual && !(s.Relation == seenAbove && by > 0) {
		return 0, false
	}
	return by, exact
}

// agree drops slips that neither fit exactly nor are shared by another
// component of the visit.
func agree(looks []look) {
	for i := range looks {
		l := &looks[i]
		for j, by := range l.slips {
			if by != 0 && !l.exact[j] && !slipsElsewhere(looks, l.key.Component, by) {
				l.slips[j] = 0
			}
		}
	}
}

// slipOfVisit returns the slip that a whole visit has made, or 0: more of its values lie nearer to their tracks undone than as they
// stand, the middle one at about the slip. Told is that two components share one that their tracks tell by themselves; where too little is
// known of any track, nearly all values of three components and more that have been looked at before must lie there. What the vehicle's own monitor
// bears out is none.
func slipOfVisit(mem *memory, d day, looks []look) (by float64, told bool) {
	for _, by := range [...]float64{-slipDecades, slipDecades} {
		stand, leak := 0, 0.0
		var undone, known []float64 // by how far those lie off their tracks
		var components []insulation.Component
		for i := range looks {
			l := &looks[i]
			if l.together {
				continue // a value of all conductors is held against no track
			}
			g := mem.find(l.key)
			for j := range l.sights {
				s := &l.sights[j]
				if s.Relation != seenEqual && l.slips[j] != by {
					continue
				}
				leak += math.Pow(10, -s.Y)
				mean, _ := g.bank.seen(&s.H)
				off := s.Y - mean
				if math.Abs(off-by) >= math.Abs(off) {
					stand++
					continue
				}
				undone = append(undone, off)
				if !g.looked() {
					continue
				}
				known = append(known, off)
				if !slices.Contains(components, l.key.Component) {
					components = append(components, l.key.Component)
				}
			}
		}
		if len(undone) == 0 || by < 0 && mem.reads(d) <= monitorAgrees-math.Log10(leak) {
			continue
		}
		if len(undone) > stand && math.Abs(median(undone)-by) <= slipMiddle && slices.ContainsFunc(looks, func(l look) bool {
			return slices.Contains(l.slips, by) && slipsElsewhere(looks, l.key.Component, by)
		}) {
			return by, true
		}
		if len(components) >= 3 && len(known) >= slipRows && stand*10 <= len(known) && math.Abs(median(known)-by) <= slipMiddle {
			return by, false
		}
	}
	return 0, false
}

const (
	slipMiddle    = 0.7 // decades about the slip in which the middle value of a visit that has slipped lies, and
	slipNear      = 1.2 // by which a value of it falls short of the slip at most
	slipRows      = 4   // values at least of a visit that has slipped though none of its tracks tells
	monitorAgrees = 0.8 // decades above all of a visit's values in parallel up to which the vehicle's own monitor bears them out
)

// reads is the latest value of the vehicle's own monitor, log10 ohm, if it is followed; else no limit.
func (m *memory) reads(d day) float64 {
	least := math.Inf(1)
	for i := range m.groups {
		if g := &m.groups[i]; g.key.Whole() && g.dips.day != 0 && d-g.dips.day <= followDays {
			least = min(least, g.dips.last)
		}
	}
	return least
}

// slipAll takes the slip of the whole visit for what lies nearer to its track undone than as it
// stands, also where too little is known of the track to tell by itself.
func (m *Model) slipAll(mem *memory, looks []look, by float64) {
	for i := range looks {
		l := &looks[i]
		g := mem.find(l.key)
		if g == nil {
			continue
		}
		for j := range l.slips {
			s := &l.sights[j]
			if l.slips[j] != 0 || s.Relation != seenEqual {
				continue
			}
			mean, _ := g.bank.seen(&s.H)
			if (s.Y-mean)/by >= 1-slipNear/slipDecades { // one of which only bounds were known lies farther off than the slip
				l.slips[j] = by
			}
		}
	}
}

// Two looks that lie deep below a track, by so many decades at least, at two visits an hour and more apart, are believed, however unlikely
// a fall so deep was. What the later one shows is then known to so many decades before it is folded.
const (
	deepLook = 4.0
	deepSD   = 0.7
)

// comesAgain returns by how many decades a look lies below its track, if it lies deep and one of a visit before, as
// deep, was doubted, which then is doubted no more; else 0.
func (m *memory) comesAgain(g *group, l *look) float64 {
	s := middleSight(l.sights)
	if s.Relation == seenAbove {
		return 0
	}
	mean, _ := g.bank.seen(&s.H)
	if mean-s.Y < deepLook {
		return 0
	}
	first := l.begun()
	for i := range m.doubts {
		x := &m.doubts[i]
		if x.Group == l.key && !x.SetAside && first.Sub(x.MeasuredAt).Abs() >= visitLasts && mean-math.Log10(x.Ohms) >= deepLook {
			m.doubts = slices.Delete(m.doubts, i, i+1)
			return mean - s.Y
		}
	}
	return 0
}

// begun is when the first of its readings was taken.
func (l *look) begun() time.Time {
	return slices.MinFunc(l.readings, func(a, b *insulation.Reading) int { return a.MeasuredAt.Compare(b.MeasuredAt) }).MeasuredAt
}

// fallen makes a bank one of a track that has dropped by about so many decades.
func (b *bank) fallen(by float64) {
	b.widen(deepSD, 0)
	for k := range b {
		b[k].Mean[0] -= by
	}
	w := b[modeDrop].w
	if w >= 0.5 {
		return
	}
	for k := range b {
		b[k].w *= 0.5 / (1 - w)
	}
	b[modeDrop].w = 0.5
}

// slipped is how many of its readings slips would explain.
func (l *look) slipped() int {
	n := 0
	for _, by := range l.slips {
		if by != 0 {
			n++
		}
	}
	return n
}

func slipsElsewhere(looks []look, c insulation.Component, by float64) bool {
	for i := range looks {
		if looks[i].key.Component != c && slices.Contains(looks[i].slips, by) {
			return true
		}
	}
	return false
}

// withoutSlips sets aside what slips of unit explain. A whole visit slips, or most of it, or
// a single entry: readings of one component that agree among themselves, in a visit whose other
// components read as ever, have really changed. A slip that comes again in the next
// look, an hour later or more, is believed, and then without doubt.
func (m *Model) withoutSlips(mem *memory, d day, looks []look) []look {
	agree(looks)
	whole, told := slipOfVisit(mem, d, looks)
	cause := SlipOfUnit
	if told {
		cause = SlipOfVisit
	}
	if whole != 0 {
		m.slipAll(mem, looks, whole)
	}
	if !slices.ContainsFunc(looks, func(l look) bool { return l.slipped() > 0 }) {
		for i := range looks {
			looks[i].sure = mem.slippedOn(d, &looks[i])
		}
		return looks
	}
	all := slices.Clone(looks)
	kept := looks[:0]
	for _, l := range all {
		n := l.slipped()
		if n == 0 || whole == 0 && n >= 2 && n == len(l.slips) && othersRead(all, l.key.Component) {
			l.sure = mem.slippedOn(d, &l)
			kept = append(kept, l)
			continue
		}
		g := mem.find(l.key)
		again, aside := mem.slippedBefore(g, d, &l), 0.0
		var rest look
		rest.key, rest.together = l.key, l.together
		for j, by := range l.slips {
			if by != 0 && !(again && g.slipBy == int8(by)) {
				r := l.readings[j]
				mean, _ := g.bank.seen(&l.sights[j].H)
				mem.doubted(Doubt{ReadingID: r.ID, MeasuredAt: r.MeasuredAt, Group: g.key, Ohms: r.Ohms, SetAside: true, Cause: cause, Reason: slipReason(by, mean, whole != 0)})
				aside = by
				continue
			}
			rest.sure = rest.sure || by != 0
			rest.sights = append(rest.sights, l.sights[j])
			rest.readings = append(rest.readings, l.readings[j])
		}
		g.slipDay = 0
		if aside != 0 {
			g.slipDay, g.slipBy = d, int8(aside)
		}
		if len(rest.sights) > 0 {
			kept = append(kept, rest)
		}
	}
	return kept
}

// slippedBefore says whether a slip of a group was set aside at a visit not long before this look.
func (m *memory) slippedBefore(g *group, d day, l *look) bool {
	if g.slipDay == 0 || d-g.slipDay > slipRepeatDays {
		return false
	}
	if g.slipDay != d {
		return true
	}
	begun := l.begun()
	return slices.ContainsFunc(m.doubts, func(x Doubt) bool {
		return x.Group == g.key && x.Cause.slip() && dayOf(x.MeasuredAt) == d && begun.Sub(x.MeasuredAt) >= visitLasts
	})
}

// slippedOn says whether a look that is not taken for a slip shows what was set aside as one before: it is believed then. If it does not, that
// slip is over, for what comes again has to come without others between.
func (m *memory) slippedOn(d day, l *look) bool {
	g := m.find(l.key)
	if g == nil || g.slipDay == 0 || l.together {
		return false
	}
	s := middleSight(l.sights)
	if s.Relation != seenEqual {
		return false
	}
	again := m.slippedBefore(g, d, l)
	mean, _ := g.bank.seen(&s.H)
	again = again && math.Abs(s.Y-mean-float64(g.slipBy)) <= slipNear
	g.slipDay = 0
	return again
}

// othersRead says whether a visit holds a value of another component that is no slip.
func othersRead(looks []look, c insulation.Component) bool {
	for i := range looks {
		l := &looks[i]
		if l.key.Component == c || l.key.Component == insulation.System {
			continue
		}
		for j, by := range l.slips {
			if by == 0 && l.sights[j].Relation == seenEqual {
				return true
			}
		}
	}
	return false
}

// wholeCold is the whole circuit read by a tester, de-energised and cold: not
// the track of what the monitor sees at work, but the parallel of all parts.
var wholeCold = GroupKey{insulation.System, Together}

// visitKey returns the group a visit's reading shows.
func visitKey(r *insulation.Reading) GroupKey {
	if r.Component == insulation.System && r.Method == insulation.Tester {
		return wholeCold
	}
	return GroupOf(r.Component, r.Conductor, r.Quantity)
}

// covers says whether a row of key k, all conductors tied, shows group o among others.
func (k GroupKey) covers(o GroupKey) bool {
	if k == wholeCold {
		return !o.Whole()
	}
	return o.Component == k.Component && o.Conductor != Together
}

// hasOthers says whether a component has groups besides the one for all conductors tied together.
func (m *memory) hasOthers(k GroupKey) bool {
	for i := range m.groups {
		if k.covers(m.groups[i].key) {
			return true
		}
	}
	return false
}

// checkTop makes a value at the top of its meter's range a bound.
func (m *Model) checkTop(mem *memory, r *insulation.Reading, s *Sight) {
	if s.Relation != seenEqual {
		return
	}
	if r.RangeOhms > 0 && r.Ohms >= 0.995*r.RangeOhms {
		s.Relation = seenAbove
		return
	}
	name := r.Meter
	if name == "" {
		name = r.Shop
	}
	if top := mem.meter(name); top != nil {
		top.add(r.Level(), 1)
		if top.at(r.Level()) {
			s.Relation = seenAbove
		}
	}
}

func slipReason(by, mean float64, visit bool) string {
	far := "a thousandth of"
	if by > 0 {
		far = "a thousand times"
	}
	like := ""
	if visit {
		like = ", as most of this visit is"
	}
	return fmt.Sprintf("%s what this track shows (%s)%s: looks like a slip of unit; if it comes again it is believed", far, Ohms(math.Pow(10, mean)), like)
}

func doubtReason(level, mean float64) string {
	d := level - mean
	if d < 0 {
		return fmt.Sprintf("reads %.1f decades below the track; one such reading is doubted, a second believed", -d)
	}
	return fmt.Sprintf("reads %.1f decades above the track; one such reading is doubted, a second believed", d)
}

// weighShifts computes the likelihood of one group's readings, taken as their
// median, for each shift of the whole visit. Any one group can be at fault by
// itself, so what it says of the visit is bounded.
func (m *Model) weighShifts(mem *memory, l *look) {
	g := mem.find(l.key)
	if g == nil || l.together {
		return
	}
	ps := &m.params
	s := middleSight(l.sights)
	h := s.H
	h[3] = 0
	noise := s.Noise/math.Sqrt(float64(len(l.sights))) + ps.VisitSD*ps.VisitSD
	if s.Relation == seenBelow {
		return
	}
	var lik [len(visitShifts)]float64
	for k := range g.bank {
		x := &g.bank[k]
		if x.w < 1e-7 {
			continue
		}
		mu, _, v := x.project(&h)
		v += noise
		if s.Relation == seenAbove {
			sd := math.Sqrt(v)
			for i, shift := range visitShifts {
				if z := (mu + shift - s.Y) / sd; z > farTail {
					lik[i] += x.w
				} else if z > -farTail {
					lik[i] += x.w * normalCDF(z)
				}
			}
			continue
		}
		ln := math.Log(v)
		for i, shift := range visitShifts {
			d := s.Y - (mu + shift)
			if z2 := d * d / v; z2 < farTail*farTail {
				lik[i] += x.w * math.Exp(-0.5*(z2+ln)-lnSqrt2Pi)
			}
		}
	}
	const floor = 0.02
	for i := range lik {
		l.evidence[i] = math.Log(lik[i] + floor)
	}
}

// farTail is in how many standard deviations a normal tail, 2e-19, is lost in
// the rounding of what it would be added to.
const farTail = 9

// middleSight returns the median of a group's sights, values before bounds.
func middleSight(sights []Sight) Sight {
	if len(sights) == 1 {
		return sights[0]
	}
	values := make([]Sight, 0, len(sights))
	for _, s := range sights {
		if s.Relation == seenEqual {
			values = append(values, s)
		}
	}
	if len(values)*2 <= len(sights) {
		return sights[0]
	}
	slices.SortStableFunc(values, func(a, b Sight) int {
		switch {
		case a.Y < b.Y:
			return -1
		case a.Y > b.Y:
			return 1
		}
		return 0
	})
	return values[(len(values)-1)/2]
}

// visitPrior returns the chance that the visit is good, and the shift if it is
// not, as all other groups of the visit see it.
func (m *Model) visitPrior(looks []look, except int) (good float64, shift Normal) {
	ps := &m.params
	var ln [len(visitShifts)]float64
	ln[0] = math.Log(1 - ps.BadVisit)
	total := 0.0
	for i := 1; i < len(visitShifts); i++ {
		z := (visitShifts[i] - ps.BadVisitShift.Mean) / ps.BadVisitShift.SD
		ln[i] = -0.5 * z * z
		total += math.Exp(ln[i])
	}
	for i := 1; i < len(visitShifts); i++ {
		ln[i] += math.Log(ps.BadVisit / total)
	}
	top := math.Inf(-1)
	for i := range ln {
		for j := range looks {
			if j != except {
				ln[i] += looks[j].evidence[i]
			}
		}
		top = max(top, ln[i])
	}
	var sum, bad, first, second float64
	for i := range ln {
		w := math.Exp(ln[i] - top)
		sum += w
		if i > 0 {
			bad += w
			first += w * visitShifts[i]
			second += w * visitShifts[i] * visitShifts[i]
		}
	}
	const gridVar = 0.15 * 0.15 // of a shift between two grid points
	shift = Normal{Mean: first / bad, SD: math.Sqrt(max(second/bad-first*first/(bad*bad), 0) + gridVar)}
	return 1 - bad/sum, shift
}

// foldLook folds a group's readings of one visit, as a mixture of a good visit
// and a bad one, and returns how far each reading was believed, given a good one.
func (g *group) foldLook(m *Model, l *look, good float64, shift Normal) []float64 {
	tau := m.params.VisitSD * m.params.VisitSD
	believed := make([]float64, len(l.sights))
	fair := g.bank
	lnFair := fair.visit(m, l, Normal{0, math.Sqrt(tau)}, believed)
	if good > 0.999 {
		g.bank = fair
		return believed
	}
	foul := g.bank
	lnFoul := foul.visit(m, l, Normal{shift.Mean, math.Sqrt(shift.SD*shift.SD + tau)}, nil)
	odds := math.Exp(math.Min(math.Log(1-good)-math.Log(max(good, 1e-12))+lnFoul-lnFair, 700))
	a := 1 / (1 + odds)
	g.bank.mix(&fair, &foul, a)
	for i := range believed {
		believed[i] *= a
	}
	return believed
}

// visit folds all sights with an offset of the visit that they share, and
// drops the offset again. It returns ln of their likelihood.
func (b *bank) visit(m *Model, l *look, offset Normal, believed []float64) float64 {
	for k := range b {
		b[k].Mean[3] = offset.Mean
		b[k].Cov[covVV] = offset.SD * offset.SD
		b[k].Cov[covLV], b[k].Cov[covUV], b[k].Cov[covBV] = 0, 0, 0
	}
	ln := 0.0
	for i := range l.sights {
		logL, said := b.update(&l.sights[i], l.doubt(m))
		ln += logL
		if believed != nil {
			believed[i] = said
		}
	}
	for k := range b {
		b[k].Mean[3] = 0
		b[k].Cov[covLV], b[k].Cov[covUV], b[k].Cov[covBV], b[k].Cov[covVV] = 0, 0, 0, 0
	}
	return ln
}

// doubt is the mixture a look's readings are weighed with.
func (l *look) doubt(m *Model) *doubt {
	if l.sure {
		return &m.sureDoubt
	}
	return &m.doubt
}

// mix makes b the mixture a*x + (1-a)*y, mode by mode, by moments.
func (b *bank) mix(x, y *bank, a float64) {
	for k := range b {
		wx, wy := a*x[k].w, (1-a)*y[k].w
		w := wx + wy
		b[k].mixModes(&x[k].Gaussian, &y[k].Gaussian, wx/w)
		b[k].w = w
	}
}

// mixModes sets g to a*x + (1-a)*y by moments.
func (g *Gaussian) mixModes(x, y *Gaussian, a float64) {
	var d [Dim]float64
	for i := range d {
		d[i] = x.Mean[i] - y.Mean[i]
		g.Mean[i] = y.Mean[i] + a*d[i]
	}
	n := 0
	for i := range Dim {
		for j := i; j < Dim; j++ {
			g.Cov[n] = a*x.Cov[n] + (1-a)*y.Cov[n] + a*(1-a)*d[i]*d[j]
			n++
		}
	}
}

// noteDoubts notes the readings of a look that are not believed, and says whether another of them is.
func (m *Model) noteDoubts(mem *memory, l *look, believed []float64, good float64) (sound bool) {
	for i, r := range l.readings {
		s := &l.sights[i]
		if believed[i] >= doubtNoted || s.Relation == seenAbove {
			sound = sound || believed[i] >= 0.5 && s.Relation != seenBelow
			continue
		}
		g := mem.find(l.key)
		mean, _ := g.bank.seen(&s.H)
		if s.Relation == seenBelow && mean < s.Y {
			continue
		}
		cause, reason := OffTrack, doubtReason(s.Y, mean)
		if good < 0.5 {
			cause, reason = OffVisit, "the whole visit reads off: "+reason
		}
		mem.doubted(Doubt{ReadingID: r.ID, MeasuredAt: r.MeasuredAt, Group: l.key, Ohms: r.Ohms, Weight: believed[i], Cause: cause, Reason: reason})
	}
	return sound
}

// bearOut notes with the doubts of a group's day that another reading of the day bears its track out.
func (m *memory) bearOut(k GroupKey, d day) {
	for i := range m.doubts {
		if x := &m.doubts[i]; x.Group == k && dayOf(x.MeasuredAt) == d && x.standsAlone() {
			x.BorneOut = true
			x.Reason += "; another reading of that day bears the track out"
		}
	}
}

// noteService counts comparable readings in a row under the service limit.
func (g *group) noteService(p *insulation.Platform, l *look) {
	for i, r := range l.readings {
		pt := p.Point(r.Component, r.Conductor, r.Reference)
		if pt == nil || pt.LimitOhms <= 0 || r.Method != insulation.Tester || r.HoldSeconds < 30 {
			continue
		}
		switch {
		case l.sights[i].Relation != seenAbove && r.Ohms < pt.LimitOhms:
			g.under++
			g.underOhms, g.underBound = r.Ohms, r.Relation == insulation.Below
		case l.sights[i].Relation != seenBelow && r.Ohms >= pt.LimitOhms:
			g.under = 0
		}
	}
}

// foldTogether folds a row with all conductors of a component tied together,
// or of the whole cold circuit, into the groups it covers: it shows their
// parallel. Each is at least that good; the one that carries the leak shows it.
// Of the whole circuit, what is in it besides the groups may carry it too.
func (m *Model) foldTogether(mem *memory, p *insulation.Platform, d day, l *look, good float64, shift Normal) {
	var members []*group
	for i := range mem.groups {
		g := &mem.groups[i]
		if l.key.covers(g.key) {
			g.bringTo(m.chainOf(p.ID, g.key), d)
			members = append(members, g)
		}
	}
	s := middleSight(l.sights)
	s.H[3] = 0
	s.Noise = s.Noise/math.Sqrt(float64(len(l.sights))) + m.params.VisitSD*m.params.VisitSD + (1-good)*(shift.Mean*shift.Mean+shift.SD*shift.SD)
	if s.Relation == seenBelow { // it lies somewhere below
		s.Relation, s.Y, s.Noise = seenEqual, s.Y-0.3, s.Noise+0.3*0.3
	}
	// The share of each as the leak's carrier: the density of its lying at the
	// value over the chance of its lying above, as the parallel of many unlike
	// parts is about the least of them. A wrong row asks nothing of any.
	carriers := make([]float64, len(members))
	total, allAbove := 0.0, 1.0
	for i, g := range members {
		density, above := g.bank.holding(&s.H, s.Y, s.Noise)
		carriers[i] = density / above
		total += carriers[i]
		allAbove *= above
	}
	leaks, leak := make([]float64, len(members)), 0.0
	for i, g := range members {
		mean, _ := g.bank.seen(&s.H)
		leaks[i] = math.Pow(10, -mean)
		leak += leaks[i]
	}
	own := 0.0
	if l.key == wholeCold {
		mem.rest.bringTo(d)
		leak += math.Pow(10, -mem.rest.level)
		density, above := mem.rest.holding(s.Y, s.Noise)
		own = density / above
		total += own
		allAbove *= above
	}
	total += wrongRow / max(allAbove, 1e-9)
	if l.key == wholeCold {
		mem.rest.fold(&s, own/total, m.params.FalseAbove)
	}
	for i, g := range members {
		bound := s
		bound.Relation = seenAbove
		bounded := g.bank
		bounded.update(&bound, &m.doubt)
		share := carriers[i] / total
		if s.Relation != seenEqual || share < 1e-3 {
			g.bank = bounded
		} else {
			// What the others leak is not the carrier's.
			own := s
			theirs := leak - leaks[i]
			own.Y = -math.Log10(max(math.Pow(10, -s.Y)-theirs, leastOwn*math.Pow(10, -s.Y)))
			own.Noise += square(own.Y-s.Y) + 0.05*0.05
			alone := g.bank
			alone.update(&own, &m.sureDoubt) // that the row is wrong is weighed among the carriers
			g.bank.mix(&alone, &bounded, share)
		}
		if l.key != wholeCold {
			g.last = d
			g.readings += int32(len(l.sights))
		}
	}
}

// leastOwn is the least share of a parallel's conductance that its carrier is taken to have.
const leastOwn = 0.4

// wrongRow is the density, per decade, of a wrong row at the value it shows (judgement).
const wrongRow = 0.02

// holding returns the density of H x at y and the probability of lying above
// it: together, how readily this group is the one that holds a parallel at y.
func (b *bank) holding(h *[Dim]float64, y, noise float64) (density, above float64) {
	for k := range b {
		if b[k].w < 1e-9 {
			continue
		}
		mu, _, v := b[k].project(h)
		v += noise
		density += b[k].w * math.Exp(logNormalPDF(y, mu, v))
		above += b[k].w * normalCDF((mu-y)/math.Sqrt(v))
	}
	return density, max(above, leastAbove)
}

// leastAbove keeps a group that surely lies below a value from a division by zero.
const leastAbove = 1e-9
