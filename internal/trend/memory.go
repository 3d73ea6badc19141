package trend

import (
	"math"
	"slices"
	"time"

	"creepage/internal/insulation"
)

// group is the memory of one track.
type group struct {
	key      GroupKey
	day      day // the bank stands at this day
	readings int32
	last     day     // last measured; 0: never
	ratio    float64 // of a monitor: variance about its level over the usual one
	dips     dips    // of a monitor
	wander   wander  // of a monitor
	bank     bank

	// Since when it is not stable: the last day it was, with its level then.
	steadyDay day
	steady    Normal
	sinceDay  day // 0: stable
	from      Normal
	highest   float64 // the highest value or lower bound read since it began, log10 ohm; 0: none

	// Comparable readings in a row under the service limit.
	under      int32
	underOhms  float64 // the last of them,
	underBound bool    // which was recorded as a bound: it lies lower

	// A unit slip that was set aside: if the next visit shows it again it is believed. Of a
	// monitor, the first of a run.
	slipDay  day
	slipBy   int8
	slipLast day // the latest value of a run of slips that was set aside
}

// memory is everything folded up to the end of a day.
type memory struct {
	day        day // last folded day; 0: nothing yet
	groups     []group
	platform   string
	points     int  // number of the platform's test points when groups were made
	rest       rest // what the cold whole circuit shows besides the groups
	shop, road climate
	tops       [2]ceiling // of the monitor, by quantity
	meters     []meterTop
	codeDay    day // an isolation code was set and nothing was done since
	defectDay  day // latest monitor defect code
	boundWeek  int32
	aside      int32   // rows set aside so far
	doubts     []Doubt // latest, oldest first
}

// meterTop is the ceiling of one meter as this vehicle's readings show it.
type meterTop struct {
	name string
	top  ceiling
}

const (
	maxMeters = 6
	maxDoubts = 12
)

// copyFrom makes the memory equal to another and shares nothing with it.
func (m *memory) copyFrom(o *memory) {
	groups, meters, doubts := m.groups, m.meters, m.doubts
	*m = *o
	m.groups = append(groups[:0], o.groups...)
	m.meters = append(meters[:0], o.meters...)
	m.doubts = append(doubts[:0], o.doubts...)
}

// find returns the group of a key, or nil.
func (m *memory) find(k GroupKey) *group {
	for i := range m.groups {
		if m.groups[i].key == k {
			return &m.groups[i]
		}
	}
	return nil
}

// seenAt is the day on which the memory is looked at, never one before its last.
func (m *memory) seenAt(at time.Time) day { return max(dayOf(at), m.day) }

// followed says whether the whole vehicle has been read within followDays of a day.
func (m *memory) followed(d day) bool {
	for i := range m.groups {
		if g := &m.groups[i]; g.key.Whole() && g.readings > 0 && d-g.last <= followDays {
			return true
		}
	}
	return false
}

// followDays is for how long a vehicle counts as followed after its whole was last read.
const followDays = 30

// prepare makes the groups of a platform that are not there yet, as of a day.
func (m *memory) prepare(model *Model, p *insulation.Platform, d day) {
	if m.points == len(p.Points) && m.platform == p.ID && len(m.groups) > 0 {
		return
	}
	m.platform, m.points = p.ID, len(p.Points)
	for _, k := range platformGroups(p) {
		m.need(model, p, k, d)
	}
}

// need returns the group of a key and makes it if it is not there.
func (m *memory) need(model *Model, p *insulation.Platform, k GroupKey, d day) *group {
	if g := m.find(k); g != nil {
		return g
	}
	at, _ := slices.BinarySearchFunc(m.groups, k, func(g group, k GroupKey) int {
		return (int(g.key.Component)*256 + int(g.key.Conductor)) - (int(k.Component)*256 + int(k.Conductor))
	})
	g := group{key: k, day: d, ratio: 1, bank: model.freshBank(p, k), steadyDay: d}
	g.steady = g.bank.steady()
	m.groups = slices.Insert(m.groups, at, g)
	return &m.groups[at]
}

