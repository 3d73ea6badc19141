//go:build crosscheck

package trend

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"testing"
)

var seed = flag.Uint64("seed", 0, "seed of the random problems; 0: another one every time")

// fresh returns the source of the problems. Its seed is printed, so that a
// failure can be made again with -seed.
func fresh(t *testing.T) *rand.Rand {
	t.Helper()
	s := *seed
	for s == 0 {
		s = rand.Uint64()
	}
	t.Logf("seed %d; again: go test -tags crosscheck ./internal/trend -run '^%s$' -seed %d", s, t.Name(), s)
	return rand.New(rand.NewPCG(s, 0))
}

// ask hands problems to a program that answers them, both as JSON.
func ask(t *testing.T, problems, answers any, program string, arguments ...string) {
	t.Helper()
	in, err := json.Marshal(problems)
	if err != nil {
		t.Fatal(err)
	}
	command := exec.Command(program, arguments...)
	var out bytes.Buffer
	command.Stdin, command.Stdout, command.Stderr = bytes.NewReader(append(in, '\n')), &out, os.Stderr
	if err := command.Run(); err != nil {
		t.Fatalf("%s %v: %v (make crosscheck installs what it needs)", program, arguments, err)
	}
	if err := json.Unmarshal(out.Bytes(), answers); err != nil {
		t.Fatalf("%s answered what is no JSON: %v", program, err)
	}
}

func askPython(t *testing.T, problems, answers any) {
	ask(t, problems, answers, "/usr/bin/python3", "testdata/crosscheck/reference.py")
}

func askR(t *testing.T, problems, answers any) {
	ask(t, problems, answers, "Rscript", "testdata/crosscheck/reference.R")
}

// within compares two numbers that two programs computed by other operations in
// other orders: scale is the size of what went into them.
func within(t *testing.T, what string, problem int, got, want, tolerance, scale float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*scale) {
		t.Errorf("problem %d: %s %.15g, reference %.15g", problem, what, got, want)
	}
}

// filterTolerance is for two Kalman filters in double precision, 60 steps each:
// rounding of 1e-16 grows by the condition of the covariances (below 1e4 here),
// and is measured near 1e-12 at worst.
const filterTolerance = 1e-11

type filterAnswer struct {
	LogL       float64       `json:"logL"`
	Filtered   [][]float64   `json:"filtered"`
	Covariance [][][]float64 `json:"covariance"`
	Predicted  []float64     `json:"predicted"`
}

// Local levels and local linear trends of random variances with a fifth of the
// values missing, by the analytic start after the diffuse phase (Koopman 1997),
// against the exact diffuse filter of statsmodels' UnobservedComponents.
func TestCrosscheckStructuralModelsWithStatsmodels(t *testing.T) {
	random := fresh(t)
	type problem struct {
		Model     string     `json:"model"`
		Y         []*float64 `json:"y"`
		Variances []float64  `json:"variances"`
	}
	var problems []problem
	for i := range 40 {
		p := problem{Model: "llevel", Variances: []float64{math.Exp(random.NormFloat64()), math.Exp(random.NormFloat64() - 1)}}
		first := 1
		if i%2 == 1 {
			p.Model, p.Variances, first = "lltrend", append(p.Variances, math.Exp(random.NormFloat64()-3)), 2
		}
		level, slope := 9.0, 0.0
		for j := range 60 {
			y := level + math.Sqrt(p.Variances[0])*random.NormFloat64()
			level += slope + math.Sqrt(p.Variances[1])*random.NormFloat64()
			if first == 2 {
				slope += math.Sqrt(p.Variances[2]) * random.NormFloat64()
			}
			if j >= first && random.Float64() < 0.2 {
				p.Y = append(p.Y, nil)
				continue
			}
			p.Y = append(p.Y, &y)
		}
		problems = append(problems, p)
	}
	var answers struct{ Structural []filterAnswer }
	askPython(t, map[string]any{"structural": problems}, &answers)
	for i, p := range problems {
		a := answers.Structural[i]
		g, f, q, first := structural(p.Model, p.Y, p.Variances)
		logL := -lnSqrt2Pi * float64(first) // statsmodels' constant of each diffuse step
		for j := first; j < len(p.Y); j++ {
			if p.Y[j] != nil {
				logL += g.Update(&Sight{H: [Dim]float64{1}, Y: *p.Y[j], Noise: p.Variances[0], Relation: seenEqual})
			}
			sameState(t, i, &g, a.Filtered[j], a.Covariance[j])
			g.Advance(&f, &q)
		}
		within(t, "log-likelihood", i, logL, a.LogL, filterTolerance, 1+math.Abs(a.LogL))
		for k, want := range a.Predicted {
			within(t, "prediction", i, g.Mean[k], want, filterTolerance, 1+math.Abs(want))
		}
	}
}

