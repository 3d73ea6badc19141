package locate_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"creepage/internal/insulation"
	"creepage/internal/locate"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func circuit(n int) []locate.Part {
	parts := make([]locate.Part, n)
	for i := range parts {
		parts[i] = locate.Part{Name: string(rune('a' + i)), LimitOhms: 1e8}
	}
	return parts
}

func letters(s string) []string { return strings.Split(s, "") }

func equal(connected string, ohms float64) locate.Reading {
	return locate.Reading{Connected: letters(connected), Relation: insulation.Equal, Ohms: ohms, Uncertainty: .1}
}

// rough is a reading so uncertain that a coarse grid resolves it.
func rough(connected string, ohms float64) locate.Reading {
	return locate.Reading{Connected: letters(connected), Relation: insulation.Equal, Ohms: ohms, Uncertainty: .3}
}

func above(connected string, ohms float64) locate.Reading {
	return locate.Reading{Connected: letters(connected), Relation: insulation.Above, Ohms: ohms, Uncertainty: .1}
}

func solve(t testing.TB, parts []locate.Part, readings []locate.Reading, o locate.Options) locate.Condition {
	t.Helper()
	a, err := locate.Locate(parts, readings, o)
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Conditions) != 1 {
		t.Fatalf("%d conditions", len(a.Conditions))
	}
	return a.Conditions[0]
}

// Every combination of levels on a fine grid, weighed by prior and likelihood,
// both written here apart from the package.
func TestPosteriorAgreesWithExhaustiveEnumeration(t *testing.T) {
	for name, c := range map[string]struct {
		n        int
		step     float64
		readings []locate.Reading
	}{
		"one reading of two parts":    {2, .02, []locate.Reading{equal("ab", 3e6)}},
		"two parts told apart":        {2, .02, []locate.Reading{equal("ab", 3e6), equal("a", 8e8)}},
		"a bound and a value":         {2, .02, []locate.Reading{above("a", 5.5e8), equal("ab", 6e7)}},
		"contradicting readings":      {2, .02, []locate.Reading{equal("a", 1e6), equal("ab", 9e8)}},
		"below range":                 {2, .02, []locate.Reading{{Connected: letters("ab"), Relation: insulation.Below, Ohms: 1e6, Uncertainty: .1}}},
		"three parts, one missing":    {3, .08, []locate.Reading{rough("abc", 3e6), rough("bc", 4e6), above("ab", 1e8)}},
		"three parts, all leaking":    {3, .08, []locate.Reading{rough("abc", 5e5), rough("a", 2e6), rough("bc", 7e5), rough("b", 1.5e6)}},
		"three leaks seen together":   {3, .08, []locate.Reading{rough("ab", 3e6), rough("bc", 4e6), rough("ac", 5e6)}},
		"three parts, a wide reading": {3, .08, []locate.Reading{{Connected: letters("abc"), Relation: insulation.Equal, Ohms: 2e7, Uncertainty: .3}}},
	} {
		parts := circuit(c.n)
		below, theOne, cumulative, none := enumerate(t, parts, c.readings, c.step)
		got := solve(t, parts, c.readings, locate.Options{})
		// Three standard errors of a sample of that worth, and the grid's own error.
		tolerance := func(p float64) float64 { return 3*math.Sqrt(p*(1-p)/got.EffectiveSamples) + .01 }
		for i, p := range got.Parts {
			if math.Abs(p.BelowProbability-below[i]) > tolerance(below[i]) || math.Abs(p.TheOne-theOne[i]) > tolerance(theOne[i]) {
				t.Errorf("%s, %s: below %.3f the one %.3f, enumeration %.3f and %.3f", name, p.Name, p.BelowProbability, p.TheOne, below[i], theOne[i])
			}
			// Between two peaks the median is loose: what is held is the chance of lying below it.
			if below := cumulative[i](math.Log10(p.MedianOhms)); math.Abs(below-.5) > tolerance(.5) {
				t.Errorf("%s, %s: %.3f of the enumeration lies below the median %.3g", name, p.Name, below, p.MedianOhms)
			}
		}
		if math.Abs(got.NoneProbability-none) > tolerance(none) {
			t.Errorf("%s: none %.3f, enumeration %.3f", name, got.NoneProbability, none)
		}
		t.Logf("%s: the sample is worth %.0f draws", name, got.EffectiveSamples)
		if got.EffectiveSamples < 20 {
			t.Errorf("%s: the sample is worth %.0f draws", name, got.EffectiveSamples)
		}
	}
}