// levelOnly sees the level at 20 C dry.
var levelOnly = [Dim]float64{1, 0, 0, 0}

// steady is what is known of the level at 20 C dry if nothing gets worse.
func (b *bank) steady() Normal {
	x := &b[modeStable]
	if b[modeBetter].w > x.w {
		x = &b[modeBetter]
	}
	return Normal{x.Mean[0], math.Sqrt(x.Cov[covLL])}
}

// bringTo predicts the group's bank to a day.
func (g *group) bringTo(c *chain, d day) {
	if n := int(d - g.day); n > 0 {
		g.bank.predict(c, n)
		g.day = d
	}
}

// looked says whether the group has been looked at since it is what it is: an exchange begins it anew.
func (g *group) looked() bool { return g.last != 0 && (g.sinceDay != 0 || g.last >= g.steadyDay) }

// unseenSince is the day since which nothing but that no code has come tells of the group: that of its last look, or of
// one not looked at yet that on which the vehicle was first known, or the part exchanged.
func (g *group) unseenSince() day {
	if g.looked() {
		return g.last
	}
	return g.steadyDay
}

// reached notes how high a value, if it is believed, or a lower bound lies.
func (g *group) reached(s *Sight, believed float64) {
	if s.Relation == seenAbove || s.Relation == seenEqual && believed >= 0.5 {
		g.highest = max(g.highest, s.Y)
	}
}

// restart puts the group back to what the fleet says, with a spread times factor.
func (g *group) restart(model *Model, p *insulation.Platform, d day, factor float64) {
	prior := model.levelPrior(p, g.key)
	prior.SD *= factor
	g.bank = newBank(&model.params, prior, model.params.Humidity, model.temperature[g.key.Component])
	g.day, g.ratio = d, 1
	g.dips, g.wander = dips{}, wander{}
	g.sinceDay, g.from, g.highest = 0, Normal{}, 0
	g.steadyDay = d
	g.steady = g.bank.steady()
	g.under, g.slipDay = 0, 0
}

// settle notes since when the group is not stable.
func (g *group) settle() {
	if g.bank[modeStable].w+g.bank[modeBetter].w >= 0.5 {
		g.sinceDay = 0
		g.steadyDay = g.day
		g.steady = g.bank.steady()
		return
	}
	if g.sinceDay == 0 {
		g.sinceDay, g.from = g.steadyDay, g.steady
		if g.sinceDay == 0 {
			g.sinceDay = g.day
		}
	}
}

// meter returns the ceiling tracker of a meter, or nil when too many meters were seen.
func (m *memory) meter(name string) *ceiling {
	for i := range m.meters {
		if m.meters[i].name == name {
			return &m.meters[i].top
		}
	}
	if len(m.meters) >= maxMeters {
		return nil
	}
	m.meters = append(m.meters, meterTop{name: name})
	return &m.meters[len(m.meters)-1].top
}

// doubtedAgain notes another reading of a run in place of the one before it, so that a run
// does not crowd out the others. All are counted.
func (m *memory) doubtedAgain(d Doubt) {
	if n := len(m.doubts); n > 0 && m.doubts[n-1].Group == d.Group && m.doubts[n-1].Cause == SlipOfMonitor {
		m.doubts = m.doubts[:n-1]
	}
	m.doubted(d)
}

// doubted keeps the latest doubts.
func (m *memory) doubted(d Doubt) {
	if d.SetAside {
		m.aside++
	}
	if len(m.doubts) >= maxDoubts {
		// What was set aside goes first: a second look settles what was only doubted, however late it comes.
		oldest := max(slices.IndexFunc(m.doubts, func(x Doubt) bool { return x.SetAside }), 0)
		m.doubts = slices.Delete(m.doubts, oldest, oldest+1)
	}
	m.doubts = append(m.doubts, d)
}
