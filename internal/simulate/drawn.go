package simulate

import (
	"fmt"
	"math/rand/v2"
)

// Drawn is a physics that nobody chose: every setting is drawn from a wide span
// by the number given, the mix of stories among them. Numbers below 101 are for
// fitting, as with seeds.
func Drawn(n uint64) Physics {
	r := rand.New(rand.NewPCG(n, 77))
	between := func(lo, hi float64) float64 { return Span{lo, hi}.draw(r) }
	laws := []LawFamily{ArrheniusFamily(0.22, 0.60), ThermosetFamily(), TableFamily(), ArrheniusFamily(0.10, 0.25), ArrheniusFamily(0.4, 0.7)}
	r.Shuffle(len(laws), func(i, j int) { laws[i], laws[j] = laws[j], laws[i] })
	p := Physics{Name: fmt.Sprintf("%s%d", drawnPrefix, n), About: "every setting drawn from a wide span", Laws: laws[:1+r.IntN(4)], FaultShare: between(0.25, 0.6), After: Ends}
	for _, s := range []Story{Slow, Accelerating, Sudden, Damp, Levelling, Staircase, Intermittent} {
		p.Shares = append(p.Shares, Share{s, r.ExpFloat64()})
	}
	p.BadBatch = between(1, 6)
	p.LevelSD, p.WanderSD, p.DampHealthy = between(0.3, 0.8), between(0, 0.25), Span{0, between(0, 1.2)}
	mean := between(-2, 22)
	p.MeanCelsius, p.SeasonC, p.MeanHumidity = Span{mean - 4, mean + 4}, between(2, 16), between(45, 85)
	p.UptakeDays, p.DryingDays = between(1, 4), between(5, 15)
	p.NoiseSD, p.NoiseFreedom, p.VisitSD = between(0.05, 0.2), 2+r.IntN(12), between(0.02, 0.15)
	p.MeterSD, p.MeterDriftSD = between(0, 0.12), between(0, 0.04)
	p.LowOutlier, p.FalseOverRange, p.BadVisit, p.UnitSlip = between(0, 0.05), between(0, 0.03), between(0, 0.03), between(0, 0.01)
	p.BareCeilings, p.LateShops = between(0, 0.6), between(0, 0.5)
	p.NoTemperature, p.NoHumidity, p.ShortHold = between(0, 0.8), between(0, 1), between(0, 0.4)
	soonest := between(7, 60)
	p.VisitDays = Span{soonest, soonest * between(1.2, 3)}
	p.MonitorShare, p.MonitorDaily = between(0, 1), between(0, 1)
	p.MonitorSD, p.MonitorFreedom, p.MonitorMemory = between(0.03, 0.3), 2+r.IntN(10), between(0, 0.9)
	p.MonitorDip, p.MonitorGarbage = between(0, 0.04), between(0, 0.02)
	p.Ceilings = []float64{[]float64{5e6, 8e6, 10e6}[r.IntN(3)], []float64{20e6, 50e6, 60e6}[r.IntN(3)]}
	if r.IntN(3) == 0 {
		p.After, p.RoutineExchanges = Repaired, between(0, 0.3)
	}
	return p
}

const drawnPrefix = "drawn-"