func enumerate(t *testing.T, parts []locate.Part, readings []locate.Reading, step float64) (below, theOne []float64, cumulative []func(float64) float64, none float64) {
	n := len(parts)
	var grid []float64
	for y := 3.0; y <= 11; y += step {
		grid = append(grid, y)
	}
	below, theOne = make([]float64, n), make([]float64, n)
	marginal := make([][]float64, n)
	for i := range marginal {
		marginal[i] = make([]float64, len(grid))
	}
	index := make([]int, n)
	total := 0.0
	for {
		ohms, prior := make([]float64, n), 1.0
		var ones []int // the worst of those below the limit; of two on one grid point either
		for i, k := range index {
			y := grid[k]
			ohms[i] = math.Pow(10, y)
			normal := func(mean, sd float64) float64 { return math.Exp(-(y-mean)*(y-mean)/(2*sd*sd)) / sd }
			leak := 1 / (2 * float64(n))
			prior *= (1-leak)*normal(9, .4) + leak*normal(6.5, 1)
			switch {
			case y >= 8 || len(ones) > 0 && k > index[ones[0]]:
			case len(ones) > 0 && k == index[ones[0]]:
				ones = append(ones, i)
			default:
				ones = []int{i}
			}
		}
		w := prior
		for _, r := range readings {
			g := 0.0
			for _, name := range r.Connected {
				g += 1 / ohms[name[0]-'a']
			}
			sd := r.Uncertainty / math.Ln10
			z := (math.Log10(r.Ohms) + math.Log10(g)) / sd
			switch r.Relation {
			case insulation.Equal:
				w *= .99*math.Exp(-z*z/2)/(sd*math.Sqrt(2*math.Pi)) + .01/8
			case insulation.Above:
				w *= .99*math.Erfc(z/math.Sqrt2)/2 + .005
			case insulation.Below:
				w *= .99*math.Erfc(-z/math.Sqrt2)/2 + .005
			}
		}
		total += w
		for i, k := range index {
			marginal[i][k] += w
			if grid[k] < 8 {
				below[i] += w
			}
		}
		if len(ones) == 0 {
			none += w
		}
		for _, i := range ones {
			theOne[i] += w / float64(len(ones))
		}
		i := 0
		for ; i < n; i++ {
			if index[i]++; index[i] < len(grid) {
				break
			}
			index[i] = 0
		}
		if i == n {
			break
		}
	}
	for i := range n {
		below[i] /= total
		theOne[i] /= total
		cumulative = append(cumulative, func(level float64) float64 {
			sum := 0.0
			for k, w := range marginal[i] {
				// Each grid point stands for the step about it.
				sum += w * math.Max(0, math.Min(1, (level-grid[k])/step+.5))
			}
			return sum / total
		})
	}
	return below, theOne, cumulative, none / total
}

func TestLikelihoodAgreesWithAWorkedReading(t *testing.T) {
	// 1 Mohm and 1 Mohm are 500 kohm: a reading of just that has the density of
	// a normal at its mean, 0.1 being 0.0434 decades.
	got, err := locate.LogLikelihood(circuit(2), []locate.Reading{equal("ab", 5e5)}, []float64{1e6, 1e6})
	want := math.Log(.99/(.1/math.Ln10*math.Sqrt(2*math.Pi)) + .01/8)
	if err != nil || math.Abs(got-want) > 1e-12 {
		t.Errorf("%v, %v; want %v", got, err, want)
	}
}

