// Package locate finds which component of a high-voltage circuit leaks from
// whole-circuit readings taken with some components disconnected.
//
// Leak conductances add over what is connected and are never negative; a
// reading is log-normal about the truth, an over-range one is a bound. Each
// part is healthy or leaking a priori, both log-normal; the posterior is
// computed by importance sampling from a mixture of Gaussian approximations,
// one for each way in which none, one or several parts leak (more than two are
// tried only where the readings call for it); where that sample is poor,
// Metropolis steps improve it. The seed is fixed:
// the same input gives the same answer, in whatever order it is given.
//
// Units: ohm; levels are y = log10(ohm), spreads in decades.
package locate
