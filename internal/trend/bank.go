package trend

import "math"

// mode is one filter of the bank with its weight.
type mode struct {
	w float64
	Gaussian
}

// bank is one group's filters: what the level may be doing, side by side.
type bank [numModes]mode

// newBank returns the bank before the first reading: every mode at the prior,
// with the chance that something has already begun.
func newBank(p *Params, level, humidity, temperature Normal) bank {
	var b bank
	declining := p.FirstSight
	rest := 1.0
	for k := range b {
		b[k].Mean = [Dim]float64{level.Mean, humidity.Mean, temperature.Mean}
		b[k].Cov[covLL] = level.SD * level.SD
		b[k].Cov[covUU] = humidity.SD * humidity.SD
		b[k].Cov[covBB] = temperature.SD * temperature.SD
		switch {
		case k >= modeDecline && k < modeDamp:
			b[k].w = declining * (1 - p.DampShare) * p.DeclineShares[k-modeDecline]
		case k >= modeDamp && k < modeDrop:
			b[k].w = declining * p.DampShare / numDamps
		case k == modeDrop || k == modeBetter:
			b[k].w = 1e-6
		}
		rest -= b[k].w
	}
	b[modeStable].w = rest
	return b
}

// predict moves the bank by n days. The offset of a visit ends with its day.
func (b *bank) predict(c *chain, n int) {
	for n > maxPower {
		b.apply(c.powers[maxPower])
		n -= maxPower
	}
	if n > 0 {
		b.apply(c.powers[n])
	}
}

// moments are the unnormalised moments of one mode about a common origin.
type moments struct {
	w, l, u, b, ll, lu, lb, uu, ub, bb float64
}

// unnormalised returns every mode's moments about the bank's own mean, so that
// no digits are lost to levels far from zero, and that mean.
func (b *bank) unnormalised(from *[numModes]moments) (l0, u0, b0 float64) {
	for k := range b {
		l0 += b[k].w * b[k].Mean[0]
		u0 += b[k].w * b[k].Mean[1]
		b0 += b[k].w * b[k].Mean[2]
	}
	for k := range b {
		x := &b[k]
		dl, du, db := x.Mean[0]-l0, x.Mean[1]-u0, x.Mean[2]-b0
		from[k] = moments{x.w, x.w * dl, x.w * du, x.w * db,
			x.w * (x.Cov[covLL] + dl*dl), x.w * (x.Cov[covLU] + dl*du), x.w * (x.Cov[covLB] + dl*db),
			x.w * (x.Cov[covUU] + du*du), x.w * (x.Cov[covUB] + du*db), x.w * (x.Cov[covBB] + db*db)}
	}
	return l0, u0, b0
}

// into returns the moments of what ends in one mode.
func (s *step) into(to int, from *[numModes]moments) (m moments) {
	for k := range from {
		f, a := &from[k], &s[to][k]
		m.w += a.t * f.w
		m.l += a.t*f.l + a.l*f.w
		m.u += a.t*f.u + a.u*f.w
		m.b += a.t * f.b
		m.ll += a.t*f.ll + 2*a.l*f.l + a.ll*f.w
		m.lu += a.t*f.lu + a.l*f.u + a.u*f.l + a.lu*f.w
		m.lb += a.t*f.lb + a.l*f.b
		m.uu += a.t*f.uu + 2*a.u*f.u + a.uu*f.w
		m.ub += a.t*f.ub + a.u*f.b
		m.bb += a.t * f.bb
	}
	return m
}

// apply maps the unnormalised moments through a step.
func (b *bank) apply(s *step) {
	var from [numModes]moments
	l0, u0, b0 := b.unnormalised(&from)
	total := 0.0
	for to := range b {
		m := s.into(to, &from)
		b[to].set(&m, l0, u0, b0)
		total += m.w
	}
	for k := range b {
		b[k].w /= total
	}
}