// Computed with scipy 1.10.1: python3 -c 'from scipy.optimize import nnls; print(nnls(A, b))' with A and b as here.
func TestPublishedNonNegativeLeastSquares(t *testing.T) {
	for _, c := range nnlsCases() {
		x, norm := locate.NonNegativeLeastSquares(c.a, c.b)
		for j := range x {
			if math.Abs(x[j]-c.x[j]) > 1e-9 {
				t.Errorf("%v: %v, scipy %v", c.a, x, c.x)
				break
			}
		}
		if math.Abs(norm-c.norm) > 1e-9 {
			t.Errorf("residual %v, scipy %v", norm, c.norm)
		}
	}
}

type nnlsCase struct {
	a    [][]float64
	b, x []float64
	norm float64
}

func TestLeakIsFoundAndTheTestsEnd(t *testing.T) {
	c := solve(t, circuit(4), []locate.Reading{equal("abcd", 2e6), equal("bcd", 2e6), equal("acd", 2.5e8), equal("abd", 2e6), equal("abc", 2e6)}, locate.Options{})
	if c.Ranked[0] != "b" || !c.Sure || c.Next != nil {
		t.Errorf("%+v", c)
	}
	b := c.Parts[1]
	if b.LowOhms > 2e6 || b.HighOhms < 2e6 || b.HighOhms/b.LowOhms > 1.5 || b.BelowProbability < .99 {
		t.Errorf("the leak: %+v", b)
	}
}

func TestTwoLeaksAreBothFound(t *testing.T) {
	// c is 1 Mohm and e 5 Mohm; the rest is sound.
	readings := []locate.Reading{equal("abcdef", 8.3e5), equal("abdef", 4.9e6), equal("abcdf", 9.9e5), equal("abdf", 2.3e8)}
	c := solve(t, circuit(6), readings, locate.Options{})
	for i, p := range c.Parts {
		leaks := i == 2 || i == 4
		if leaks != (p.BelowProbability > .9) || !leaks && p.BelowProbability > .2 {
			t.Errorf("%s: below its limit with %.3f", p.Name, p.BelowProbability)
		}
	}
	if c.SeveralProbability < .9 || c.Ranked[0] != "c" || c.Ranked[1] != "e" {
		t.Errorf("two %.2f, ranked %v", c.SeveralProbability, c.Ranked)
	}
}

func TestPartsThatCannotBeToldApartAreNamed(t *testing.T) {
	c := solve(t, circuit(6), []locate.Reading{equal("abcde", 2e6), equal("cde", 3e8), equal("de", 4e8)}, locate.Options{})
	if diff := cmp.Diff([][]string{{"a", "b"}, {"d", "e"}}, c.Inseparable); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{"f"}, c.NeverConnected); diff != "" {
		t.Error(diff)
	}
	if c.Next == nil || slices.Contains(c.Next.Connect, "a") == slices.Contains(c.Next.Connect, "b") {
		t.Errorf("the next test must part a from b: %+v", c.Next)
	}
	if math.Abs(c.Parts[0].TheOne-c.Parts[1].TheOne) > .08 || c.Sure {
		t.Errorf("a %.3f, b %.3f", c.Parts[0].TheOne, c.Parts[1].TheOne)
	}
}

func TestAReadingTheOthersSpeakAgainstIsDoubted(t *testing.T) {
	readings := []locate.Reading{equal("abc", 2.4e8), equal("ab", 5e4), equal("a", 7e8), equal("b", 8e8), equal("c", 6e8)}
	c := solve(t, circuit(3), readings, locate.Options{})
	if len(c.Doubts) != 1 || c.Doubts[0].Reading != 1 {
		t.Errorf("doubts %+v", c.Doubts)
	}
}

func TestConditionsAreComparedAndNotMixed(t *testing.T) {
	var readings []locate.Reading
	for _, c := range []struct {
		connected string
		dry, wet  float64
	}{{"abc", 3e8, 1e6}, {"bc", 4.5e8, 1e6}, {"ac", 4.5e8, 4e8}, {"ab", 4.5e8, 1e6}} {
		dry, wet := equal(c.connected, c.dry), equal(c.connected, c.wet)
		dry.Moisture, wet.Moisture = insulation.Dry, insulation.Wet
		readings = append(readings, wet, dry)
	}
	a, err := locate.Locate(circuit(3), readings, locate.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Conditions) != 2 || a.Conditions[0].Name() != "dry" || a.Conditions[1].Name() != "wet" || len(a.Comparisons) != 4 {
		t.Fatalf("%d conditions, %d comparisons", len(a.Conditions), len(a.Comparisons))
	}
	if a.Conditions[1].Ranked[0] != "b" || !a.Conditions[1].Sure || a.Conditions[0].Parts[1].BelowProbability > .1 {
		t.Errorf("dry %+v\nwet %+v", a.Conditions[0].Parts, a.Conditions[1].Parts)
	}
	if len(a.Leaks) != 1 || !strings.HasPrefix(a.Leaks[0], "b is below its limit wet") {
		t.Errorf("leaks %q", a.Leaks)
	}
}

