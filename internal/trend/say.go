package trend

import (
	"math"
	"time"

	"creepage/internal/insulation"
)

// limits of what an outlook calls what.
const (
	fallingAt = 0.5  // weight of everything that gets worse
	namedAt   = 0.01 // raw probability from which a component is named
	underAt   = 0.5
)

// allHorizons returns the indices of every horizon.
func allHorizons() []int {
	rows := make([]int, numHorizons)
	for h := range rows {
		rows[h] = h
	}
	return rows
}

// Outlook says what is expected of the vehicle at a time not before its last
// entry. It reads nothing but its arguments and changes none of them.
func (m *Model) Outlook(v *Vehicle, p *insulation.Platform, at time.Time) Outlook {
	if v.open == 0 {
		o := nothingKnown(v, m, at)
		o.Missing = missing(p, &v.now)
		o.Account.What = "Nothing has been measured yet"
		return o
	}
	f := m.forecastAt(v, p, at, allHorizons())
	defer f.done()
	o, limiting := f.figures(v, p, at)
	f.bands(o.Parts)
	o.Missing = missing(p, &v.now)
	o.Doubts = append([]Doubt(nil), v.now.doubts...)
	if d := v.now.defectDay; d != 0 && f.at-d < monitorDefectDays {
		o.MonitorDefect = d.start()
	}
	m.measureAgain(&o, f)
	o.Account = f.account(&o, limiting)
	return o
}

// Figures is Outlook without what only a reader needs: no bands, no doubts, no
// names of what is missing, no advice and no sentence. All else is the same to
// the bit. A replay that writes a hundred thousand outlooks as rows asks for it.
func (m *Model) Figures(v *Vehicle, p *insulation.Platform, at time.Time) Outlook {
	if v.open == 0 {
		return nothingKnown(v, m, at)
	}
	f := m.forecastAt(v, p, at, allHorizons())
	defer f.done()
	o, _ := f.figures(v, p, at)
	return o
}

// nothingKnown is the outlook of a vehicle without entries.
func nothingKnown(v *Vehicle, m *Model, at time.Time) Outlook {
	return Outlook{Vehicle: v.id, EvaluatedAt: at, Version: m.params.Version, State: Unknown,
		DaysP10: math.NaN(), DaysP50: math.NaN(), DaysP90: math.NaN()}
}

// figures reads the numbers off a forecast, and which group limits.
func (f *forecast) figures(v *Vehicle, p *insulation.Platform, at time.Time) (o Outlook, limiting int) {
	m := f.model
	o = nothingKnown(v, m, at)
	o.Raw30, o.Raw90 = f.raw[horizon30], f.raw[horizon90]
	o.Curve = f.curve()
	o.Watched, o.Dropped, o.Followed = f.watched(), f.dropped, f.mem.followed(f.at)
	o.P0 = f.now()
	o.P30, o.P90 = Within(o.Curve, 30), Within(o.Curve, 90)
	o.DaysP10, o.DaysP50, o.DaysP90 = codeDays(o.Curve)
	o.Parts = f.parts(p)
	if v.now.codeDay != 0 {
		o.CodeSet = v.now.codeDay.start()
	}
	limiting = f.nameLimiting(&o)
	o.State = f.state(&o)
	if f.unsettled, f.unsettledBy = f.findUnsettled(o.Parts); f.unsettled >= 0 && (o.State == Steady || o.State == Unknown) {
		o.State, o.Unsettled = Unknown, f.unsettledBy
	}
	return o, limiting
}

// now is the chance that the whole lies below the code limit at this time.
func (f *forecast) now() float64 { return f.raw[0] }

// state puts an outlook in one word.
func (f *forecast) state(o *Outlook) State {
	if !o.CodeSet.IsZero() || o.P0 >= underAt {
		return Under
	}
	if b := f.model.params.bounds(&usualPolicy, o.Followed); b.raise(Within(o.Curve, b.Days), Within(o.Curve, usualPolicy.LeadDays)) {
		return Due
	}
	for i := range f.groups {
		x := &f.groups[i]
		if x.g.readings > 0 && x.bank.share(modeDecline, modeBetter) >= fallingAt {
			return Falling
		}
	}
	if f.knows() < 0.3 {
		return Unknown
	}
	return Steady
}

// findUnsettled returns the index of the group whose last look is doubted for what would be a fault were it believed,
// a value below its service limit (the code limit where it has none): the one that lies lowest by that, and the doubt. It is -1 if there is none.
func (f *forecast) findUnsettled(parts []Part) (best int, by Doubt) {
	best, least := -1, 1.0
	for i := range f.groups {
		g := f.groups[i].g
		if g.key.Whole() {
			continue
		}
		limit := parts[i].ServiceLimit
		if limit == 0 {
			limit = math.Pow(10, f.limit)
		}
		for j := range f.mem.doubts {
			x := &f.mem.doubts[j]
			if x.Group == g.key && g.doubtedLast(x) && x.Ohms/limit < least && x.standsAlone() {
				best, by, least = i, *x, x.Ohms/limit
			}
		}
	}
	return best, by
}

// standsAlone says whether a doubt is of a reading that nothing else of its day speaks for or against: it is none of what can be no
// reading, none of a visit whose unit has slipped, and no other reading of the day bears the track out.
func (x *Doubt) standsAlone() bool {
	return !x.BorneOut && (x.Cause == OffTrack || x.Cause == OffVisit || x.Cause == SlipOfUnit)
}

