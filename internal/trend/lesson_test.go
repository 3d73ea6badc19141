package trend

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"creepage/internal/insulation"
)

// pupils shows learners the visits of 40 vans, two in three of which decline, and gives each visit's outlook.
func pupils(t *testing.T, m *Model, p *insulation.Platform, learners []*Learner, said func(id string, d int, o *Outlook)) {
	t.Helper()
	rng := rand.New(rand.NewPCG(8, 8))
	for i := range 40 {
		id := fmt.Sprintf("van-%d", i)
		v := NewVehicle(id)
		for d := 0; d < 400; d += 20 {
			entries := visit(d, p, rng, func(insulation.Component, insulation.Conductor) float64 { return 9.2 - 0.004*float64(d*(i%3)) })
			add(t, m, v, p, entries...)
			for _, l := range learners {
				l.Observe(id, p, entries)
			}
			o := m.Outlook(v, p, at(d))
			said(id, d, &o)
		}
	}
}

// What is kept of an outlook teaches what the outlook itself does, to the bit.
func TestALessonKeptTeachesWhatTheOutlookDoes(t *testing.T) {
	m, p := model(t), harborVan()
	whole, kept := NewLearner(Default()), NewLearner(Default())
	pupils(t, m, p, []*Learner{whole, kept}, func(id string, d int, o *Outlook) {
		whole.Forecast(o)
		if err := kept.Recall(id, at(d), o.Lesson()); err != nil {
			t.Fatal(err)
		}
	})
	a, _ := whole.Learn(at(400))
	b, _ := kept.Learn(at(400))
	one, _ := json.Marshal(a)
	if two, _ := json.Marshal(b); !bytes.Equal(one, two) {
		t.Errorf("the outlooks teach\n%s\ntheir lessons\n%s", one, two)
	}
	if a.Onset == Default().Onset {
		t.Error("nothing was learned of onsets: the test shows nothing")
	}
	o := m.Outlook(NewVehicle("x"), p, at(1))
	text := o.Lesson()
	for _, bad := range [][]byte{nil, text[:len(text)-1], append(bytes.Clone(text), 0), {9}} {
		if kept.Recall("x", at(1), bad) == nil {
			t.Errorf("%v was taken for a lesson", bad)
		}
	}
}

// A lesson of before monitors' lowest values were followed teaches of onsets as
// ever, and nothing of what its probabilities came to.
func TestAnOlderLessonTeachesOnsetsAlone(t *testing.T) {
	m, p := model(t), harborVan()
	older, never := NewLearner(Default()), NewLearner(Default())
	pupils(t, m, p, []*Learner{older, never}, func(id string, d int, o *Outlook) {
		text := o.Lesson()
		text = slices.Concat([]byte{1}, text[1:3], text[11:]) // as it was written then, without how far the leak was of what had dropped
		if err := older.Recall(id, at(d), text); err != nil {
			t.Fatal(err)
		}
		never.turned(o)
	})
	for _, l := range []*Learner{older, never} {
		for i := range 40 {
			l.Observe(fmt.Sprintf("van-%d", i), p, []Entry{{Code: &insulation.Code{Vehicle: fmt.Sprintf("van-%d", i), Code: "P0AA6", SetAt: at(400)}}})
		}
	}
	a, _ := older.Learn(at(600))
	b, _ := never.Learn(at(600))
	if a.Onset != b.Onset || a.Onset == Default().Onset {
		t.Errorf("onsets %v, want %v and not the default", a.Onset, b.Onset)
	}
	if a.Calibration != Default().Calibration || a.CalibrationTesters != Default().CalibrationTesters {
		t.Errorf("an older lesson taught %+v and %+v", a.Calibration, a.CalibrationTesters)
	}
}

// A set of numbers that are not learned holds from the next night on, even if
// what is learned is as before.
func TestNumbersThatAreNotLearnedHoldOnceTheyChange(t *testing.T) {
	before := Default()
	before.SinkOdds = 0
	if got, step := Default().After(&before); step != TrackStep || got.SinkOdds != Default().SinkOdds {
		t.Errorf("step %v, odds %v", step, got.SinkOdds)
	}
}

// What little data teach is nothing: parameters learned stay those before. What
// forecasts came to leaves tracks as they are, to the bit.
func TestParametersMoveOnlyMaterially(t *testing.T) {
	base := Default()
	if got, step := base.After(&base); step != NoStep || got.Version != base.Version {
		t.Errorf("the same parameters are a step: %v", step)
	}
	p, rng := harborVan(), rand.New(rand.NewPCG(9, 9))
	few := NewLearner(base)
	for i := range 4 {
		few.Observe(fmt.Sprintf("van-%d", i), p, visit(1, p, rng, func(insulation.Component, insulation.Conductor) float64 { return 8.1 }))
	}
	learned, _ := few.Learn(at(30))
	if got, step := learned.After(&base); step != NoStep || got.Version != base.Version {
		t.Errorf("four vehicles' first visits are a step: %v", step)
	}

	forecasts := base
	forecasts.Version = "next"
	forecasts.CalibrationTesters.Unseen += 0.5
	forecasts.ReadingSD *= 1.05 // not material, and so not taken over
	next, step := forecasts.After(&base)
	if step != ForecastStep || next.Version != "next" || next.TrackVersion != base.Version || next.ReadingSD != base.ReadingSD || next.CalibrationTesters != forecasts.CalibrationTesters {
		t.Fatalf("step %v to %s with tracks of %s", step, next.Version, next.TrackVersion)
	}
	m, n := model(t), mustModel(t, next)
	a, b := NewVehicle("x"), NewVehicle("x")
	for d := 0; d < 200; d += 20 {
		entries := visit(d, p, rng, func(insulation.Component, insulation.Conductor) float64 { return 9 - 0.01*float64(d) })
		add(t, m, a, p, entries...)
		add(t, n, b, p, entries...)
	}
	one, _ := a.MarshalBinary()
	if two, _ := b.MarshalBinary(); !bytes.Equal(one, two) {
		t.Error("tracks of parameters that differ in forecasts alone differ")
	}
	if x, y := m.Outlook(a, p, at(200)), n.Outlook(b, p, at(200)); x.P90 == y.P90 || y.Version != "next" {
		t.Errorf("both say %v, by %s and %s: the calibration shows nothing", x.P90, x.Version, y.Version)
	}

	for name, change := range map[string]func(*Params){
		"a meter":         func(p *Params) { p.MeterOffsets = map[string]float64{"m-7": -0.15} },
		"a level":         func(p *Params) { p.LevelPriors = map[string]LevelPrior{"x/motor/phases": {Mean: 8, SD: 0.5, N: 40}} },
		"a ceiling":       func(p *Params) { p.Ceilings = map[string]float64{"x": 5e6} },
		"onsets":          func(p *Params) { p.OnsetByComponent = map[string]float64{"motor": 3} },
		"the temperature": func(p *Params) { p.ByComponent = map[string]Normal{"motor": {Mean: 0.03, SD: 0.005}} },
	} {
		moved := Default()
		moved.Version = "moved"
		change(&moved)
		got, step := moved.After(&next)
		if step != TrackStep || got.TrackVersion != "" || got.Version != "moved" {
			t.Errorf("%s: step %v to %s with tracks of %q", name, step, got.Version, got.TrackVersion)
		}
		if again, step := moved.After(&got); step != NoStep || again.Version != "moved" {
			t.Errorf("%s: learned once more it is a step", name)
		}
	}
}

func mustModel(t *testing.T, p Params) *Model {
	t.Helper()
	m, err := NewModel(p)
	if err != nil {
		t.Fatal(err)
	}
	return m
}
