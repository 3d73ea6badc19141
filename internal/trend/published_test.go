package trend

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/optimize"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance*max(1, math.Abs(want))) {
		t.Errorf("%s = %.12g; want %.12g", what, got, want)
	}
}

// nile is the annual flow of the Nile at Aswan, 1871 to 1970, 1e8 m^3 (Durbin
// and Koopman, Time Series Analysis by State Space Methods, 2nd ed. 2012,
// section 2.2; R datasets::Nile).
var nile = []float64{1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
	1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824, 702,
	1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649,
	846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919,
	718, 714, 740}

// The local level model at the published variances 15099 and 1469.1, from
// a_2 = y_1 and P_2 = 15099 + 1469.1 (Durbin and Koopman 2012, section 2.2).
// The digits of the steps were recomputed from the published model.
func TestPublishedNileLocalLevel(t *testing.T) {
	const irregular, level = 15099, 1469.1
	g := Gaussian{Mean: [Dim]float64{nile[0]}}
	g.Cov[covLL] = irregular + level
	f := [Dim][Dim]float64{{1}}
	q := [covSize]float64{covLL: level}
	type row struct{ v, f, k, a, p float64 }
	want := map[int]row{
		2: {40, 31667.1, .523196, 1140.92784, 7899.73638}, 3: {-177.92784, 24467.83638, .382904, 1072.79853, 5781.46994},
		4: {137.20147, 22349.56994, .324417, 1117.30895, 4898.36519}, 5: {42.69105, 21466.46519, .296624, 1129.97214, 4478.72326},
		6: {30.02786, 21046.82326, .282600, 1138.45800, 4266.97095}, 7: {-325.45800, 20835.07095, .275308, 1048.85666, 4156.88218},
		100: {-79.63727, 20600.25794, .267048, 798.37029, 4032.15794},
	}
	logL := 0.0
	for i := 2; i <= len(nile); i++ {
		s := Sight{H: [Dim]float64{1}, Y: nile[i-1], Noise: irregular, Relation: seenEqual}
		mu, _, v := g.project(&s.H)
		total := v + s.Noise
		logL += g.Update(&s)
		if w, ok := want[i]; ok {
			near(t, "v", s.Y-mu, w.v, 1e-5)
			near(t, "F", total, w.f, 1e-8)
			near(t, "K", v/total, w.k, 1e-6)
			near(t, "a", g.Mean[0], w.a, 1e-8)
			near(t, "P", g.Cov[covLL], w.p, 1e-8)
		}
		g.Advance(&f, &q)
	}
	// Diffuse log-likelihood without the first observation's constant.
	near(t, "log-likelihood", logL, -632.545626, 1e-8)
	near(t, "log-likelihood with the diffuse observation's constant", logL-lnSqrt2Pi, -633.464564, 1e-8)
	// The filter is steady by then.
	p := g.Cov[covLL]
	near(t, "steady prediction variance", p, 5501.257942, 1e-9)
	near(t, "steady F", p+irregular, 20600.257942, 1e-9)
	near(t, "steady gain", p/(p+irregular), 0.267048013, 1e-8)
	near(t, "steady filtered variance", p*irregular/(p+irregular), 4032.157942, 1e-9)
	for h := 1; h <= 30; h++ {
		near(t, "forecast", g.Mean[0], 798.37029, 1e-8)
		near(t, "its variance", g.Cov[covLL]+irregular, 20600.257942+level*float64(h-1), 1e-9)
		g.Advance(&f, &q)
	}
}

