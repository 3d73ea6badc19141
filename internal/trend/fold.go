package trend

import (
	"math"
	"slices"
	"time"

	"creepage/internal/insulation"
)

// fold folds one whole day's entries into a memory that stands before it.
func (m *Model) fold(mem *memory, p *insulation.Platform, d day, o *openDay) {
	mem.prepare(m, p, d)
	mem.day = d
	for i := range o.garbage {
		mem.doubted(o.garbage[i])
	}
	mem.aside += int32(o.dropped)
	m.learnAir(mem, d, o)
	m.foldCodes(mem, p, d, o.codes)
	// Events cut the day: what was measured before one saw the old part.
	readings := o.readings
	for i := range o.events {
		at := o.events[i].OccurredAt
		n := 0
		for n < len(readings) && readings[n].MeasuredAt.Before(at) {
			n++
		}
		m.foldVisits(mem, p, d, readings[:n])
		readings = readings[n:]
		m.foldEvent(mem, p, d, &o.events[i])
	}
	m.foldVisits(mem, p, d, readings)
	if len(o.events) > 0 {
		return // the monitor's rows of that day may belong to before or after: the next day tells
	}
	for q := range o.monitor {
		if o.monitor[q].rows > 0 {
			m.foldMonitor(mem, p, d, q, &o.monitor[q])
		}
	}
}

// learnAir takes the day's temperatures and humidities into the vehicle's climate.
func (m *Model) learnAir(mem *memory, d day, o *openDay) {
	last := time.Time{}
	for i := range o.readings {
		r := &o.readings[i]
		if r.MeasuredAt.Sub(last) < time.Hour {
			continue // one visit, one look at the air
		}
		if sensible(r.AirCelsius) || r.HumidityPct >= 0 {
			last = r.MeasuredAt
			mem.shop.addCelsius(&m.params, d, r.AirCelsius)
			mem.shop.addHumidity(r.HumidityPct)
		}
	}
	for q := range o.monitor {
		if o.monitor[q].rows > 0 {
			mem.road.addCelsius(&m.params, d, o.monitor[q].celsius.mean(climateUnit))
			mem.road.addHumidity(o.monitor[q].rh.mean(climateUnit))
		}
	}
}

// IsolationCode says whether a code is an isolation fault of the circuit
// (SAE J2012: P0AA6 battery voltage system isolation; P0DAA charging system isolation).
func IsolationCode(code string) bool { return code == "P0AA6" || code == "P0DAA" }

// MonitorDefectCode says whether a code is a defect of the isolation sensor
// itself (SAE J2012: P0AA7 to P0AAB). It is never a fault of the insulation.
func MonitorDefectCode(code string) bool {
	switch code {
	case "P0AA7", "P0AA8", "P0AA9", "P0AAA", "P0AAB":
		return true
	}
	return false
}

func (m *Model) foldCodes(mem *memory, p *insulation.Platform, d day, codes []insulation.Code) {
	for i := range codes {
		switch {
		case IsolationCode(codes[i].Code):
			mem.codeDay = d
		case MonitorDefectCode(codes[i].Code):
			mem.defectDay = d
		}
	}
}

// foldEvent starts a component's tracks anew, wholly or in part.
func (m *Model) foldEvent(mem *memory, p *insulation.Platform, d day, e *insulation.Event) {
	ps := &m.params
	mem.codeDay = 0
	if e.Component == insulation.System || e.Component == insulation.Battery {
		mem.defectDay = 0
	}
	if e.Kind != insulation.Cleaned { // what was doubted of the part that was there says nothing of the one that is
		mem.doubts = slices.DeleteFunc(mem.doubts, func(x Doubt) bool {
			return !x.Group.Whole() && (x.Group.Component == e.Component || e.Component == insulation.System)
		})
	}
	for i := range mem.groups {
		g := &mem.groups[i]
		switch {
		case g.key.Whole():
			g.bringTo(m.chainOf(p.ID, g.key), d)
			g.disturb(ps)
		case g.key.Component != e.Component && e.Component != insulation.System:
		case e.Kind == insulation.Replaced:
			g.restart(m, p, d, 1)
		case e.Kind == insulation.Repaired:
			g.restart(m, p, d, ps.RepairedSpread)
		case e.Kind == insulation.Cleaned:
			g.bringTo(m.chainOf(p.ID, g.key), d)
			g.bank.widen(ps.CleanedLevel, ps.CleanedU)
		}
	}
}

