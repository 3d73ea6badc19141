package insulation

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// What readings are compared by.
const (
	StandardHoldSeconds = 60.0                 // IEEE 43: the one-minute value
	longHoldSeconds     = 90.0                 // judgement: from here on the value has climbed visibly
	testVoltsTolerance  = 0.10                 // judgement: a meter's output is rated no closer
	MaxCalibrationAge   = 366 * 24 * time.Hour // common practice, no source: once a year
	glovesTestMonths    = 6                    // 29 CFR 1910.137(c)(2), table I-5 (I-6 in older editions)
	ratedLoadOhmsPerV   = 1000.0               // IEC 61557-2 6.4: the rated current flows at U_N x 1000 ohm/V
	weakVoltmeterOhms   = 10e6                 // the meter's own least resistance in UN R100
	minMeterCelsius     = 0.0                  // IEC 61557-2: rated operating range
	maxMeterCelsius     = 35.0
	maxResidualVolts    = 20.0 // V left before a test, IEEE 43
)

// Verdict is a reading against its limit.
type Verdict uint8

// Verdicts.
const (
	Met           Verdict = iota + 1
	NotMet                // below the limit
	CannotTell            // the reading is a bound on the wrong side of the limit
	NotApplicable         // no limit is known
)

// String returns the verdict's word.
func (v Verdict) String() string {
	return word([]string{Met: "met", NotMet: "not_met", CannotTell: "cannot_tell", NotApplicable: "not_applicable"}, uint8(v))
}

// Words returns the verdict as a person says it.
func (v Verdict) Words() string {
	return word([]string{Met: "met", NotMet: "not met", CannotTell: "cannot tell", NotApplicable: "no limit known"}, uint8(v))
}

// Assessment is what can be said of one reading at once.
type Assessment struct {
	ServiceLimit Verdict
	LimitOhms    float64 // NaN where no limit is known
	LimitName    string  // what the limit is called, such as service limit
	Notes        []Note  // in the order of their codes
}

// Assess holds a reading against the limit of its platform's test point (for
// the whole vehicle without a test point of its own: the code limit) and lists
// what makes it less comparable. p may be nil where the platform is not known.
// The reading must be valid (Validate). now serves only where the reading has
// no time of its own.
func Assess(r *Reading, p *Platform, now time.Time) Assessment {
	when := r.MeasuredAt
	if when.IsZero() {
		when = now
	}
	var n notes
	limit := limitOf(r, p, &n)
	a := Assessment{LimitOhms: limit.ohms, LimitName: limit.what, ServiceLimit: limit.verdict(r)}
	noteRange(&n, r, limit.ohms, a.ServiceLimit)
	if why := Impossible(r.Method, r.Ohms); why != "" {
		n.add(NoteImpossible, "%s: it stays on record, and the trend sets it aside; measure again", why)
	}
	noteConditions(&n, r)
	if r.Method == Tester {
		noteHold(&n, r)
		noteTestVolts(&n, r, p, limit.point)
	}
	if r.Method == Voltmeter && r.Relation != Below && r.Ohms > weakVoltmeterOhms {
		n.add(NoteVoltmeterWeak, "%s is above %s, the least resistance a voltmeter for this method may have itself: the value hangs on a few volts", FormatOhms(r.Ohms), FormatOhms(weakVoltmeterOhms))
	}
	if r.Method != Monitor {
		noteMeter(&n, r, when)
		noteSafety(&n, r, when)
	}
	noteVehicle(&n, r)
	slices.SortStableFunc(n, func(a, b Note) int { return int(a.Code) - int(b.Code) })
	a.Notes = n
	return a
}

// limit is the least acceptable resistance and how a reading relates to it.
type limit struct {
	ohms  float64
	point *Point
	what  string
	// The reading times low..high is the quantity the limit is about.
	low, high float64
}

func limitOf(r *Reading, p *Platform, n *notes) limit {
	none := limit{ohms: math.NaN(), low: 1, high: 1}
	if p == nil {
		n.add(NotePlatformUnknown, "the platform is not known, so neither are its limits")
		return none
	}
	if point := p.Point(r.Component, r.Conductor, r.Reference); point != nil {
		l := limit{ohms: point.LimitOhms, point: point, what: "service limit", low: 1, high: 1}
		if !(l.ohms > 0) {
			n.add(NotePointUnknown, "platform %s states no limit for %s %s to %s", p.ID, r.Component, r.Conductor, r.Reference)
			l.ohms = math.NaN()
		}
		return l
	}
	if r.Component != System {
		n.add(NotePointUnknown, "platform %s has no test point %s %s to %s", p.ID, r.Component, r.Conductor, r.Reference)
		return none
	}
	return codeLimitOf(r, p, n, none)
}