// Maximising the filter's diffuse likelihood finds the variances that Durbin and
// Koopman print, 15099 and 1469.1 (to four or five figures).
func TestPublishedNileVariancesAreTheMostLikely(t *testing.T) {
	minusLogL := func(v []float64) float64 {
		irregular, level := math.Exp(v[0]), math.Exp(v[1])
		g, f, q := Gaussian{Mean: [Dim]float64{nile[0]}}, [Dim][Dim]float64{{1}}, [covSize]float64{covLL: level}
		g.Cov[covLL] = irregular + level
		sum := 0.0
		for _, y := range nile[1:] {
			sum -= g.Update(&Sight{H: [Dim]float64{1}, Y: y, Noise: irregular, Relation: seenEqual})
			g.Advance(&f, &q)
		}
		return sum
	}
	best, err := optimize.Minimize(optimize.Problem{Func: minusLogL}, []float64{math.Log(10000), math.Log(3000)}, nil, &optimize.NelderMead{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "irregular", math.Exp(best.X[0])/15099, 1, 1e-4)
	near(t, "level", math.Exp(best.X[1])/1469.1, 1, 1e-4)
	near(t, "irregular, more digits", math.Exp(best.X[0])/15098.518, 1, 1e-5)
	near(t, "level, more digits", math.Exp(best.X[1])/1469.176, 1, 1e-5)
}

// The exact-diffuse local linear trend of Koopman (1997), Journal of the
// American Statistical Association 92: variances 1.993, 8.253 and 2.334; the
// diffuse phase ends analytically with a_3 and P_3.
func TestPublishedExactDiffuseLocalLinearTrend(t *testing.T) {
	const irregular, level, slope = 1.993, 8.253, 2.334
	y := []float64{10.2394, 4.2039, 6.123123, 1, 1, 1, 1, 1, 1, 1}
	g := Gaussian{Mean: [Dim]float64{2*y[1] - y[0], y[1] - y[0]}}
	g.Cov[covLL] = 5*irregular + 2*level + slope
	g.Cov[covLU] = 3*irregular + level + slope
	g.Cov[covUU] = 2*irregular + level + 2*slope
	near(t, "a_3 level", g.Mean[0], -1.8316, 1e-9)
	near(t, "a_3 slope", g.Mean[1], -6.0355, 1e-9)
	near(t, "P_3 level", g.Cov[covLL], 28.805, 1e-9)
	near(t, "P_3 level, slope", g.Cov[covLU], 16.566, 1e-9)
	near(t, "P_3 slope", g.Cov[covUU], 16.907, 1e-9)
	f := [Dim][Dim]float64{{1, 1}, {0, 1}}
	q := [covSize]float64{covLL: level, covUU: slope}
	innovation := []float64{7.954723, -2.8516394387, 2.6634990022, 2.2040482074, 1.3872324713, .8226184307, .4798740675, .2785997133}
	variance := []float64{30.798, 22.2503467433, 20.319433944, 19.7436685874, 19.5578741216, 19.4963427441, 19.4757829323, 19.4688920344}
	filtered := map[int][2]float64{3: {5.6083570107, -1.756717572}, 4: {1.255426015, -2.9189250172}, 5: {.7387548528, -1.9428030603}, 10: {.9714801835, -.1329978225}}
	logL := 0.0
	for i := 3; i <= len(y); i++ {
		s := Sight{H: [Dim]float64{1}, Y: y[i-1], Noise: irregular, Relation: seenEqual}
		mu, _, v := g.project(&s.H)
		near(t, "v", s.Y-mu, innovation[i-3], 1e-9)
		near(t, "F", v+irregular, variance[i-3], 1e-9)
		logL += g.Update(&s)
		if w, ok := filtered[i]; ok {
			near(t, "level", g.Mean[0], w[0], 1e-9)
			near(t, "slope", g.Mean[1], w[1], 1e-9)
		}
		g.Advance(&f, &q)
	}
	near(t, "predicted level", g.Mean[0], .838482361, 1e-9)
	near(t, "predicted slope", g.Mean[1], -.1329978225, 1e-9)
	near(t, "log-likelihood", logL, -21.1364983872, 1e-9)
	near(t, "log-likelihood with the constants of the two diffuse steps", logL-2*lnSqrt2Pi, -22.9743754536, 1e-9)
}

// Its twin with a level alone, on 10.2394 followed by nine ones (Koopman 1997;
// the values as statsmodels computes them by the exact diffuse filter).
func TestPublishedExactDiffuseLocalLevel(t *testing.T) {
	const irregular, level = 1.993, 8.253
	g, f, q := Gaussian{Mean: [Dim]float64{10.2394}}, [Dim][Dim]float64{{1}}, [covSize]float64{covLL: level}
	g.Cov[covLL] = irregular + level
	logL := 0.0
	for i := 2; i <= 10; i++ {
		mu, _, v := g.project(&[Dim]float64{1})
		if i == 2 {
			near(t, "v", 1-mu, -9.2394, 1e-12)
			near(t, "F", v+irregular, 12.239, 1e-12)
		}
		logL += g.Update(&Sight{H: [Dim]float64{1}, Y: 1, Noise: irregular, Relation: seenEqual})
		switch i {
		case 2:
			near(t, "filtered level", g.Mean[0], 2.50454483209, 1e-11)
			near(t, "its variance", g.Cov[covLL]/2, 0.834229839, 1e-9)
		case 10:
			near(t, "last filtered level", g.Mean[0], 1.00000092722, 1e-11)
		}
		g.Advance(&f, &q)
	}
	near(t, "log-likelihood", logL, -23.0163218509, 1e-10)
}

// Tobin (1958), Econometrica 26: durable goods against age and liquidity, 20
// households, 13 at zero (R survival::tobin; coefficients by survreg).
var (
	tobinY = []float64{0, .7, 0, 0, 0, 0, 0, 3.7, 0, 3.0, 10.4, 0, 0, 0, 1.5, 0, 0, 3.5, 6.1, 0}
	tobinX = [][]float64{{1, 57.7, 236}, {1, 50.9, 283}, {1, 48.5, 207}, {1, 41.7, 220}, {1, 47.7, 238}, {1, 59.8, 216}, {1, 44.3, 284},
		{1, 45.1, 221}, {1, 51.7, 275}, {1, 50.0, 269}, {1, 46.8, 207}, {1, 58.0, 249}, {1, 58.9, 246}, {1, 40.0, 277}, {1, 34.1, 231},
		{1, 39.9, 219}, {1, 33.4, 240}, {1, 48.1, 266}, {1, 46.6, 214}, {1, 53.1, 251}}
)

func TestPublishedTobitOfTobin1958(t *testing.T) {
	relation := make([]byte, len(tobinY))
	for i, y := range tobinY {
		relation[i] = '='
		if y == 0 {
			relation[i] = '<'
		}
	}
	fit, err := Tobit(tobinX, tobinY, relation)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{15.1448663606815, -0.1290592840970, -0.0455416629543} {
		near(t, "coefficient", fit.Coef[i], want, 1e-7)
	}
	for i, want := range []float64{16.0794532, 0.2185836, 0.0582541} {
		near(t, "standard error", fit.SE[i], want, 1e-5)
	}
	near(t, "scale", fit.SD, 5.57253976309, 1e-7)
	near(t, "log-likelihood", fit.LogL, -28.9401331997, 1e-9)
	constant := make([][]float64, len(tobinY))
	for i := range constant {
		constant[i] = []float64{1}
	}
	null, err := Tobit(constant, tobinY, relation)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "log-likelihood of the intercept alone", null.LogL, -29.4921995482, 1e-9)
}

