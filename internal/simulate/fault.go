package simulate

import (
	"math"
	"math/rand/v2"
)

// fault is a leak beside one group's healthy insulation: day by day from the
// scenario's first, how many decades its resistance at 20 C has fallen from
// where it began, and how many more it loses when damp.
type fault struct {
	story Story
	onset int // day it begins
	law   Law // the leak's own temperature law: liquid and dirt conduct with a smaller activation energy
	fall  []float64
	damp  []float64
}

// newFault draws a fault of the given story that begins on day onset (which
// may lie before day 0).
func newFault(r *rand.Rand, story Story, onset, days int) *fault {
	f := &fault{story: story, onset: onset, law: arrhenius(Span{0.10, 0.30}.draw(r)), fall: make([]float64, days), damp: make([]float64, days)}
	fall, damp := shape(r, story)
	var wobble float64
	for d := range days {
		age := float64(d - onset)
		if age < 0 {
			continue
		}
		wobble += 0.008 * r.NormFloat64()
		f.fall[d], f.damp[d] = fall(age)+wobble, damp(age)
	}
	return f
}

func none(float64) float64 { return 0 }

// shape draws the decades fallen, and those lost when damp, by days since the onset.
func shape(r *rand.Rand, story Story) (fall, damp func(age float64) float64) {
	switch story {
	case Slow:
		rate := around(r, 0.0085, 0.6)
		return func(age float64) float64 { return rate * age }, none
	case Accelerating:
		rate, grow := Span{0.001, 0.004}.draw(r), Span{60, 190}.draw(r)
		return func(age float64) float64 { return rate * grow * math.Expm1(min(age/grow, 9)) }, none
	case Sudden:
		drop, rate := Span{1.4, 4.2}.draw(r), 0.0
		if r.Float64() < 0.7 {
			rate = around(r, 0.007, 0.6)
		}
		return func(age float64) float64 { return drop*min((age+1)/2, 1) + rate*age }, none
	case Damp:
		rate := around(r, 0.010, 0.5)
		return none, func(age float64) float64 { return min(rate*age, 6) }
	case Levelling:
		depth, pace := Span{0.8, 3.2}.draw(r), Span{50, 170}.draw(r)
		return func(age float64) float64 { return -depth * math.Expm1(-age/pace) }, none
	case Staircase:
		return staircase(r), none
	case Intermittent:
		return intermittent(r), none
	}
	return none, none
}

func staircase(r *rand.Rand) func(float64) float64 {
	every := Span{25, 70}.draw(r)
	var at, size []float64
	for t := 0.0; t < 3000; t += every * r.ExpFloat64() {
		at, size = append(at, t), append(size, Span{0.2, 0.75}.draw(r))
	}
	return func(age float64) float64 {
		var sum float64
		for i := 0; i < len(at) && at[i] <= age; i++ {
			sum += size[i]
		}
		return sum
	}
}

// intermittent is a contact that touches for days at a time: rarely at first,
// most of the time after a year, and a little harder each time.
func intermittent(r *rand.Rand) func(float64) float64 {
	depth, ripens := Span{2.2, 4.2}.draw(r), Span{200, 500}.draw(r)
	touching := make([]bool, 3000)
	on := false
	for d := range touching {
		share := min(0.05+0.6*float64(d)/ripens, 0.8)
		if on {
			on = r.Float64() > (1-share)/2
		} else {
			on = r.Float64() < share/2*0.5
		}
		touching[d] = on
	}
	return func(age float64) float64 {
		if d := int(age); d < len(touching) && touching[d] {
			return depth + 0.8*min(age/ripens, 1)
		}
		return 0
	}
}