func codeLimitOf(r *Reading, p *Platform, n *notes, none limit) limit {
	code := p.CodeLimit()
	if !(code > 0) {
		n.add(NotePointUnknown, "platform %s states neither a code limit nor a working voltage", p.ID)
		return none
	}
	l := limit{ohms: code, what: "code limit", low: 1, high: 1}
	quantity := max(r.Quantity, Parallel)
	if wanted := p.CodeQuantityOrDefault(); quantity != wanted {
		// parallel <= weaker pole <= 2 x parallel, from R+ // R- with R+ <= R- or the reverse.
		if wanted == WeakerPole {
			l.low, l.high = 1, 2
		} else {
			l.low, l.high = 0.5, 1
		}
		n.add(NoteQuantityDiffers, "the reading is the %s, the code limit is about the %s: it is %v to %v times the reading", quantityName(quantity), quantityName(wanted), l.low, l.high)
	}
	return l
}

func quantityName(q Quantity) string {
	if q == WeakerPole {
		return "weaker pole"
	}
	return "parallel of both poles"
}

func (l limit) verdict(r *Reading) Verdict {
	switch {
	case math.IsNaN(l.ohms):
		return NotApplicable
	case r.Relation != Below && r.Ohms*l.low >= l.ohms:
		return Met
	// "<" at the limit itself lies below it.
	case r.Relation == Equal && r.Ohms*l.high < l.ohms, r.Relation == Below && r.Ohms*l.high <= l.ohms:
		return NotMet
	}
	return CannotTell
}

// Sentence is the verdict on the reading that was assessed, with its numbers.
func (a *Assessment) Sentence(r *Reading) string {
	value, least := FormatResistance(r.Relation, r.Ohms), FormatOhms(a.LimitOhms)
	switch a.ServiceLimit {
	case Met:
		return fmt.Sprintf("%s meets the %s of %s", value, a.LimitName, least)
	case NotMet:
		below := "below"
		if value == least { // 9.999 MΩ is 10 MΩ to three figures
			below = "just below"
		}
		return fmt.Sprintf("%s is %s the %s of %s", value, below, a.LimitName, least)
	case CannotTell:
		return fmt.Sprintf("%s does not tell whether the %s of %s is met", value, a.LimitName, least)
	}
	return value + ", no limit known"
}

func noteRange(n *notes, r *Reading, limitOhms float64, verdict Verdict) {
	switch r.Relation {
	case Above:
		if verdict == Met { // the relation says all there is to say
			return
		}
		n.add(NoteOverRange, "over range: the true value lies above %s", FormatOhms(r.Ohms))
		if r.Ohms < limitOhms {
			n.add(NoteRangeTooLow, "the meter's range ends at %s, below the limit of %s: use a higher range", FormatOhms(r.Ohms), FormatOhms(limitOhms))
		}
	case Below:
		n.add(NoteBelowRange, "below range: the true value lies below %s", FormatOhms(r.Ohms))
	}
}

func noteConditions(n *notes, r *Reading) {
	if math.IsNaN(r.AirCelsius) && math.IsNaN(r.PartCelsius) {
		n.add(NoteTemperatureMissing, "no temperature: ten degrees are up to a factor of two")
	}
	if math.IsNaN(r.HumidityPct) {
		n.add(NoteHumidityMissing, "no relative humidity: a damp day lowers a surface by up to two decades")
	}
	margin, dewPoint, ok := r.partDewPoint()
	switch {
	case ok && margin <= 0:
		n.add(NoteBelowDewPoint, "the part at %s °C is at or below the air's dew point of %.1f °C: there is moisture on it; measure again dry", number(r.PartCelsius), dewPoint)
	case ok && margin <= NearDewPointCelsius:
		n.add(NoteNearDewPoint, "the part at %s °C is only %.1f °C above the air's dew point of %.1f °C", number(r.PartCelsius), margin, dewPoint)
	}
}

