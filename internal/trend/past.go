package trend

import (
	"math"
	"time"

	"creepage/internal/insulation"
)

// Estimate is what was known of a group at the end of a day on which it was
// measured, or to which it was carried.
type Estimate struct {
	Day   time.Time
	Group GroupKey
	Level Band // ohm at 20 C, dry
	// Worse is the weight of everything that gets worse: declines, damp, drop.
	Worse float64
}

// History folds entries, in any order, into a new memory, day by day, and
// returns an estimate of every group for each day on which it was measured, by
// the same fold that warns: what was believed then, not what is known now.
func (m *Model) History(id string, p *insulation.Platform, entries []Entry) ([]Estimate, error) {
	v := NewVehicle(id)
	var out []Estimate
	for _, day := range byDay(entries) {
		if err := m.Add(v, p, day); err != nil {
			return nil, err
		}
		for k := range v.now.groups {
			g := &v.now.groups[k]
			if g.last != v.now.day {
				continue
			}
			x := g.bank.seenAs(&levelOnly)
			out = append(out, Estimate{Day: v.now.day.start(), Group: g.key, Worse: g.bank.share(modeDecline, modeBetter),
				Level: Band{math.Pow(10, x.quantile(m.tail, 0.1)), math.Pow(10, x.quantile(m.tail, 0.5)), math.Pow(10, x.quantile(m.tail, 0.9))}})
		}
	}
	return out, nil
}
