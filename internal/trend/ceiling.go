package trend

import "math"

// ceiling finds the value at which a monitor or meter tops out although
// nothing says so, from the values seen so far: the largest value that keeps
// coming. Single values far above it (garbage, unit slips) do not hide it.
type ceiling struct {
	rows  float64
	peaks [4]peak
	found float64 // the ceiling's level; 0: none found yet
}

// peak is a level that has come count times; over is how many rows came above it.
type peak struct {
	level, count, over float64
}

const (
	sameLevel    = 0.0022 // decades, 0.5 %: two values that close are the same
	ceilingTimes = 5      // a ceiling has come at least so often
	ceilingShare = 0.02   // and in this share of the rows
	overShare    = 0.02   // rows above it, at most
)

// add takes n rows at a level.
func (c *ceiling) add(level, n float64) {
	c.rows += n
	lowest, at := -1, -1
	for i := range c.peaks {
		k := &c.peaks[i]
		switch {
		case k.count > 0 && math.Abs(level-k.level) <= sameLevel:
			at = i
		case k.count > 0 && level > k.level:
			k.over += n
		}
		if lowest < 0 || k.worth() < c.peaks[lowest].worth() {
			lowest = i
		}
	}
	switch {
	case at >= 0:
		c.peaks[at].count += n
	case c.peaks[lowest].count == 0 || level > c.peaks[lowest].level || c.peaks[lowest].count < 2:
		c.peaks[lowest] = peak{level: level, count: n}
	}
	c.found = 0
	for i := range c.peaks {
		k := &c.peaks[i]
		if k.count >= ceilingTimes && k.count >= ceilingShare*c.rows && k.over <= max(1, overShare*c.rows) && k.level > c.found {
			c.found = k.level
		}
	}
}

// worth ranks peaks for replacement: those that have rows above them and few of their own go first.
func (k *peak) worth() float64 { return k.count - k.over }

// at says whether a level is at the ceiling found so far.
func (c *ceiling) at(level float64) bool {
	return c.found > 0 && math.Abs(level-c.found) <= sameLevel
}
