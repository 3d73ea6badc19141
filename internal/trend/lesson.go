package trend

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"creepage/internal/insulation"
)

// Lesson is what a Learner needs to know of an outlook that was given, in a few
// dozen bytes: the raw probabilities, and of each part that had been looked at
// twice how far it was from steady. Recall shows it to a learner.
func (o *Outlook) Lesson() []byte {
	c := &coder{write: true, buf: make([]byte, 0, 40+11*len(o.Parts))}
	l := lesson{on: footing{o.Watched, o.Dropped}, over: !o.CodeSet.IsZero(), raw30: o.Raw30, raw90: o.Raw90}
	for i := range o.Parts {
		if p := &o.Parts[i]; p.Readings >= 2 {
			l.parts = append(l.parts, lessonPart{p.Group, p.Declining + p.Damp + p.Dropped})
		}
	}
	l.code(c)
	return c.buf
}

// Recall shows the learner an outlook of which only its lesson was kept.
func (l *Learner) Recall(vehicle string, at time.Time, text []byte) error {
	var k lesson
	c := &coder{buf: text}
	k.code(c)
	if c.bad || len(c.buf) != 0 || k.version < 1 || k.version > lessonVersion {
		return errLesson
	}
	o := Outlook{Vehicle: vehicle, EvaluatedAt: at, Raw30: k.raw30, Raw90: k.raw90, Watched: k.on.watched, Dropped: k.on.dropped}
	if k.over {
		o.CodeSet = at
	}
	for _, p := range k.parts {
		o.Parts = append(o.Parts, Part{Group: p.group, Readings: 2, Declining: p.restless})
	}
	if k.version < lessonVersion {
		l.turned(&o)
		return nil
	}
	l.Forecast(&o)
	return nil
}

var errLesson = errors.New("what was kept of an outlook is cut short, damaged or of another version")

// lessonVersion tells what the raw probabilities of a lesson are made of: those of
// the first left out how a monitor's lowest values sink, those of the second judged every horizon in the hottest day until
// then, and with those of the third it is not told what has just dropped; none of them is calibrated by.
const lessonVersion = 4

type lesson struct {
	version      uint8
	on           footing
	over         bool // an isolation code was set
	raw30, raw90 float64
	parts        []lessonPart
}

type lessonPart struct {
	group    GroupKey
	restless float64 // weight of "not steady"
}

func (l *lesson) code(c *coder) {
	if c.write {
		l.version = lessonVersion
	}
	c.byte(&l.version)
	c.bool(&l.on.watched)
	c.bool(&l.over)
	if l.version >= 4 {
		c.float(&l.on.dropped)
	}
	c.float(&l.raw30)
	c.float(&l.raw90)
	list(c, &l.parts, func(p *lessonPart) {
		small(c, &p.group.Component)
		small(c, &p.group.Conductor)
		c.float(&p.restless)
	})
}

// TracksMadeWith names the parameters that tracks are made with: this set's own,
// or those of the set it was taken over from.
func (p *Params) TracksMadeWith() string {
	if p.TrackVersion != "" {
		return p.TrackVersion
	}
	return p.Version
}

// TrackVersion names the parameters that the model's tracks are made with.
// Memories of another version are replayed before they are used.
func (m *Model) TrackVersion() string { return m.params.TracksMadeWith() }

// Step says how far parameters learned anew lie from those before.
type Step uint8

// Steps.
const (
	NoStep       Step = iota // nothing that would change what is said
	ForecastStep             // what forecasts came to: tracks stay as they are
	TrackStep                // what tracks are made with: they are replayed
)

// From how far on a change is material: less moves no outlook by more than the
// readings of another day would (judgement).
const (
	levelStep   = 0.15  // decades
	slopeStep   = 0.003 // decades a degree
	meterStep   = 0.03  // decades
	ceilingStep = 0.02  // decades
	spreadStep  = 1.3   // ratio of standard deviations
	onsetStep   = 2.0   // ratio of rates
	shiftStep   = 0.15  // of calibrations' and bounds' logits
	scaleStep   = 0.05  // of calibrations' scales
	leastTaught = 10    // vehicles a level must have been learned from
)

// After returns the parameters that follow those before, given what was learned
// now. A step of forecasts alone leaves tracks as they are: what they are made
// with is then that of before, to the bit.
func (p Params) After(before *Params) (Params, Step) {
	if p.movesTracks(before) || p.given() != before.given() {
		p.TrackVersion = ""
		return p, TrackStep
	}
	next := *before
	next.Version, next.TrackVersion = p.Version, before.TracksMadeWith()
	next.Calibration, next.CalibrationTesters, next.BoundShift = p.Calibration, p.CalibrationTesters, p.BoundShift
	if p.Calibration.moved(&before.Calibration) || p.CalibrationTesters.moved(&before.CalibrationTesters) || math.Abs(p.BoundShift-before.BoundShift) > shiftStep {
		return next, ForecastStep
	}
	return *before, NoStep
}

// given is everything that is not learned, as text: another program may come with
// other numbers, which then begin to hold.
func (p Params) given() string {
	p.Version, p.TrackVersion = "", ""
	p.ByComponent, p.LevelPriors, p.OnsetByComponent, p.MeterOffsets, p.Ceilings = nil, nil, nil, nil, nil
	p.ReadingSD, p.VisitSD, p.Onset, p.WholeOnset = 0, 0, 0, 0
	p.Calibration, p.CalibrationTesters, p.BoundShift = Calibration{}, Calibration{}, 0
	return fmt.Sprintf("%+v", p)
}

