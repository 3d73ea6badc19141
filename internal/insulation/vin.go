package insulation

import "strings"

// VINCheck is what a vehicle's id says as a vehicle identification number.
type VINCheck uint8

// What CheckVIN finds.
const (
	NotAVIN        VINCheck = iota + 1 // not 17 characters of A-Z without I, O, Q and 0-9
	VINPassed                          // the check digit fits
	VINFailed                          // the check digit does not fit; not an error, for it is not mandatory everywhere
	VINPlaceholder                     // seventeen zeros: fits by arithmetic, names no vehicle
)

// CheckVIN, of a VIN in capital or small letters, computes the check digit at position 9 by the values and weights of
// 49 CFR 565.15(c). The digit is mandatory in North America and not in Europe:
// a failed check deserves a note, never a rejection.
func CheckVIN(id string) VINCheck {
	const (
		letters = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
		values  = "012345678912345678123457923456789"
	)
	weights := [17]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}
	if len(id) != len(weights) {
		return NotAVIN
	}
	sum := 0
	capitals := []byte(id)
	for i, c := range capitals { // resource ids are in small letters
		if c >= 'a' && c <= 'z' {
			capitals[i] = c - 'a' + 'A'
		}
	}
	for i := range weights {
		k := strings.IndexByte(letters, capitals[i])
		if k < 0 {
			return NotAVIN
		}
		sum += weights[i] * int(values[k]-'0')
	}
	if id == strings.Repeat("0", len(weights)) {
		return VINPlaceholder
	}
	if "0123456789X"[sum%11] != capitals[8] {
		return VINFailed
	}
	return VINPassed
}
