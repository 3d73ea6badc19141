package wire

import (
	"regexp"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
)

// troubleCode is the shape of a diagnostic trouble code: system letter and
// four hexadecimal digits (SAE J2012, ISO 15031-6), perhaps followed by a
// failure type byte.
var troubleCode = regexp.MustCompile(`^[PBCU][0-3][0-9A-F]{3}(-[0-9A-F]{2})?$`)

// Code turns a message into a code seen on a vehicle. The error is a FieldErrors.
func Code(m *creepagev1.CodeSighting) (insulation.Code, error) {
	var r reader
	v := insulation.Code{
		Vehicle: r.requiredName("vehicle", Vehicles, m.GetVehicle()),
		Code:    m.GetCode(),
		SetAt:   r.requiredTime("set_time", m.GetSetTime()),
	}
	if !troubleCode.MatchString(v.Code) {
		r.fail("code", "%q is not a diagnostic trouble code such as P0AA6 or P0AA6-1A", v.Code)
	}
	return v, r.err()
}

// CodeMessage turns a code seen on a vehicle into its message.
func CodeMessage(v *insulation.Code) *creepagev1.CodeSighting {
	return &creepagev1.CodeSighting{Vehicle: Vehicles.Name(v.Vehicle), Code: v.Code, SetTime: Timestamp(v.SetAt)}
}
