package trend

import (
	"math"
	"math/rand/v2"
	"slices"
	"sync"
)

// horizons are the days ahead at which the fall still to come is stored; the
// first is now.
var horizons = [...]float64{0, 1, 3, 7, 14, 21, 30, 45, 60, 75, 90, 120, 150, 180, 220, 270, 320, 365, 540, 730}

const (
	numHorizons = len(horizons)
	lastHorizon = 730
	horizon30   = 6
	horizon90   = 10
	fallAtoms   = 20
	fallSeed    = 20
)

// atom is a share of the paths with their mean deepest fall: decades of level,
// and growth of the humidity sensitivity.
type atom struct {
	mass, fall, growth float64
}

// falls is, for each mode now and each horizon, the distribution of the
// deepest fall until then, by simulation of the mode chain with a fixed seed.
// The deepest, not the last: a code once set stays set. For the stable mode the
// atoms are those of paths that leave it, for an onset hazard of one a day.
type falls struct {
	atoms   [numModes][numHorizons][]atom
	leaving [numHorizons]float64 // summed mass of the stable mode's atoms
}

// dampReference is the dampness at which paths are compared to find the deepest.
const dampReference = 0.5

func newFalls(p *Params) *falls {
	f := new(falls)
	t := p.transitions(p.Onset)
	rng := rand.New(rand.NewPCG(fallSeed, fallSeed))
	var gathering sync.WaitGroup
	for k := range numModes {
		paths := make([][numHorizons]atom, p.FallPaths) // one stream of random numbers, so one mode after the other
		for i := range paths {
			paths[i] = simulateFall(p, &t, rng, k, (float64(i)+0.5)/float64(len(paths)))
		}
		gathering.Go(func() {
			for h := range numHorizons {
				f.atoms[k][h] = gather(paths, h, k)
			}
		})
	}
	gathering.Wait()
	for h := range numHorizons {
		for _, a := range f.atoms[modeStable][h] {
			f.leaving[h] += a.mass
		}
	}
	return f
}

// simulateFall follows one path of the chain from a mode. A path from the
// stable mode leaves it at a time spread evenly over the longest horizon.
func simulateFall(p *Params, t *[numModes][numModes]float64, rng *rand.Rand, k int, even float64) (out [numHorizons]atom) {
	var fall, growth float64
	var deepest atom
	now := 0.0
	if k == modeStable {
		now = even * lastHorizon
		k = leave(t, rng, k, true)
		fall += jump(p, rng, k)
	}
	next := 0
	for next < numHorizons && horizons[next] < now {
		next++
	}
	note := func() {
		if fall+dampReference*growth > deepest.fall+dampReference*deepest.growth {
			deepest = atom{fall: fall, growth: growth}
		}
	}
	note()
	for next < numHorizons {
		stay := rng.ExpFloat64() / max(1-t[k][k], 1e-9)
		dl, du, _, _ := p.drift(k)
		rate := math.Exp(p.FallSpread * rng.NormFloat64())
		end := now + stay
		for next < numHorizons && horizons[next] <= end {
			dt := horizons[next] - now
			fall -= dl * rate * dt
			growth += du * rate * dt
			now = horizons[next]
			note()
			out[next] = deepest
			next++
		}
		dt := end - now
		fall -= dl * rate * dt
		growth += du * rate * dt
		now = end
		note()
		k = leave(t, rng, k, false)
		fall += jump(p, rng, k)
		note()
	}
	return out
}

// leave draws the mode that follows; down means to one in which things get worse.
func leave(t *[numModes][numModes]float64, rng *rand.Rand, from int, down bool) int {
	total := 0.0
	for to := range numModes {
		if to != from && !(down && to == modeBetter) {
			total += t[to][from]
		}
	}
	x := rng.Float64() * total
	last := from
	for to := range numModes {
		if to == from || (down && to == modeBetter) {
			continue
		}
		last = to
		if x -= t[to][from]; x < 0 {
			break
		}
	}
	return last
}

func jump(p *Params, rng *rand.Rand, to int) float64 {
	switch to {
	case modeDrop:
		return -(p.DropJump.Mean + p.DropJump.SD*rng.NormFloat64())
	case modeBetter:
		return -(p.BetterJump.Mean + p.BetterJump.SD*rng.NormFloat64())
	}
	return 0
}

// depth is how deep a path falls, for sorting, and by what.
type depth struct {
	at, fall, growth float64
}

// gather sums paths up at one horizon: those that fall by nothing in one atom,
// the others in atoms of equal mass.
func gather(paths [][numHorizons]atom, h, k int) []atom {
	falling := make([]depth, 0, len(paths))
	for i := range paths {
		if a := &paths[i][h]; a.fall > 1e-9 || a.growth > 1e-9 {
			falling = append(falling, depth{a.fall + dampReference*a.growth, a.fall, a.growth})
		}
	}
	each := 1 / float64(len(paths))
	if k == modeStable {
		each *= lastHorizon // times the onset hazard: the chance of each path
	}
	var atoms []atom
	if zero := len(paths) - len(falling); zero > 0 && k != modeStable {
		atoms = append(atoms, atom{mass: float64(zero) * each})
	}
	slices.SortFunc(falling, func(a, b depth) int {
		switch {
		case a.at < b.at:
			return -1
		case a.at > b.at:
			return 1
		}
		return 0
	})
	n := min(fallAtoms, len(falling))
	for i := range n {
		part := falling[i*len(falling)/n : (i+1)*len(falling)/n]
		var a atom
		for j := range part {
			a.fall += part[j].fall
			a.growth += part[j].growth
		}
		a.fall /= float64(len(part))
		a.growth /= float64(len(part))
		a.mass = float64(len(part)) * each
		atoms = append(atoms, a)
	}
	return atoms
}

// tailSteps is the resolution of the table of Phi: 100 a standard deviation,
// linear between, off by 3e-6 at most.
const (
	tailReach = 6
	tailSteps = 100
)

// tail is Phi on an even grid.
type tail [2*tailReach*tailSteps + 2]float64

func newTail() *tail {
	t := new(tail)
	for i := range t {
		t[i] = normalCDF(float64(i)/tailSteps - tailReach)
	}
	return t
}

// deeper is the sum over atoms of mass times Phi(z + s fall + d growth). It is
// where a fleet's forecasts spend their time.
func (t *tail) deeper(atoms []atom, z, s, d float64) float64 {
	z, s, d = (z+tailReach)*tailSteps, s*tailSteps, d*tailSteps
	if n := len(atoms); n == 0 || z+s*atoms[n-1].fall+d*atoms[n-1].growth <= 0 {
		return 0 // the deepest of them does not get there
	}
	sum := 0.0
	for i := range atoms {
		a := &atoms[i]
		x := z + s*a.fall + d*a.growth
		if x <= 0 {
			continue
		}
		if x >= 2*tailReach*tailSteps {
			sum += a.mass
			continue
		}
		j := int(x)
		sum += a.mass * (t[j] + (x-float64(j))*(t[j+1]-t[j]))
	}
	return sum
}

// cdf is Phi by table.
func (t *tail) cdf(z float64) float64 {
	x := (z + tailReach) * tailSteps
	if x <= 0 {
		return 0
	}
	if x >= 2*tailReach*tailSteps {
		return 1
	}
	i := int(x)
	return t[i] + (x-float64(i))*(t[i+1]-t[i])
}
