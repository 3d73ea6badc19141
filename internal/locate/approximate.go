package locate

import (
	"cmp"
	"math"
	"slices"

	"creepage/internal/insulation"
	"gonum.org/v1/gonum/mat"
)

// gaussian is a local approximation of the posterior: where it peaks under one
// hypothesis about which parts leak, and how sharply.
type gaussian struct {
	mean      []float64
	spread    *mat.TriDense // upper triangular S with S S' the covariance
	inverse   []float64     // the precision's upper factor, row by row: |U (y-mean)|^2 is the distance
	logDet    float64       // log det of the covariance
	logWeight float64       // log of the hypothesis's prior times its evidence
}

// hopeless is how far below the best, in logarithms, a hypothesis is not followed further.
const hopeless = 20.0

// hypothesis is which parts leak; the others are healthy.
type hypothesis []int

// Bounds of the search for several leaks at once.
const (
	mostLeaks = 5
	grown     = 5    // how many hypotheses of one size are made larger, at least
	withinIt  = 10.0 // those this far below the best of their size are, in logarithms, whatever their number
	mostGrown = 12
)

// weighed is a hypothesis with the weight of its best peak.
type weighed struct {
	leaks     hypothesis
	logWeight float64
}

// larger makes the best hypotheses of one size larger by one part each.
func (m *model) larger(level []weighed) []hypothesis {
	slices.SortStableFunc(level, func(a, b weighed) int {
		return cmp.Or(cmp.Compare(math.Round(b.logWeight*1e4), math.Round(a.logWeight*1e4)), slices.Compare(a.leaks, b.leaks))
	})
	var list []hypothesis
	for k, one := range level {
		if k >= mostGrown || k >= grown && one.logWeight < level[0].logWeight-withinIt {
			break
		}
		for i := range m.names {
			if slices.Contains(one.leaks, i) {
				continue
			}
			h := append(slices.Clone(one.leaks), i)
			slices.Sort(h)
			if !slices.ContainsFunc(list, func(other hypothesis) bool { return slices.Equal(other, h) }) {
				list = append(list, h)
			}
		}
	}
	return list
}

// approximations returns the Gaussian approximations that matter, each start of
// each hypothesis followed to its peak: none leaks, each part by itself, pairs
// with the most suspect ones; more at once only where the readings call for it,
// while the best hypothesis is among the largest so far.
func (m *model) approximations() []gaussian {
	squares := m.leastSquares()
	var all []gaussian
	best := math.Inf(-1)
	follow := func(list []hypothesis) (level []weighed) {
		for _, h := range list {
			weight := math.Inf(-1)
			for _, g := range m.peaks(h, squares, best-hopeless) {
				all = append(all, g)
				weight = math.Max(weight, g.logWeight)
			}
			best = math.Max(best, weight)
			level = append(level, weighed{h, weight})
		}
		return level
	}
	singles := make([]hypothesis, len(m.names))
	for i := range singles {
		singles[i] = hypothesis{i}
	}
	follow([]hypothesis{{}})
	largest := follow(m.larger(follow(singles)))
	for size := 3; size <= min(mostLeaks, len(m.names)) && len(largest) > 0; size++ {
		if top := slices.MaxFunc(largest, func(a, b weighed) int { return cmp.Compare(a.logWeight, b.logWeight) }); top.logWeight < best {
			break
		}
		largest = follow(m.larger(largest))
	}
	const leastWeight, most = -8, 32 // in logarithms below the best; how many
	// Rounded, so that alike ones keep the circuit's order whatever the last digit says.
	rank := func(g gaussian) float64 { return math.Round(g.logWeight * 1e4) }
	slices.SortStableFunc(all, func(a, b gaussian) int { return cmp.Compare(rank(b), rank(a)) })
	for i, g := range all {
		if i == most || g.logWeight < best+leastWeight {
			return all[:i]
		}
	}
	return all
}

// peaks follows each start of one hypothesis. With two leaks or more, one may
// hide beneath the others: each is tried so beside the least-squares start,
// unless that start ends below the floor.
func (m *model) peaks(h hypothesis, squares []float64, floor float64) []gaussian {
	n := len(m.names)
	mean, precision := make([]float64, n), make([]float64, n)
	logPrior := float64(n)*math.Log1p(-m.prior) + float64(len(h))*(math.Log(m.prior)-math.Log1p(-m.prior))
	copy(mean, m.healthy)
	for i := range precision {
		precision[i] = 1 / (m.sigma[i] * m.sigma[i])
	}
	for _, i := range h {
		mean[i], precision[i] = m.limits[i]-leakBelow, 1/(leakSigma*leakSigma)
	}
	starts := [][]float64{nil}
	for _, hidden := range h {
		if len(h) >= 2 {
			start := append([]float64(nil), mean...)
			start[hidden] = m.limits[hidden]
			starts = append(starts, start)
		}
	}
	var found []gaussian
	keep := func(y []float64) {
		g, ok := m.gaussianAt(y, mean, precision)
		if ok && !near(found, g) {
			g.logWeight += logPrior
			found = append(found, g)
		}
	}
	// Taken at their word the readings draw the climb to where they all hold;
	// with doubt allowed from the outset it may stop where some are set aside.
	certain := m.certain()
	for k, start := range starts {
		if start == nil {
			start = append([]float64(nil), mean...)
			for _, i := range h {
				if squares[i] > 0 {
					start[i] = -math.Log10(squares[i])
				}
			}
		}
		y := certain.climb(start, mean, precision)
		if m.contradicted(y) {
			y = m.climb(y, mean, precision)
		}
		keep(y)
		if k > 0 {
			continue
		}
		keep(m.climb(start, mean, precision))
		if !slices.ContainsFunc(found, func(g gaussian) bool { return g.logWeight > floor }) {
			break
		}
	}
	return found
}

