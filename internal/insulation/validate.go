package insulation

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Bounds of what a reading may state. They refuse what cannot be, not what is
// unusual: the unusual is accepted with a note.
const (
	ClockSkew = 5 * time.Minute           // how far a meter's clock may run ahead of ours
	MaxAge    = 30 * 365 * 24 * time.Hour // older than any high-voltage vehicle still on the road

	MinTestVolts, MaxTestVolts     = 1.0, 15000.0 // V; the highest test voltage any published table asks for is 10 kV
	MaxHoldSeconds                 = 7200.0       // s; a polarization index takes 600 s
	MinAirCelsius, MaxAirCelsius   = -60.0, 85.0
	MinPartCelsius, MaxPartCelsius = -60.0, 250.0 // a winding's hot spot stays below 250 C
	MaxHumidityPercent             = 100.0
	MaxWaitSeconds                 = 7 * 86400.0
	MaxResidualVolts               = 1500.0 // V, upper end of voltage class B DC (ISO 6469-3)
	MaxIDLength                    = 64     // characters of a resource id
	MaxReadingIDLength             = 128
	MaxQualificationLength         = 200
	rangeTolerance                 = 1.01 // a value may exceed the range by rounding only
	futureTolerance                = 24 * time.Hour
)

// Defaults fills what a sender may leave out because it follows from the rest:
// a whole-vehicle reading's conductor, reference and quantity. It changes
// nothing that was stated.
func (r *Reading) Defaults() {
	if r.Component == System {
		if r.Conductor == 0 {
			r.Conductor = AllConductors
		}
		if r.Reference == 0 {
			r.Reference = Chassis
		}
	}
	if r.Quantity == 0 {
		r.Quantity = Parallel
	}
}

// Validate reports everything that makes the reading unacceptable at the given
// time, in the order of the fields; nil if it is fine. Field paths are those of
// the contract's message.
func Validate(r *Reading, now time.Time) Violations {
	var v Violations
	checkIdentity(&v, r)
	checkTimes(&v, r, now)
	checkPlace(&v, r)
	checkResistance(&v, r)
	checkCircumstances(&v, r)
	checkPrecautions(&v, r)
	return v
}

func checkIdentity(v *Violations, r *Reading) {
	if r.ID != "" {
		checkText(v, "reading_id", r.ID, MaxReadingIDLength)
	}
	checkID(v, "shop", r.Shop, r.Method != Monitor) // an on-board value comes from no shop
	checkID(v, "vehicle", r.Vehicle, true)
	checkID(v, "platform", r.Platform, false)
	if r.Visit != "" {
		checkText(v, "visit", r.Visit, MaxReadingIDLength)
	}
	checkID(v, "meter", r.Meter, false)
	if r.Qualification != "" {
		checkText(v, "qualification", r.Qualification, MaxQualificationLength)
	}
}

func checkID(v *Violations, field, id string, required bool) {
	if id == "" {
		if required {
			v.add(field, id, "is required")
		}
		return
	}
	if DotsAlone(id) {
		v.add(field, id, "is what an address takes for a folder; allowed are letters a to z, digits and - _ . ~, not dots alone")
		return
	}
	if len(id) > MaxIDLength {
		v.add(field, id, "has %d characters; allowed are 1 to %d", len(id), MaxIDLength)
		return
	}
	for _, c := range id {
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
		if !letter && c != '-' && c != '_' && c != '.' && c != '~' {
			v.add(field, id, "allowed are letters a to z, digits and - _ . ~")
			return
		}
	}
}

// DotsAlone says whether an id is nothing but dots: an address takes one or two of
// them for a folder (RFC 3986, 5.2.4), so that what is called so could not be asked for.
func DotsAlone(id string) bool { return id != "" && strings.Trim(id, ".") == "" }

