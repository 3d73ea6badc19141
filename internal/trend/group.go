package trend

import (
	"fmt"

	"creepage/internal/insulation"
)

// ConductorGroup names the conductors of a component that share one insulation
// and so one track.
type ConductorGroup uint8

// Conductor groups. Phases is the three phases of a star-connected winding (or
// of an inverter's output): three looks at one insulation. A cable's phases
// are conductors of their own. WholeParallel and WholeWeaker are the two
// whole-vehicle quantities; they are never mixed.
const (
	Plus ConductorGroup = iota + 1
	Minus
	Phases
	PhaseU
	PhaseV
	PhaseW
	Together // a component that is only ever measured with all conductors tied together
	WholeParallel
	WholeWeaker
)

var conductorGroupWords = [...]string{Plus: "hv_plus", Minus: "hv_minus", Phases: "phases", PhaseU: "phase_u", PhaseV: "phase_v",
	PhaseW: "phase_w", Together: "all", WholeParallel: "parallel", WholeWeaker: "weaker_pole"}

// String returns the group's word.
func (g ConductorGroup) String() string {
	if int(g) < len(conductorGroupWords) {
		return conductorGroupWords[g]
	}
	return ""
}

// GroupKey names one track of a vehicle: a component's conductor group, or a
// whole-vehicle quantity (component System).
type GroupKey struct {
	Component insulation.Component
	Conductor ConductorGroup
}

// String returns "component/conductors", such as "motor/phases".
func (k GroupKey) String() string { return k.Component.String() + "/" + k.Conductor.String() }

// Whole says whether the group is a whole-vehicle track.
func (k GroupKey) Whole() bool { return k.Component == insulation.System }

// PriorKey is the key of Params.LevelPriors: "platform/component/conductors".
// The platform may be empty: then the prior is the component's over all platforms.
func PriorKey(platform string, k GroupKey) string {
	return fmt.Sprintf("%s/%s/%s", platform, k.Component, k.Conductor)
}

// GroupOf returns the group a reading of the component's conductor belongs to.
// For AllConductors it is Together; whether such a row observes the parallel of
// the component's other groups instead is decided by what else is measured.
func GroupOf(c insulation.Component, w insulation.Conductor, q insulation.Quantity) GroupKey {
	if c == insulation.System {
		if q == insulation.WeakerPole {
			return GroupKey{c, WholeWeaker}
		}
		return GroupKey{c, WholeParallel}
	}
	g := Together
	switch w {
	case insulation.HVPlus:
		g = Plus
	case insulation.HVMinus:
		g = Minus
	case insulation.PhaseU, insulation.PhaseV, insulation.PhaseW:
		g = Phases
		if c == insulation.Cable {
			g = PhaseU + ConductorGroup(w-insulation.PhaseU)
		}
	}
	return GroupKey{c, g}
}

// onPlus and onMinus say on which pole a group's leak counts. A winding's or a
// phase's leak reaches both poles in turn through the inverter; a component
// measured with its conductors tied together may leak on either.
func (k GroupKey) onPlus() bool  { return k.Conductor != Minus }
func (k GroupKey) onMinus() bool { return k.Conductor != Plus }

// platformGroups returns the groups a platform's test points are about, in the
// platform's order, without whole-vehicle ones. A component's Together group is
// among them only if the component has no other test point.
func platformGroups(p *insulation.Platform) []GroupKey {
	var keys []GroupKey
	for pass := range 2 {
		for _, pt := range p.Points {
			if pt.Component == insulation.System {
				continue
			}
			k := GroupOf(pt.Component, pt.Conductor, 0)
			if (k.Conductor == Together) != (pass == 1) || hasKey(keys, k) || (pass == 1 && hasComponent(keys, k.Component)) {
				continue
			}
			keys = append(keys, k)
		}
	}
	return keys
}

func hasKey(keys []GroupKey, k GroupKey) bool {
	for _, o := range keys {
		if o == k {
			return true
		}
	}
	return false
}

func hasComponent(keys []GroupKey, c insulation.Component) bool {
	for _, o := range keys {
		if o.Component == c {
			return true
		}
	}
	return false
}
