package trend

// AtCeiling says which of the values of one monitor or meter, all of one
// quantity and as levels (log10 of ohm), are at the top of what it can show:
// the largest value that keeps coming, found as the fold finds it, with all
// values known. Such a value is a bound: the true one may be above.
func AtCeiling(levels []float64) []bool {
	var top ceiling
	for _, level := range levels {
		top.add(level, 1)
	}
	at := make([]bool, len(levels))
	for i, level := range levels {
		at[i] = top.at(level)
	}
	return at
}
