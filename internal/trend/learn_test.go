package trend

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"creepage/internal/insulation"
)

// taught shows a learner a healthy fleet of our own making: levels about 9.3
// with a spread of 0.3, b = 0.012 a degree, noise 0.10; meter m-3 reads 0.15
// decades low. A vehicle is measured by two or three meters, as shops share work.
func taught(vehicles int) *Learner {
	l, p := NewLearner(Default()), harborVan()
	for i := range vehicles {
		rng := rand.New(rand.NewPCG(uint64(i), 17))
		level := 9.3 + 0.3*rng.NormFloat64()
		for d := rng.IntN(60); d < 700; d += 50 + rng.IntN(40) {
			celsius := 16 + 9*math.Sin(float64(d)/58) + 2*rng.NormFloat64()
			k := (i + rng.IntN(3)) % 6
			off := 0.0
			if k == 3 {
				off = -0.15
			}
			for _, pt := range p.Points {
				e := tester(d, pt.Component, pt.Conductor, math.Pow(10, level-0.012*(celsius-20)+off+0.1*rng.NormFloat64()))
				e.Reading.AirCelsius, e.Reading.Meter = celsius, fmt.Sprintf("m-%d", k)
				l.Observe(fmt.Sprintf("v-%d", i), p, []Entry{e})
			}
		}
	}
	return l
}

func TestAMeterThatReadsLowIsFoundAndTemperatureIsLearned(t *testing.T) {
	p, report := taught(120).Learn(at(720))
	if err := p.Validate(); err != nil {
		t.Fatal(err)
	}
	if len(report.Meters) != 1 || report.Meters[0].Meter != "m-3" || math.Abs(report.Meters[0].Offset+0.15) > 0.05 {
		t.Errorf("meters found off: %+v; want m-3 at -0.15", report.Meters)
	}
	for _, c := range []insulation.Component{insulation.Battery, insulation.Motor, insulation.Compressor} {
		if b := p.ByComponent[c.String()]; math.Abs(b.Mean-0.012) > 0.003 {
			t.Errorf("b of %s %.4f; want 0.012", c, b.Mean)
		}
	}
	key := PriorKey("harbor-van-400", GroupKey{insulation.Motor, Phases})
	if l := p.LevelPriors[key]; math.Abs(l.Mean-9.3) > 0.12 || l.SD > 0.5 {
		t.Errorf("level prior %+v; want about 9.3 and 0.3", l)
	}
	if p.Calibration != Default().Calibration {
		t.Errorf("calibration %+v was fitted although no code was ever seen", p.Calibration)
	}
	again, _ := taught(120).Learn(at(720))
	if fmt.Sprint(p) != fmt.Sprint(again) {
		t.Error("learning twice from the same records differs")
	}
}

func TestAFewVehiclesLeaveTheDefaultsAlmostAsTheyAre(t *testing.T) {
	l, p := NewLearner(Default()), harborVan()
	l.Observe("v-1", p, []Entry{tester(1, insulation.Motor, insulation.PhaseU, 1e9), tester(60, insulation.Motor, insulation.PhaseU, 3e9)})
	got, report := l.Learn(at(100))
	if math.Abs(got.Onset/Default().Onset-1) > 0.05 || len(report.Meters) != 0 || got.ReadingSD != Default().ReadingSD || len(got.LevelPriors) != 0 {
		t.Errorf("two readings changed the parameters: onset %g, reading %g, priors %v, meters %v", got.Onset, got.ReadingSD, got.LevelPriors, report.Meters)
	}
}

// forecastOnce shows a learner a vehicle with a monitor of which 50 % within 90 days were said once, with so much of it dropped, and whose code then came, or did not.
func forecastOnce(l *Learner, p *insulation.Platform, i int, dropped float64, came bool, on int) {
	id := fmt.Sprintf("v-%d", i)
	l.Observe(id, p, []Entry{monitor(0, 3e6)})
	l.Forecast(&Outlook{Vehicle: id, EvaluatedAt: at(1), Raw30: 0.25, Raw90: 0.5, Watched: true, Dropped: dropped})
	if came {
		l.Observe(id, p, []Entry{{Code: &insulation.Code{Vehicle: id, Code: "P0AA6", SetAt: at(on)}}})
	}
	l.Observe(id, p, []Entry{monitor(200, 3e6)})
}

