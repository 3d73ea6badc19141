package trend

import "math"

const (
	lnSqrt2Pi = 0.91893853320467274178 // ln sqrt(2 pi)
	invSqrt2  = 1 / math.Sqrt2
)

// normalCDF is Phi(z).
func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z*invSqrt2) }

// logNormalPDF is ln N(x; mean, variance).
func logNormalPDF(x, mean, variance float64) float64 {
	d := x - mean
	return -0.5*(d*d/variance+math.Log(variance)) - lnSqrt2Pi
}

// upperTail returns ln Phi(-z) and the inverse Mills ratio lambda = phi(z)/Phi(-z),
// accurate for every finite z: below 5 from erfc, above by the continued
// fraction of the Mills ratio (Abramowitz and Stegun 1964, 26.2.14).
func upperTail(z float64) (logTail, lambda float64) {
	logPhi := -0.5*z*z - lnSqrt2Pi
	if z < 5 {
		tail := normalCDF(-z)
		return math.Log(tail), math.Exp(logPhi) / tail
	}
	lambda = z
	for n := 60; n >= 1; n-- {
		lambda = z + float64(n)/lambda
	}
	return logPhi - math.Log(lambda), lambda
}

// Censored returns the mean and variance of a normal variable with the given
// mean and variance, given that it lies above the bound (above true) or below
// it, and the logarithm of the probability that it does: the moments of the
// truncated normal (Tobin 1958; Johnson, Kotz and Balakrishnan 1994, 10.1).
func Censored(bound, mean, variance float64, above bool) (m, v, logProbability float64) {
	shift, shrink, logProbability := censor(bound, mean, variance, above)
	return mean + shift, variance * (1 - shrink), logProbability
}

// censor is Censored as a shift of the mean and the share of the variance removed.
func censor(bound, mean, variance float64, above bool) (shift, shrink, logProbability float64) {
	s := math.Sqrt(variance)
	z := (bound - mean) / s
	if !above {
		z = -z
	}
	logProbability, lambda := upperTail(z)
	shrink = min(max(lambda*(lambda-z), 0), 1)
	shift = s * lambda
	if !above {
		shift = -shift
	}
	return shift, shrink, logProbability
}
