package locate

import (
	"math"

	"creepage/internal/insulation"
	"gonum.org/v1/gonum/mat"
)

// NonNegativeLeastSquares minimises |a x - b| over x >= 0 by the active-set
// method of Lawson and Hanson (Solving Least Squares Problems, 1974, ch. 23).
// a is given by rows. It returns x and the norm of the residual.
func NonNegativeLeastSquares(a [][]float64, b []float64) ([]float64, float64) {
	rows, n := len(a), len(a[0])
	x := make([]float64, n)
	passive := make([]bool, n)
	blocked := make([]bool, n)
	const slack = 1e-10
	for range 3 * n {
		gradient, scale := descent(a, b, x)
		best := -1
		for j, g := range gradient {
			if !passive[j] && !blocked[j] && g > slack*scale[j] && (best < 0 || g/scale[j] > gradient[best]/scale[best]) {
				best = j
			}
		}
		if best < 0 {
			break
		}
		passive[best] = true
		for {
			s, ok := solvePassive(a, b, passive)
			if !ok {
				passive[best], blocked[best] = false, true
				break
			}
			step, limiting := 1.0, -1
			for j := range s {
				if passive[j] && s[j] <= 0 {
					if f := x[j] / (x[j] - s[j]); limiting < 0 || f < step {
						step, limiting = f, j
					}
				}
			}
			if limiting < 0 {
				x = s
				break
			}
			for j := range x {
				if passive[j] {
					x[j] += step * (s[j] - x[j])
				}
			}
			x[limiting], passive[limiting] = 0, false
		}
	}
	sum := 0.0
	for i := range rows {
		r := b[i]
		for j := range n {
			r -= a[i][j] * x[j]
		}
		sum += r * r
	}
	return x, math.Sqrt(sum)
}

// descent returns a'(b - a x) and what it is to be compared with.
func descent(a [][]float64, b, x []float64) (gradient, scale []float64) {
	n := len(x)
	gradient, scale = make([]float64, n), make([]float64, n)
	for i := range a {
		r := b[i]
		for j := range n {
			r -= a[i][j] * x[j]
		}
		for j := range n {
			gradient[j] += a[i][j] * r
			scale[j] += math.Abs(a[i][j])*math.Abs(b[i]) + 1e-300
		}
	}
	return gradient, scale
}

// solvePassive solves the plain least squares over the passive columns.
func solvePassive(a [][]float64, b []float64, passive []bool) ([]float64, bool) {
	var columns []int
	for j, p := range passive {
		if p {
			columns = append(columns, j)
		}
	}
	if len(columns) > len(a) {
		return nil, false
	}
	m := mat.NewDense(len(a), len(columns), nil)
	for i := range a {
		for k, j := range columns {
			m.Set(i, k, a[i][j])
		}
	}
	var qr mat.QR
	qr.Factorize(m)
	var s mat.VecDense
	if qr.Cond() > 1e12 || qr.SolveVecTo(&s, false, mat.NewVecDense(len(b), b)) != nil {
		return nil, false
	}
	x := make([]float64, len(passive))
	for k, j := range columns {
		x[j] = s.AtVec(k)
	}
	return x, true
}

// leastSquares returns the conductances in siemens that fit the readings best,
// each weighted by its own value and uncertainty. A bound is an equation with a
// slack of its own that is not negative: g + s = 1/R for '>', g - s = 1/R for '<'.
func (m *model) leastSquares() []float64 {
	n, bounds := len(m.names), 0
	for _, x := range m.readings {
		if x.relation != insulation.Equal {
			bounds++
		}
	}
	if len(m.readings) == 0 {
		return make([]float64, n)
	}
	a := make([][]float64, len(m.readings))
	b := make([]float64, len(m.readings))
	// Columns in units of a middle conductance, so that the numbers stay near one.
	unit := 0.0
	for _, x := range m.readings {
		unit -= x.level / float64(len(m.readings))
	}
	next := n
	for k, x := range m.readings {
		a[k] = make([]float64, n+bounds)
		weight := math.Pow(10, x.level+unit) / (x.sigma * insulation.Decade)
		for _, i := range x.members {
			a[k][i] = weight
		}
		b[k] = 1 / (x.sigma * insulation.Decade)
		switch x.relation {
		case insulation.Above:
			a[k][next] = weight
			next++
		case insulation.Below:
			a[k][next] = -weight
			next++
		}
	}
	x, _ := NonNegativeLeastSquares(a, b)
	for i := range n {
		x[i] *= math.Pow(10, unit)
	}
	return x[:n]
}
