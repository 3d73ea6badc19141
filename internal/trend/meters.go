package trend

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// meterFit finds what each meter reads off its peers: a mixed model of the
// groups' own levels about those of their kind (a platform's such groups; spread
// between vehicles) and the meters' offsets (spread meterPriorSD). A bound counts
// as one, by the likelihood of lying beyond it (Tobin 1958): a meter that tops out
// low shows values only where they happen to fall low, and would seem to read low
// by these alone.
type meterFit struct {
	noise, between float64 // variances
	rows           []meterRow
	levels         []meterLevel
	fleet          []float64 // level of each kind
	meters         []string
	offset, sd     []float64
}

// meterRow is one reading, at 20 C.
type meterRow struct {
	meter int
	y     float64
	above bool
}

// meterLevel is one group: its own level, its kind, and where its rows end.
type meterLevel struct {
	own  float64
	kind int
	end  int
}

const (
	meterSteps = 12   // of Newton's method, at most
	meterBound = 0.4  // decades from which a reading's influence grows no more (Huber 1964)
	meterStill = 1e-4 // decades by which offsets still move when it ends
)

// learnMeters reports the meters that read off and allows for them.
func (l *Learner) learnMeters(p *Params, vs []*pupil, report *Report) {
	f := gatherMeters(p, vs)
	if len(f.rows) < 50 || len(f.meters) < 2 {
		return
	}
	for range meterSteps {
		moved, err := f.step()
		if err != nil || moved < meterStill {
			break
		}
	}
	count := make([]int, len(f.meters))
	for _, r := range f.rows {
		if !r.above {
			count[r.meter]++
		}
	}
	p.MeterOffsets = map[string]float64{}
	for i, m := range f.meters {
		// Readings of one visit share its offset, so they tell less than as many apart.
		sd := 1.5*f.sd[i] + 0.005
		if math.Abs(f.offset[i]) >= meterLeast && math.Abs(f.offset[i]) > meterNamed*sd {
			p.MeterOffsets[m] = f.offset[i]
			report.Meters = append(report.Meters, MeterFinding{Meter: m, Offset: f.offset[i], SD: sd, Readings: count[i]})
		}
	}
}

// look returns the score of a row (what it says its mean should move by) and the
// weight of that, as shares of what a plain value does.
func (f *meterFit) look(r *meterRow, mean float64) (score, weight float64) {
	if r.above {
		score, weight, _ = censor(r.y, mean, f.noise, true)
	} else {
		score, weight = r.y-mean, 1
	}
	if a := math.Abs(score); a > meterBound {
		return score * meterBound / a, weight * meterBound / a
	}
	return score, weight
}