// structural returns the state before value number first, when the diffuse
// phase has ended, with the step's matrices.
func structural(model string, y []*float64, v []float64) (g Gaussian, f [Dim][Dim]float64, q [covSize]float64, first int) {
	f, q[covLL] = [Dim][Dim]float64{{1}}, v[1]
	if model == "llevel" {
		g.Mean[0], g.Cov[covLL] = *y[0], v[0]+v[1]
		return g, f, q, 1
	}
	f, q[covUU] = [Dim][Dim]float64{{1, 1}, {0, 1}}, v[2]
	g.Mean = [Dim]float64{2**y[1] - *y[0], *y[1] - *y[0]}
	g.Cov[covLL], g.Cov[covLU], g.Cov[covUU] = 5*v[0]+2*v[1]+v[2], 3*v[0]+v[1]+v[2], 2*v[0]+v[1]+2*v[2]
	return g, f, q, 2
}

func sameState(t *testing.T, problem int, g *Gaussian, mean []float64, cov [][]float64) {
	t.Helper()
	p := unpack(&g.Cov)
	for k := range mean {
		within(t, "state", problem, g.Mean[k], mean[k], filterTolerance, 1+math.Abs(mean[k]))
		for l := range mean {
			within(t, "covariance", problem, p[k][l], cov[k][l], filterTolerance, 1+math.Sqrt(cov[k][k]*cov[l][l]))
		}
	}
}