func checkText(v *Violations, field, text string, limit int) {
	if !utf8.ValidString(text) {
		v.add(field, text, "is not UTF-8")
		return
	}
	if n := utf8.RuneCountInString(text); n > limit {
		v.add(field, text, "has %d characters; allowed are 1 to %d", n, limit)
		return
	}
	for _, c := range text {
		if unicode.IsControl(c) {
			v.add(field, text, "control characters are not allowed")
			return
		}
	}
}

func checkTimes(v *Violations, r *Reading, now time.Time) {
	const layout = time.RFC3339
	switch {
	case r.MeasuredAt.IsZero():
		v.add("measure_time", "", "is required, as an RFC 3339 time such as 2026-03-02T09:15:00Z")
	case r.MeasuredAt.After(now.Add(ClockSkew)):
		v.add("measure_time", r.MeasuredAt.Format(layout), "lies in the future; allowed is up to %s after %s (check the meter's clock and time zone)", ClockSkew, now.UTC().Format(layout))
	case r.MeasuredAt.Before(now.Add(-MaxAge)):
		v.add("measure_time", r.MeasuredAt.Format(layout), "is too old; allowed is from %s on", now.Add(-MaxAge).UTC().Format(layout))
	}
	if r.CalibratedAt.After(now.Add(futureTolerance)) {
		v.add("calibration_time", r.CalibratedAt.Format(layout), "lies in the future; state when the meter was last calibrated, not when it is due")
	}
}

func checkPlace(v *Violations, r *Reading) {
	if r.Method.String() == "" {
		v.addWord("method", r.Method, "", methodWords[1:]...)
	}
	if r.Component.String() == "" {
		v.addWord("component", r.Component, "", componentWords[1:]...)
		return
	}
	live := r.Method == Monitor || r.Method == Voltmeter
	if live && r.Component != System {
		v.addWord("component", r.Component, fmt.Sprintf("a %s reading is of the whole vehicle", r.Method), System.String())
	}
	checkConductor(v, r, live)
	switch {
	case r.Reference.String() == "" && (r.Component != System || r.Reference != 0):
		v.addWord("reference", r.Reference, "", referenceWords[1:]...)
	case r.Component == System && r.Reference == Shield:
		v.addWord("reference", r.Reference, "the whole vehicle is measured to chassis", Chassis.String())
	}
	checkQuantity(v, r)
}

func checkConductor(v *Violations, r *Reading, live bool) {
	phase := r.Conductor == PhaseU || r.Conductor == PhaseV || r.Conductor == PhaseW
	switch {
	case r.Conductor == 0 && r.Component == System:
	case r.Conductor.String() == "":
		v.addWord("conductor", r.Conductor, "", conductorWords[1:]...)
	case phase && !r.Component.hasPhases():
		v.addWord("conductor", r.Conductor, fmt.Sprintf("a %s has no phases here", r.Component), HVPlus.String(), HVMinus.String(), AllConductors.String())
	case live && r.Conductor != AllConductors:
		v.addWord("conductor", r.Conductor, fmt.Sprintf("a %s reading is of the whole circuit", r.Method), AllConductors.String())
	}
}

// hasPhases says whether a component has alternating-current phases that a
// tester's lead can be put on.
func (c Component) hasPhases() bool {
	switch c {
	case Cable, Inverter, Motor, Generator, Compressor, Charger, Converter:
		return true
	}
	return false
}

func checkQuantity(v *Violations, r *Reading) {
	switch {
	case r.Quantity == 0:
	case r.Quantity.String() == "":
		v.addWord("quantity", r.Quantity, "", quantityWords[1:]...)
	case r.Quantity == WeakerPole && r.Component != System:
		v.addWord("quantity", r.Quantity, "only the whole vehicle (system) has a weaker pole", Parallel.String())
	case r.Quantity == WeakerPole && r.Method == Tester:
		v.addWord("quantity", r.Quantity, "an insulation tester with the poles tied together reads them in parallel", Parallel.String())
	}
}

