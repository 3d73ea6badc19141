package draw

import (
	"math"
	"time"
)

// box is a rectangle in pixels, y downwards.
type box struct{ left, top, right, bottom float64 }

func (b box) width() float64  { return b.right - b.left }
func (b box) height() float64 { return b.bottom - b.top }

func (b box) overlaps(o box) bool {
	return b.left < o.right && o.left < b.right && b.top < o.bottom && o.top < b.bottom
}

func (b box) within(o box) bool {
	return b.left >= o.left && b.right <= o.right && b.top >= o.top && b.bottom <= o.bottom
}

// timeScale maps times to pixels from left to right.
type timeScale struct {
	from, to    time.Time
	left, right float64
	zone        *time.Location // of the days that are marked
}

func (s timeScale) at(t time.Time) float64 {
	return s.left + (s.right-s.left)*t.Sub(s.from).Hours()/s.to.Sub(s.from).Hours()
}

// ohmScale maps ohms to pixels on a logarithmic axis, large values at the top.
type ohmScale struct {
	low, high   float64 // log10 of ohm
	top, bottom float64
}

// at clamps to a little outside the plot, so that what lies off it is clipped
// there and never written as a huge number.
func (s ohmScale) at(ohms float64) float64 {
	level := s.low - 1
	if ohms > 0 {
		level = math.Log10(ohms)
	}
	share := (level - s.low) / (s.high - s.low)
	return s.bottom - (s.bottom-s.top)*min(max(share, -0.5), 1.5)
}

// ohmTick is a line across the plot, with a label or without.
type ohmTick struct {
	ohms  float64
	label bool
}

// ticks returns decades, and twos and fives between them where there is room
// for them: least is the distance in pixels that two labels need.
func (s ohmScale) ticks(least float64) []ohmTick {
	perDecade := (s.bottom - s.top) / (s.high - s.low)
	step := max(1, int(math.Ceil(least/perDecade)))
	var ticks []ohmTick
	for d := int(math.Floor(s.low)); d <= int(math.Ceil(s.high)); d++ {
		for _, m := range []float64{1, 2, 5} {
			// The narrowest gap of a 1-2-5 axis is log10(2) of a decade.
			fine := m != 1
			if fine && perDecade*math.Log10(2) < least {
				continue
			}
			level := float64(d) + math.Log10(m)
			if level < s.low-1e-9 || level > s.high+1e-9 {
				continue
			}
			ticks = append(ticks, ohmTick{ohms: math.Pow10(d) * m, label: fine || mod(d, step) == 0})
		}
	}
	return ticks
}

func mod(a, b int) int { return ((a % b) + b) % b }

// timeTick is a mark of the time axis: a day and what is written under it.
type timeTick struct {
	at   time.Time
	text string
	year string // second line, where the year begins or the axis does
}

// ticks returns month beginnings (or days, on a short axis) whose labels, each
// at most least pixels wide, do not touch.
func (s timeScale) ticks(least float64) []timeTick {
	days := s.to.Sub(s.from).Hours() / 24
	perDay := (s.right - s.left) / days
	if days < 75 {
		return s.dayTicks(least, perDay)
	}
	step := 1
	for _, m := range []int{1, 2, 3, 6, 12, 24, 60, 120} {
		step = m
		if perDay*30.4*float64(m) >= least {
			break
		}
	}
	var ticks []timeTick
	from := s.from.In(s.zone)
	first := time.Date(from.Year(), from.Month(), 1, 0, 0, 0, 0, s.zone)
	lastYear := 0
	for t := first; !t.After(s.to); t = t.AddDate(0, 1, 0) {
		months := (t.Year()*12 + int(t.Month()) - 1)
		if t.Before(s.from) || months%step != 0 {
			continue
		}
		tick := timeTick{at: t, text: t.Format("Jan")}
		if step >= 12 {
			tick.text = t.Format("2006")
		} else if t.Year() != lastYear {
			tick.year = t.Format("2006")
		}
		lastYear = t.Year()
		ticks = append(ticks, tick)
	}
	return ticks
}

func (s timeScale) dayTicks(least, perDay float64) []timeTick {
	step := 1
	for _, d := range []int{1, 2, 7, 14, 28} {
		step = d
		if perDay*float64(d) >= least {
			break
		}
	}
	var ticks []timeTick
	lastYear := 0
	from := s.from.In(s.zone)
	for t := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, s.zone); !t.After(s.to); t = t.AddDate(0, 0, 1) {
		// Days since 1970 keep the marks of a step in place while the axis moves.
		if t.Before(s.from) || daysSince1970(t)%step != 0 {
			continue
		}
		tick := timeTick{at: t, text: t.Format("2 Jan")}
		if t.Year() != lastYear {
			tick.year = t.Format("2006")
		}
		lastYear = t.Year()
		ticks = append(ticks, tick)
	}
	return ticks
}

// daysSince1970 numbers the days of a calendar, whatever the zone.
func daysSince1970(t time.Time) int {
	return int(time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC).Unix() / 86400)
}