// The mirror of the above: z = 12 - durable, bounded from below at 12.
func TestPublishedTobitMirrored(t *testing.T) {
	z := make([]float64, len(tobinY))
	relation := make([]byte, len(tobinY))
	for i, y := range tobinY {
		z[i], relation[i] = 12-y, '='
		if y == 0 {
			relation[i] = '>'
		}
	}
	fit, err := Tobit(tobinX, z, relation)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{-3.1448663606815, 0.1290592840970, 0.0455416629543} {
		near(t, "coefficient", fit.Coef[i], want, 1e-7)
	}
	for i, want := range []float64{16.0794532, 0.2185836, 0.0582541} {
		near(t, "standard error", fit.SE[i], want, 1e-5)
	}
	near(t, "scale", fit.SD, 5.57253976309, 1e-7)
	near(t, "log-likelihood", fit.LogL, -28.9401331997, 1e-9)
}

// A declining winding, megohms, over-range three times (data of our own; the
// fit by R survival::survreg, gaussian on log10).
var (
	declineX = [][]float64{{1, 0}, {1, 1}, {1, 2}, {1, 3}, {1, 4}, {1, 5}, {1, 6}, {1, 7}, {1, 8}, {1, 9}}
	declineR = []byte(">>>=======")
)

func declineY() []float64 {
	y := []float64{550, 550, 550, 420, 390, 300, 260, 180, 150, 95}
	for i := range y {
		y[i] = math.Log10(y[i])
	}
	return y
}

