package insulation

import (
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
)

// TroubleCode is a diagnostic trouble code.
type TroubleCode struct {
	Code        string // five characters as in SAE J2012 / ISO 15031-6, such as P0AA6
	FailureType int    // failure-type byte of the three-byte form (ISO 14229-1, J2012-DA); -1 where there is none
}

// String writes the code, with the failure type where there is one: P0AA6-00.
func (t TroubleCode) String() string {
	if t.FailureType < 0 {
		return t.Code
	}
	return fmt.Sprintf("%s-%02X", t.Code, t.FailureType)
}

// TroubleCodeFromBytes reads a two-byte or three-byte trouble code. In the
// first two bytes, bits 15-14 are P, C, B, U, bits 13-12 the first digit, then
// three hexadecimal digits (SAE J2012 / ISO 15031-6); a third byte is the failure type.
func TroubleCodeFromBytes(b []byte) (TroubleCode, error) {
	if len(b) != 2 && len(b) != 3 {
		return TroubleCode{}, fmt.Errorf("trouble code %X has %d bytes; allowed are 2 or 3", b, len(b))
	}
	t := TroubleCode{FailureType: -1}
	t.Code = fmt.Sprintf("%c%d%01X%02X", "PCBU"[b[0]>>6], b[0]>>4&3, b[0]&15, b[1])
	if len(b) == 3 {
		t.FailureType = int(b[2])
	}
	return t, nil
}

// ParseTroubleCode reads P0AA6, P0AA6-00, P0AA600, or the bytes in hexadecimal: 0AA6, 0AA600, 0AA6h.
func ParseTroubleCode(text string) (TroubleCode, error) {
	s := strings.ToUpper(strings.TrimSpace(text))
	allowed := fmt.Errorf("trouble code %q: allowed is a letter P, C, B or U, a digit 0 to 3 and three hexadecimal digits, with or without a failure type (P0AA6, P0AA6-00), or 2 or 3 bytes in hexadecimal", text)
	if s == "" {
		return TroubleCode{}, allowed
	}
	system := strings.IndexByte("PCBU", s[0])
	// A code in hexadecimal may itself begin with B or C; it then has an even number of digits.
	bytes, isHex := strings.CutSuffix(s, "H")
	body := strings.Replace(s, "-", "", 1)
	if !isHex && system >= 0 && (len(body) == 5 || len(body) == 7) {
		if body[1] < '0' || body[1] > '3' {
			return TroubleCode{}, allowed
		}
		bytes = fmt.Sprintf("%X%s", system<<2|int(body[1]-'0'), body[2:])
	}
	b, err := hex.DecodeString(bytes)
	if err != nil {
		return TroubleCode{}, allowed
	}
	t, err := TroubleCodeFromBytes(b)
	if err != nil {
		return TroubleCode{}, allowed
	}
	return t, nil
}

// IsolationFault says whether the code means that the isolation resistance of
// the vehicle or its charging system is too low.
func (t TroubleCode) IsolationFault() bool { return slices.Contains(IsolationCodes(), t.Code) }

// IsolationCodes lists the codes that mean so. The set is curated by hand:
// P0AA6 (SAE J2012) and P0DAA (from memory); makers' own codes are left out.
func IsolationCodes() []string { return []string{"P0AA6", "P0DAA"} }

// MonitorDefect says whether the code means that the isolation monitor itself
// is at fault (P0AA7 to P0AAB, SAE J2012; P0AAA from memory): not an isolation
// fault, but on-board values are not to be trusted while it stands.
func (t TroubleCode) MonitorDefect() bool {
	switch t.Code {
	case "P0AA7", "P0AA8", "P0AA9", "P0AAA", "P0AAB":
		return true
	}
	return false
}

// TroubleStatus is the status byte of a trouble code (ISO 14229-1).
type TroubleStatus byte

// Bits of the status byte.
const (
	TestFailed TroubleStatus = 1 << iota
	TestFailedThisCycle
	Pending
	Confirmed
	NotCompletedSinceClear
	FailedSinceClear
	NotCompletedThisCycle
	WarningLamp
)

var statusBits = []string{"failed now", "failed this cycle", "pending", "confirmed", "not completed since cleared", "failed since cleared", "not completed this cycle", "warning lamp requested"}

// Has says whether all of the given bits are set.
func (s TroubleStatus) Has(bits TroubleStatus) bool { return s&bits == bits }

// String lists the bits that are set.
func (s TroubleStatus) String() string {
	var set []string
	for i, name := range statusBits {
		if s&(1<<i) != 0 {
			set = append(set, name)
		}
	}
	return strings.Join(set, ", ")
}
