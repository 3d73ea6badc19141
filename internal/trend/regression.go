package trend

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Fit is a linear regression: coefficients in the order of the columns, their
// standard errors, and the residuals' standard deviation.
type Fit struct {
	Coef, SE []float64
	SD       float64
	LogL     float64 // of a censored fit
}

// LeastSquares fits y = X b by QR decomposition of the columns scaled to unit
// length, which keeps the digits that the normal equations lose. rows holds
// the rows of X.
func LeastSquares(rows [][]float64, y []float64) (Fit, error) {
	n := len(rows)
	if n == 0 || len(y) != n {
		return Fit{}, fmt.Errorf("least squares: %d rows, %d values; want as many of both, at least one", n, len(y))
	}
	k := len(rows[0])
	if n < k {
		return Fit{}, fmt.Errorf("least squares: %d rows for %d coefficients", n, k)
	}
	scale := make([]float64, k)
	x := mat.NewDense(n, k, nil)
	for j := range k {
		for i := range n {
			scale[j] += rows[i][j] * rows[i][j]
		}
		scale[j] = math.Sqrt(scale[j])
		for i := range n {
			x.Set(i, j, rows[i][j]/scale[j])
		}
	}
	var qr mat.QR
	qr.Factorize(x)
	b := mat.NewVecDense(k, nil)
	if err := qr.SolveVecTo(b, false, mat.NewVecDense(n, y)); err != nil {
		var cond mat.Condition
		if !errors.As(err, &cond) || math.IsInf(float64(cond), 1) {
			return Fit{}, fmt.Errorf("least squares: %w", err)
		}
	}
	fit := Fit{Coef: make([]float64, k), SE: make([]float64, k)}
	var rss float64
	for i := range n {
		r := y[i]
		for j := range k {
			r -= x.At(i, j) * b.AtVec(j)
		}
		rss += r * r
	}
	fit.SD = math.Sqrt(rss / float64(n-k))
	// (X'X)^-1 = R^-1 R^-T
	var r mat.Dense
	qr.RTo(&r)
	var inv mat.Dense
	if err := inv.Inverse(r.Slice(0, k, 0, k)); err != nil {
		var cond mat.Condition
		if !errors.As(err, &cond) || math.IsInf(float64(cond), 1) {
			return Fit{}, fmt.Errorf("least squares: %w", err)
		}
	}
	for j := range k {
		fit.Coef[j] = b.AtVec(j) / scale[j]
		sum := 0.0
		for l := range k {
			sum += inv.At(j, l) * inv.At(j, l)
		}
		fit.SE[j] = fit.SD * math.Sqrt(sum) / scale[j]
	}
	return fit, nil
}

// Tobit fits a normal linear regression to values and bounds (Tobin 1958) by
// maximum likelihood. relation is '=', '>' (the truth is above) or '<' per row.
// It iterates Olsen's concave form (Olsen 1978) by Newton's method.
func Tobit(rows [][]float64, y []float64, relation []byte) (Fit, error) {
	n := len(rows)
	if n == 0 || len(y) != n || len(relation) != n {
		return Fit{}, fmt.Errorf("tobit: %d rows, %d values, %d relations; want as many of all", n, len(y), len(relation))
	}
	k := len(rows[0])
	start, err := LeastSquares(rows, y)
	if err != nil {
		return Fit{}, err
	}
	// gamma = b / sigma, theta = 1 / sigma
	p := make([]float64, k+1)
	for j := range k {
		p[j] = start.Coef[j] / start.SD
	}
	p[k] = 1 / start.SD
	logL, g, h := olsen(rows, y, relation, p)
	for range 200 {
		var step mat.VecDense
		if err := step.SolveVec(h, g); err != nil {
			var cond mat.Condition
			if !errors.As(err, &cond) || math.IsInf(float64(cond), 1) {
				return Fit{}, fmt.Errorf("tobit: %w", err)
			}
		}
		t := 1.0
		next := make([]float64, k+1)
		var better float64
		for {
			for j := range next {
				next[j] = p[j] - t*step.AtVec(j)
			}
			if next[k] > 0 {
				better, g, h = olsen(rows, y, relation, next)
				if better >= logL-1e-12 {
					break
				}
			}
			if t /= 2; t < 1e-12 {
				better, g, h = olsen(rows, y, relation, p)
				copy(next, p)
				break
			}
		}
		done := math.Abs(better-logL) < 1e-13*(1+math.Abs(logL))
		copy(p, next)
		logL = better
		if done {
			break
		}
	}
	fit := Fit{Coef: make([]float64, k), SE: make([]float64, k), SD: 1 / p[k], LogL: logL}
	// Covariance of (gamma, theta) is the inverse of minus the Hessian; by the delta method for b = gamma / theta.
	var cov mat.Dense
	if err := cov.Inverse(h); err != nil {
		var cond mat.Condition
		if !errors.As(err, &cond) || math.IsInf(float64(cond), 1) {
			return Fit{}, fmt.Errorf("tobit: %w", err)
		}
	}
	for j := range k {
		fit.Coef[j] = p[j] / p[k]
		a, c := 1/p[k], -p[j]/(p[k]*p[k])
		fit.SE[j] = math.Sqrt(-(a*a*cov.At(j, j) + 2*a*c*cov.At(j, k) + c*c*cov.At(k, k)))
	}
	return fit, nil
}

// olsen returns the log-likelihood in gamma and theta with its gradient and Hessian.
func olsen(rows [][]float64, y []float64, relation []byte, p []float64) (logL float64, g *mat.VecDense, h *mat.Dense) {
	k := len(p) - 1
	g, h = mat.NewVecDense(k+1, nil), mat.NewDense(k+1, k+1, nil)
	d := make([]float64, k+1) // derivative of z = theta y - x gamma
	for i := range rows {
		z := p[k] * y[i]
		for j := range k {
			z -= rows[i][j] * p[j]
			d[j] = -rows[i][j]
		}
		d[k] = y[i]
		var first, second float64 // derivatives of the row's log-likelihood by z
		switch relation[i] {
		case '>':
			tail, lambda := upperTail(z)
			logL += tail
			first, second = -lambda, -lambda*(lambda-z)
		case '<':
			tail, lambda := upperTail(-z)
			logL += tail
			first, second = lambda, -lambda*(lambda+z)
		default:
			logL += math.Log(p[k]) - 0.5*z*z - lnSqrt2Pi
			first, second = -z, -1
			g.SetVec(k, g.AtVec(k)+1/p[k])
			h.Set(k, k, h.At(k, k)-1/(p[k]*p[k]))
		}
		for a := range d {
			g.SetVec(a, g.AtVec(a)+first*d[a])
			for b := range d {
				h.Set(a, b, h.At(a, b)+second*d[a]*d[b])
			}
		}
	}
	return logL, g, h
}