// contradicted says whether some reading is rather doubted than believed at y.
func (m *model) contradicted(y []float64) bool {
	g := make([]float64, len(y))
	for i := range y {
		g[i] = pow10(-y[i])
	}
	for k := range m.readings {
		x := &m.readings[k]
		if x.trust(whole(x.members, g)) < 0.5 {
			return true
		}
	}
	return false
}

// trust is the chance that a reading says something where its parts give the level eta.
func (x *observation) trust(eta float64) float64 {
	return (1 - x.mistake) * math.Exp(x.plain(eta)-x.logLikelihood(eta))
}

// certain is the model in which every reading says something.
func (m *model) certain() *model {
	c := *m
	c.readings = append([]observation(nil), m.readings...)
	for k := range c.readings {
		c.readings[k].mistake = 0
	}
	return &c
}

func near(found []gaussian, g gaussian) bool {
	for _, f := range found {
		d := 0.0
		for i := range f.mean {
			d = math.Max(d, math.Abs(f.mean[i]-g.mean[i]))
		}
		if d < 0.1 {
			return true
		}
	}
	return false
}

// climb is damped Gauss-Newton on the logarithm of the posterior under one
// hypothesis. It returns where it ends.
func (m *model) climb(y, mean, precision []float64) []float64 {
	n := len(y)
	value := m.objective(y, mean, precision)
	damping := 1e-3
	for range 25 {
		curvature, slope := m.curvature(y, mean, precision)
		for i := range n {
			curvature.SetSym(i, i, curvature.At(i, i)*(1+damping))
		}
		var factor mat.Cholesky
		var step mat.VecDense
		if !factor.Factorize(curvature) || factor.SolveVecTo(&step, mat.NewVecDense(n, slope)) != nil {
			return y
		}
		next, size := make([]float64, n), 0.0
		for i := range n {
			d := math.Max(-1, math.Min(1, step.AtVec(i)))
			next[i] = y[i] + d
			size = math.Max(size, math.Abs(d))
		}
		if v := m.objective(next, mean, precision); v >= value {
			y, value, damping = next, v, damping/5
		} else {
			damping *= 10
		}
		// A hundredth of a decade is near enough for a proposal.
		if size < 1e-2 || damping > 1e6 {
			break
		}
	}
	return y
}

// gaussianAt makes the Gaussian with the posterior's curvature at y.
func (m *model) gaussianAt(y, mean, precision []float64) (gaussian, bool) {
	n := len(y)
	curvature, _ := m.curvature(y, mean, precision)
	var factor mat.Cholesky
	if !factor.Factorize(curvature) {
		return gaussian{}, false
	}
	g := gaussian{mean: y, logDet: -factor.LogDet()}
	g.logWeight = m.objective(y, mean, precision) + float64(n)/2*log2Pi + g.logDet/2
	var upper mat.TriDense
	factor.UTo(&upper)
	for i := range n {
		for j := i; j < n; j++ {
			g.inverse = append(g.inverse, upper.At(i, j))
		}
	}
	var spread mat.TriDense
	if spread.InverseTri(&upper) != nil {
		return gaussian{}, false
	}
	g.spread = &spread // U^-1, for (U'U)^-1 is the covariance
	return g, true
}

func (m *model) objective(y, mean, precision []float64) float64 {
	sum := 0.0
	g := make([]float64, len(y))
	for i := range y {
		d := y[i] - mean[i]
		sum += -d*d*precision[i]/2 + math.Log(precision[i])/2 - log2Pi/2
		g[i] = pow10(-y[i])
	}
	return sum + m.logLikelihood(g)
}

// curvature returns the Gauss-Newton precision matrix and the gradient. The
// derivative of a reading's level by a part's level is that part's share of the
// conductance; a doubted reading counts by the chance that it says something.
func (m *model) curvature(y, mean, precision []float64) (*mat.SymDense, []float64) {
	n := len(y)
	h, slope := mat.NewSymDense(n, nil), make([]float64, n)
	g := make([]float64, n)
	for i := range y {
		h.SetSym(i, i, precision[i])
		slope[i] = (mean[i] - y[i]) * precision[i]
		g[i] = pow10(-y[i])
	}
	for k := range m.readings {
		x := &m.readings[k]
		eta := whole(x.members, g)
		first, second := x.derivatives(eta)
		total := pow10(-eta)
		for a, i := range x.members {
			si := g[i] / total
			slope[i] += first * si
			for _, j := range x.members[a:] {
				h.SetSym(i, j, h.At(i, j)+second*si*g[j]/total)
			}
		}
	}
	return h, slope
}

// derivatives of the log-likelihood by eta: the first, and the second negated
// and kept from being negative.
func (x *observation) derivatives(eta float64) (first, second float64) {
	trust := x.trust(eta)
	z := (x.level - eta) / x.sigma
	switch x.relation {
	case insulation.Above:
		lambda := math.Exp(-z*z/2 - log2Pi/2 - logTail(z))
		first, second = lambda/x.sigma, lambda*(lambda-z)/(x.sigma*x.sigma)
	case insulation.Below:
		lambda := math.Exp(-z*z/2 - log2Pi/2 - logTail(-z))
		first, second = -lambda/x.sigma, lambda*(lambda+z)/(x.sigma*x.sigma)
	default:
		first, second = z/x.sigma, 1/(x.sigma*x.sigma)
	}
	return trust * first, trust * math.Max(0, second)
}

func pow10(y float64) float64 { return math.Exp(y * math.Ln10) }