func TestPublishedRightCensoredDecline(t *testing.T) {
	fit, err := Tobit(declineX, declineY(), declineR)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "intercept", fit.Coef[0], 3.007359687506, 1e-7)
	near(t, "slope", fit.Coef[1], -0.107818701517, 1e-7)
	near(t, "intercept's error", fit.SE[0], .043658, 1e-4)
	near(t, "slope's error", fit.SE[1], .0070187, 1e-4)
	near(t, "scale", fit.SD, 0.0397496065688, 1e-7)
	near(t, "log-likelihood", fit.LogL, 12.41587100652, 1e-8)
	near(t, "crossing of 0.2 megohm", (math.Log10(0.2)-fit.Coef[0])/fit.Coef[1], 34.376, 1e-4)
	asValues, err := LeastSquares(declineX, declineY())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope with bounds as values, a fifth too flat", asValues.Coef[1], -0.0847143871, 1e-8)
	dropped, err := LeastSquares(declineX[3:], declineY()[3:])
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope with bounds dropped", dropped.Coef[1], -0.1067275893, 1e-8)
}

// A static level with bounds, folded one by one, against the maximum of the
// likelihood: the filter's posterior under a wide prior comes close to Tobit's.
func TestTheCensoredUpdateComesCloseToTobit(t *testing.T) {
	const sd = 0.04
	y := declineY()
	g := Gaussian{Mean: [Dim]float64{3, -0.1}}
	g.Cov[covLL], g.Cov[covUU] = 1, 0.01
	for i := len(y) - 1; i >= 0; i-- { // values first: then the bounds meet a posterior that is nearly normal
		s := Sight{H: [Dim]float64{1, float64(i)}, Y: y[i], Noise: sd * sd, Relation: seenEqual}
		if declineR[i] == '>' {
			s.Relation = seenAbove
		}
		g.Update(&s)
	}
	near(t, "intercept", g.Mean[0], 3.007359687506, 0.01)
	near(t, "slope", g.Mean[1], -0.107818701517, 0.002)
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (data from memory,
// agreeing with the handbook's two-decimal table).
func TestPublishedCusumOfTheNISTHandbook(t *testing.T) {
	x := []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250,
		327.825, 328.500, 326.675, 327.775, 326.875, 328.350}
	high := []float64{0, 0, 0, 0, .0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.9400, 7.4475, 10.6300, 11.9875, 14.4450, 16.0025, 19.0350}
	low := []float64{0, .0075, 0, .3325, 0, 0, .5575, .7150, .1725, .2550, .3125, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	c := Cusum{Target: 325, Slack: 0.3175, Limit: 4.1959}
	for i := range x {
		if signal := c.Add(x[i]); signal != (i+1 >= 14) {
			t.Errorf("sample %d: signal %v; the handbook's begin at sample 14 and stay", i+1, signal)
		}
		near(t, "high", c.High, high[i], 1e-9)
		near(t, "low", c.Low, low[i], 1e-9)
	}
}

// Montgomery and Runger, Applied Statistics and Probability for Engineers, example 16-6.
func TestPublishedCusumOfMontgomeryAndRunger(t *testing.T) {
	x := []float64{102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1, 101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0}
	high := []float64{2.0, 0, 0, 0, 2.0, .5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, .3, 1.7, 0, 1.0}
	low := []float64{0, 3.2, 2.9, 2.5, 0, 0, 0, .3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, .8, 0}
	c := Cusum{Target: 99, Slack: 1, Limit: 10}
	for i := range x {
		if c.Add(x[i]) {
			t.Errorf("signal at sample %d; want none", i+1)
		}
		near(t, "high", c.High, high[i], 1e-9)
		near(t, "low", c.Low, low[i], 1e-9)
	}
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (data from memory).
func TestPublishedEWMAOfTheNISTHandbook(t *testing.T) {
	x := []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	want := []float64{50.60, 49.52, 50.564, 50.1848, 50.1594, 49.2116, 49.7481, 49.8537, 50.2576, 50.3303, 50.1112, 49.3578, 49.5205, 50.0543,
		49.3780, 49.9246, 50.7272, 51.2291, 51.9403, 51.9882}
	e := EWMA{Target: 50, SD: 2.0539, Lambda: 0.3, Width: 3}
	low, top := e.Limits()
	near(t, "upper limit", top, 52.5884, 2e-5)
	near(t, "lower limit", low, 47.4115, 2e-5)
	for i := range x {
		v, signal := e.Add(x[i])
		near(t, "average", v, want[i], 1e-5)
		if signal {
			t.Errorf("signal at sample %d; want none", i+1)
		}
	}
}

// Average run lengths computed with the R package spc; Montgomery's
// Introduction to Statistical Quality Control prints 168 and 465 for the
// two-sided cusum in control (from memory).
func TestPublishedRunLengths(t *testing.T) {
	shifts := []float64{0, .25, .5, .75, 1, 1.5, 2, 2.5, 3, 4}
	for h, want := range map[float64][]float64{
		4: {335.37, 77.08, 26.68, 13.29, 8.383, 4.747, 3.343, 2.62, 2.194, 1.708},
		5: {930.89, 141.69, 38.01, 17.05, 10.376, 5.747, 4.009, 3.114, 2.573, 2.013},
	} {
		for i, s := range shifts {
			got, err := CusumRunLength(0.5, h, s)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "cusum run length", got, want[i], 5e-4)
		}
	}
	for _, x := range []struct{ h, printed, want float64 }{{4, 168, 167.68}, {5, 465, 465.44}} {
		one, err := CusumRunLength(0.5, x.h, 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "two-sided in control", one/2, x.want, 3e-5)
		near(t, "two-sided in control, as printed", math.Round(one/2), x.printed, 0)
	}
	for _, x := range []struct{ lambda, width, shift, want float64 }{{.1, 2.7, 0, 368.99}, {.2, 2.86, 0, 371.10}, {.3, 3, 0, 465.55}, {.1, 2.7, 1, 9.730}} {
		got, err := EWMARunLength(x.lambda, x.width, x.shift)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "ewma run length", got, x.want, 1e-4)
	}
}

// NIST Statistical Reference Datasets, linear regression: Norris.
func TestPublishedNorris(t *testing.T) {
	x := []float64{0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0,
		228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5}
	y := []float64{0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7,
		228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2}
	rows := make([][]float64, len(x))
	for i := range x {
		rows[i] = []float64{1, x[i]}
	}
	fit, err := LeastSquares(rows, y)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "b0", fit.Coef[0], -0.262323073774029, 1e-11)
	near(t, "b1", fit.Coef[1], 1.00211681802045, 1e-12)
	near(t, "se b0", fit.SE[0], 0.232818234301152, 1e-11)
	near(t, "se b1", fit.SE[1], 0.000429796848199937, 1e-13)
	near(t, "sd", fit.SD, 0.884796396144373, 1e-11)
}

