package trend

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
)

// Cusum is the tabular cumulative-sum chart (Page 1954): two one-sided sums of
// what exceeds the target by more than a slack, in the data's own units.
type Cusum struct {
	Target, Slack, Limit float64
	High, Low            float64 // the sums so far
}

// Add takes a value and says whether either sum is above the limit.
func (c *Cusum) Add(x float64) bool {
	c.High = max(0, c.High+x-c.Target-c.Slack)
	c.Low = max(0, c.Low+c.Target-c.Slack-x)
	return c.High > c.Limit || c.Low > c.Limit
}

// EWMA is the exponentially weighted moving average chart (Roberts 1959) with
// its steady-state limits.
type EWMA struct {
	Target, SD float64
	Lambda     float64 // weight of the newest value
	Width      float64 // of the limits, in standard deviations of the average
	started    bool
	value      float64
}

// Limits returns the lower and upper control limit.
func (e *EWMA) Limits() (low, top float64) {
	d := e.Width * e.SD * math.Sqrt(e.Lambda/(2-e.Lambda))
	return e.Target - d, e.Target + d
}

// Add takes a value and returns the average and whether it lies outside the limits.
func (e *EWMA) Add(x float64) (average float64, signal bool) {
	if !e.started {
		e.started, e.value = true, e.Target
	}
	e.value = e.Lambda*x + (1-e.Lambda)*e.value
	low, top := e.Limits()
	return e.value, e.value < low || e.value > top
}

// nodes of the Gauss-Legendre rule the run lengths are solved on.
const runLengthNodes = 80

// CusumRunLength is the average run length of a one-sided standard cusum with
// slack k and limit h (in standard deviations) when the mean is off by shift:
// Page's integral equation solved on Gauss-Legendre nodes (Vance 1986).
func CusumRunLength(k, h, shift float64) (float64, error) {
	if !(h > 0) {
		return 0, fmt.Errorf("cusum limit %g: want more than 0", h)
	}
	// L(u) = 1 + L(0) Phi(k-u-shift) + integral over 0..h of L(x) phi(x+k-u-shift)
	return runLength(0, h, func(x, u float64) float64 { return math.Exp(logNormalPDF(x+k-u-shift, 0, 1)) },
		func(u float64) float64 { return normalCDF(k - u - shift) })
}

// EWMARunLength is the average run length of a two-sided EWMA chart, started at
// the target, when the mean is off by shift standard deviations (Crowder 1987).
func EWMARunLength(lambda, width, shift float64) (float64, error) {
	if !(lambda > 0 && lambda <= 1 && width > 0) {
		return 0, fmt.Errorf("ewma lambda %g, width %g: want 0 < lambda <= 1 and a width above 0", lambda, width)
	}
	c := width * math.Sqrt(lambda/(2-lambda))
	return runLength(-c, c, func(x, u float64) float64 {
		return math.Exp(logNormalPDF((x-(1-lambda)*u)/lambda-shift, 0, 1)) / lambda
	}, nil)
}

// runLength solves L(u) = 1 + atom(u) L(0) + integral of L(x) kernel(x, u) over
// low..top for L(0). Without an atom 0 lies inside; it is one node more.
func runLength(low, top float64, kernel func(x, u float64) float64, atom func(u float64) float64) (float64, error) {
	x := make([]float64, runLengthNodes)
	w := make([]float64, runLengthNodes)
	quad.Legendre{}.FixedLocations(x, w, low, top)
	n := runLengthNodes + 1 // the last unknown is L(0)
	at := append(append([]float64(nil), x...), 0)
	a := mat.NewDense(n, n, nil)
	b := mat.NewVecDense(n, nil)
	for i, u := range at {
		for j := range x {
			a.Set(i, j, -w[j]*kernel(x[j], u))
		}
		if atom != nil {
			a.Set(i, n-1, -atom(u))
		}
		a.Set(i, i, a.At(i, i)+1)
		b.SetVec(i, 1)
	}
	var l mat.VecDense
	if err := l.SolveVec(a, b); err != nil {
		return 0, fmt.Errorf("run length: %w", err)
	}
	return l.AtVec(n - 1), nil
}
