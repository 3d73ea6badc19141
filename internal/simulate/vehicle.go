package simulate

import (
	"math"
	"math/rand/v2"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/record"
)

// part is one group of one vehicle as it really is.
type part struct {
	level    float64 // healthy, log10 ohm at 20 C, dry
	wander   float64 // decades a year up or down, slowly back and forth
	phase    float64
	law      Law
	damp     float64 // decades lost when wet
	fault    *fault  // nil: none
	newDay   int     // day from which a new component is in its place, without the fault
	newLevel float64 // its healthy level
}

// vehicle is one vehicle's truth and records.
type vehicle struct {
	physics *Physics
	model   *model
	id      string
	depot   *shop
	groups  []part
	monitor bool
	looked  []int // days on which every component is tested, beside the usual visits
	planned int   // day the faulty component is replaced before any code; 0: not

	readings []arrival
	events   []insulation.Event
	codes    []insulation.Code
	truth    record.Truth
}

// arrival is a reading and when it arrives.
type arrival struct {
	reading insulation.Reading
	at      time.Time
}

func (v *vehicle) add(r insulation.Reading, at time.Time) {
	v.readings = append(v.readings, arrival{r, at})
}

const never = math.MaxInt

// newVehicle draws a healthy vehicle.
func newVehicle(r *rand.Rand, p *Physics, m *model, depot *shop, id string) *vehicle {
	v := &vehicle{physics: p, model: m, id: id, depot: depot}
	own := 0.5 * p.LevelSD * r.NormFloat64()
	for i := range m.groups {
		v.groups = append(v.groups, v.newPart(r, i, own))
	}
	return v
}

func (v *vehicle) newPart(r *rand.Rand, i int, own float64) part {
	g, p := &v.model.groups[i], v.physics
	law, factor := g.law(r), math.Exp(0.12*r.NormFloat64())
	return part{
		level: g.healthy + own + 0.85*p.LevelSD*r.NormFloat64(), wander: p.WanderSD * r.NormFloat64(), phase: 2 * math.Pi * r.Float64(),
		law: func(t float64) float64 { return factor * law(t) }, damp: p.DampHealthy.draw(r), newDay: never,
	}
}

// levelAt is the true level of group i on a day at a part temperature, C,
// humidity, %, and soaked-in damp.
func (v *vehicle) levelAt(i, day int, celsius, humidity, wet float64) float64 {
	q := &v.groups[i]
	level := q.level
	if day >= q.newDay {
		level = q.newLevel
	}
	y := level + q.wander*math.Sin(2*math.Pi*float64(day)/700+q.phase)
	damp := dampness(humidity, wet)
	healthy := y - q.law(celsius) - q.damp*damp
	if q.fault == nil || day < q.fault.onset || day >= q.newDay {
		return healthy
	}
	leak := y + 0.4 - q.fault.fall[day] - q.fault.law(celsius) - (q.damp+q.fault.damp[day])*damp
	return parallel(healthy, leak)
}

// wholeAt is the whole vehicle's true resistance, log10 ohm, when every
// component is at the share work of its working temperature's rise.
func (v *vehicle) wholeAt(q insulation.Quantity, day int, air, work, humidity, wet float64) float64 {
	both := 0.0
	var plus, minus float64
	for i := range v.groups {
		g := &v.model.groups[i]
		leak := math.Pow(10, -v.levelAt(i, day, air+work*g.rise, humidity, wet))
		switch {
		case g.bothPoles:
			both += leak
		case g.conductors[0] == insulation.HVPlus:
			plus += leak
		default:
			minus += leak
		}
	}
	bridge := 1 / v.model.bridge
	if q == insulation.WeakerPole {
		// A leak of a winding or phase is a leak of both poles; the bridge sits half on each.
		return -math.Log10(max(plus, minus) + both + bridge/2)
	}
	return -math.Log10(plus + minus + both + bridge)
}

// codeDay is the first day from day from on at which the whole vehicle is below
// its code limit at the day's highest working temperature and dampest hour.
func (v *vehicle) codeDay(from, days int) int {
	limit := math.Log10(v.model.platform.CodeLimit())
	w := v.depot.weather
	for d := from; d < days; d++ {
		if v.wholeAt(v.model.platform.CodeQuantityOrDefault(), d, w.peak[d], 1, min(w.humidity[d]+10, 100), w.wet[d]) < limit {
			return d
		}
	}
	return never
}

