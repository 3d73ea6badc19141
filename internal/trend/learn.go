package trend

import (
	"fmt"
	"math"
	"slices"
	"time"

	"creepage/internal/insulation"
)

// Learner gathers what a fleet's own records teach, row by row in order of
// arrival, in memory bounded by the number of vehicles, groups and meters, and
// turns it into a new parameter set on demand. It never knows more than it was
// shown, so a replay that shows rows in order of arrival cannot look ahead. It
// is not safe for concurrent use.
//
// In a replay: Observe every batch, Forecast with every weekly outlook, and
// Learn at intervals (every 28 days is ample); then make a Model of the result
// for what follows. Vehicles' memories may be carried over to the new model as
// they are, or replayed from their rows.
type Learner struct {
	base     Params
	vehicles map[string]*pupil
	tops     map[string]*ceiling // monitor ceilings by platform
	codes    int
	left     Subjects // not learned
}

// Subjects are parts of what is learned, as a set.
type Subjects uint8

// Parts of what is learned.
const (
	Temperatures Subjects = 1 << iota // temperature coefficients by component
	Noise                             // scatter of testers
	Meters                            // offsets of meters
	Levels                            // levels of new vehicles by platform and group
	Onsets                            // how often components leave their steady state
	Calibrations                      // what came of forecasts
	Ceilings                          // where platforms' monitors top out
	BoundShifts                       // by how much a policy's bounds move

	AllSubjects = Temperatures | Noise | Meters | Levels | Onsets | Calibrations | Ceilings | BoundShifts
)

// maxPupils bounds the vehicles learned from: more teach nothing new.
const maxPupils = 5000

// pupil is what is kept of one vehicle.
type pupil struct {
	platform  *insulation.Platform
	first     day
	last      day
	groups    []sample
	codeDays  []day
	workDays  []day // something was done to a part
	forecasts []forecastSample
	restless  map[GroupKey]float64 // highest weight of "not steady" said of a group
}

// sample is a group's values, thinned to one visit a value.
type sample struct {
	key    GroupKey
	points []point
}

type point struct {
	day     day
	y, t, f float64 // level; degrees above 20; dampness (NaN: not taken)
	above   bool
	meter   string
}

type forecastSample struct {
	day          day
	raw30, raw90 float64
	on           footing
}

const (
	maxPoints      = 40
	forecastEvery  = 21 // days between kept forecasts of a vehicle
	maxForecasts   = 80
	monitorSpacing = 7 // days between kept monitor values
)

// NewLearner starts from the given parameters, towards which everything
// learned is shrunk by its own evidence.
func NewLearner(base Params) *Learner {
	return &Learner{base: base, vehicles: map[string]*pupil{}, tops: map[string]*ceiling{}}
}

// Leave says what is not to be learned: there the parameters stay as they were
// to begin with, so that what each part is worth can be measured.
func (l *Learner) Leave(s Subjects) { l.left = s }

func (l *Learner) pupil(vehicle string) *pupil {
	if v := l.vehicles[vehicle]; v != nil {
		return v
	}
	if len(l.vehicles) >= maxPupils {
		return nil
	}
	v := &pupil{restless: map[GroupKey]float64{}}
	l.vehicles[vehicle] = v
	return v
}

// Observe shows the learner entries of one vehicle in order of arrival.
func (l *Learner) Observe(vehicle string, p *insulation.Platform, entries []Entry) {
	v := l.pupil(vehicle)
	if v == nil {
		return
	}
	v.platform = p
	for _, e := range entries {
		d := dayOf(e.Time())
		if v.first == 0 {
			v.first = d
		}
		v.last = max(v.last, d)
		switch {
		case e.Code != nil:
			if IsolationCode(e.Code.Code) {
				v.codeDays = append(v.codeDays, d)
				l.codes++
			}
		case e.Event != nil:
			if n := len(v.workDays); n == 0 || v.workDays[n-1] != d {
				v.workDays = append(v.workDays, d)
			}
			for i := range v.groups {
				g := &v.groups[i]
				if g.key.Component == e.Event.Component || g.key.Whole() || e.Event.Component == insulation.System {
					g.points = nil
				}
			}
		case e.Reading != nil:
			l.reading(v, p, e.Reading, d)
		}
	}
}

func (l *Learner) reading(v *pupil, p *insulation.Platform, r *insulation.Reading, d day) {
	if Impossible(r) != "" || r.Relation == insulation.Below {
		return
	}
	k := GroupOf(r.Component, r.Conductor, r.Quantity)
	x := point{day: d, y: r.Level(), t: math.NaN(), f: math.NaN(), above: r.Relation == insulation.Above, meter: r.Meter}
	if x.meter == "" {
		x.meter = r.Shop
	}
	if sensible(r.AirCelsius) {
		x.t = r.AirCelsius - 20
	}
	if sensible(r.PartCelsius) {
		x.t = r.PartCelsius - 20
	}
	if r.HumidityPct >= 0 && r.HumidityPct <= 100 {
		x.f = dampness(r.HumidityPct)
	}
	if r.RangeOhms > 0 && r.Ohms >= 0.995*r.RangeOhms {
		x.above = true
	}
	if k.Whole() && r.Method == insulation.Monitor {
		top := l.tops[p.ID]
		if top == nil {
			top = &ceiling{}
			l.tops[p.ID] = top
		}
		top.add(x.y, 1)
		x.above = x.above || top.at(x.y)
		x.meter = ""
	} else if r.Method == insulation.Tester && !x.above {
		low, _ := l.base.holdCorrection(r.HoldSeconds)
		x.y += low
	}
	if !k.Whole() && k.Conductor == Together && hasComponent(platformGroups(p), k.Component) && !hasKey(platformGroups(p), k) {
		return // shows the parallel of others
	}
	g := v.sample(k)
	if n := len(g.points); n > 0 {
		last := g.points[n-1]
		if k.Whole() && d-last.day < monitorSpacing {
			return
		}
		if last.day == d && last.meter == x.meter {
			return // the first of a visit stands for it: the others share its errors
		}
	}
	if len(g.points) >= maxPoints {
		copy(g.points[1:], g.points[2:]) // keep the first, for the prior
		g.points = g.points[:maxPoints-1]
	}
	g.points = append(g.points, x)
}

