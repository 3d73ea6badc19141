package insulation

import "fmt"

// Cautions are the usual cautions of high-voltage testing, in the project's own
// words; the one place they are worded. They are good practice after 29 CFR
// 1910.137 and 1910.333, IEEE 43 and UN R100, and yield to the vehicle maker's
// procedure and local codes.
func Cautions() []string {
	return []string{
		"High voltage kills. Only people qualified for high-voltage vehicles test them.",
		"The vehicle maker's procedure and the local codes come first; where they differ from this page, follow them.",
		"Switching off is not enough: capacitors and the battery itself stay charged.",
		"The tester's own output is dangerous, and it charges the circuit under test.",
		"Never use an insulation tester on a live circuit, nor across electronics that the maker excludes.",
		"A good reading is a record of one test. It does not declare the vehicle safe.",
	}
}

// PrecautionsBefore are the steps before a test with an insulation tester, in
// order, for a circuit of the given maximum working voltage (V; NaN or 0: not known).
func PrecautionsBefore(workingVolts float64) []string {
	gloves := "Wear class 0 gloves (up to 1500 V DC) with leather protectors, electrically tested within the last six months; look them over and test them with air today. Wear eye protection. No rings, no watch."
	if workingVolts > maxClass0Volts {
		gloves = fmt.Sprintf("%s V is beyond class 0 gloves (1500 V DC): take the class the maker's procedure asks for, electrically tested within the last six months and tested with air today. Wear eye protection. No rings, no watch.", number(workingVolts))
	}
	return []string{
		"Bar the area; a second person who can help stays near.",
		gloves,
		"Switch the vehicle off and take the key away. Open the service disconnect, lock it out and tag it.",
		"Wait for the capacitors as long as the maker states.",
		"Prove the voltage tester on a known live source.",
		fmt.Sprintf("Prove zero volts: pole to pole and each pole to chassis, each below %v V DC, and below %v V before an insulation test.", SafeDCVolts, maxResidualVolts),
		"Prove the voltage tester on the known live source again. Until then treat the circuit as live.",
		"Stop or disconnect the on-board isolation monitor if it disturbs the reading.",
	}
}

// PrecautionsAfter are the steps after a test held for the given time in s.
func PrecautionsAfter(holdSeconds float64) []string {
	return []string{
		fmt.Sprintf("Discharge the circuit through the tester for at least four times the test time (%s s) and prove zero volts again.", number(4*holdSeconds)),
		"Note the meter, its range, the temperature and the relative humidity with each reading.",
		"Put back what was disconnected by the maker's procedure; remove lock and tag last, by whoever set them.",
	}
}

// maxClass0Volts is the highest DC voltage for class 0 gloves (29 CFR 1910.137, IEC 60903).
const maxClass0Volts = 1500.0
