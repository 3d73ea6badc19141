package insulation

import (
	"fmt"
	"strings"
)

// NoteCode names one thing that makes a reading less comparable, less certain
// or less safe. The codes' order is the order in which notes are given.
type NoteCode uint8

// Note codes. What was not stated of the meter and of precautions is no note: it
// is read off the reading itself, and the record of a visit names it.
const (
	NotePlatformUnknown       NoteCode = iota + 1 // the platform is not known: no limits
	NotePointUnknown                              // the platform has no such test point: no limit
	NoteQuantityDiffers                           // whole-vehicle reading of the other quantity than the code limit's
	NoteOverRange                                 // the true value lies above the stated one, and the limit is not known to be met
	NoteRangeTooLow                               // over-range, but the meter's range ends below the limit
	NoteBelowRange                                // the true value lies below the stated one
	NoteImpossible                                // no reading can have this value: the trend sets it aside
	NoteTemperatureMissing                        // neither air nor part temperature was taken
	NoteHumidityMissing                           // no relative humidity was taken
	NoteNearDewPoint                              // part within NearDewPointCelsius above the dew point
	NoteBelowDewPoint                             // part at or below the dew point: moisture on the surface
	NoteHoldMissing                               // hold time not stated
	NoteHoldShort                                 // read before StandardHoldSeconds
	NoteHoldLong                                  // read well after StandardHoldSeconds
	NoteTestVoltsMissing                          // test voltage not stated
	NoteTestVoltsDiffer                           // other test voltage than the test point's
	NoteTestVoltsBelowHalf                        // below half the working voltage (UN R100)
	NoteTestVoltsBelowWorking                     // below the maximum working voltage (ISO 6469-3)
	NoteTestVoltsSagged                           // so low a value loads the meter: it was taken at less than the stated voltage
	NoteVoltmeterWeak                             // so high a value hangs on a few volts of the voltmeter method
	NoteCalibrationOld                            // calibrated more than MaxCalibrationAge before the reading
	NoteMeterTemperature                          // outside a meter's rated operating range
	NoteZeroVoltsNotProven                        // stated: zero volts not proven
	NoteResidualVolts                             // voltage left on the circuit before the test
	NoteNotLockedOut                              // stated: not locked out
	NoteGlovesOld                                 // gloves tested more than six months before
	NoteGlovesNotAirTested                        // stated: no air test on the day
	NoteNoEyeProtection                           // stated: no eye protection
	NoteNotDischarged                             // stated: not discharged after the test
	NoteVINFailed                                 // vehicle id looks like a VIN whose check digit does not fit
	NoteVINPlaceholder                            // vehicle id is a placeholder
)

var noteWords = []string{
	NotePlatformUnknown: "platform_unknown", NotePointUnknown: "point_unknown", NoteQuantityDiffers: "quantity_differs",
	NoteOverRange: "over_range", NoteRangeTooLow: "range_too_low", NoteBelowRange: "below_range", NoteImpossible: "impossible",
	NoteTemperatureMissing: "temperature_missing", NoteHumidityMissing: "humidity_missing",
	NoteNearDewPoint: "near_dew_point", NoteBelowDewPoint: "below_dew_point",
	NoteHoldMissing: "hold_missing", NoteHoldShort: "hold_short", NoteHoldLong: "hold_long",
	NoteTestVoltsMissing: "test_volts_missing", NoteTestVoltsDiffer: "test_volts_differ", NoteTestVoltsBelowHalf: "test_volts_below_half",
	NoteTestVoltsBelowWorking: "test_volts_below_working", NoteTestVoltsSagged: "test_volts_sagged", NoteVoltmeterWeak: "voltmeter_weak",
	NoteCalibrationOld: "calibration_old", NoteMeterTemperature: "meter_temperature",
	NoteZeroVoltsNotProven: "zero_volts_not_proven", NoteResidualVolts: "residual_volts",
	NoteNotLockedOut: "not_locked_out", NoteGlovesOld: "gloves_old", NoteGlovesNotAirTested: "gloves_not_air_tested",
	NoteNoEyeProtection: "no_eye_protection", NoteNotDischarged: "not_discharged",
	NoteVINFailed: "vin_failed", NoteVINPlaceholder: "vin_placeholder",
}

// String returns the code's word, such as hold_short.
func (c NoteCode) String() string { return word(noteWords, uint8(c)) }

// NoteCodes lists every code in order.
func NoteCodes() []NoteCode {
	codes := make([]NoteCode, 0, len(noteWords)-1)
	for i := 1; i < len(noteWords); i++ {
		codes = append(codes, NoteCode(i))
	}
	return codes
}

// ParseNoteCode reads a code's word.
func ParseNoteCode(s string) (NoteCode, error) { return parseWord[NoteCode]("note", noteWords, s) }

// NoteTopic says what a note is about.
type NoteTopic uint8

// Topics.
const (
	AboutLimit      NoteTopic = iota + 1 // which limit, and whether it can be told
	AboutComparison                      // whether the reading compares with others
	AboutMeter
	AboutSafety
	AboutVehicle
)

// String returns the topic's word.
func (t NoteTopic) String() string {
	return word([]string{AboutLimit: "limit", AboutComparison: "comparison", AboutMeter: "meter", AboutSafety: "safety", AboutVehicle: "vehicle"}, uint8(t))
}

// Topic returns what the code is about.
func (c NoteCode) Topic() NoteTopic {
	switch {
	case c.String() == "":
		return 0
	case c <= NoteQuantityDiffers || c == NoteRangeTooLow:
		return AboutLimit
	case c <= NoteVoltmeterWeak:
		return AboutComparison
	case c <= NoteMeterTemperature:
		return AboutMeter
	case c <= NoteNotDischarged:
		return AboutSafety
	}
	return AboutVehicle
}

// Note is one remark on a reading: its code and the same in plain words, with
// the numbers that led to it.
type Note struct {
	Code NoteCode
	Text string
}

type notes []Note

func (n *notes) add(code NoteCode, format string, args ...any) {
	*n = append(*n, Note{Code: code, Text: fmt.Sprintf(format, args...)})
}

// number writes a quantity without needless digits.
func number(v float64) string { return strings.TrimSuffix(fmt.Sprintf("%.4g", v), ".0") }