// The update as the bank uses it, a design that changes from reading to reading
// and noise of its own for each, against statsmodels' KalmanFilter.
func TestCrosscheckTimeVaryingFilterWithStatsmodels(t *testing.T) {
	random := fresh(t)
	type problem struct {
		Y     []float64   `json:"y"`
		H     [][]float64 `json:"h"`
		Noise []float64   `json:"noise"`
		F     [][]float64 `json:"f"`
		Q     [][]float64 `json:"q"`
		Mean  []float64   `json:"mean"`
		Cov   [][]float64 `json:"cov"`
		g     Gaussian    // the start,
		f     [][]float64 // and the step
		q     [covSize]float64
	}
	square := func(size float64) (full [][]float64, upper [covSize]float64) {
		a := make([][]float64, Dim)
		for i := range a {
			for range Dim {
				a[i] = append(a[i], size*random.NormFloat64())
			}
		}
		n := 0
		full = make([][]float64, Dim)
		for i := range full {
			full[i] = make([]float64, Dim)
			for j := range Dim {
				for k := range Dim {
					full[i][j] += a[i][k] * a[j][k]
				}
				if i == j {
					full[i][j] += 0.1 * size * size
				}
			}
		}
		for i := range Dim {
			for j := i; j < Dim; j++ {
				upper[n] = full[i][j]
				n++
			}
		}
		return full, upper
	}
	problems := make([]problem, 40)
	for i := range problems {
		p := &problems[i]
		p.Q, p.q = square(0.1)
		p.Cov, p.g.Cov = square(1)
		for k := range Dim {
			p.g.Mean[k] = random.NormFloat64()
			row := make([]float64, Dim)
			for l := range row {
				row[l] = 0.1 * random.NormFloat64()
			}
			row[k] += 0.9
			p.F = append(p.F, row)
		}
		p.Mean = p.g.Mean[:]
		for range 60 {
			p.H = append(p.H, []float64{1, -random.Float64(), 20 * random.NormFloat64(), math.Round(random.Float64())})
			p.Noise = append(p.Noise, math.Exp(random.NormFloat64()-2))
			p.Y = append(p.Y, 9+random.NormFloat64())
		}
	}
	var answers struct{ Linear []filterAnswer }
	askPython(t, map[string]any{"linear": problems}, &answers)
	for i := range problems {
		p, a := &problems[i], answers.Linear[i]
		g, logL := p.g, 0.0
		f := [Dim][Dim]float64{[Dim]float64(p.F[0]), [Dim]float64(p.F[1]), [Dim]float64(p.F[2]), [Dim]float64(p.F[3])}
		for j, y := range p.Y {
			logL += g.Update(&Sight{H: [Dim]float64(p.H[j]), Y: y, Noise: p.Noise[j], Relation: seenEqual})
			sameState(t, i, &g, a.Filtered[j], a.Covariance[j])
			g.Advance(&f, &p.q)
		}
		within(t, "log-likelihood", i, logL, a.LogL, filterTolerance, 1+math.Abs(a.LogL))
		for k, want := range a.Predicted {
			within(t, "prediction", i, g.Mean[k], want, filterTolerance, 1+math.Abs(want))
		}
	}
}

type fitAnswer struct {
	Coef []float64 `json:"coef"`
	SE   []float64 `json:"se"`
	SD   float64   `json:"sd"`
	LogL float64   `json:"logL"`
	// Converged is false where the reference itself warns that it did not get there.
	Converged bool `json:"converged"`
}

// randomRegression draws rows with an intercept and values about a plane.
func randomRegression(random *rand.Rand) (rows [][]float64, y []float64) {
	k := 1 + random.IntN(4)
	b := make([]float64, k)
	for j := range b {
		b[j] = random.NormFloat64()
	}
	sd := math.Exp(random.NormFloat64() - 1)
	for range 25 + random.IntN(40) {
		row, v := []float64{1}, b[0]
		for j := 1; j < k; j++ {
			x := random.NormFloat64() * math.Pow(10, float64(j-1))
			row, v = append(row, x), v+b[j]*x/math.Pow(10, float64(j-1))
		}
		rows, y = append(rows, row), append(y, v+sd*random.NormFloat64())
	}
	return rows, y
}