func TestBadInputNamesItsField(t *testing.T) {
	good := []locate.Reading{equal("ab", 1e6)}
	for says, c := range map[string]struct {
		parts    []locate.Part
		readings []locate.Reading
		options  locate.Options
	}{
		"readings 0":                    {circuit(2), nil, locate.Options{}},
		"parts 0":                       {nil, good, locate.Options{}},
		"parts[1].name":                 {[]locate.Part{{Name: "a", LimitOhms: 1e8}, {Name: "a", LimitOhms: 1e8}}, []locate.Reading{equal("a", 1e6)}, locate.Options{}},
		"parts[0].limit_ohms 0":         {[]locate.Part{{Name: "a"}}, []locate.Reading{equal("a", 1e6)}, locate.Options{}},
		`readings[0].connected "z"`:     {circuit(2), []locate.Reading{equal("az", 1e6)}, locate.Options{}},
		`readings[0].connected "a"`:     {circuit(2), []locate.Reading{equal("aa", 1e6)}, locate.Options{}},
		"readings[0].connected []":      {circuit(2), []locate.Reading{{Relation: insulation.Equal, Ohms: 1}}, locate.Options{}},
		"readings[0].resistance_ohms":   {circuit(2), []locate.Reading{equal("a", math.NaN())}, locate.Options{}},
		"readings[0].resistance_ohms -": {circuit(2), []locate.Reading{equal("a", -1)}, locate.Options{}},
		"readings[0].relation":          {circuit(2), []locate.Reading{{Connected: letters("a"), Ohms: 1e6}}, locate.Options{}},
		"readings[0].uncertainty":       {circuit(2), []locate.Reading{{Connected: letters("a"), Relation: insulation.Equal, Ohms: 1e6, Uncertainty: 9}}, locate.Options{}},
		"prior 2":                       {circuit(2), good, locate.Options{Prior: 2}},
		"range_ohms -1":                 {circuit(2), good, locate.Options{RangeOhms: -1}},
	} {
		if _, err := locate.Locate(c.parts, c.readings, c.options); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v", says, err)
		}
	}
}

func drawReadings(t *rapid.T, n int) []locate.Reading {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) locate.Reading {
		var connected []string
		for set, i := rapid.IntRange(1, 1<<n-1).Draw(t, "set"), 0; i < n; i++ {
			if set&(1<<i) != 0 {
				connected = append(connected, string(rune('a'+i)))
			}
		}
		return locate.Reading{Connected: connected, Relation: rapid.SampledFrom([]insulation.Relation{insulation.Equal, insulation.Above, insulation.Below}).Draw(t, "relation"),
			Ohms: math.Pow(10, rapid.Float64Range(5, 9.5).Draw(t, "level")), Uncertainty: rapid.Float64Range(.02, .4).Draw(t, "uncertainty")}
	}), 1, 6).Draw(t, "readings")
}

func TestOrderOfReadingsDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings := drawReadings(t, 4)
		a, _ := locate.Locate(circuit(4), readings, locate.Options{})
		b, _ := locate.Locate(circuit(4), rapid.Permutation(readings).Draw(t, "shuffled"), locate.Options{})
		if diff := cmp.Diff(a.Conditions[0].Parts, b.Conditions[0].Parts); diff != "" {
			t.Fatal(diff)
		}
	})
}

