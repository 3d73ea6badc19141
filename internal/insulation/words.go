package insulation

import (
	"fmt"
	"strings"
)

// The words of each set as files and people write them: lower case, singular.
var (
	methodWords    = []string{Tester: "tester", Monitor: "monitor", Voltmeter: "voltmeter"}
	componentWords = []string{Battery: "battery", Cable: "cable", Inverter: "inverter", Motor: "motor", Generator: "generator",
		Compressor: "compressor", Converter: "converter", Charger: "charger", Heater: "heater", FuelCell: "fuel_cell", System: "system"}
	conductorWords = []string{HVPlus: "hv_plus", HVMinus: "hv_minus", PhaseU: "phase_u", PhaseV: "phase_v", PhaseW: "phase_w", AllConductors: "all"}
	referenceWords = []string{Chassis: "chassis", Shield: "shield"}
	relationWords  = []string{Equal: "=", Above: ">", Below: "<"}
	quantityWords  = []string{Parallel: "parallel", WeakerPole: "weaker_pole"}
	moistureWords  = []string{Dry: "dry", Wet: "wet"}
	warmthWords    = []string{Cold: "cold", Hot: "hot"}
	eventWords     = []string{Replaced: "replaced", Repaired: "repaired", Cleaned: "cleaned"}
)

func word(words []string, i uint8) string {
	if int(i) < len(words) {
		return words[i]
	}
	return ""
}

func parseWord[T ~uint8](what string, words []string, s string) (T, error) {
	for i := 1; i < len(words); i++ {
		if words[i] == s {
			return T(i), nil
		}
	}
	return 0, fmt.Errorf("%s %q is none of %s", what, s, strings.Join(words[1:], ", "))
}

// String returns the word for the method, or "" if it is not valid.
func (m Method) String() string { return word(methodWords, uint8(m)) }

// String returns the word for the component, or "" if it is not valid.
func (c Component) String() string { return word(componentWords, uint8(c)) }

// String returns the word for the conductor, or "" if it is not valid.
func (c Conductor) String() string { return word(conductorWords, uint8(c)) }

// String returns the word for the reference, or "" if it is not valid.
func (r Reference) String() string { return word(referenceWords, uint8(r)) }

// String returns the relation's sign: =, > or <.
func (r Relation) String() string { return word(relationWords, uint8(r)) }

// String returns the word for the quantity, or "" if it is not valid.
func (q Quantity) String() string { return word(quantityWords, uint8(q)) }

// String returns the word for the moisture tag, or "" if it is not stated.
func (m Moisture) String() string { return word(moistureWords, uint8(m)) }

// String returns the word for the warmth tag, or "" if it is not stated.
func (w Warmth) String() string { return word(warmthWords, uint8(w)) }

// String returns the word for the kind of event, or "" if it is not valid.
func (k EventKind) String() string { return word(eventWords, uint8(k)) }

// ParseMethod reads a method's word.
func ParseMethod(s string) (Method, error) { return parseWord[Method]("method", methodWords, s) }

// ParseComponent reads a component's word.
func ParseComponent(s string) (Component, error) {
	return parseWord[Component]("component", componentWords, s)
}

// ParseConductor reads a conductor's word.
func ParseConductor(s string) (Conductor, error) {
	return parseWord[Conductor]("conductor", conductorWords, s)
}

// ParseReference reads a reference's word.
func ParseReference(s string) (Reference, error) {
	return parseWord[Reference]("reference", referenceWords, s)
}

// ParseRelation reads a relation's sign.
func ParseRelation(s string) (Relation, error) {
	return parseWord[Relation]("relation", relationWords, s)
}

// ParseQuantity reads a quantity's word.
func ParseQuantity(s string) (Quantity, error) {
	return parseWord[Quantity]("quantity", quantityWords, s)
}

// ParseMoisture reads a moisture tag's word.
func ParseMoisture(s string) (Moisture, error) {
	return parseWord[Moisture]("moisture", moistureWords, s)
}

// ParseWarmth reads a warmth tag's word.
func ParseWarmth(s string) (Warmth, error) {
	return parseWord[Warmth]("warmth", warmthWords, s)
}

// ParseEventKind reads an event kind's word.
func ParseEventKind(s string) (EventKind, error) {
	return parseWord[EventKind]("kind", eventWords, s)
}
