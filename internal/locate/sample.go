package locate

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// Sizes of the sample. The first round finds where the posterior lies, the
// second spends itself there.
const (
	firstRound    = 600
	secondRound   = 1800
	thirdRound    = 5000 // where the first two are not worth enoughDraws
	enoughDraws   = 250.0
	freedom       = 6.0 // of the proposals' t distribution: tails heavier than the posterior's
	proposalScale = 1.1
	seed          = 0x6372656570616765
)

// sample is a weighted sample of the parts' levels: log10 ohm, by part.
type sample struct {
	levels [][]float64 // [draw][part]
	weight []float64   // sums to one
	worth  float64     // equally weighted draws it was worth before any moves
}

// effective is the number of equally weighted draws the sample is worth (Kish).
func (s *sample) effective() float64 {
	square := 0.0
	for _, w := range s.weight {
		square += w * w
	}
	return 1 / square
}

// draw samples the posterior. Parts that no reading ever connected are drawn
// from their prior: no reading says anything about them.
func (m *model) draw() *sample {
	seen, connected := m.connected()
	random := rand.New(rand.NewPCG(seed, seed))
	d := drawer{model: connected, random: random, proposals: connected.approximations()}
	share := d.tempered()
	d.round(firstRound, share)
	d.round(secondRound, d.adapted(share))
	s := &sample{levels: d.levels, weight: d.weights()}
	s.worth = s.effective()
	if s.worth < enoughDraws {
		s.levels = s.equal(movedDraws)
		s.weight = make([]float64, movedDraws)
		for i := range s.weight {
			s.weight[i] = 1.0 / movedDraws
		}
		connected.move(s.levels, moveSweeps, random)
	}
	for k, y := range s.levels {
		full := make([]float64, len(m.names))
		for i := range full {
			if place := seen[i]; place >= 0 {
				full[i] = y[place]
			} else {
				full[i] = m.priorDraw(i, random)
			}
		}
		s.levels[k] = full
	}
	return s
}

func (m *model) priorDraw(i int, random *rand.Rand) float64 {
	u, z := random.Float64(), random.NormFloat64()
	if u < m.prior {
		return m.limits[i] - leakBelow + leakSigma*z
	}
	return m.healthy[i] + m.sigma[i]*z
}

// connected returns the model of the parts that some reading connects, and
// each part's place in it (-1: none).
func (m *model) connected() ([]int, *model) {
	place := make([]int, len(m.names))
	for i := range place {
		place[i] = -1
	}
	for _, x := range m.readings {
		for _, i := range x.members {
			place[i] = 0
		}
	}
	c := &model{prior: m.prior}
	for i := range place {
		if place[i] < 0 {
			continue
		}
		place[i] = len(c.names)
		c.names, c.limits = append(c.names, m.names[i]), append(c.limits, m.limits[i])
		c.healthy, c.sigma = append(c.healthy, m.healthy[i]), append(c.sigma, m.sigma[i])
	}
	for _, x := range m.readings {
		members := make([]int, len(x.members))
		for k, i := range x.members {
			members[k] = place[i]
		}
		x.members = members
		c.readings = append(c.readings, x)
	}
	return place, c
}

type drawer struct {
	*model
	random    *rand.Rand
	proposals []gaussian
	rounds    []int // draws of each round
	shares    [][]float64
	levels    [][]float64
	target    []float64   // log posterior, not normalised
	densities [][]float64 // [draw][proposal]
}

// tempered is how the first round divides itself: flatter than the Gaussian
// approximations' own weights, which are not to be trusted too far.
func (d *drawer) tempered() []float64 {
	share, sum := make([]float64, len(d.proposals)), 0.0
	best := d.proposals[0].logWeight
	for i, p := range d.proposals {
		share[i] = math.Exp(0.6 * (p.logWeight - best))
		sum += share[i]
	}
	for i := range share {
		share[i] /= sum
	}
	return share
}

// adapted divides the next round by what the last found, with a fifth of the
// first division kept so that nothing is given up.
func (d *drawer) adapted(first []float64) []float64 {
	const kept = 0.2
	share := make([]float64, len(first))
	weights := d.weights()
	last := d.shares[len(d.shares)-1]
	for s, w := range weights {
		total := 0.0
		for i, q := range d.densities[s] {
			total += last[i] * q
		}
		for i, q := range d.densities[s] {
			share[i] += w * last[i] * q / total
		}
	}
	for i := range share {
		share[i] = (1-kept)*share[i] + kept*first[i]
	}
	return share
}