// set takes a mode's weight, mean and covariance from unnormalised moments about an origin.
func (x *mode) set(m *moments, l0, u0, b0 float64) {
	x.w = m.w
	if m.w <= 0 {
		return
	}
	dl, du, db := m.l/m.w, m.u/m.w, m.b/m.w
	x.Mean = [Dim]float64{l0 + dl, u0 + du, b0 + db}
	x.Cov = [covSize]float64{
		covLL: max(m.ll/m.w-dl*dl, minVariance), covLU: m.lu/m.w - dl*du, covLB: m.lb/m.w - dl*db,
		covUU: max(m.uu/m.w-du*du, minVariance), covUB: m.ub/m.w - du*db, covBB: max(m.bb/m.w-db*db, minVariance)}
}

// minVariance keeps rounding from making a variance zero or negative.
const minVariance = 1e-12

// minWeight is the least weight a mode keeps after an update, so that it can come back.
const minWeight = 1e-12

// reweigh multiplies the weights by exp(logL) and normalises them; it returns
// ln of the readings' likelihood under the bank.
func (b *bank) reweigh(logL *[numModes]float64) float64 {
	top := math.Inf(-1)
	for k := range b {
		if b[k].w > 0 {
			top = max(top, logL[k])
		}
	}
	total := 0.0
	for k := range b {
		b[k].w *= math.Exp(logL[k] - top)
		total += b[k].w
	}
	floored := 0.0
	for k := range b {
		b[k].w = max(b[k].w/total, minWeight)
		floored += b[k].w
	}
	for k := range b {
		b[k].w /= floored
	}
	return top + math.Log(total)
}

// seen returns the bank's mean and variance of what a reading would show, without its noise.
func (b *bank) seen(h *[Dim]float64) (mean, variance float64) {
	var second float64
	origin, _, _ := b[modeStable].project(h)
	for k := range b {
		mu, _, v := b[k].project(h)
		d := mu - origin
		mean += b[k].w * d
		second += b[k].w * (v + d*d)
	}
	return origin + mean, max(second-mean*mean, minVariance)
}

// spread is what a sight would show, as a mixture of normals.
type spread struct {
	n           int
	w, mu, s    [numModes]float64
	mean, total float64
	sd          float64
}

// seenAs returns the mixture of what a sight would show, without its noise;
// modes of negligible weight are left out.
func (b *bank) seenAs(h *[Dim]float64) spread {
	var x spread
	for k := range b {
		if b[k].w < 1e-5 {
			continue
		}
		mu, _, v := b[k].project(h)
		x.w[x.n], x.mu[x.n], x.s[x.n] = b[k].w, mu, math.Sqrt(v+minVariance)
		x.total += b[k].w
		x.n++
	}
	mean, variance := b.seen(h)
	x.mean, x.sd = mean, math.Sqrt(variance)
	return x
}

// quantile returns the q-quantile by bisection to a thousandth of a standard deviation.
func (x *spread) quantile(t *tail, q float64) float64 {
	low, top := x.mean-12*x.sd, x.mean+12*x.sd
	for top-low > 1e-3*x.sd {
		mid := 0.5 * (low + top)
		p := 0.0
		for k := range x.n {
			p += x.w[k] * t.cdf((mid-x.mu[k])/x.s[k])
		}
		if p < q*x.total {
			low = mid
		} else {
			top = mid
		}
	}
	return 0.5 * (low + top)
}

// share returns the summed weight of modes low to top, exclusive.
func (b *bank) share(low, top int) float64 {
	w := 0.0
	for k := low; k < top; k++ {
		w += b[k].w
	}
	return w
}

// widen adds variance to the level and to u of every mode.
func (b *bank) widen(level, humidity float64) {
	for k := range b {
		b[k].Cov[covLL] += level * level
		b[k].Cov[covUU] += humidity * humidity
	}
}

// mostHumidity bounds u, decades at 100 % RH: no damp takes more from sound
// insulation (judgement). A damp mode left to itself for long would pass it.
const mostHumidity = 4

// boundHumidity keeps u within what damp can do.
func (b *bank) boundHumidity() {
	for k := range b {
		b[k].Mean[1] = min(b[k].Mean[1], mostHumidity)
	}
}