// doubtedLast says whether a doubted reading of a group is of the last look at it; of one set aside, whether nothing of
// that look was kept.
func (g *group) doubtedLast(x *Doubt) bool {
	d := dayOf(x.MeasuredAt)
	return d > g.last || d == g.last && !x.SetAside
}

// knows is the share of the vehicle's parts that were ever measured; all of it
// when the whole is.
func (f *forecast) knows() float64 {
	seen, all := 0, 0
	for i := range f.groups {
		g := f.groups[i].g
		if g.key.Whole() {
			if g.readings >= 2 {
				return 1
			}
			continue
		}
		all++
		if g.readings > 0 {
			seen++
		}
	}
	if all == 0 {
		return 0
	}
	return float64(seen) / float64(all)
}

// nameLimiting writes into an outlook which component limits, if one can be named, and how much
// hangs on it. It returns the group most likely to bring the code about within 90 days, or -1.
func (f *forecast) nameLimiting(o *Outlook) int {
	if f.raw[horizon90] < namedAt {
		return -1
	}
	score := f.scores(horizon90)
	best, total := -1, 0.0
	for i, s := range score {
		total += s
		if s > 0 && (best < 0 || s > score[best]) {
			best = i
		}
	}
	if best < 0 {
		return -1
	}
	o.Limiting = f.groups[best].g.key.Component
	for i, s := range score {
		if f.groups[i].g.key.Component == o.Limiting {
			o.LimitingShare += s / total
		}
	}
	return best
}

// scores returns for each group the chance within a horizon that hangs on it. What the
// whole's own track says goes to the parts by how readily each could be the one that
// holds the whole where it is.
func (f *forecast) scores(h int) []float64 {
	score := make([]float64, len(f.groups))
	for i := range f.groups {
		if x := &f.groups[i]; !x.g.key.Whole() {
			score[i] = x.p[h]
		}
	}
	if f.whole < 0 {
		return score
	}
	w := &f.groups[f.whole]
	sight := [Dim]float64{1, -w.damp, -w.hot[0], 0}
	level, variance := w.bank.seen(&sight)
	total := 0.0
	ready := make([]float64, len(f.groups))
	for i := range f.groups {
		x := &f.groups[i]
		if x.g.key.Whole() {
			continue
		}
		own := [Dim]float64{1, -x.damp, -x.hot[0], 0}
		density, above := x.bank.holding(&own, level, variance+0.1*0.1)
		ready[i] = density / above
		total += ready[i]
	}
	if total > 0 {
		for i := range ready {
			score[i] += w.p[h] * ready[i] / total
		}
	}
	return score
}

// parts describes every group, but for the bands.
func (f *forecast) parts(p *insulation.Platform) []Part {
	out := make([]Part, 0, len(f.groups))
	code := math.Pow(10, -f.limit)
	for i := range f.groups {
		x := &f.groups[i]
		g, b := x.g, &x.bank
		part := Part{Group: g.key,
			Steady: b[modeStable].w, Declining: b.share(modeDecline, modeDamp), Damp: b.share(modeDamp, modeDrop),
			Dropped: b[modeDrop].w, Better: b[modeBetter].w, P90: x.p[horizon90], Readings: int(g.readings),
			ServiceLimit: serviceLimit(p, g.key), UnderService: int(g.under), LastUnderOhms: g.underOhms, UnderBound: g.underBound}
		part.Decline, part.DeclineSD = b.decline(&f.model.params, x.damp)
		part.Share = math.Pow(10, -x.mean[horizon90]) / code
		if g.last != 0 {
			part.LastMeasured = g.last.start()
		}
		if g.sinceDay != 0 {
			part.Since, part.From = g.sinceDay.start(), math.Pow(10, g.from.Mean)
		}
		out = append(out, part)
	}
	return out
}

// bands puts the quantiles of the groups' levels into their parts.
func (f *forecast) bands(parts []Part) {
	for i := range f.groups {
		x := &f.groups[i]
		sight := [Dim]float64{1, -x.damp, -x.hot[horizon90], 0}
		parts[i].LevelNow, parts[i].Operating = x.bank.band(f.model.tail, &levelOnly), x.bank.band(f.model.tail, &sight)
	}
}

// band returns the 10, 50 and 90 % quantiles of what a sight would show, in ohm.
func (b *bank) band(t *tail, h *[Dim]float64) Band {
	x := b.seenAs(h)
	return Band{math.Pow(10, x.quantile(t, 0.1)), math.Pow(10, x.quantile(t, 0.5)), math.Pow(10, x.quantile(t, 0.9))}
}

// decline returns the expected fall in decades per 30 days and its spread.
func (b *bank) decline(p *Params, damp float64) (mean, sd float64) {
	var first, second float64
	for k := range b {
		dl, du, _, _ := p.drift(k)
		s := 30 * (du*damp - dl)
		first += b[k].w * s
		second += b[k].w * s * s
	}
	return first, math.Sqrt(max(second-first*first, 0))
}

// missing names the platform's groups that were never measured.
func missing(p *insulation.Platform, mem *memory) []string {
	var out []string
	for _, k := range platformGroups(p) {
		if g := mem.find(k); g == nil || g.readings == 0 {
			out = append(out, k.words())
		}
	}
	return out
}
