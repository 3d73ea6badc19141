// Package insulation is the domain: readings of insulation resistance, the
// platforms they are taken on, and what can be said of one reading or one
// visit at once. It does no input or output and knows no database, no wire
// format and no clock: time is an argument.
//
// Units throughout: ohm, volt, second, degree Celsius, percent relative
// humidity. A level is y = log10(ohm); a decade is a factor of ten.
package insulation

import (
	"math"
	"time"
)

// Method says how a reading was obtained.
type Method uint8

// Methods. The zero value is invalid.
const (
	Tester    Method = iota + 1 // insulation tester, circuit de-energised
	Monitor                     // the vehicle's on-board monitor, live
	Voltmeter                   // live, two-step voltmeter method with a known resistor
)

// Component names the part of the high-voltage circuit that was measured.
type Component uint8

// Components. System is the whole vehicle.
const (
	Battery Component = iota + 1
	Cable
	Inverter
	Motor
	Generator
	Compressor
	Converter
	Charger
	Heater
	FuelCell
	System
)

// Conductor names what the tester's live lead was connected to.
type Conductor uint8

// Conductors. AllConductors means all live conductors of the component tied together.
const (
	HVPlus Conductor = iota + 1
	HVMinus
	PhaseU
	PhaseV
	PhaseW
	AllConductors
)

// Reference names what the tester's return lead was connected to.
type Reference uint8

// References.
const (
	Chassis Reference = iota + 1
	Shield
)

// Relation says how the stated resistance relates to the true one.
type Relation uint8

// Relations. Above is an over-range reading: the true value lies above the
// stated one (right-censored). Below is its mirror image at the bottom of range.
const (
	Equal Relation = iota + 1
	Above
	Below
)

// Quantity says which of the two whole-vehicle quantities a reading of
// component System is. The two are never mixed in one track:
// parallel <= weaker pole <= 2 x parallel.
type Quantity uint8

// Quantities. Parallel is both poles' insulation in parallel (an insulation
// tester with the poles tied together, the one-step voltmeter form, most
// monitors); WeakerPole is the lesser of the two (UN R100 and FMVSS 305 forms).
const (
	Parallel Quantity = iota + 1
	WeakerPole
)

// Moisture says whether the part was wet or dry when a reading was taken, as
// the technician tagged it. Zero is not stated.
type Moisture uint8

// Moisture tags.
const (
	Dry Moisture = iota + 1
	Wet
)

// Warmth says whether the part was cold or hot when a reading was taken, as
// the technician tagged it. Zero is not stated.
type Warmth uint8

// Warmth tags.
const (
	Cold Warmth = iota + 1
	Hot
)

// Precautions are what the technician states was done before and after the
// test. Unknown (nil) is not the same as no.
type Precautions struct {
	LockedOut        *bool     // supply isolated, locked and tagged
	WaitedSeconds    *float64  // wait for capacitors, s
	ZeroVoltsProven  *bool     // on a tester proven before and after on a known source
	GlovesTested     time.Time // date of the gloves' last electrical test; zero if not stated
	GlovesAirTested  *bool     // air test on the day of use
	EyeProtection    *bool
	DischargedAfter  *bool // circuit discharged after the test
	ResidualVolts    *float64
	SecondPersonNear *bool
}

// Reading is one insulation-resistance reading as it was taken. Fields that
// were not taken or do not apply are NaN (floats) or empty (strings, times).
type Reading struct {
	ID       string // identity given by the sender, or derived from the content
	Shop     string // shop id, without the collection prefix
	Vehicle  string // vehicle id
	Platform string // platform id
	Visit    string // visit id; empty if the sender gave none

	MeasuredAt time.Time // at the meter
	ReceivedAt time.Time // when intake acknowledged it; zero in old records

	Method    Method
	Component Component
	Conductor Conductor
	Reference Reference
	Quantity  Quantity // Parallel unless Component is System and the method returns the weaker pole

	Relation      Relation
	Ohms          float64 // resistance; for Above the top of the meter's range, for Below its bottom
	TestVolts     float64 // applied DC test voltage, V; NaN if not stated
	HoldSeconds   float64 // time the voltage was held before reading, s; NaN for a monitor
	AirCelsius    float64 // ambient temperature, C; NaN if not taken
	HumidityPct   float64 // relative humidity, %; NaN if not taken
	PartCelsius   float64 // temperature of the part itself, C; NaN if not taken
	Moisture      Moisture
	Warmth        Warmth
	Meter         string  // meter id; empty if not stated
	RangeOhms     float64 // top of the range in use, ohm; NaN if not stated
	CalibratedAt  time.Time
	Qualification string // technician's qualification as stated, never a name
	Precautions   Precautions
}

// Level returns y = log10(ohm).
func (r *Reading) Level() float64 { return math.Log10(r.Ohms) }