// Within the sample's own error: rounding may send a draw another way.
func TestScalingAllOhmsScalesTheAnswer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings, factor := drawReadings(t, 3), math.Pow(10, rapid.Float64Range(-2, 2).Draw(t, "decades"))
		parts, scaled := circuit(3), circuit(3)
		more := slices.Clone(readings)
		for i := range more {
			more[i].Ohms *= factor
		}
		for i := range scaled {
			scaled[i].LimitOhms *= factor
		}
		a, _ := locate.Locate(parts, readings, locate.Options{})
		b, _ := locate.Locate(scaled, more, locate.Options{})
		for i, p := range a.Conditions[0].Parts {
			q := b.Conditions[0].Parts[i]
			// Between two peaks the median is loose.
			loose := p.BelowProbability > .2 && p.BelowProbability < .8
			if math.Abs(p.TheOne-q.TheOne) > .05 || !loose && math.Abs(math.Log10(q.MedianOhms/p.MedianOhms/factor)) > .1 {
				t.Fatalf("times %v: %+v became %+v", factor, p, q)
			}
		}
	})
}

func TestConnectingOneMoreNeverRaisesTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, _ := locate.Locate(circuit(5), drawReadings(t, 5), locate.Options{})
		connected := []string{}
		last := math.Inf(1)
		for _, name := range rapid.Permutation(letters("abcde")).Draw(t, "order") {
			connected = append(connected, name)
			r, err := a.Conditions[0].Whole(connected)
			if err != nil {
				t.Fatal(err)
			}
			if r.Mid > last {
				t.Fatalf("connecting %s raised the whole from %v to %v", name, last, r.Mid)
			}
			last = r.Mid
		}
	})
}

func TestADisconnectedPartGetsNoInformation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, _ := locate.Locate(circuit(4), drawReadings(t, 3), locate.Options{})
		d := a.Conditions[0].Parts[3]
		// A priori: leaking with 1/8, then below the limit with Phi(1.5); healthy and below it with Phi(-2.5).
		want := .125*.93319 + .875*.00621
		if math.Abs(d.BelowProbability-want) > 1e-4 || math.Abs(math.Log10(d.MedianOhms)-8.92) > .03 {
			t.Fatalf("never connected, yet %+v", d)
		}
		if !slices.Contains(a.Conditions[0].NeverConnected, "d") {
			t.Fatalf("never connected: %v", a.Conditions[0].NeverConnected)
		}
	})
}

// study is a random circuit with one leak and a meter with 10 % noise.
type study struct {
	ohms   []float64
	leak   int
	random *rand.Rand
}

func newStudy(n int, random *rand.Rand) study {
	s := study{ohms: make([]float64, n), leak: random.IntN(n), random: random}
	g := 0.0
	for i := range s.ohms {
		s.ohms[i] = math.Pow(10, 9+.4*random.NormFloat64())
		if i != s.leak {
			g += 1 / s.ohms[i]
		}
	}
	s.ohms[s.leak] = 1 / g / math.Pow(10, 1+math.Log10(30)*random.Float64())
	return s
}

func (s study) read(connected []string) locate.Reading {
	g := 0.0
	for _, name := range connected {
		g += 1 / s.ohms[name[0]-'a']
	}
	return locate.Reading{Connected: connected, Relation: insulation.Equal, Ohms: math.Exp(.1*s.random.NormFloat64()) / g, Uncertainty: .1}
}

// Random circuits of 4 to 10 parts, healthy ones log-normal about 1 gigohm with
// 0.4 decades, one leak 10 to 300 times below the parallel of the others.
func TestLeakIsRankedFirstWithAllSingleDisconnections(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	first, sure, total := 0, 0, 0
	for n := 4; n <= 10; n++ {
		all := letters("abcdefghij"[:n])
		for range 15 {
			s := newStudy(n, random)
			readings := []locate.Reading{s.read(all)}
			for i := range all {
				readings = append(readings, s.read(slices.Delete(slices.Clone(all), i, i+1)))
			}
			c := solve(t, circuit(n), readings, locate.Options{})
			total++
			if c.Ranked[0] == all[s.leak] {
				first++
				if c.Sure {
					sure++
				}
			}
		}
	}
	t.Logf("ranked first in %d of %d circuits, and sure of it in %d", first, total, sure)
	if float64(first) < .95*float64(total) {
		t.Errorf("ranked first in %d of %d", first, total)
	}
}

