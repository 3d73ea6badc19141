package trend

import (
	"math"
	"sync"

	"creepage/internal/insulation"
)

// Model is the method with one set of parameters and everything computed from
// them once. It is immutable and safe for concurrent use.
type Model struct {
	params  Params
	whole   *chain
	parts   [numComponents + 1]*chain // by component
	special map[string]*chain         // by OnsetKey, where a platform's component differs
	falls   *falls
	tail    *tail
	// What the parameters' maps say, by component, so that no map is asked on the way of a reading.
	rise        [numComponents + 1]float64
	temperature [numComponents + 1]Normal
	doubt       doubt
	sureDoubt   doubt     // of what was doubted once and comes again
	spare       sync.Pool // of forecasts, so that a fleet's daily evaluation allocates nothing
}

const numComponents = int(insulation.System)

// OnsetKey is the key of Params.OnsetByComponent: a component's word, or
// "platform/component" where one platform's component differs from its peers.
func OnsetKey(platform string, c insulation.Component) string {
	if platform == "" {
		return c.String()
	}
	return platform + "/" + c.String()
}

// NewModel checks the parameters and computes what depends on them alone.
func NewModel(p Params) (*Model, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	m := &Model{params: p, whole: newChain(&p, p.WholeOnset), special: map[string]*chain{}}
	byOnset := map[float64]*chain{p.WholeOnset: m.whole}
	at := func(onset float64) *chain {
		if byOnset[onset] == nil {
			byOnset[onset] = newChain(&p, onset)
		}
		return byOnset[onset]
	}
	for c := range m.parts {
		word := insulation.Component(c).String()
		factor := 1.0
		if f, ok := p.OnsetByComponent[word]; ok {
			factor = f
		}
		m.parts[c] = at(math.Min(p.Onset*factor, 0.05))
		m.rise[c] = p.Rise[word]
		m.temperature[c] = p.temperatureOf(insulation.Component(c))
	}
	for key, factor := range p.OnsetByComponent {
		m.special[key] = at(math.Min(p.Onset*factor, 0.05))
	}
	m.falls, m.tail = newFalls(&p), newTail()
	m.doubt = newDoubt(&p)
	sure := p
	sure.LowOutlier, sure.FlatOutlier, sure.SlipShare = min(p.LowOutlier, 1e-4), min(p.FlatOutlier, 1e-5), min(p.SlipShare, 1e-7)
	m.sureDoubt = newDoubt(&sure)
	return m, nil
}

// Params returns the parameters the model was made with.
func (m *Model) Params() Params { return m.params }

// chainOf returns the mode chain of a group.
func (m *Model) chainOf(platform string, k GroupKey) *chain {
	if k.Whole() {
		return m.whole
	}
	if len(m.params.OnsetByComponent) > 0 {
		if c := m.special[OnsetKey(platform, k.Component)]; c != nil {
			return c
		}
	}
	return m.parts[k.Component]
}

// levelPrior returns what the fleet says of a group before its first reading:
// learned for the platform, or for the component over all platforms, or from
// the service limit.
func (m *Model) levelPrior(p *insulation.Platform, k GroupKey) Normal {
	ps := &m.params
	for _, platform := range [...]string{p.ID, ""} {
		if l, ok := ps.LevelPriors[PriorKey(platform, k)]; ok {
			return Normal{l.Mean, l.SD}
		}
	}
	if k.Whole() {
		return Normal{ps.WholeLevel, math.Hypot(ps.WholeSDFleet, ps.WholeSDVehicle)}
	}
	limit := serviceLimit(p, k)
	if limit <= 0 {
		limit = usualServiceLimit
	}
	mean := max(math.Log10(limit)+ps.LevelAboveLimit, math.Log10(p.CodeLimit())+ps.LevelAboveCode)
	return Normal{mean, math.Hypot(ps.LevelSDFleet, ps.LevelSDVehicle)}
}

// usualServiceLimit stands in where a platform gives no limit: 100 megohm at
// 500 V from each conductor (common practice, no source).
const usualServiceLimit = 1e8

// serviceLimit returns the highest service limit of the group's test points, ohm, or 0.
func serviceLimit(p *insulation.Platform, k GroupKey) float64 {
	limit := 0.0
	for i := range p.Points {
		pt := &p.Points[i]
		if pt.Component == k.Component && GroupOf(pt.Component, pt.Conductor, 0) == k {
			limit = max(limit, pt.LimitOhms)
		}
	}
	return limit
}

// humidityPrior returns the prior of u; a whole vehicle is as damp as its parts.
func (m *Model) freshBank(p *insulation.Platform, k GroupKey) bank {
	return newBank(&m.params, m.levelPrior(p, k), m.params.Humidity, m.temperature[k.Component])
}