func (c *Calibration) moved(o *Calibration) bool {
	return math.Abs(c.Unseen-o.Unseen) > shiftStep || math.Abs(c.Seen-o.Seen) > shiftStep || math.Abs(c.Scale-o.Scale) > scaleStep || math.Abs(c.Horizon-o.Horizon) > shiftStep || math.Abs(c.Dropped-o.Dropped) > shiftStep
}

func (p *Params) movesTracks(o *Params) bool {
	ratio := func(a, b, most float64) bool { return a > most*b || b > most*a }
	if ratio(p.ReadingSD, o.ReadingSD, spreadStep) || ratio(p.VisitSD, o.VisitSD, spreadStep) ||
		ratio(p.Onset, o.Onset, onsetStep) || ratio(p.WholeOnset, o.WholeOnset, onsetStep) {
		return true
	}
	for _, key := range keysOf(p.LevelPriors, o.LevelPriors) {
		a, was := p.LevelPriors[key], o.LevelPriors[key]
		if was.N == 0 || a.N == 0 {
			if max(a.N, was.N) >= leastTaught {
				return true
			}
			continue
		}
		if math.Abs(a.Mean-was.Mean) > levelStep || ratio(a.SD, was.SD, spreadStep) {
			return true
		}
	}
	for c := insulation.Battery; c <= insulation.System; c++ {
		if a, was := p.temperatureOf(c), o.temperatureOf(c); math.Abs(a.Mean-was.Mean) > slopeStep {
			return true
		}
	}
	rate := func(q *Params, key string) float64 {
		f, ok := q.OnsetByComponent[key]
		if !ok {
			f = 1
		}
		return q.Onset * f
	}
	for _, key := range keysOf(p.OnsetByComponent, o.OnsetByComponent) {
		if ratio(rate(p, key), rate(o, key), onsetStep) {
			return true
		}
	}
	for _, m := range keysOf(p.MeterOffsets, o.MeterOffsets) {
		if math.Abs(p.MeterOffsets[m]-o.MeterOffsets[m]) > meterStep {
			return true
		}
	}
	for _, platform := range keysOf(p.Ceilings, o.Ceilings) {
		a, was := p.Ceilings[platform], o.Ceilings[platform]
		if (a == 0) != (was == 0) || a > 0 && math.Abs(math.Log10(a/was)) > ceilingStep {
			return true
		}
	}
	return false
}

// keysOf returns the keys of two maps, sorted, each once.
func keysOf[V any](a, b map[string]V) []string {
	var keys []string
	for k := range a {
		keys = append(keys, k)
	}
	for k := range b {
		if _, both := a[k]; !both {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	return keys
}

// Words says what parameters learned differ in from those to start with, a
// sentence each.
func (r *Report) Words(p *Params) []string {
	base := Default()
	var said []string
	say := func(format string, a ...any) { said = append(said, fmt.Sprintf(format, a...)) }
	for _, m := range r.Meters {
		word := "high"
		if m.Offset < 0 {
			word = "low"
		}
		say("Meter %s reads %.2f decades %s (a factor of %.2f, give or take %.2f decades) by %d readings; what it reads is corrected by that.",
			m.Meter, math.Abs(m.Offset), word, math.Pow(10, m.Offset), m.SD, m.Readings)
	}
	for _, c := range r.Components {
		say("The %s of platform %s turned from steady %.0f times where its peers would have %.1f times (adjusted p %.3f): it is expected to again.",
			inWords(c.Component), c.Platform, c.Onsets, c.Expected, c.Q)
	}
	levels, most := 0, 0.0
	for _, l := range p.LevelPriors {
		levels++
		most = max(most, l.N)
	}
	if levels > 0 {
		say("How good insulation usually is, was learned for %d kinds of test points, from up to %.0f vehicles each.", levels, most)
	}
	for c := insulation.Battery; c <= insulation.System; c++ {
		if b := p.temperatureOf(c); math.Abs(b.Mean-base.temperatureOf(c).Mean) > 0.001 {
			say("The %s loses %.4f decades a degree (%.4f before anything was learned).", inWords(c), b.Mean, base.temperatureOf(c).Mean)
		}
	}
	if p.ReadingSD != base.ReadingSD {
		say("Readings of a tester scatter by %.2f decades about their level, and visits by %.2f.", p.ReadingSD, p.VisitSD)
	}
	for _, platform := range keysOf(p.Ceilings, nil) {
		say("The monitor of platform %s tops out at %.3g ohm.", platform, p.Ceilings[platform])
	}
	for _, c := range [...]struct {
		who    string
		was, c Calibration
	}{{"with a monitor", base.Calibration, p.Calibration}, {"known by testers alone", base.CalibrationTesters, p.CalibrationTesters}} {
		if c.c.N > 0 && c.c.moved(&c.was) {
			say("Of vehicles %s %.0f forecasts have come due; those to come are stated accordingly.", c.who, c.c.N)
		}
		if word := "more"; math.Abs(c.c.Dropped) > leastShift {
			if c.c.Dropped < 0 {
				word = "less"
			}
			say("What has just dropped came to its code %s often than other falls of the same look, of vehicles %s: its odds are stated %.2g times as high.", word, c.who, math.Exp(c.c.Dropped))
		}
	}
	if word := "higher"; math.Abs(p.BoundShift) > leastShift {
		if p.BoundShift < 0 {
			word = "lower"
		}
		say("The usual bounds would have made %.0f false calls in %.0f vehicle-years: a %s chance is asked of a warning, %.2g times the odds.", r.FalseCalls, r.VehicleYears, word, math.Exp(p.BoundShift))
	}
	return said
}