func TestCalibrationFollowsWhatCameOfForecasts(t *testing.T) {
	l, p := NewLearner(Default()), harborVan()
	// Forecasts of 50 % within 90 days of which one in ten came true.
	for i := range 200 {
		forecastOnce(l, p, i, 0, i%10 == 0, 60)
	}
	got, report := l.Learn(at(300))
	if c := got.calibrated(0.5, 90, footing{watched: true}); c > 0.25 || report.Codes != 20 {
		t.Errorf("0.5 is stated as %.3f after %d codes; want near 0.1 after 20", c, report.Codes)
	}
}

// Where water gets in and dries, what has dropped mostly comes up again: a fleet's own records tell, and only what has dropped is stated lower.
func TestDropsThatComeUpAgainAreStatedLower(t *testing.T) {
	l, p := NewLearner(Default()), harborVan()
	for i := range 300 {
		on := 20 + 40*(i/2%2)
		if i%3 == 0 {
			forecastOnce(l, p, i, 0.9, i%30 == 0, on) // one in ten of those that dropped
		} else {
			forecastOnce(l, p, i, 0, i%2 == 0, on) // half of the others
		}
	}
	got, report := l.Learn(at(300))
	base := Default()
	usual, dropped := got.calibrated(0.5, 90, footing{watched: true}), got.calibrated(0.5, 90, footing{true, 0.9})
	if was := base.calibrated(0.5, 90, footing{watched: true}); math.Abs(usual-was) > 0.1 || dropped > 0.5*usual {
		t.Errorf("0.5 is stated as %.2f, and %.2f of what has dropped; %.2f before anything was learned", usual, dropped, was)
	}
	if said := report.Words(&got); !slices.ContainsFunc(said, func(s string) bool { return strings.HasPrefix(s, "What has just dropped came to its code less often") }) {
		t.Errorf("it is not said: %q", said)
	}
}

func TestAPlatformsFastAgeingCompressorIsFound(t *testing.T) {
	l := NewLearner(Default())
	rng := rand.New(rand.NewPCG(8, 8))
	for _, name := range []string{"a", "b", "c", "d"} {
		p := harborVan()
		p.ID = name
		for i := range 300 {
			id := fmt.Sprintf("%s-%d", name, i)
			l.Observe(id, p, []Entry{monitor(0, 3e6), monitor(900, 3e6)})
			o := Outlook{Vehicle: id, EvaluatedAt: at(900)}
			for _, c := range []insulation.Component{insulation.Motor, insulation.Compressor, insulation.Battery} {
				part := Part{Group: GroupKey{c, Phases}, Readings: 5, Steady: 1}
				rate := 0.04
				if name == "c" && c == insulation.Compressor {
					rate *= 3
				}
				if rng.Float64() < rate {
					part.Steady, part.Declining = 0.05, 0.95
				}
				o.Parts = append(o.Parts, part)
			}
			l.Forecast(&o)
		}
	}
	_, report := l.Learn(at(901))
	if len(report.Components) != 1 || report.Components[0].Platform != "c" || report.Components[0].Component != insulation.Compressor {
		t.Errorf("found %+v; want the compressor of c alone", report.Components)
	}
}

func TestHistoryEndsWhereTheMemoryDoes(t *testing.T) {
	m, p := model(t), harborVan()
	es := history(rand.New(rand.NewPCG(12, 12)), p, 200)
	h, err := m.History("x", p, es)
	if err != nil || len(h) == 0 {
		t.Fatalf("%d estimates, %v", len(h), err)
	}
	v := NewVehicle("x")
	add(t, m, v, p, es...)
	last := h[len(h)-1]
	g := v.now.find(last.Group)
	x := g.bank.seenAs(&levelOnly)
	if got := math.Pow(10, x.quantile(m.tail, 0.5)); dayOf(last.Day) == g.day && math.Abs(got/last.Level.P50-1) > 1e-9 {
		t.Errorf("history ends at %g, the memory at %g", last.Level.P50, got)
	}
	for _, e := range h {
		if !(e.Level.P10 <= e.Level.P50 && e.Level.P50 <= e.Level.P90) {
			t.Errorf("band out of order: %+v", e)
		}
	}
}

