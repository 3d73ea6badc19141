package trend

import "math"

// Dim is the length of a filter's state. In the bank it holds the level at
// 20 C dry, the humidity sensitivity u, the temperature coefficient b and the
// offset of the visit that is being folded.
const Dim = 4

// Indices into the upper triangle of a symmetric Dim x Dim matrix, row by row.
const (
	covLL = iota
	covLU
	covLB
	covLV
	covUU
	covUB
	covUV
	covBB
	covBV
	covVV
	covSize
)

// Gaussian is the state of one Kalman filter: its mean and the upper triangle
// of its covariance, row by row.
type Gaussian struct {
	Mean [Dim]float64
	Cov  [covSize]float64
}

// project returns H m, P H' and H P H'.
func (g *Gaussian) project(h *[Dim]float64) (mu float64, ph [Dim]float64, variance float64) {
	c := &g.Cov
	ph[0] = c[covLL]*h[0] + c[covLU]*h[1] + c[covLB]*h[2] + c[covLV]*h[3]
	ph[1] = c[covLU]*h[0] + c[covUU]*h[1] + c[covUB]*h[2] + c[covUV]*h[3]
	ph[2] = c[covLB]*h[0] + c[covUB]*h[1] + c[covBB]*h[2] + c[covBV]*h[3]
	ph[3] = c[covLV]*h[0] + c[covUV]*h[1] + c[covBV]*h[2] + c[covVV]*h[3]
	mu = h[0]*g.Mean[0] + h[1]*g.Mean[1] + h[2]*g.Mean[2] + h[3]*g.Mean[3]
	variance = max(h[0]*ph[0]+h[1]*ph[1]+h[2]*ph[2]+h[3]*ph[3], 0)
	return mu, ph, variance
}

// shift moves the mean by d along k and takes v k k' from the covariance.
func (g *Gaussian) shift(k *[Dim]float64, d, v float64) {
	for i := range Dim {
		g.Mean[i] += k[i] * d
	}
	c := &g.Cov
	c[covLL] -= v * k[0] * k[0]
	c[covLU] -= v * k[0] * k[1]
	c[covLB] -= v * k[0] * k[2]
	c[covLV] -= v * k[0] * k[3]
	c[covUU] -= v * k[1] * k[1]
	c[covUB] -= v * k[1] * k[2]
	c[covUV] -= v * k[1] * k[3]
	c[covBB] -= v * k[2] * k[2]
	c[covBV] -= v * k[2] * k[3]
	c[covVV] -= v * k[3] * k[3]
}

// Sight says how a reading sees the state: y = H x + noise of variance Noise,
// and whether y is a value or a bound.
type Sight struct {
	H     [Dim]float64
	Y     float64
	Noise float64 // variance
	// Relation as in insulation.Relation: 1 a value, 2 the truth is above, 3 below.
	Relation uint8
}

const (
	seenEqual = 1
	seenAbove = 2
	seenBelow = 3
)

// Update folds one reading into the filter and returns ln of its likelihood.
// With a value it is the Kalman filter's update; with a bound the exact mean
// and variance of the state given that the reading lies beyond it.
func (g *Gaussian) Update(s *Sight) float64 {
	mu, ph, hph := g.project(&s.H)
	total := hph + s.Noise
	var k [Dim]float64
	for i := range Dim {
		k[i] = ph[i] / total
	}
	if s.Relation == seenEqual {
		g.shift(&k, s.Y-mu, total)
		return logNormalPDF(s.Y, mu, total)
	}
	d, shrink, logL := censor(s.Y, mu, total, s.Relation == seenAbove)
	g.shift(&k, d, total*shrink)
	return logL
}

// Advance predicts one step of x' = F x + noise of covariance q (upper
// triangle). F is dense. Single linear filters use it; the bank moves its
// moments by the chain's powers instead.
func (g *Gaussian) Advance(f *[Dim][Dim]float64, q *[covSize]float64) {
	p := unpack(&g.Cov)
	var mean [Dim]float64
	var fp, next [Dim][Dim]float64
	for i := range Dim {
		for j := range Dim {
			mean[i] += f[i][j] * g.Mean[j]
			for l := range Dim {
				fp[i][j] += f[i][l] * p[l][j]
			}
		}
	}
	for i := range Dim {
		for j := range Dim {
			for l := range Dim {
				next[i][j] += fp[i][l] * f[j][l]
			}
		}
	}
	g.Mean = mean
	n := 0
	for i := range Dim {
		for j := i; j < Dim; j++ {
			g.Cov[n] = 0.5*(next[i][j]+next[j][i]) + q[n]
			n++
		}
	}
}

// unpack returns the full symmetric matrix of an upper triangle.
func unpack(c *[covSize]float64) (p [Dim][Dim]float64) {
	n := 0
	for i := range Dim {
		for j := i; j < Dim; j++ {
			p[i][j], p[j][i] = c[n], c[n]
			n++
		}
	}
	return p
}

// finite says whether every number of the state is finite.
func (g *Gaussian) finite() bool {
	sum := 0.0
	for _, x := range g.Mean {
		sum += x
	}
	for _, x := range g.Cov {
		sum += x
	}
	return !math.IsNaN(sum) && !math.IsInf(sum, 0)
}