// round draws from the mixture, stratified over its members.
func (d *drawer) round(draws int, share []float64) {
	d.rounds, d.shares = append(d.rounds, draws), append(d.shares, share)
	offset, sum, member := d.random.Float64(), share[0], 0
	for s := range draws {
		for position := (float64(s) + offset) / float64(draws); position > sum && member < len(share)-1; {
			member++
			sum += share[member]
		}
		y := d.proposals[member].draw(d.random)
		d.levels = append(d.levels, y)
		d.target = append(d.target, d.logPosterior(y))
		q := make([]float64, len(d.proposals))
		for i := range d.proposals {
			q[i] = d.proposals[i].density(y)
		}
		d.densities = append(d.densities, q)
	}
}

func (m *model) logPosterior(y []float64) float64 {
	sum := -log2Pi / 2 * float64(len(y))
	g := make([]float64, len(y))
	for i, v := range y {
		sum += math.Log(m.priorDensity(i, v))
		g[i] = pow10(-v)
	}
	return sum + m.logLikelihood(g)
}

// weights are the importance weights against the mixture of all rounds.
func (d *drawer) weights() []float64 {
	total := 0
	for _, n := range d.rounds {
		total += n
	}
	w, best := make([]float64, len(d.levels)), math.Inf(-1)
	for s := range w {
		q := 0.0
		for r, n := range d.rounds {
			for i, p := range d.densities[s] {
				q += float64(n) / float64(total) * d.shares[r][i] * p
			}
		}
		w[s] = d.target[s] - math.Log(q)
		best = math.Max(best, w[s])
	}
	sum := 0.0
	for s := range w {
		w[s] = math.Exp(w[s] - best)
		sum += w[s]
	}
	for s := range w {
		w[s] /= sum
	}
	return w
}

func (g *gaussian) draw(random *rand.Rand) []float64 {
	n := len(g.mean)
	z, chi := make([]float64, n), 0.0
	for i := range z {
		z[i] = random.NormFloat64()
	}
	for range int(freedom) {
		x := random.NormFloat64()
		chi += x * x
	}
	scale := proposalScale * math.Sqrt(freedom/chi)
	y := make([]float64, n)
	for i := range y {
		sum := 0.0
		for j := i; j < n; j++ {
			sum += g.spread.At(i, j) * z[j]
		}
		y[i] = g.mean[i] + scale*sum
	}
	return y
}

// density is the proposal's t density at y, up to a factor common to all proposals.
func (g *gaussian) density(y []float64) float64 {
	n := len(y)
	distance, k := 0.0, 0
	for i := range n {
		row := 0.0
		for j := i; j < n; j++ {
			row += g.inverse[k] * (y[j] - g.mean[j])
			k++
		}
		distance += row * row
	}
	distance /= proposalScale * proposalScale
	return math.Exp(-(freedom+float64(n))/2*math.Log1p(distance/freedom) - g.logDet/2)
}

// quantiles returns weighted quantiles of one part's level.
func (s *sample) quantiles(value func(draw int) float64, at ...float64) []float64 {
	type point struct{ v, w float64 }
	points := make([]point, len(s.weight))
	for i, w := range s.weight {
		points[i] = point{value(i), w}
	}
	slices.SortFunc(points, func(a, b point) int { return cmp.Compare(a.v, b.v) })
	out, sum, k := make([]float64, len(at)), 0.0, 0
	for _, p := range points {
		sum += p.w
		for k < len(at) && sum >= at[k] {
			out[k] = p.v
			k++
		}
	}
	for ; k < len(at); k++ {
		out[k] = points[len(points)-1].v
	}
	return out
}

// equal returns n draws of equal weight (systematic resampling).
func (s *sample) equal(n int) [][]float64 {
	out := make([][]float64, 0, n)
	sum := 0.0
	for i, w := range s.weight {
		sum += w
		for len(out) < n && (float64(len(out))+0.5)/float64(n) <= sum {
			out = append(out, s.levels[i])
		}
	}
	for len(out) < n {
		out = append(out, s.levels[len(s.levels)-1])
	}
	return out
}