// watch makes the on-board monitor's rows of days from to to-1.
func (v *vehicle) watch(r *rand.Rand, from, to int, start time.Time) {
	p, w := v.physics, v.depot.weather
	every := 7
	if r.Float64() < p.MonitorDaily {
		every = 1
	}
	sendsC := r.Float64() < 0.6
	var lasting float64
	for d := from; d < to; d++ {
		lasting = p.MonitorMemory*lasting + math.Sqrt(1-p.MonitorMemory*p.MonitorMemory)*r.NormFloat64()
		if (d-from)%every != 0 || r.Float64() < 0.15 {
			continue
		}
		at := start.AddDate(0, 0, d).Add(5*time.Hour + time.Duration(r.IntN(15*3600))*time.Second)
		air := w.mean[d] + 2*r.NormFloat64()
		y := v.wholeAt(v.model.reports, d, air, 0.2+0.8*r.Float64(), w.humidity[d], w.wet[d])
		y += p.MonitorSD * (0.7*lasting + 0.714*student(r, p.MonitorFreedom, 1))
		if r.Float64() < p.MonitorDip {
			y -= Span{0.2, 1.5}.draw(r)
		}
		nan := math.NaN()
		reading := insulation.Reading{Vehicle: v.id, Platform: v.model.platform.ID, MeasuredAt: at, Method: insulation.Monitor, Component: insulation.System,
			Conductor: insulation.AllConductors, Reference: insulation.Chassis, Quantity: v.model.reports, Relation: insulation.Equal,
			TestVolts: nan, HoldSeconds: nan, AirCelsius: nan, HumidityPct: nan, PartCelsius: nan, RangeOhms: nan}
		reading.Ohms = max(min(math.Round(math.Pow(10, y)/1000)*1000, v.model.ceiling), 1000)
		if sendsC {
			reading.AirCelsius = math.Round(air) + 0 // no minus zero
		}
		if u := r.Float64(); u < p.MonitorGarbage {
			reading.Ohms = 0
			if u < p.MonitorGarbage/2 {
				reading.Ohms = 65_535_000
			}
		}
		v.add(reading, at)
	}
}

// live makes the vehicle's records of the days 0 to days-1 and its truth, known
// up to day known. The fault, if any, is already in its groups.
func (v *vehicle) live(r *rand.Rand, shops []shop, start time.Time, days, known int) {
	if v.planned > 0 {
		v.exchangeFaulty(r, v.planned, start)
	}
	code := v.codeDay(0, known)
	end := days
	if code < days && v.physics.After == Ends {
		end = code
	}
	if code < days && v.physics.After == Repaired {
		v.exchangeFaulty(r, code+1+r.IntN(10), start)
	}
	v.routine(r, end, start)
	for d := int(v.physics.VisitDays.draw(r) * r.Float64()); d < end; d += int(v.physics.VisitDays.draw(r)) {
		s := v.depot
		if r.Float64() < 0.15 {
			s = &shops[r.IntN(len(shops))]
		}
		v.test(r, s, d, start, r.Float64() < 0.35)
	}
	for _, d := range v.looked {
		v.test(r, v.depot, d, start, true)
	}
	if v.monitor {
		v.watch(r, 0, end, start)
	}
	v.tell(code, days, known, start)
}

// tell writes the truth down.
func (v *vehicle) tell(code, days, known int, start time.Time) {
	t := record.Truth{Vehicle: v.id, Story: string(Healthy), Monitor: v.monitor, KnownUntil: start.AddDate(0, 0, known)}
	for i := range v.groups {
		if f := v.groups[i].fault; f != nil {
			t.Story, t.Component, t.OnsetAt = string(f.story), v.model.groups[i].component, start.AddDate(0, 0, f.onset)
		}
	}
	if code < known {
		t.CodeAt = start.AddDate(0, 0, code)
		if code < days {
			v.codes = append(v.codes, insulation.Code{Vehicle: v.id, Code: "P0AA6", SetAt: t.CodeAt})
		}
	}
	for i := range v.readings {
		at := v.readings[i].reading.MeasuredAt
		if t.FirstAt.IsZero() || at.Before(t.FirstAt) {
			t.FirstAt = at
		}
		if at.After(t.LastAt) {
			t.LastAt = at
		}
	}
	v.truth = t
}

// exchange replaces a component on a day; the new one is healthy.
func (v *vehicle) exchange(r *rand.Rand, c insulation.Component, day int, start time.Time) {
	for i := range v.groups {
		if g := &v.model.groups[i]; g.component == c {
			v.groups[i].newDay, v.groups[i].newLevel = day, g.healthy+v.physics.LevelSD*r.NormFloat64()
		}
	}
	v.events = append(v.events, insulation.Event{Vehicle: v.id, Component: c,
		OccurredAt: start.AddDate(0, 0, day).Add(time.Duration(1+r.IntN(5)) * time.Hour), Kind: insulation.Replaced})
}

// exchangeFaulty replaces the component with the fault.
func (v *vehicle) exchangeFaulty(r *rand.Rand, day int, start time.Time) {
	for i := range v.groups {
		if v.groups[i].fault != nil {
			v.exchange(r, v.model.groups[i].component, day, start)
		}
	}
}

// routine replaces a healthy component for a reason that has nothing to do with insulation.
func (v *vehicle) routine(r *rand.Rand, end int, start time.Time) {
	if v.physics.RoutineExchanges <= 0 {
		return
	}
	day := 365 / v.physics.RoutineExchanges * r.ExpFloat64()
	c := v.model.groups[r.IntN(len(v.model.groups))].component
	if day < float64(end) && !v.hasFault(c) {
		v.exchange(r, c, int(day), start)
	}
}

func (v *vehicle) hasFault(c insulation.Component) bool {
	for i := range v.groups {
		if v.groups[i].fault != nil && v.model.groups[i].component == c {
			return true
		}
	}
	return false
}
