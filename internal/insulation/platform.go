package insulation

import (
	"fmt"
	"time"
)

// DefaultCodeOhmsPerVolt is the code limit per volt of maximum working voltage
// where a platform states none: 500 ohm/V, the higher of the two limits of UN
// R100 para 5.1.3 and ISO 6469-4 5.2.3.
const DefaultCodeOhmsPerVolt = 500

// Bounds of what a platform may state. The voltages end where the cautions of a
// test do: they are worded for class 0 gloves, up to 1500 V DC, which is also the
// upper end of voltage class B (ISO 6469-3).
const (
	MinWorkingVolts, MaxWorkingVolts           = 10.0, maxClass0Volts // V; judgement: nothing below drives a vehicle
	MinPlatformTestVolts, MaxPlatformTestVolts = 50.0, maxClass0Volts // V; insulation testers begin at 50 V: common practice, no source
	MinCodeOhms, MaxCodeOhms                   = 1e3, 1e9             // judgement: codes stand at tens to hundreds of kilohm
	MinLimitOhms, MaxLimitOhms                 = 1e3, 1e12            // judgement: service limits stand at megohms
)

// Platform is a vehicle type: what its circuit works at, when its monitor sets
// the isolation code, and where it can be tested.
type Platform struct {
	ID              string
	Title           string
	MaxWorkingVolts float64  // V
	CodeOhms        float64  // whole-vehicle code limit, ohm; 0 means DefaultCodeOhmsPerVolt x MaxWorkingVolts
	CodeQuantity    Quantity // which whole-vehicle quantity the code limit is about; 0 means Parallel
	Points          []Point
	ValidFrom       time.Time // from when these limits hold; zero: always
}

// Point is a test point: a component's conductor against a reference, with the
// least acceptable resistance at a stated test voltage.
type Point struct {
	Component Component
	Conductor Conductor
	Reference Reference
	LimitOhms float64 // service limit, ohm
	TestVolts float64 // V
}

// CodeLimit returns the whole-vehicle code limit in ohm.
func (p *Platform) CodeLimit() float64 {
	if p.CodeOhms > 0 {
		return p.CodeOhms
	}
	return DefaultCodeOhmsPerVolt * p.MaxWorkingVolts
}

// CodeQuantityOrDefault returns the whole-vehicle quantity the code limit is about.
func (p *Platform) CodeQuantityOrDefault() Quantity {
	if p.CodeQuantity == 0 {
		return Parallel
	}
	return p.CodeQuantity
}

// Point returns the test point at the given place, or nil if the platform has none there.
func (p *Platform) Point(c Component, w Conductor, ref Reference) *Point {
	for i := range p.Points {
		if q := &p.Points[i]; q.Component == c && q.Conductor == w && q.Reference == ref {
			return q
		}
	}
	return nil
}

// EventKind is what was done to a component.
type EventKind uint8

// Event kinds.
const (
	Replaced EventKind = iota + 1
	Repaired
	Cleaned
)

// Event is something done to a component that starts its track anew, wholly or in part.
type Event struct {
	Vehicle    string
	Component  Component
	OccurredAt time.Time
	Kind       EventKind
}

// Code is a diagnostic trouble code seen on a vehicle, such as P0AA6.
type Code struct {
	Vehicle string
	Code    string
	SetAt   time.Time
}

// Holding returns the version of a platform that held at a time, nil if there is none.
func Holding(versions []Platform, id string, at time.Time) *Platform {
	var found *Platform
	for i := range versions {
		v := &versions[i]
		if v.ID == id && !v.ValidFrom.After(at) && (found == nil || !v.ValidFrom.Before(found.ValidFrom)) {
			found = v
		}
	}
	return found
}

// Plannable returns an error that names what of a platform lies beyond what a plan of a test, with its cautions, is made for.
func (p *Platform) Plannable() error {
	if p.MaxWorkingVolts < MinWorkingVolts || p.MaxWorkingVolts > MaxWorkingVolts {
		return fmt.Errorf("platform %q: max_working_volt %v: a plan is made for %v to %v V", p.ID, p.MaxWorkingVolts, MinWorkingVolts, MaxWorkingVolts)
	}
	for i := range p.Points {
		if v := p.Points[i].TestVolts; v != 0 && (v < MinPlatformTestVolts || v > MaxPlatformTestVolts) {
			return fmt.Errorf("platform %q: points[%d]: test_volt %v: a plan is made for %v to %v V, or none for 500 V up to 500 V working voltage and 1000 V above", p.ID, i, v, MinPlatformTestVolts, MaxPlatformTestVolts)
		}
	}
	return nil
}