// Censored regressions with bounds on either side against survreg of R's
// survival (gaussian, interval2). The maximum is found to 1e-14 in the
// log-likelihood by both, which near a maximum leaves a ten-millionth of a
// standard error in the coefficients: they agree within a hundred-thousandth of
// one. Where survreg warns that it did not converge, ours must not be lower.
func TestCrosscheckTobitWithSurvreg(t *testing.T) {
	random := fresh(t)
	type problem struct {
		Rows     [][]float64 `json:"rows"`
		Y        []float64   `json:"y"`
		Relation []string    `json:"relation"`
		relation []byte
	}
	var problems []problem
	for range 60 {
		rows, y := randomRegression(random)
		p := problem{Rows: rows, Y: y}
		order := slices.Clone(y)
		slices.Sort(order)
		low, top := math.Inf(-1), order[int((0.5+0.5*random.Float64())*float64(len(y)-1))]
		if random.Float64() < 0.5 {
			low = order[int(0.3*random.Float64()*float64(len(y)))]
		}
		for i := range y {
			word := "="
			switch {
			case y[i] > top:
				word, y[i] = ">", top
			case y[i] < low:
				word, y[i] = "<", low
			}
			p.Relation, p.relation = append(p.Relation, word), append(p.relation, word[0])
		}
		problems = append(problems, p)
	}
	var answers struct{ Tobit []fitAnswer }
	askR(t, map[string]any{"tobit": problems}, &answers)
	stuck := 0
	for i, p := range problems {
		a := answers.Tobit[i]
		fit, err := Tobit(p.Rows, p.Y, p.relation)
		if err != nil {
			t.Errorf("problem %d: %v", i, err)
			continue
		}
		if !a.Converged {
			stuck++
			if fit.LogL < a.LogL-1e-9 {
				t.Errorf("problem %d: log-likelihood %.12g, survreg got to %.12g before it gave up", i, fit.LogL, a.LogL)
			}
			continue
		}
		within(t, "log-likelihood", i, fit.LogL, a.LogL, 1e-9, 1+math.Abs(a.LogL))
		within(t, "scale", i, fit.SD, a.SD, 1e-6, a.SD)
		for k := range a.Coef {
			within(t, "coefficient", i, fit.Coef[k], a.Coef[k], 1e-5, a.SE[k])
			within(t, "standard error", i, fit.SE[k], a.SE[k], 1e-6, a.SE[k])
		}
	}
	if stuck > 3 {
		t.Errorf("survreg did not converge on %d of %d problems: too few to compare with", stuck, len(problems))
	}
}

// Least squares against statsmodels' OLS: both by orthogonal decompositions, of
// columns whose lengths differ by a factor of a hundred.
func TestCrosscheckLeastSquaresWithStatsmodels(t *testing.T) {
	random := fresh(t)
	type problem struct {
		Rows [][]float64 `json:"rows"`
		Y    []float64   `json:"y"`
	}
	var problems []problem
	for range 60 {
		rows, y := randomRegression(random)
		problems = append(problems, problem{rows, y})
	}
	var answers struct{ OLS []fitAnswer }
	askPython(t, map[string]any{"ols": problems}, &answers)
	for i, p := range problems {
		a := answers.OLS[i]
		fit, err := LeastSquares(p.Rows, p.Y)
		if err != nil {
			t.Errorf("problem %d: %v", i, err)
			continue
		}
		within(t, "sd", i, fit.SD, a.SD, 1e-10, a.SD)
		for k := range a.Coef {
			within(t, "coefficient", i, fit.Coef[k], a.Coef[k], 1e-10, a.SE[k]+math.Abs(a.Coef[k]))
			within(t, "standard error", i, fit.SE[k], a.SE[k], 1e-6, a.SE[k])
		}
	}
}

// Theil-Sen lines, half of them with ties in x and y, against scipy's
// theilslopes: the same order statistics of the same quotients, so the
// difference is rounding alone.
func TestCrosscheckTheilSenWithSciPy(t *testing.T) {
	random := fresh(t)
	type problem struct {
		X     []float64 `json:"x"`
		Y     []float64 `json:"y"`
		Alpha float64   `json:"alpha"`
	}
	var problems []problem
	for i := range 100 {
		p := problem{Alpha: 0.02 + 0.3*random.Float64()}
		for range 5 + random.IntN(30) {
			x, e := 100*random.Float64(), random.NormFloat64()
			if random.Float64() < 0.1 {
				e *= 20
			}
			y := 9 - 0.02*x + 0.1*e
			if i%2 == 0 {
				x, y = math.Round(x/10), math.Round(10*y)
			}
			p.X, p.Y = append(p.X, x), append(p.Y, y)
		}
		problems = append(problems, p)
	}
	var answers struct {
		Sen []struct{ Slope, Intercept, Low, Top float64 }
	}
	askPython(t, map[string]any{"sen": problems}, &answers)
	for i, p := range problems {
		a := answers.Sen[i]
		slope, intercept := TheilSen(p.X, p.Y)
		low, top := TheilSenInterval(p.X, p.Y, p.Alpha)
		within(t, "slope", i, slope, a.Slope, 1e-12, 1+math.Abs(a.Slope))
		within(t, "intercept", i, intercept, a.Intercept, 1e-12, 100+math.Abs(a.Intercept))
		within(t, "low", i, low, a.Low, 1e-12, 1+math.Abs(a.Low))
		within(t, "top", i, top, a.Top, 1e-12, 1+math.Abs(a.Top))
		if i%2 == 1 { // without ties and bounds the zero of Kendall's statistic is the median slope
			ats, _, _ := AkritasTheilSen(p.X, p.Y, make([]bool, len(p.X)))
			within(t, "slope by Kendall's statistic", i, ats, a.Slope, 1e-9, 1+math.Abs(a.Slope))
		}
	}
}

