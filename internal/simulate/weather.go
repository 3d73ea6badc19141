package simulate

import (
	"math"
	"math/rand/v2"
	"time"
)

// weather is a depot's, day by day.
type weather struct {
	mean     []float64 // air, C
	peak     []float64 // the day's highest, C
	humidity []float64 // relative, %
	wet      []float64 // how much damp has soaked in, 0 to 1
}

// newWeather draws a yearly wave with weather that lasts a few days, and lets
// damp soak in above 80 % and dry out below 65 %: a memory, so that the same
// humidity reads differently after rain and after a dry spell.
func newWeather(r *rand.Rand, p *Physics, start time.Time, days int) *weather {
	w := &weather{mean: make([]float64, days), peak: make([]float64, days), humidity: make([]float64, days), wet: make([]float64, days)}
	meanC := p.MeanCelsius.draw(r)
	var warm, damp, soaked float64
	for d := range days {
		phase := 2 * math.Pi * (float64(start.AddDate(0, 0, d).YearDay()) - 200) / 365.25
		warm = 0.8*warm + 0.6*2.8*r.NormFloat64()
		damp = 0.7*damp + 0.714*10*r.NormFloat64()
		w.mean[d] = meanC + p.SeasonC*math.Cos(phase) + warm
		w.humidity[d] = min(max(p.MeanHumidity-7*math.Cos(phase)+damp, 22), 100)
		w.peak[d] = w.mean[d] + 2 + 5*r.Float64()
		switch h := w.humidity[d]; {
		case h > 80:
			soaked += (1 - soaked) * (1 - math.Exp(-(h-80)/12/p.UptakeDays))
		case h < 65:
			soaked *= math.Exp(-(65 - h) / 12 / p.DryingDays)
		}
		w.wet[d] = soaked
	}
	return w
}

// dampness is what surface leakage feels of humidity (%) and soaked-in damp, 0 to 1.
func dampness(humidity, wet float64) float64 {
	return 0.6*wet + 0.4/(1+math.Exp(-(humidity-76)/5))
}
