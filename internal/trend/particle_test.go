package trend

import (
	"math"
	"math/rand/v2"
	"testing"
)

// particle is one hypothesis of the whole story of a group: written apart from
// the bank, from the words of the model alone.
type particle struct {
	mode    int
	l, u, b float64
	w       float64
}

// TestTheBankAgreesWithAParticleFilter follows one record (values, bounds, a
// low outlier) by a particle filter that moves every particle day by day
// through the mode chain, with the onset hazard raised a hundredfold. The bank's
// moment matching is an approximation: the level agrees within half its spread
// (0.42 measured at worst) and the weights within 0.06, except where a reading
// contradicts the odd one before it: there one normal a mode cannot hold both
// stories, and the bank trusts the return to steady more (0.24 measured).
func TestTheBankAgreesWithAParticleFilter(t *testing.T) {
	m := model(t)
	p := m.params
	const n = 60000
	onset := 3e-3 // a hundred times the usual, so that particles find the modes
	c := newChain(&p, onset)
	rates := p.transitions(onset)
	rng := rand.New(rand.NewPCG(11, 11))
	prior := Normal{9.2, 0.5}
	b := newBank(&p, prior, p.Humidity, p.Temperature)
	parts := make([]particle, n)
	for i := range parts {
		x := rng.Float64()
		k := 0
		for x -= b[k].w; x > 0 && k < numModes-1; {
			k++
			x -= b[k].w
		}
		parts[i] = particle{k, prior.Mean + prior.SD*rng.NormFloat64(), p.Humidity.Mean + p.Humidity.SD*rng.NormFloat64(), p.Temperature.Mean + p.Temperature.SD*rng.NormFloat64(), 1.0 / n}
	}
	records := []struct {
		gap      int
		y, f, t  float64
		relation uint8
		weights  float64 // tolerance
	}{{0, 9.4, 0.1, 18, seenEqual, 0.06}, {40, 9.3, 0, 25, seenAbove, 0.06}, {35, 9.2, 0.3, 8, seenEqual, 0.06}, {30, 7.9, 0.1, 20, seenEqual, 0.06},
		{30, 8.9, 0.1, 22, seenEqual, 0.27}, {45, 8.2, 0, 20, seenEqual, 0.06}, {30, 7.8, 0.2, 15, seenEqual, 0.06}}
	d := &m.doubt
	for step, r := range records {
		for range r.gap {
			for i := range parts {
				x := &parts[i]
				u := rng.Float64()
				to := x.mode
				for k := range numModes {
					if k == x.mode {
						continue
					}
					if u -= rates[k][x.mode]; u < 0 {
						to = k
						break
					}
				}
				if to != x.mode {
					switch to {
					case modeDrop:
						x.l += p.DropJump.Mean + p.DropJump.SD*rng.NormFloat64()
					case modeBetter:
						x.l += p.BetterJump.Mean + p.BetterJump.SD*rng.NormFloat64()
					}
					x.mode = to
				}
				dl, du, vl, vu := p.drift(x.mode)
				x.l += dl + math.Sqrt(vl)*rng.NormFloat64()
				x.u += du + math.Sqrt(vu)*rng.NormFloat64()
			}
		}
		b.predict(c, r.gap)
		s := Sight{H: [Dim]float64{1, -r.f, -(r.t - 20), 0}, Y: r.y, Noise: 0.12 * 0.12, Relation: r.relation}
		b.update(&s, d)
		total := 0.0
		for i := range parts {
			x := &parts[i]
			e := r.y - (x.l - r.f*x.u - (r.t-20)*x.b)
			var lik float64
			if r.relation == seenAbove {
				lik = math.Exp(d.lnAboveSaid)*normalCDF(-e/0.12) + math.Exp(d.lnFalseAbove)
			} else {
				low := 0.12*0.12 + d.lowVar
				lik = math.Exp(d.lnSaid+logNormalPDF(e, 0, 0.12*0.12)) + math.Exp(d.lnWide+logNormalPDF(e, 0, 0.12*0.12*d.wideFactor)) +
					math.Exp(d.lnLow+logNormalPDF(e, -d.lowShift, low)) + math.Exp(d.lnFlat)
			}
			x.w *= lik
			total += x.w
		}
		var mean, second, stable, worse float64
		for i := range parts {
			x := &parts[i]
			x.w /= total
			mean += x.w * x.l
			second += x.w * x.l * x.l
			switch {
			case x.mode == modeStable:
				stable += x.w
			case x.mode >= modeDecline && x.mode < modeBetter:
				worse += x.w
			}
		}
		sd := math.Sqrt(second - mean*mean)
		level, _ := b.seen(&levelOnly)
		if math.Abs(level-mean) > 0.5*sd+0.01 {
			t.Errorf("record %d: bank's level %.3f, particles' %.3f ± %.3f", step, level, mean, sd)
		}
		if math.Abs(b[modeStable].w-stable) > r.weights || math.Abs(b.share(modeDecline, modeBetter)-worse) > r.weights {
			t.Errorf("record %d: bank steady %.3f worse %.3f, particles %.3f %.3f", step, b[modeStable].w, b.share(modeDecline, modeBetter), stable, worse)
		}
		parts = resample(rng, parts)
	}
}

// resample draws systematically.
func resample(rng *rand.Rand, parts []particle) []particle {
	out := make([]particle, len(parts))
	u := rng.Float64() / float64(len(parts))
	sum, j := parts[0].w, 0
	for i := range out {
		at := u + float64(i)/float64(len(parts))
		for sum < at && j < len(parts)-1 {
			j++
			sum += parts[j].w
		}
		out[i] = parts[j]
		out[i].w = 1 / float64(len(parts))
	}
	return out
}
