package insulation_test

import (
	"strings"
	"testing"

	"creepage/internal/insulation"
)

// Exactly one of the eleven check digits fits a VIN (49 CFR 565.15(c)), and what
// has another length or letter is none.
func FuzzCheckVIN(f *testing.F) {
	f.Add("1M8GDM9AXKP042788") // the published test number of 49 CFR 565.15
	f.Add("1m8gdm9axkp042788")
	f.Add("11111111111111111")
	f.Add("00000000000000000")
	f.Add("1M8GDM9A_KP042788")
	f.Add("truck-17")
	f.Add("IOQ\x00ÄÖÜ")
	f.Fuzz(func(t *testing.T, id string) {
		got := insulation.CheckVIN(id)
		if got == insulation.NotAVIN || got == insulation.VINPlaceholder {
			if got == insulation.NotAVIN && len(id) == 17 && strings.Trim(id, "0123456789ABCDEFGHJKLMNPRSTUVWXYZ") == "" {
				t.Fatalf("%q has the form of a VIN", id)
			}
			return
		}
		fits := 0
		for _, digit := range "0123456789X" {
			switch insulation.CheckVIN(id[:8] + string(digit) + id[9:]) {
			case insulation.VINPassed, insulation.VINPlaceholder:
				fits++
			}
		}
		if fits != 1 {
			t.Fatalf("%d check digits fit %q", fits, id)
		}
	})
}
