package insulation_test

import "math/rand/v2"

// newNormals returns a source of standard normal numbers with a fixed seed.
func newNormals(seed uint64) func() float64 {
	return rand.New(rand.NewPCG(seed, seed)).NormFloat64
}
