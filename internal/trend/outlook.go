package trend

import (
	"time"

	"creepage/internal/insulation"
)

// State is what an outlook comes to in one word.
type State uint8

// States.
const (
	Steady  State = iota + 1
	Falling       // declines; its chance has passed no bound of the usual policy
	Due           // a crossing may come within the lead time: its chance has passed a bound of the usual policy, or a warning of it stands and is not about to end
	Under         // below the code limit now
	Unknown       // too little to say, Missing tells what; or the last look at a part lies below its limit and is doubted
)

var stateWords = [...]string{Steady: "steady", Falling: "falling", Due: "due", Under: "under", Unknown: "unknown"}

// String returns the state's word.
func (s State) String() string {
	if int(s) < len(stateWords) {
		return stateWords[s]
	}
	return ""
}

// CurvePoint is the calibrated probability that the code sets within Days.
type CurvePoint struct {
	Days        float64
	Probability float64
}

// Band is a median with its 80 % interval.
type Band struct {
	P10, P50, P90 float64
}

// Doubt is a reading that was set aside as garbage, or folded but doubted.
type Doubt struct {
	ReadingID  string
	MeasuredAt time.Time
	Group      GroupKey
	Ohms       float64
	SetAside   bool    // true: not folded at all
	Weight     float64 // 0..1, how far it was believed (0 when set aside)
	Cause      Cause
	BorneOut   bool   // another reading of its day bears the track out
	Reason     string // the cause in words, with its numbers
}

// Cause is why a reading is doubted or set aside.
type Cause uint8

// Causes. What is off its track, or in a visit that is, was folded with doubt; all else is set aside.
const (
	OffTrack      Cause = iota + 1
	OffVisit            // the whole visit reads off
	NoReading           // nothing can read so
	SlipOfUnit          // a thousandth or a thousand times of what its track shows
	SlipOfVisit         // the same, as most of its visit is, of which some tracks tell by themselves
	SlipOfMonitor       // the same of a monitor's values, one after another
	MonitorDefect       // the monitor itself was reported defective
)

// slip says whether a cause is a slip of unit.
func (c Cause) slip() bool { return c == SlipOfUnit || c == SlipOfVisit || c == SlipOfMonitor }

// Part is what an outlook says of one group, or of a whole-vehicle track.
type Part struct {
	Group         GroupKey
	LevelNow      Band    // ohm at 20 C, dry
	Operating     Band    // ohm at work at today's level, in 90 days' warmth and on a damp day
	Decline       float64 // expected decline now, decades per 30 days (positive: falling)
	DeclineSD     float64 // its spread
	Steady        float64 // weights of the modes, summing to one
	Declining     float64
	Damp          float64
	Dropped       float64
	Better        float64
	Share         float64 // of the conductance the code allows, expected at today's level in 90 days' warmth
	P90           float64 // chance that this group alone takes the code's conductance within 90 days
	Readings      int     // folded so far
	LastMeasured  time.Time
	Since         time.Time // when the decline, drop or damp began, as far as the readings tell; zero if steady
	From          float64   // ohm at 20 C, dry, when it began; 0 if steady
	ServiceLimit  float64   // ohm; 0 if the platform gives none
	UnderService  int       // comparable readings in a row under the service limit
	LastUnderOhms float64
	UnderBound    bool // it was recorded as a bound and lies lower
}

// Next is the measurement that would tell most.
type Next struct {
	Component insulation.Component
	Conductor ConductorGroup
	// NarrowsTo is what is expected to be left of the spread of that part's
	// operating level after one more visit (0.6: six tenths).
	NarrowsTo float64
	Why       string
}

// Outlook is what is expected of a vehicle at a time.
type Outlook struct {
	Vehicle     string
	EvaluatedAt time.Time
	Version     string // of the parameters

	State    State
	P30, P90 float64 // code probability within 30 and 90 days, calibrated
	P0       float64 // chance that the whole is below the code limit now
	// DaysP50 and DaysP90 are when the calibrated curve passes 50 and 90 %, days
	// from EvaluatedAt. Before DaysP10 come at most one in ten of the codes that
	// come within two years, if a tenth or more do: between it and DaysP90 are meant to
	// lie 80 % of the codes that come, or more. NaN beyond two years.
	DaysP10, DaysP50, DaysP90 float64
	Curve                     []CurvePoint
	Raw30, Raw90              float64 // before calibration, for Learner.Forecast
	Dropped                   float64 // how far the leak is of what has just dropped, 0 to 1
	Watched                   bool    // the vehicle's own monitor is among what is known,
	Followed                  bool    // and has been read within the last 30 days

	Limiting      insulation.Component // 0 if none can be named
	LimitingShare float64              // of the chance within 90 days, what hangs on any of its groups
	Account       Account
	Parts         []Part
	Missing       []string // test points never measured
	Doubts        []Doubt  // recent rows set aside or doubted
	// Unsettled is the doubted last look at a part that lies below the part's limit, where nothing else speaks for or against it
	// and nothing else about the vehicle is known to be wrong; without a Cause: there is none. The chances leave it out.
	Unsettled Doubt

	CodeSet        time.Time // an isolation code was set and nothing has been done since; zero: none
	MonitorDefect  time.Time // a monitor defect code was set; its values since are not used; zero: none
	MeasureAgainBy time.Time // zero: no measurement is pressing within two years
	MeasureNext    Next
}