func TestSuggestedTestsReachASureAnswer(t *testing.T) {
	random := rand.New(rand.NewPCG(8, 8))
	for _, n := range []int{4, 5, 6, 8, 10} {
		all := letters("abcdefghij"[:n])
		tests, wrong := 0, 0
		const circuits, most = 15, 20
		for range circuits {
			s := newStudy(n, random)
			readings := []locate.Reading{s.read(all)}
			c := solve(t, circuit(n), readings, locate.Options{})
			for !c.Sure && c.Next != nil && len(readings) < most {
				readings = append(readings, s.read(c.Next.Connect))
				c = solve(t, circuit(n), readings, locate.Options{})
			}
			tests += len(readings)
			if !c.Sure || c.Ranked[0] != all[s.leak] {
				wrong++
			}
		}
		mean, aim := float64(tests)/circuits, math.Ceil(math.Log2(float64(n)))+1
		t.Logf("%d parts: %.2f tests on average, the first with everything connected (aim %.0f); %d of %d not sure or wrong", n, mean, aim, wrong, circuits)
		if mean > aim || wrong > 1 {
			t.Errorf("%d parts: %.2f tests (aim %.0f), %d wrong", n, mean, aim, wrong)
		}
	}
}

func TestTheSameInputGivesTheSameAnswer(t *testing.T) {
	readings := []locate.Reading{equal("abc", 3e6), equal("bc", 4e6)}
	a, b := solve(t, circuit(3), readings, locate.Options{}), solve(t, circuit(3), readings, locate.Options{})
	if fmt.Sprintf("%+v %+v", a.Parts, a.Next) != fmt.Sprintf("%+v %+v", b.Parts, b.Next) {
		t.Error("two runs differ")
	}
}

func BenchmarkTenPartsTwentyReadings(b *testing.B) { benchmarkLocate(b, 10) }

func BenchmarkSixteenPartsTwentyReadings(b *testing.B) { benchmarkLocate(b, 16) }

func benchmarkLocate(b *testing.B, n int) {
	random := rand.New(rand.NewPCG(9, 9))
	all := letters("abcdefghijklmnop"[:n])
	s := newStudy(n, random)
	var readings []locate.Reading
	for k := range 20 {
		connected := slices.Clone(all)
		random.Shuffle(n, func(i, j int) { connected[i], connected[j] = connected[j], connected[i] })
		readings = append(readings, s.read(connected[:3+k%7]))
	}
	var c locate.Condition
	for b.Loop() {
		c = solve(b, circuit(n), readings, locate.Options{})
	}
	b.ReportMetric(c.EffectiveSamples, "effective-draws")
}

// Three leaks at once within a factor of three, so that none hides in the
// meter's error beneath the others, read in fifteen random sets.
func TestThreeLeaksAtOnceAreAllFound(t *testing.T) {
	random := rand.New(rand.NewPCG(11, 11))
	found, total := 0, 0
	for n := 5; n <= 10; n++ {
		all := letters("abcdefghij"[:n])
		for range 10 {
			s := newStudy(n, random)
			s.ohms[s.leak] = 1e9
			leaks := random.Perm(n)[:3]
			for k, i := range leaks {
				s.ohms[i] = 1e6 * math.Pow(10, .15*float64(k)+.1*random.Float64())
			}
			readings := []locate.Reading{s.read(all)}
			for range 14 {
				connected := slices.Clone(all)
				random.Shuffle(n, func(i, j int) { connected[i], connected[j] = connected[j], connected[i] })
				readings = append(readings, s.read(connected[:1+random.IntN(n-1)]))
			}
			c := solve(t, circuit(n), readings, locate.Options{})
			right := true
			for i, p := range c.Parts {
				right = right && (p.BelowProbability > .5) == slices.Contains(leaks, i)
			}
			total++
			if right {
				found++
			}
		}
	}
	t.Logf("all three leaks and no other in %d of %d circuits", found, total)
	if float64(found) < .95*float64(total) {
		t.Errorf("all three leaks and no other in %d of %d circuits", found, total)
	}
}
