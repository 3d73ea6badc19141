package review

import (
	"math"
	"slices"
)

// Look is the mean level of one meter's values at one test point of a vehicle.
type Look struct {
	Vehicle int64
	Point   int64 // any number that tells the vehicle's test points apart
	Meter   string
	Level   float64 // log10 of ohm
}

const (
	// mostDecades is what one vehicle counts for at most: a part that fell
	// between two meters' looks says nothing of the meters.
	mostDecades = 0.5
	// offsetRounds is how often the offsets of the others are taken off before
	// a meter is compared with them; they settle within a few.
	offsetRounds = 12
)

// Offsets estimates how far each meter reads off, in decades, from looks at the
// same points: level = point + meter, the points free, the meters' median zero,
// so that one bad meter does not make its peers look wrong. Looks are ordered by
// vehicle and point. The mean is over vehicles, one value each; meters that
// shared no point with another are left out.
func Offsets(looks []Look) map[string]Mean {
	points := sharedPoints(looks)
	var offsets map[string]Mean
	for range offsetRounds {
		next := offsetsGiven(points, offsets)
		recentre(next)
		offsets = next
	}
	return offsets
}

// sharedPoints cuts looks into points at which more than one meter was used.
func sharedPoints(looks []Look) [][]Look {
	var points [][]Look
	for i := 0; i < len(looks); {
		j := i + 1
		for j < len(looks) && looks[j].Vehicle == looks[i].Vehicle && looks[j].Point == looks[i].Point {
			j++
		}
		if j-i > 1 {
			points = append(points, looks[i:j])
		}
		i = j
	}
	return points
}

// offsetsGiven compares each meter with the others at its points, less their
// own offsets as known so far.
func offsetsGiven(points [][]Look, known map[string]Mean) map[string]Mean {
	type tally struct{ n, sum float64 }
	var (
		vehicle map[string]*tally
		at      int64
	)
	sums := map[string]*[3]float64{} // vehicles, sum, sum of squares
	flush := func() {
		for meter, v := range vehicle {
			d := min(max(v.sum/v.n, -mostDecades), mostDecades)
			if sums[meter] == nil {
				sums[meter] = &[3]float64{}
			}
			s := sums[meter]
			s[0]++
			s[1] += d
			s[2] += d * d
		}
		vehicle = map[string]*tally{}
	}
	flush()
	for _, looks := range points {
		if looks[0].Vehicle != at {
			flush()
			at = looks[0].Vehicle
		}
		total := 0.0
		for _, l := range looks {
			total += l.Level - known[l.Meter].Mean
		}
		for _, l := range looks {
			others := (total - (l.Level - known[l.Meter].Mean)) / float64(len(looks)-1)
			if vehicle[l.Meter] == nil {
				vehicle[l.Meter] = &tally{}
			}
			vehicle[l.Meter].n++
			vehicle[l.Meter].sum += l.Level - others
		}
	}
	flush()
	offsets := make(map[string]Mean, len(sums))
	for meter, s := range sums {
		m := Mean{N: int(s[0]), Mean: s[1] / s[0]}
		if m.N > 1 {
			m.SD = math.Sqrt(max(0, (s[2]-s[0]*m.Mean*m.Mean)/(s[0]-1)))
		}
		offsets[meter] = m
	}
	return offsets
}

// recentre makes the median of the offsets zero.
func recentre(offsets map[string]Mean) {
	means := make([]float64, 0, len(offsets))
	for _, m := range offsets {
		means = append(means, m.Mean)
	}
	if len(means) == 0 {
		return
	}
	slices.Sort(means)
	middle := (means[(len(means)-1)/2] + means[len(means)/2]) / 2
	for meter, m := range offsets {
		m.Mean -= middle
		offsets[meter] = m
	}
}