// NIST Statistical Reference Datasets, linear regression: NoInt1.
func TestPublishedNoInt1(t *testing.T) {
	var rows [][]float64
	var y []float64
	for i := range 11 {
		rows, y = append(rows, []float64{60 + float64(i)}), append(y, 130+float64(i))
	}
	fit, err := LeastSquares(rows, y)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "b", fit.Coef[0], 2.07438016528926, 1e-13)
	near(t, "se", fit.SE[0], 0.0165289256198347, 1e-13)
	near(t, "sd", fit.SD, 3.56753034006338, 1e-12)
}

// NIST Statistical Reference Datasets, linear regression: Longley (data from
// memory, R datasets::longley rescaled), ill-conditioned.
func TestPublishedLongley(t *testing.T) {
	y := []float64{60323, 61122, 60171, 61187, 63221, 63639, 64989, 63761, 66019, 67857, 68169, 66513, 68655, 69564, 69331, 70551}
	rows := [][]float64{{1, 83.0, 234289, 2356, 1590, 107608, 1947}, {1, 88.5, 259426, 2325, 1456, 108632, 1948}, {1, 88.2, 258054, 3682, 1616, 109773, 1949},
		{1, 89.5, 284599, 3351, 1650, 110929, 1950}, {1, 96.2, 328975, 2099, 3099, 112075, 1951}, {1, 98.1, 346999, 1932, 3594, 113270, 1952},
		{1, 99.0, 365385, 1870, 3547, 115094, 1953}, {1, 100.0, 363112, 3578, 3350, 116219, 1954}, {1, 101.2, 397469, 2904, 3048, 117388, 1955},
		{1, 104.6, 419180, 2822, 2857, 118734, 1956}, {1, 108.4, 442769, 2936, 2798, 120445, 1957}, {1, 110.8, 444546, 4681, 2637, 121950, 1958},
		{1, 112.6, 482704, 3813, 2552, 123366, 1959}, {1, 114.2, 502601, 3931, 2514, 125368, 1960}, {1, 115.7, 518173, 4806, 2572, 127852, 1961},
		{1, 116.9, 554894, 4007, 2827, 130081, 1962}}
	fit, err := LeastSquares(rows, y)
	if err != nil {
		t.Fatal(err)
	}
	want := []float64{-3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683, -1.03322686717359, -0.0511041056535807, 1829.15146461355}
	se := []float64{890420.383607373, 84.9149257747669, 0.0334910077722432, 0.488399681651699, 0.214274163161675, 0.226073200069370, 455.478499142212}
	for i := range want {
		near(t, "coefficient", fit.Coef[i]/want[i], 1, 1e-7)
		near(t, "standard error", fit.SE[i]/se[i], 1, 1e-7)
	}
	near(t, "sd", fit.SD, 304.854073561965, 1e-9)
}