// disturb widens a whole vehicle's track after something was done to a part:
// where it stands now is open, and what went on before need not go on.
func (g *group) disturb(ps *Params) {
	mean, variance := g.bank.seen(&levelOnly)
	fresh := newBank(ps, Normal{mean, math.Sqrt(variance)}, ps.Humidity, ps.Temperature)
	for k := range g.bank {
		x := &g.bank[k]
		x.w = 0.2*x.w + 0.8*fresh[k].w
		if k >= modeDecline {
			x.Mean[0] = mean
		}
	}
	g.bank.widen(ps.EventWhole, 0)
	g.ratio, g.dips, g.wander.lean = 1, dips{}, 0
	g.sinceDay, g.from = 0, Normal{}
	g.steadyDay, g.steady = g.day, g.bank.steady()
}

// foldVisits divides readings in canonical order into visits and folds each:
// by visit id, else by shop.
func (m *Model) foldVisits(mem *memory, p *insulation.Platform, d day, readings []insulation.Reading) {
	if len(readings) == 0 {
		return
	}
	same := func(a, b *insulation.Reading) bool {
		if a.Visit != "" || b.Visit != "" {
			return a.Visit == b.Visit
		}
		return a.Shop == b.Shop
	}
	done := make([]bool, len(readings))
	visit := make([]*insulation.Reading, 0, len(readings))
	for i := range readings {
		if done[i] {
			continue
		}
		visit = visit[:0]
		for j := i; j < len(readings); j++ {
			if !done[j] && same(&readings[i], &readings[j]) {
				visit = append(visit, &readings[j])
				done[j] = true
			}
		}
		m.foldVisit(mem, p, d, visit)
	}
	for i := range mem.groups {
		if g := &mem.groups[i]; g.last == d {
			g.settle()
		}
	}
}

// foldMonitor folds the day's summary of one quantity's monitor rows.
func (m *Model) foldMonitor(mem *memory, p *insulation.Platform, d day, q int, day *monitorDay) {
	ps := &m.params
	key := GroupKey{insulation.System, WholeParallel + ConductorGroup(q)}
	middle := day.median()
	level := middle.mean()
	note := Doubt{ReadingID: day.firstID, MeasuredAt: day.first, Group: key, Ohms: math.Pow(10, level)}
	if mem.defectDay != 0 && d >= mem.defectDay && d-mem.defectDay < monitorDefectDays {
		note.SetAside, note.Cause, note.Reason = true, MonitorDefect, "the monitor itself was reported defective"
		if len(mem.doubts) == 0 || mem.doubts[len(mem.doubts)-1].Cause != MonitorDefect {
			mem.doubted(note)
		}
		return
	}
	g := mem.need(m, p, key, d)
	top := &mem.tops[q]
	limit := math.Log10(p.CodeLimit())
	run := mem.runOfSlips(g, top, limit, d, level, middle.relation)
	if run.by != 0 && !run.believed {
		note.SetAside, note.Cause, note.Reason = true, SlipOfMonitor, runReason(level-run.by)
		mem.doubtedAgain(note)
		return
	}
	known := top.found > 0
	for i := range day.bins {
		top.add(day.bins[i].mean(), float64(day.bins[i].count))
	}
	above := middle.relation == insulation.Above || top.at(level)
	if c := ps.Ceilings[p.ID]; c > 0 && level >= math.Log10(c)-sameLevel {
		above = true
	}
	if top.found > 0 && !known && g.readings > 0 && above {
		// What came before were bounds taken as values: begin again.
		g.restart(m, p, d, 1)
	}
	g.bringTo(m.chainOf(p.ID, key), d)
	celsius, sd := day.celsius.mean(climateUnit), ps.MonitorSD
	if math.IsNaN(celsius) {
		celsius, sd = mem.road.usual(ps, d), ps.MonitorSDNoTemp
	}
	f, varF := m.dampnessOf(&mem.road, day.rh.mean(climateUnit))
	base := sd*sd + ps.Humidity.Mean*ps.Humidity.Mean*varF
	noise := base * g.ratio
	s := Sight{Y: level, Noise: noise + g.wander.noise(ps), Relation: uint8(middle.relation), H: [Dim]float64{1, -f, -(celsius - 20), 0}}
	if above {
		s.Relation = seenAbove
	}
	mean, variance := g.bank.seen(&s.H)
	by, exact := slip(level, mean, variance, noise+g.wander.excess())
	if exact && !(g.slipBy == int8(by) && d-g.slipDay <= slipRepeatDays && g.slipDay != 0) {
		note.SetAside, note.Cause, note.Reason = true, SlipOfUnit, slipReason(by, mean, false)
		mem.doubted(note)
		g.slipDay, g.slipBy = d, int8(by)
		return
	}
	if !exact && run.by == 0 {
		g.slipDay = 0 // what comes again has to come without others between
	}
	if s.Relation == seenEqual {
		g.scatter(ps, level-mean, variance, base, level-g.dips.last)
		if g.last != 0 {
			g.wander.follow(ps, d, level-mean, base*g.ratio, variance)
		}
	}
	switch {
	case above:
		g.dips.bound(ps, d, level)
	case mem.codeDay != 0 || level > limit-deepBelow:
		g.dips.follow(ps, d, level)
	case !g.dips.fell(level):
		g.dips.last, g.dips.day = level, d // a fall that goes on
	}
	_, believed := g.bank.update(&s, &m.doubt)
	g.readings++
	g.last = d
	g.reached(&s, believed)
	g.settle()
	if believed < doubtNoted && s.Relation == seenEqual {
		note.Weight, note.Cause, note.Reason = believed, OffTrack, doubtReason(level, mean)
		mem.doubted(note)
	}
	m.boundParts(mem, p, d, g, &s)
}