// Average run lengths of random charts against R's spc, which solves the same
// integral equations by nodes of its own: the rules differ by their quadrature
// error, below 1e-11 here.
func TestCrosscheckRunLengthsWithSPC(t *testing.T) {
	random := fresh(t)
	type cusum struct {
		K     float64 `json:"k"`
		H     float64 `json:"h"`
		Shift float64 `json:"shift"`
	}
	type ewma struct {
		Lambda float64 `json:"lambda"`
		Width  float64 `json:"width"`
		Shift  float64 `json:"shift"`
	}
	var cusums []cusum
	var ewmas []ewma
	for range 40 {
		cusums = append(cusums, cusum{0.25 + 0.75*random.Float64(), 2 + 3*random.Float64(), 2 * random.Float64()})
		ewmas = append(ewmas, ewma{0.1 + 0.6*random.Float64(), 2 + random.Float64(), 2 * random.Float64()})
	}
	var answers struct{ Cusum, EWMA []float64 }
	askR(t, map[string]any{"cusum": cusums, "ewma": ewmas}, &answers)
	for i := range cusums {
		got, err := CusumRunLength(cusums[i].K, cusums[i].H, cusums[i].Shift)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "cusum", i, got, answers.Cusum[i], 1e-8, answers.Cusum[i])
		if got, err = EWMARunLength(ewmas[i].Lambda, ewmas[i].Width, ewmas[i].Shift); err != nil {
			t.Fatal(err)
		}
		within(t, "ewma", i, got, answers.EWMA[i], 1e-8, answers.EWMA[i])
	}
}

// The tail of the binomial distribution and the adjustment for many tests
// (Benjamini and Hochberg 1995), by which a platform's fast-ageing component is
// found, against R's pbinom and p.adjust. The tail sums up to a hundred terms, each
// the exponential of logarithms near a hundred: 1e-12 at worst.
func TestCrosscheckFalseDiscoveryControlWithR(t *testing.T) {
	random := fresh(t)
	type count struct {
		K     int     `json:"k"`
		N     int     `json:"n"`
		Share float64 `json:"share"`
	}
	var counts []count
	for range 100 {
		n := random.IntN(100)
		counts = append(counts, count{random.IntN(n + 1), n, 0.05 + 0.9*random.Float64()})
	}
	var families [][]float64
	for range 30 {
		var p []float64
		for range 1 + random.IntN(40) {
			p = append(p, math.Pow(random.Float64(), 1+4*random.Float64()))
		}
		families = append(families, p)
	}
	var answers struct {
		Tail     []float64
		Adjusted [][]float64
	}
	askR(t, map[string]any{"tail": counts, "adjusted": families}, &answers)
	for i, c := range counts {
		within(t, "tail", i, binomialTail(float64(c.K), float64(c.N), c.Share), answers.Tail[i], 1e-11, 1)
	}
	for i, family := range families {
		var found []ComponentFinding
		for _, p := range family {
			found = append(found, ComponentFinding{Q: p})
		}
		for j, f := range adjust(found) {
			within(t, "adjusted p", i, f.Q, answers.Adjusted[i][j], 1e-14, 1)
		}
	}
}
