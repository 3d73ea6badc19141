package backtest

import (
	"context"
	"math"
	"testing"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/record"
	"creepage/internal/simulate"
	"creepage/internal/trend"
)

func on(day int) time.Time { return time.Date(2022, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, day) }

func truthOf(code int) record.Truth {
	t := record.Truth{Vehicle: "a", Story: "slow", Component: insulation.Motor, FirstAt: on(0), LastAt: on(1000), KnownUntil: on(1200)}
	if code > 0 {
		t.CodeAt = on(code)
		t.LastAt = on(code - 1)
	}
	return t
}

func raised(day, ended int) record.Warning {
	w := record.Warning{Vehicle: "a", Kind: "code_due", RaisedAt: on(day), Component: insulation.Motor}
	if ended > 0 {
		w.EndedAt = on(ended)
	}
	return w
}

func TestEveryCodeHasOneFate(t *testing.T) {
	for _, c := range []struct {
		name     string
		warnings []record.Warning
		fate     int
		falses   float64
	}{
		{"in time", []record.Warning{raised(400, 0)}, inTime, 0},
		{"too early and false", []record.Warning{raised(200, 0)}, tooEarly, 1},
		{"late", []record.Warning{raised(497, 0)}, late, 0},
		{"missed", nil, missed, 0},
		{"ended long before", []record.Warning{raised(100, 150)}, missed, 1},
		{"two raised near one another are one episode", []record.Warning{raised(200, 390), raised(400, 0)}, tooEarly, 1},
	} {
		truth := truthOf(500)
		got := count(&truth, on(1001), nil, c.warnings)
		if got.fates[c.fate] != 1 || got.codes() != 1 || got.falses != c.falses {
			t.Errorf("%s: fates %v, %g false", c.name, got.fates, got.falses)
		}
	}
}

func TestAWarningOfAHealthyVehicleIsFalseOnlyOnceThatIsKnown(t *testing.T) {
	truth := truthOf(0)
	if n := count(&truth, on(1001), nil, []record.Warning{raised(300, 320), raised(1100, 0)}).falses; n != 1 {
		t.Errorf("%g false, want 1: the second is not decided yet", n)
	}
}

// In records of one's own a warning that was acted upon is not a false one, and
// what was said before is not held against what came.
func TestWhatWasWorkedOnIsNotJudged(t *testing.T) {
	truth := truthOf(0)
	truth.WorkedOn = []time.Time{on(350)}
	if n := count(&truth, on(1001), nil, []record.Warning{raised(300, 320), raised(500, 520)}).falses; n != 1 {
		t.Errorf("%g false, want 1: of the first the cause was mended", n)
	}
	for at, want := range map[int]bool{200: true, 262: false, 349: false, 350: true, 400: true} {
		if _, judged := outcome(&truth, record.Outlook{AsOf: on(at), P90: 0.5}, 1); judged != want {
			t.Errorf("the 90 days from day %d on: judged %v, want %v", at, judged, want)
		}
	}
	truth.CodeAt = on(340) // it came first
	if j, judged := outcome(&truth, record.Outlook{AsOf: on(300), P90: 0.5}, 1); !judged || !j.happens {
		t.Errorf("a code before the repair: %+v, %v", j, judged)
	}
	truth.CodeAt = on(350) // and was worked on by the same date
	if j, judged := outcome(&truth, record.Outlook{AsOf: on(300), P90: 0.5}, 1); !judged || !j.happens {
		t.Errorf("a code on the day of its repair: %+v, %v", j, judged)
	}
	truth.CodeAt = on(370) // in spite of it: of something else, or of what was not mended
	if _, judged := outcome(&truth, record.Outlook{AsOf: on(300), P90: 0.5}, 1); judged {
		t.Error("a code after the repair is held against what was said before it")
	}
}

