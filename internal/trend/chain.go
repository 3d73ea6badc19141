package trend

// step holds, for a number of days n and every pair of modes (to, from), what
// the chain does to a state that was in mode from: the expectation over paths
// that end in mode to of 1, dl, du, dl^2, dl du and du^2, where dl and du are
// the moves of level and humidity sensitivity. Unnormalised moments map
// linearly through it, so n days are exact, and splitting a gap changes nothing.
type step [numModes][numModes]move

type move struct {
	t, l, u, ll, lu, uu float64
}

// then returns the step of first followed by second.
func then(first, second *step) *step {
	out := new(step)
	for to := range numModes {
		for from := range numModes {
			var m move
			for mid := range numModes {
				a, b := &first[mid][from], &second[to][mid]
				m.t += b.t * a.t
				m.l += b.l*a.t + b.t*a.l
				m.u += b.u*a.t + b.t*a.u
				m.ll += b.ll*a.t + 2*b.l*a.l + b.t*a.ll
				m.lu += b.lu*a.t + b.l*a.u + b.u*a.l + b.t*a.lu
				m.uu += b.uu*a.t + 2*b.u*a.u + b.t*a.uu
			}
			out[to][from] = m
		}
	}
	return out
}

// maxPower is the longest gap, in days, that is one cached power; longer gaps
// are taken in pieces of this length.
const maxPower = 128

// chain is the mode chain of one kind of group with its cached powers.
type chain struct {
	onset  float64
	powers [maxPower + 1]*step // powers[n] is n days; powers[0] is nil
}

// transitions returns the daily transition probabilities [to][from] for an onset hazard.
func (p *Params) transitions(onset float64) (t [numModes][numModes]float64) {
	move := func(from, to int, rate float64) { t[to][from] += rate }
	declines := onset * (1 - p.DampShare - p.DropShare)
	// A group that is not stable can still drop, grow damp or get better.
	for from := range numModes {
		if from != modeDrop {
			move(from, modeDrop, onset*p.DropShare)
		}
		if from == modeStable || (from >= modeDecline && from < modeDamp) {
			for i := range numDamps {
				move(from, modeDamp+i, onset*p.DampShare/numDamps)
			}
		}
		if from != modeBetter {
			move(from, modeBetter, p.RateBetter)
		}
	}
	for i := range numDeclines {
		k := modeDecline + i
		move(modeStable, k, declines*p.DeclineShares[i])
		move(k, modeStable, p.RateToStable)
		if i+1 < numDeclines {
			move(k, k+1, p.RateUp)
		}
		if i > 0 {
			move(k, k-1, p.RateDown)
		}
	}
	for i := range numDamps {
		k := modeDamp + i
		move(k, modeStable, p.RateDampToStable)
		if i+1 < numDamps {
			move(k, k+1, p.RateUp)
		}
		if i > 0 {
			move(k, k-1, p.RateDown)
		}
	}
	for i := range slowDeclines {
		move(modeDrop, modeDecline+i, p.RateDropOnward/slowDeclines)
	}
	move(modeBetter, modeStable, p.RateBetterStable)
	for from := range numModes {
		stay := 1.0
		for to := range numModes {
			if to != from {
				stay -= t[to][from]
			}
		}
		t[from][from] = stay
	}
	return t
}

// slowDeclines is how many of the slowest declines a drop can go over into.
const slowDeclines = 3

// drift returns a mode's daily move of level and u and their variances.
func (p *Params) drift(mode int) (dl, du, varL, varU float64) {
	varL, varU = p.LevelNoise, p.HumidityNoise
	switch {
	case mode >= modeDecline && mode < modeDamp:
		s := p.Slopes[mode-modeDecline]
		dl = -s
		varL += p.SlopeNoise * (p.SlopeSpread * s) * (p.SlopeSpread * s)
	case mode >= modeDamp && mode < modeDrop:
		g := p.DampGrowth[mode-modeDamp]
		du = g
		varU += p.SlopeNoise * (p.GrowthSpread * g) * (p.GrowthSpread * g)
	}
	return dl, du, varL, varU
}

// newChain computes the powers of the chain with the given onset hazard.
func newChain(p *Params, onset float64) *chain {
	t := p.transitions(onset)
	one := new(step)
	for to := range numModes {
		dl, du, varL, varU := p.drift(to)
		for from := range numModes {
			l, v := dl, varL
			if from != to {
				switch to {
				case modeDrop:
					l, v = l+p.DropJump.Mean, v+p.DropJump.SD*p.DropJump.SD
				case modeBetter:
					l, v = l+p.BetterJump.Mean, v+p.BetterJump.SD*p.BetterJump.SD
				}
			}
			q := t[to][from]
			one[to][from] = move{t: q, l: q * l, u: q * du, ll: q * (l*l + v), lu: q * l * du, uu: q * (du*du + varU)}
		}
	}
	c := &chain{onset: onset}
	c.powers[1] = one
	for n := 2; n <= maxPower; n++ {
		c.powers[n] = then(c.powers[n-1], one)
	}
	return c
}