func checkResistance(v *Violations, r *Reading) {
	if r.Relation.String() == "" {
		v.add("relation", uint8(r.Relation), "allowed are = (equal), > (above), < (below)")
	}
	ohmsFine := r.Ohms >= MinOhms && r.Ohms <= MaxOhms
	if !ohmsFine {
		v.add("resistance_ohms", r.Ohms, "allowed is %v to %v ohm; a meter that shows zero says only < its lowest value", MinOhms, MaxOhms)
	}
	if math.IsNaN(r.RangeOhms) {
		return
	}
	if !(r.RangeOhms >= MinOhms && r.RangeOhms <= MaxOhms) {
		v.add("range_ohms", r.RangeOhms, "allowed is %v to %v ohm, or nothing where it is not known", MinOhms, MaxOhms)
		return
	}
	if ohmsFine && r.Ohms > r.RangeOhms*rangeTolerance {
		if r.Relation == Above {
			v.add("resistance_ohms", r.Ohms, "an over-range reading states the top of the meter's range; allowed is at most range_ohms, %v", r.RangeOhms)
		} else {
			v.add("resistance_ohms", r.Ohms, "lies above the top of the meter's range; allowed is at most range_ohms, %v (did the meter show over-range?)", r.RangeOhms)
		}
	}
}

func checkCircumstances(v *Violations, r *Reading) {
	checkBetween(v, "test_volts", r.TestVolts, MinTestVolts, MaxTestVolts, "V")
	switch {
	case r.Method == Monitor && !math.IsNaN(r.HoldSeconds):
		v.add("hold_seconds", r.HoldSeconds, "a monitor holds no test voltage; leave it empty")
	case !math.IsNaN(r.HoldSeconds) && !(r.HoldSeconds > 0 && r.HoldSeconds <= MaxHoldSeconds):
		v.add("hold_seconds", r.HoldSeconds, "allowed is more than 0 and at most %v s, or nothing where it was not taken", MaxHoldSeconds)
	}
	checkBetween(v, "temperature_celsius", r.AirCelsius, MinAirCelsius, MaxAirCelsius, "C")
	if !math.IsNaN(r.HumidityPct) && !(r.HumidityPct > 0 && r.HumidityPct <= MaxHumidityPercent) {
		v.add("humidity_percent", r.HumidityPct, "allowed is more than 0 and at most 100 %%, or nothing where it was not taken")
	}
	checkBetween(v, "part_temperature_celsius", r.PartCelsius, MinPartCelsius, MaxPartCelsius, "C")
	if r.Moisture != 0 && r.Moisture.String() == "" {
		v.addWord("moisture", r.Moisture, "it may be left out", moistureWords[1:]...)
	}
	if r.Warmth != 0 && r.Warmth.String() == "" {
		v.addWord("warmth", r.Warmth, "it may be left out", warmthWords[1:]...)
	}
}

// checkBetween passes NaN, which means not taken.
func checkBetween(v *Violations, field string, value, low, high float64, unit string) {
	if !math.IsNaN(value) && !(value >= low && value <= high) {
		v.add(field, value, "allowed is %v to %v %s, or nothing where it was not taken", low, high, unit)
	}
}

func checkPrecautions(v *Violations, r *Reading) {
	p := &r.Precautions
	if p.WaitedSeconds != nil && !(*p.WaitedSeconds >= 0 && *p.WaitedSeconds <= MaxWaitSeconds) {
		v.add("precautions.waited_seconds", *p.WaitedSeconds, "allowed is 0 to %v s", MaxWaitSeconds)
	}
	if p.ResidualVolts != nil && !(*p.ResidualVolts >= 0 && *p.ResidualVolts <= MaxResidualVolts) {
		v.add("precautions.residual_volts", *p.ResidualVolts, "allowed is 0 to %v V", MaxResidualVolts)
	}
	if !p.GlovesTested.IsZero() && !r.MeasuredAt.IsZero() && p.GlovesTested.After(r.MeasuredAt.Add(futureTolerance)) {
		v.add("precautions.gloves_test_time", p.GlovesTested.Format(time.RFC3339), "lies after the measurement; state the gloves' last electrical test before it")
	}
}