// Brier (1950): the mean squared difference; two outlooks, 0.8 before the code
// within 90 days and 0.1 not: (0.04 + 0.01)/2 = 0.025. Base rate 1/2: 0.25, skill 0.9.
func TestBrierSkillIsAgainstTheBaseRate(t *testing.T) {
	truth := truthOf(500)
	outlooks := []record.Outlook{{AsOf: on(450), Vehicle: "a", P90: 0.8}, {AsOf: on(100), Vehicle: "a", P90: 0.1}}
	j := Judge([]record.Truth{truth}, outlooks, nil)
	if got := j.measure("Brier skill 90 d"); math.Abs(got-0.9) > 1e-12 {
		t.Errorf("skill %g, want 0.9", got)
	}
	want := -(math.Log(0.8) + math.Log(0.9)) / 2
	if got := j.measure("log score 90 d"); math.Abs(got-want) > 1e-12 {
		t.Errorf("log score %g, want %g", got, want)
	}
}

// Hanley and McNeil (1982): the share of pairs ranked right, ties a half.
// Before a code 0.9 0.5; not 0.5 0.1: 3.5 of 4 pairs.
func TestAreaUnderTheCurveCountsPairsAndHalvesTies(t *testing.T) {
	pool := []judged{{0, 0.1, false}, {0, 0.5, true}, {0, 0.5, false}, {0, 0.9, true}}
	if got := areaUnderCurve(pool, []float64{1}); got != 3.5/4 {
		t.Errorf("area %g, want %g", got, 3.5/4)
	}
}

// Right-censored log-linear decline, made up and fitted with R's survreg (survival
// 3.5-3): slope -0.1078 with the scale estimated at 0.0397; least squares with
// bounds taken as values -0.0847.
func TestTheTobitLineKeepsBoundsAsBounds(t *testing.T) {
	var points []point
	for i, m := range []float64{550, 550, 550, 420, 390, 300, 260, 180, 150, 95} {
		points = append(points, point{float64(i), math.Log10(m), i < 3})
	}
	if _, b := tobitLine(points, 0.0397496065688); math.Abs(b+0.1078187) > 1e-4 {
		t.Errorf("Tobit slope %g, want -0.1078", b)
	}
	if _, b, _ := leastSquares(points); math.Abs(b+0.0847143871) > 1e-9 {
		t.Errorf("least-squares slope %g, want -0.0847143871", b)
	}
}

func TestAnExamScoresTheMethodAndItsRivals(t *testing.T) {
	m, err := trend.NewModel(trend.Default())
	if err != nil {
		t.Fatal(err)
	}
	exam := Exam{Physics: []simulate.Physics{simulate.Mild()}, Seeds: []uint64{101}, Vehicles: 40, Years: 1}
	n := 0
	err = exam.Take(context.Background(), Config{Model: m, Policy: trend.DefaultPolicy(), Every: 7 * 24 * time.Hour}, func(r Report) {
		n++
		if r.Judgement.Vehicles < 35 || len(r.Rivals) != 5 {
			t.Errorf("%d vehicles, %d rivals", r.Judgement.Vehicles, len(r.Rivals))
		}
		for _, v := range r.Rivals {
			if float64(v.FalseRate) > r.Judgement.falseRate() {
				t.Errorf("%s: false rate %g above %g", v.Name, v.FalseRate, r.Judgement.falseRate())
			}
		}
	})
	if err != nil || n != 1 {
		t.Fatal(n, err)
	}
}

// What is left out of learning stays as it was: of a fleet from which nothing is
// learned the same is said as of one without lessons.
func TestAnAblationLeavesOutWhatItNames(t *testing.T) {
	exam := Exam{Physics: []simulate.Physics{simulate.Rough()}, Seeds: []uint64{1}, Vehicles: 40, Years: 1}
	c := Config{Model: model(t), Policy: trend.DefaultPolicy(), Every: 7 * 24 * time.Hour}
	plain, _, err := exam.judge(t.Context(), exam.Physics[0], c, nothingMore)
	if err != nil {
		t.Fatal(err)
	}
	c.Learn = LearnEvery
	score := map[string]float64{}
	if err := exam.Ablate(t.Context(), c, func(a Ablation) { score[a.Name] = a.Judgement.measure("log score 90 d") }); err != nil {
		t.Fatal(err)
	}
	if len(score) != len(ablations) {
		t.Fatalf("%d rows of %d: %v", len(score), len(ablations), score)
	}
	if want := plain.measure("log score 90 d"); score["nothing is"] != want {
		t.Errorf("nothing learned scores %g, no lessons %g", score["nothing is"], want)
	}
	if score["all is learned"] == score["nothing is"] {
		t.Error("learning changed nothing that is said")
	}
}