// step is one of Newton's for all unknowns at once: the groups' own levels are
// eliminated, offsets and kinds' levels solved for, own levels put back. It
// returns the largest move of an offset.
func (f *meterFit) step() (float64, error) {
	m, k := len(f.meters), len(f.fleet)
	a, right := mat.NewSymDense(m+k, nil), mat.NewVecDense(m+k, nil)
	add := func(i, j int, x float64) { a.SetSym(i, j, a.At(i, j)+x) }
	for i, o := range f.offset {
		add(i, i, 1/(meterPriorSD*meterPriorSD))
		right.SetVec(i, -o/(meterPriorSD*meterPriorSD))
	}
	for i := range k {
		add(m+i, m+i, 1e-9)
	}
	type seen struct {
		meter  int
		weight float64
	}
	own := make([]struct{ gain, pivot float64 }, len(f.levels))
	by := make([][]seen, len(f.levels))
	start := 0
	for i := range f.levels {
		x := &f.levels[i]
		gain, pivot := (f.fleet[x.kind]-x.own)/f.between, 1/f.between
		for j := start; j < x.end; j++ {
			r := &f.rows[j]
			score, weight := f.look(r, x.own+f.offset[r.meter])
			score, weight = score/f.noise, weight/f.noise
			gain += score
			pivot += weight
			add(r.meter, r.meter, weight)
			right.SetVec(r.meter, right.AtVec(r.meter)+score)
			at := slices.IndexFunc(by[i], func(s seen) bool { return s.meter == r.meter })
			if at < 0 {
				at, by[i] = len(by[i]), append(by[i], seen{meter: r.meter})
			}
			by[i][at].weight += weight
		}
		start = x.end
		fleet := m + x.kind
		add(fleet, fleet, 1/f.between)
		right.SetVec(fleet, right.AtVec(fleet)+(x.own-f.fleet[x.kind])/f.between)
		by[i] = append(by[i], seen{fleet, -1 / f.between})
		for p, u := range by[i] {
			right.SetVec(u.meter, right.AtVec(u.meter)-u.weight*gain/pivot)
			for _, v := range by[i][p:] {
				add(u.meter, v.meter, -u.weight*v.weight/pivot)
			}
		}
		own[i].gain, own[i].pivot = gain, pivot
	}
	var c mat.Cholesky
	if !c.Factorize(a) {
		return 0, mat.Condition(math.Inf(1))
	}
	var move mat.VecDense
	if err := c.SolveVecTo(&move, right); err != nil {
		return 0, err
	}
	var inverse mat.SymDense
	if err := c.InverseTo(&inverse); err != nil {
		return 0, err
	}
	for i := range f.levels {
		d := own[i].gain
		for _, u := range by[i] {
			d -= u.weight * move.AtVec(u.meter)
		}
		f.levels[i].own += min(max(d/own[i].pivot, -1), 1)
	}
	most := 0.0
	for i := range f.offset {
		d := min(max(move.AtVec(i), -0.2), 0.2)
		f.offset[i] += d
		f.sd[i] = math.Sqrt(max(inverse.At(i, i), 0))
		most = max(most, math.Abs(d))
	}
	for i := range f.fleet {
		f.fleet[i] += min(max(move.AtVec(m+i), -1), 1)
	}
	return most, nil
}

// gatherMeters takes the rows of all groups, those that have shown nothing but
// bounds too, with the kinds' levels to start from: the middle, bounds taken as
// what they state.
func gatherMeters(p *Params, vs []*pupil) *meterFit {
	f := &meterFit{noise: p.ReadingSD*p.ReadingSD + p.VisitSD*p.VisitSD, between: p.LevelSDVehicle * p.LevelSDVehicle}
	names := map[string]int{}
	for _, v := range vs {
		for i := range v.groups {
			for _, x := range v.groups[i].points {
				if x.meter != "" {
					names[x.meter] = 0
				}
			}
		}
	}
	for m := range names {
		f.meters = append(f.meters, m)
	}
	slices.Sort(f.meters)
	for i, m := range f.meters {
		names[m] = i
	}
	kinds := map[string]int{}
	var ys [][]float64
	for _, v := range vs {
		if v.platform == nil {
			continue
		}
		for i := range v.groups {
			g := &v.groups[i]
			if g.key.Whole() || !slices.ContainsFunc(g.points, func(x point) bool { return x.meter != "" }) {
				continue
			}
			key := PriorKey(v.platform.ID, g.key)
			kind, ok := kinds[key]
			if !ok {
				kind = len(ys)
				kinds[key], ys = kind, append(ys, nil)
			}
			b := p.temperatureOf(g.key.Component).Mean
			for _, x := range g.points {
				if x.meter == "" {
					continue
				}
				y := x.y
				if !math.IsNaN(x.t) {
					y += b * x.t
				}
				f.rows = append(f.rows, meterRow{names[x.meter], y, x.above})
				ys[kind] = append(ys[kind], y)
			}
			f.levels = append(f.levels, meterLevel{kind: kind, end: len(f.rows)})
		}
	}
	for _, y := range ys {
		f.fleet = append(f.fleet, median(y))
	}
	for i := range f.levels {
		f.levels[i].own = f.fleet[f.levels[i].kind]
	}
	f.offset, f.sd = make([]float64, len(f.meters)), make([]float64, len(f.meters))
	return f
}
