package trend

import (
	"math"
	"math/rand/v2"
	"testing"
)

// How far the lowest values of weeks have sunk equals the difference of two weighted
// means over the whole history, which a memory of a few numbers does not keep. The lowest
// is that of two values in a row.
func TestSinkingEqualsItsDefinitionOverTheWholeHistory(t *testing.T) {
	ps := Default()
	rng := rand.New(rand.NewPCG(3, 5))
	for range 50 {
		var x dips
		lows, last := map[int32]float64{}, math.Inf(-1)
		d := day(17000 + rng.IntN(7))
		for range 1 + rng.IntN(300) {
			y := 6.5 - 0.002*float64(d-17000) + 0.3*rng.NormFloat64()
			x.follow(&ps, d, y)
			pair := max(y, last)
			last = y
			week := int32((d + 3) / 7)
			if low, ok := lows[week]; !ok || pair < low {
				lows[week] = pair
			}
			d += day(rng.IntN(4) * rng.IntN(12))
		}
		mean := func(days float64) float64 {
			sum, weight := 0.0, 0.0
			for week, low := range lows {
				w := math.Exp(-7 * float64(x.week-week) / days)
				sum, weight = sum+w*low, weight+w
			}
			return sum / weight
		}
		if got, want := x.sunk(), min(max(mean(ps.SinkFar)-mean(ps.SinkNear), 0), 1); math.Abs(got-want) > 1e-9 {
			t.Fatalf("sunk by %v decades, want %v of %d weeks", got, want, len(lows))
		}
	}
}

// One value that is far too low (a frame's remnant, a loose plug, an odd sample) moves
// neither what has sunk nor how deep the dips are; two in a row do.
func TestOneLowValueIsNoDip(t *testing.T) {
	ps := Default()
	for low, want := range map[int]bool{1: false, 2: true} {
		var x dips
		for d := range day(200) {
			y := 7.0
			if d >= 100 && d < 100+day(low) {
				y = 0
			}
			x.follow(&ps, 18000+d, y)
			if moved := x.sunk() > 1e-9 || x.high-x.trough > 1e-12; moved != (want && d > 100) && d < 110 {
				t.Fatalf("%d low values, day %d: sunk by %v, trough at %v below %v", low, d, x.sunk(), x.trough, x.high)
			}
		}
	}
}

// What stands has not sunk, what rises neither, and what falls has by less than it fell.
func TestWhatStandsHasNotSunk(t *testing.T) {
	ps := Default()
	for _, c := range []struct {
		name    string
		perDay  float64
		low, up float64
	}{{"stands", 0, 0, 1e-12}, {"rises", 0.003, 0, 0}, {"falls", -0.005, 0.25, 0.45}} {
		var x dips
		for d := range day(400) {
			x.follow(&ps, 18000+d, 7+c.perDay*float64(d))
		}
		if got := x.sunk(); got < c.low || got > c.up {
			t.Errorf("what %s has sunk by %v decades, want %v to %v", c.name, got, c.low, c.up)
		}
	}
}

// Sinking raises the chance that it stands beside, and nothing at the time itself.
func TestSinkingRaisesTheChance(t *testing.T) {
	with, without := Default(), Default()
	without.SinkOdds = 0
	p := harborVan()
	var said [2]Outlook
	for i, ps := range []Params{with, without} {
		m, v := mustModel(t, ps), NewVehicle("x")
		for d := range 200 {
			add(t, m, v, p, monitor(d, 3e6*math.Pow(10, -0.004*float64(max(d-120, 0)))))
		}
		said[i] = m.Outlook(v, p, at(200))
	}
	if !(said[0].Raw90 > 1.2*said[1].Raw90) || said[0].P0 != said[1].P0 {
		t.Errorf("within 90 days %v against %v without; now %v and %v", said[0].Raw90, said[1].Raw90, said[0].P0, said[1].P0)
	}
}