func (v *pupil) sample(k GroupKey) *sample {
	for i := range v.groups {
		if v.groups[i].key == k {
			return &v.groups[i]
		}
	}
	v.groups = append(v.groups, sample{key: k})
	return &v.groups[len(v.groups)-1]
}

// Forecast shows the learner an outlook that was given, for calibration once
// it has come due and for the rate of onsets.
func (l *Learner) Forecast(o *Outlook) {
	v := l.turned(o)
	if v == nil {
		return
	}
	d := dayOf(o.EvaluatedAt)
	if n := len(v.forecasts); n > 0 && d-v.forecasts[n-1].day < forecastEvery {
		return
	}
	if len(v.forecasts) >= maxForecasts {
		v.forecasts = append(v.forecasts[:0], v.forecasts[1:]...)
	}
	v.forecasts = append(v.forecasts, forecastSample{d, o.Raw30, o.Raw90, footing{o.Watched, o.Dropped}})
}

// turned notes how far each part of an outlook was from steady. It returns the
// vehicle's pupil, or nil if nothing is to be learned of the outlook.
func (l *Learner) turned(o *Outlook) *pupil {
	v := l.pupil(o.Vehicle)
	if v == nil || !o.CodeSet.IsZero() {
		return nil
	}
	for i := range o.Parts {
		p := &o.Parts[i]
		if p.Readings >= 2 {
			v.restless[p.Group] = max(v.restless[p.Group], p.Declining+p.Damp+p.Dropped)
		}
	}
	return v
}

// Learn returns the parameters learned up to now, with a version of their own,
// and the report of what was found.
func (l *Learner) Learn(now time.Time) (Params, Report) {
	p := l.base
	p.Version = fmt.Sprintf("%s learned %s from %d vehicles", l.base.Version, now.UTC().Format(time.DateOnly), len(l.vehicles))
	ids := make([]string, 0, len(l.vehicles))
	for id := range l.vehicles {
		ids = append(ids, id)
	}
	slices.Sort(ids) // sums in one order, whatever the map's
	vs := make([]*pupil, len(ids))
	for i, id := range ids {
		vs[i] = l.vehicles[id]
	}
	var report Report
	l.learnSlopes(&p, vs)
	if l.left&Temperatures != 0 {
		p.ByComponent = l.base.ByComponent
	}
	if l.left&Noise != 0 {
		p.ReadingSD, p.VisitSD = l.base.ReadingSD, l.base.VisitSD
	}
	if l.left&Meters == 0 {
		l.learnMeters(&p, vs, &report)
	}
	if l.left&Levels == 0 {
		l.learnLevels(&p, vs)
	}
	if l.left&Onsets == 0 {
		l.learnOnsets(&p, vs, &report)
	}
	if l.left&Calibrations == 0 {
		l.learnCalibration(&p, vs, dayOf(now), &report)
	}
	if l.left&BoundShifts == 0 {
		l.learnBounds(&p, vs, dayOf(now), &report)
	}
	if l.left&Ceilings == 0 {
		l.learnCeilings(&p)
	}
	return p, report
}

// learnCeilings learns where platforms' monitors top out.
func (l *Learner) learnCeilings(p *Params) {
	p.Ceilings = map[string]float64{}
	for platform, top := range l.tops {
		if top.found > 0 && top.rows >= 50 {
			p.Ceilings[platform] = math.Pow(10, top.found)
		}
	}
}

// Report is what learning found, for people.
type Report struct {
	Meters                          []MeterFinding
	Components                      []ComponentFinding
	Calibration, CalibrationTesters Calibration
	Codes                           int     // isolation codes seen
	FalseCalls                      float64 // that the usual bounds would have made of the forecasts kept
	VehicleYears                    float64 // that those tell of
}

// MeterFinding is a meter that reads off its peers by more than its uncertainty.
type MeterFinding struct {
	Meter    string
	Offset   float64 // decades; negative: reads low
	SD       float64
	Readings int
}

// ComponentFinding is a component of a platform that leaves its steady state
// more often than its peers, with the false-discovery rate controlled.
type ComponentFinding struct {
	Platform  string
	Component insulation.Component
	Onsets    float64 // groups that left their steady state
	Expected  float64 // as many at the rate of its peers on other platforms
	Q         float64 // adjusted p-value (Benjamini and Hochberg 1995)
}