// monitorDefectDays is how long a monitor's values are left out after its last
// defect code, unless something was done before; slipRepeatDays is how soon a
// suspected unit slip must come again to be believed.
const (
	monitorDefectDays = 60
	slipRepeatDays    = 200
	doubtNoted        = 0.3
	deepBelow         = 0.5 // decades below the code limit where a vehicle without a code does not stand: no dip
)

// scatter follows the variance of a monitor's values about their level, as a
// ratio to the usual one: slowly, and within bounds. The innovation is taken
// against what is expected, less what the level's own uncertainty explains, and
// no more than the step from the value before: a level that slides is no scatter.
// (Of values correlated by a half from one to the next, the mean square step is
// their variance.)
func (g *group) scatter(ps *Params, innovation, variance, base, step float64) {
	if g.readings < 3 {
		return
	}
	seen := min(max(innovation*innovation-variance, 0), step*step) / base
	g.ratio += (min(seen, 4*g.ratio+4) - g.ratio) / ps.MonitorMemory
	g.ratio = min(max(g.ratio, 1), ps.MonitorRatioMax)
}

// boundParts tells every part, at most once a calendar week, that it is no
// worse than the whole.
func (m *Model) boundParts(mem *memory, p *insulation.Platform, d day, whole *group, w *Sight) {
	week := d.week()
	if week == mem.boundWeek || whole.readings < 2 {
		return
	}
	mem.boundWeek = week
	y, noise := w.Y, 0.05*0.05
	if w.Relation == seenEqual {
		mean, variance := whole.bank.seen(&w.H)
		y, noise = mean, variance+0.1*0.1
	} else if w.Relation == seenBelow {
		return
	}
	if whole.key.Conductor == WholeWeaker {
		noise += 0.1 * 0.1
	}
	for i := range mem.groups {
		g := &mem.groups[i]
		if g.key.Whole() {
			continue
		}
		s := Sight{Y: y, Noise: noise, Relation: seenAbove, H: [Dim]float64{1, w.H[1], w.H[2] - m.rise[g.key.Component], 0}}
		mean, variance := g.bank.seen(&s.H)
		gap := float64(d - g.day)
		if mean-8*math.Sqrt(variance+noise)-m.params.Slopes[numDeclines-1]*gap > y {
			continue // far below what is expected: it would tell nothing
		}
		g.bringTo(m.chainOf(p.ID, g.key), d)
		g.bank.update(&s, &m.doubt)
	}
}

// sortedGroups orders a visit's groups canonically.
func sortKeys(keys []GroupKey) {
	slices.SortFunc(keys, func(a, b GroupKey) int {
		return (int(a.Component)*256 + int(a.Conductor)) - (int(b.Component)*256 + int(b.Conductor))
	})
}