// Of the parts that have left their steady state those that surely did are a
// share: few of them teach no lower hazard, only which components do so more
// often; more than the default explains teach a higher one.
func TestFewSureOnsetsTeachNoLowerHazard(t *testing.T) {
	const vehicles, days = 400, 900
	fleet := func(motors, compressors int) Params {
		l, p := NewLearner(Default()), harborVan()
		for i := range vehicles {
			id := fmt.Sprintf("van-%d", i)
			l.Observe(id, p, []Entry{monitor(0, 3e6), monitor(days, 3e6)})
			o := Outlook{Vehicle: id, EvaluatedAt: at(days)}
			for c, turned := range map[insulation.Component]int{insulation.Motor: motors, insulation.Compressor: compressors, insulation.Battery: 0} {
				part := Part{Group: GroupKey{c, Phases}, Readings: 5, Steady: 1}
				if i < turned {
					part.Steady, part.Declining = 0.05, 0.95
				}
				o.Parts = append(o.Parts, part)
			}
			whole := Part{Group: GroupKey{insulation.System, WholeParallel}, Readings: 5, Steady: 1}
			if i < motors+compressors {
				whole.Steady, whole.Declining = 0.05, 0.95
			}
			o.Parts = append(o.Parts, whole)
			l.Forecast(&o)
		}
		learned, _ := l.Learn(at(days + 1))
		return learned
	}
	base := Default()
	// The default has 400 vehicles' motors turn 10.8 times in 900 days.
	few := fleet(6, 2)
	if few.Onset != base.Onset || few.WholeOnset != base.WholeOnset {
		t.Errorf("after few sure onsets the hazards are %.3g and %.3g; want the defaults %.3g and %.3g", few.Onset, few.WholeOnset, base.Onset, base.WholeOnset)
	}
	if m, c := few.OnsetByComponent["motor"], few.OnsetByComponent["compressor"]; m < 1.3*c {
		t.Errorf("motors turned three times as often as compressors and are expected to by factors %.2f and %.2f", m, c)
	}
	many := fleet(120, 120)
	if rate := 240.0 / (3 * vehicles * days); many.Onset < 0.8*rate || many.Onset > rate {
		t.Errorf("after 240 onsets the hazard is %.3g a day; want nearly %.3g", many.Onset, rate)
	}
	if rate := 240.0 / (vehicles * days); many.WholeOnset < 0.8*rate || many.WholeOnset > rate {
		t.Errorf("after 240 onsets the whole's hazard is %.3g a day; want nearly %.3g", many.WholeOnset, rate)
	}
}

// What a forecast of 90 days tells, worked by hand: of a vehicle first seen on day 0,
// last on day 400, with a code on day 300 and work on day 200.
func TestWhatAForecastTellsOfItsTime(t *testing.T) {
	v := pupil{last: 400, codeDays: []day{300}, workDays: []day{200}}
	for _, c := range []struct {
		day, now day
		came     bool
		share    float64
		worked   bool
	}{
		{50, 139, false, 0, false},          // not over yet
		{50, 140, false, 1, false},          // over, without a code
		{250, 339, false, 0, false},         // not over, although the code has come
		{250, 340, true, 1, false},          // over
		{209, 299, false, 1, false},         // its last day is the one before the code
		{140, 600, false, 60.0 / 90, true},  // worked on after 60 of the 90 days
		{200, 600, false, 0, true},          // on the day of the work
		{350, 600, false, 1, false},         // ends after the last record, but in sight
		{460, 600, false, 60.0 / 90, false}, // in sight for 60 of its 90 days
		{520, 700, false, 0, false},         // out of sight
	} {
		came, share, worked := v.outcome(c.day, 90, c.now)
		if came != c.came || math.Abs(share-c.share) > 1e-12 || worked != c.worked {
			t.Errorf("from day %d, seen on day %d: came %v, share %.3f, worked on %v; want %v, %.3f, %v", c.day, c.now, came, share, worked, c.came, c.share, c.worked)
		}
	}
}