// Sen (1968), Journal of the American Statistical Association 63, the worked example.
func TestPublishedTheilSenOfSen1968(t *testing.T) {
	x, y := []float64{1, 2, 3, 4, 10, 12, 18}, []float64{9, 15, 19, 20, 45, 55, 78}
	slope, intercept := TheilSen(x, y)
	near(t, "slope", slope, 4, 1e-12)
	near(t, "intercept", intercept, 4, 1e-12)
	low, top := TheilSenInterval(x, y, 0.07)
	near(t, "low", low, 3.71, 2e-3)
	near(t, "top", top, 4.38, 2e-3)
	if z := -quantileNormal(0.035); math.Abs(z-1.81) > 0.005 {
		t.Errorf("normal quantile %g; Sen's 93 %% take 1.81", z)
	}
	slopes := pairSlopes(x, y)
	slices.Sort(slopes)
	want := []float64{1, 2.5, 3.6667, 3.7143, 3.75, 3.8333, 3.9333, 3.9375, 4, 4, 4, 4, 4.0588, 4.125, 4.1429, 4.1667, 4.1818, 4.375, 5, 5, 6}
	if len(slopes) != len(want) {
		t.Fatalf("%d slopes; want %d", len(slopes), len(want))
	}
	for i := range want {
		near(t, "slope of a pair", slopes[i], want[i], 5e-5)
	}
	residuals := make([]float64, len(x))
	for i := range x {
		residuals[i] = y[i] - slope*x[i]
	}
	near(t, "median of the residuals", median(residuals), 6, 1e-12)
	// Without bounds Akritas, Murphy and LaValley's slope is Theil and Sen's; all 21 pairs rise.
	none := make([]bool, len(x))
	ats, _, _ := AkritasTheilSen(x, y, none)
	near(t, "slope by Kendall's statistic", ats, 4, 1e-12)
	if s := kendall(x, y, none, 0); s != 21 {
		t.Errorf("Kendall's statistic %d; want 21, tau 1", s)
	}
}

