package trend

import (
	"fmt"
	"math"

	"creepage/internal/insulation"
)

// beyondRange is how far above the top of its own meter's range a value cannot
// lie: well above what a meter may show of the next range, well below a slip of a thousand.
const beyondRange = 100

// Impossible returns why what is stated cannot be a reading, or "": no reading can
// have its value, or not one of its meter. Nothing is mended: the row is set aside
// with this reason.
func Impossible(r *insulation.Reading) string {
	if why := insulation.Impossible(r.Method, r.Ohms); why != "" {
		return why
	}
	if r.RangeOhms > 0 && r.Ohms > beyondRange*r.RangeOhms {
		return fmt.Sprintf("%s is %.0f times the top of its meter's range, %s: looks like a slip of unit", Ohms(r.Ohms), r.Ohms/r.RangeOhms, Ohms(r.RangeOhms))
	}
	return ""
}

const slipDecades = 3.0 // kilohm for ohm, and the like

// slip returns by how many decades (+3 or -3) a level is off when a unit slip
// of a thousand explains it and little else does, or 0: it lies far outside
// what is expected, and well inside once undone. exact says that it fits so well
// that no other reading is needed to tell.
func slip(level, mean, variance, noise float64) (by float64, exact bool) {
	s := math.Sqrt(variance + noise)
	if s > 0.6 {
		return 0, false // too little is known to tell a slip from a change
	}
	d := level - mean
	if math.Abs(d) < 2.2 || math.Abs(d) < 4*s {
		return 0, false
	}
	by = math.Copysign(slipDecades, d)
	off := math.Abs(d - by)
	if off > min(2*s, 0.7) {
		return 0, false
	}
	return by, s <= 0.3 && off <= min(1.5*s, 0.35)
}

// slipDays is how long values that come again and again are set aside as slips of unit, if
// nothing but their fit says so; slipLeast how many came before that tell what is usual, slipPause
// how long before at most, and slipTold for how long it is told of.
const (
	slipDays  = 90
	slipLeast = 10
	slipPause = 21
	slipTold  = 60
)

// run is what a monitor's value is if its sender's unit has slipped for some time (a platform's new
// program, a month's file): a thousandth or a thousand times of what is usual.
type run struct {
	by       float64 // decades, 0 if it is none
	believed bool    // it has come for so long that it is taken for what it seems
}

// runOfSlips looks for such a value: one that fell at a stroke or lies above all that is usual and, undone, is what
// was usual, or the very value at which the monitor tops out. One below the code limit (log10 ohm) of a vehicle that goes on
// without a code is never what it seems, unless the track itself has come down to it by other looks: the
// monitor that reports is the one that sets the code, and the longer it goes on, the less it can be so.
func (mem *memory) runOfSlips(g *group, top *ceiling, limit float64, d day, level float64, relation insulation.Relation) run {
	x := &g.dips
	if x.count < slipLeast || relation == insulation.Below || d-max(x.day, g.slipLast) > slipPause {
		return run{} // too little is known of what is usual, or the bottom of a range, or it is long ago
	}
	if mean, _ := g.bank.seen(&levelOnly); math.Abs(level-mean) < 1 {
		return run{}
	}
	never := mem.codeDay == 0 && level < limit
	var by float64
	switch {
	case x.fell(level) && (top.at(level+slipDecades) || never && x.usual(level+slipDecades, top.found)):
		by = -slipDecades
	case x.high > limit+1 && level-max(x.high, top.found) > leastBeyond && x.usual(level-slipDecades, top.found):
		by = slipDecades // what was leaking and is mended rises, too
	default:
		return run{}
	}
	if g.slipDay == 0 || g.slipBy != int8(by) {
		g.slipDay, g.slipBy = d, int8(by)
	}
	run := run{by: by, believed: !never && d-g.slipDay > slipDays}
	if !run.believed {
		g.slipLast = d
	}
	return run
}

// slipping says whether the latest values of a monitor up to a day, more than one, were set aside as a slip of unit.
func (g *group) slipping(at day) bool {
	return g.slipLast > g.last && g.slipLast > g.slipDay && at-g.slipLast <= slipTold
}

// runReason says that it is one, and what is usual.
func runReason(usual float64) string {
	return fmt.Sprintf("undone it is what is usual (%s), and as it stands it can hardly be: looks like a slip of unit", Ohms(math.Pow(10, usual)))
}