func noteHold(n *notes, r *Reading) {
	switch {
	case math.IsNaN(r.HoldSeconds):
		n.add(NoteHoldMissing, "hold time not stated; compare only values taken after %v s", StandardHoldSeconds)
	case r.HoldSeconds < StandardHoldSeconds:
		n.add(NoteHoldShort, "held %s s instead of %v s: the value was still climbing", number(r.HoldSeconds), StandardHoldSeconds)
	case r.HoldSeconds > longHoldSeconds:
		n.add(NoteHoldLong, "held %s s instead of %v s: the value has climbed further", number(r.HoldSeconds), StandardHoldSeconds)
	}
}

func noteTestVolts(n *notes, r *Reading, p *Platform, point *Point) {
	if math.IsNaN(r.TestVolts) {
		n.add(NoteTestVoltsMissing, "test voltage not stated")
		return
	}
	if point != nil && point.TestVolts > 0 && math.Abs(r.TestVolts/point.TestVolts-1) > testVoltsTolerance {
		n.add(NoteTestVoltsDiffer, "tested at %s V, the test point asks for %s V", number(r.TestVolts), number(point.TestVolts))
	}
	if p != nil && p.MaxWorkingVolts > 0 {
		switch {
		case r.TestVolts < p.MaxWorkingVolts/2:
			n.add(NoteTestVoltsBelowHalf, "%s V is less than half the working voltage of %s V (UN R100)", number(r.TestVolts), number(p.MaxWorkingVolts))
		case r.TestVolts < p.MaxWorkingVolts:
			n.add(NoteTestVoltsBelowWorking, "%s V is less than the maximum working voltage of %s V (ISO 6469-3)", number(r.TestVolts), number(p.MaxWorkingVolts))
		}
	}
	if r.Relation != Above && r.Ohms < r.TestVolts*ratedLoadOhmsPerV {
		n.add(NoteTestVoltsSagged, "below %s the meter need not hold %s V (IEC 61557-2): the value was taken at less", FormatOhms(r.TestVolts*ratedLoadOhmsPerV), number(r.TestVolts))
	}
}

func noteMeter(n *notes, r *Reading, when time.Time) {
	if !r.CalibratedAt.IsZero() && when.Sub(r.CalibratedAt) > MaxCalibrationAge {
		n.add(NoteCalibrationOld, "the meter was calibrated on %s, more than a year before the reading", r.CalibratedAt.Format(time.DateOnly))
	}
	if r.AirCelsius < minMeterCelsius || r.AirCelsius > maxMeterCelsius {
		n.add(NoteMeterTemperature, "%s °C is outside the %v to %v °C meters are rated for (IEC 61557-2)", number(r.AirCelsius), minMeterCelsius, maxMeterCelsius)
	}
}

func noteSafety(n *notes, r *Reading, when time.Time) {
	p := &r.Precautions
	if r.Method == Tester {
		noteDeadCircuit(n, p)
	}
	if !p.GlovesTested.IsZero() && when.After(p.GlovesTested.AddDate(0, glovesTestMonths, 0)) {
		n.add(NoteGlovesOld, "the gloves were tested on %s, more than six months before: good practice after 29 CFR 1910.137 is a test every six months", p.GlovesTested.Format(time.DateOnly))
	}
	if no(p.GlovesAirTested) {
		n.add(NoteGlovesNotAirTested, "no air test of the gloves on the day")
	}
	if no(p.EyeProtection) {
		n.add(NoteNoEyeProtection, "no eye protection")
	}
}

func noteDeadCircuit(n *notes, p *Precautions) {
	if no(p.ZeroVoltsProven) {
		n.add(NoteZeroVoltsNotProven, "zero volts was not proven before the test")
	}
	if p.ResidualVolts != nil && *p.ResidualVolts >= maxResidualVolts {
		n.add(NoteResidualVolts, "%s V was left on the circuit; IEEE 43 asks for less than %v V before a test", number(*p.ResidualVolts), maxResidualVolts)
	}
	if no(p.LockedOut) {
		n.add(NoteNotLockedOut, "the supply was not locked out")
	}
	if no(p.DischargedAfter) {
		n.add(NoteNotDischarged, "the circuit was not discharged after the test")
	}
}

func no(answer *bool) bool { return answer != nil && !*answer }

func noteVehicle(n *notes, r *Reading) {
	switch CheckVIN(r.Vehicle) {
	case VINFailed:
		n.add(NoteVINFailed, "the vehicle id looks like a VIN, but its check digit does not fit (49 CFR 565.15; not mandatory everywhere)")
	case VINPlaceholder:
		n.add(NoteVINPlaceholder, "the vehicle id is seventeen zeros: a placeholder")
	}
}