// Dissolved iron in a river, mg/L (Helsel, Statistics for Censored
// Environmental Data, 2nd ed. 2012; values by the R package NADA 1.6). Kendall's
// tau is -0.361111, which is -13 of 36 pairs and is met exactly. The statistic
// of the residuals is zero between the slopes of two pairs, so the slope is
// published no more precisely than that interval: the package prints -2.572113,
// where its search by halving happened to stop inside; Akritas, Murphy and
// LaValley (1995) take the middle.
func TestPublishedAkritasTheilSenOnDissolvedIron(t *testing.T) {
	x := []float64{1977, 1978, 1979, 1980, 1981, 1982, 1983, 1984, 1985}
	y := []float64{20, 10, 10, 10, 10, 7, 3, 3, 3}
	below := []bool{false, true, true, true, true, false, false, true, true}
	near(t, "tau", float64(kendall(x, y, below, 0))/36, -0.361111, 5e-7)
	slope, low, top := AkritasTheilSen(x, y, below)
	near(t, "low", low, (7.-20.)/5, 1e-9)
	near(t, "top", top, (10.-20.)/4, 1e-9)
	near(t, "slope", slope, (low+top)/2, 1e-12)
	if s := kendall(x, y, below, -2.572113); s != 0 {
		t.Errorf("Kendall's statistic of the residuals at the published slope is %d; want 0", s)
	}
	if before, after := kendall(x, y, below, low-1e-6), kendall(x, y, below, top+1e-6); before <= 0 || after >= 0 {
		t.Errorf("Kendall's statistic %d before the interval, %d after; want it to change sign there", before, after)
	}
	// In mirrored time the slope turns its sign.
	for i := range x {
		x[i] = -x[i]
	}
	if back, _, _ := AkritasTheilSen(x, y, below); math.Abs(back+slope) > 1e-9 {
		t.Errorf("slope %g in mirrored time; want %g", back, -slope)
	}
}

// Moments of the truncated normal against Simpson's rule on the density.
func TestCensoredMomentsAgreeWithQuadrature(t *testing.T) {
	for _, z := range []float64{-6, -3, -1, -0.2, 0, 0.5, 1.7, 3, 4.99, 5.01, 7, 12} {
		for _, above := range []bool{true, false} {
			const mean, sd = 8.2, 0.37
			bound := mean + z*sd
			if !above {
				bound = mean - z*sd
			}
			m, v, logP := Censored(bound, mean, sd*sd, above)
			// Integrate exp(-(x^2-z^2)/2) over x from z on, which does not underflow.
			const n, reach = 200000, 14.0
			var s0, s1, s2 float64
			for i := 0; i <= n; i++ {
				w := 2.0
				switch {
				case i == 0 || i == n:
					w = 1
				case i%2 == 1:
					w = 4
				}
				x := z + reach*float64(i)/n
				d := w * math.Exp(-(x*x-z*z)/2) * reach / n / 3
				s0 += d
				s1 += d * (x - z)
				s2 += d * (x - z) * (x - z)
			}
			off := z + s1/s0
			if !above {
				off = -off
			}
			near(t, "mean", m, mean+sd*off, 1e-10)
			near(t, "variance", v/(sd*sd), s2/s0-s1*s1/(s0*s0), 2e-9)
			near(t, "log probability", logP, math.Log(s0)-z*z/2-lnSqrt2Pi, 1e-9)
		}
	}
}
