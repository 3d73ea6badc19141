package trend

import (
	"encoding/json"
	"testing"
	"time"

	"creepage/internal/insulation"
)

// dueBy is an outlook that holds a code within 90 days to be so likely.
func dueBy(day int, p float64) *Outlook {
	return &Outlook{EvaluatedAt: at(day), Curve: []CurvePoint{{90, p}}, P90: p, Limiting: insulation.Motor}
}

// A warning waits until the probability has stood for two days, through a
// restart too, unless the code is more likely than not.
func TestAWarningWaitsTwoDays(t *testing.T) {
	m, policy := model(t), DefaultPolicy()
	for _, c := range []struct {
		name string
		p    []float64 // a day each
		want int       // day on which it is raised; -1: not
	}{
		{"one high day", []float64{.1, .3, .1, .1}, -1},
		{"high, low, high again", []float64{.3, .3, .1, .3, .3, .1}, -1},
		{"stands", []float64{.1, .3, .25, .2, .2}, 3},
		{"more likely than not", []float64{.1, .5}, 1},
		{"rises above one half meanwhile", []float64{.3, .6}, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			var rs RuleState
			raised := -1
			for d, p := range c.p {
				var changes []Change
				rs, changes = m.Fold(rs, dueBy(d, p), policy)
				if len(changes) > 0 {
					raised = d
					break
				}
				text, err := json.Marshal(rs)
				if err != nil {
					t.Fatal(err)
				}
				rs = RuleState{}
				if err := json.Unmarshal(text, &rs); err != nil {
					t.Fatal(err)
				}
			}
			if raised != c.want {
				t.Errorf("raised on day %d, want %d", raised, c.want)
			}
		})
	}
}

// An ended warning is raised again only after another wait.
func TestAWarningThatEndedWaitsAgain(t *testing.T) {
	m, policy := model(t), DefaultPolicy()
	rs := RuleState{Open: []OpenWarning{{Kind: CodeDue, Component: insulation.Motor, RaisedAt: at(0)}}}
	var said []string
	for d, p := range []float64{0.3, .05, .05, .05, .05, .05, .05, .05, .05, .05, .05, .05, .05, .05, .05, .05, .3, .3, .3} {
		var changes []Change
		rs, changes = m.Fold(rs, dueBy(d, p), policy)
		for _, c := range changes {
			word := "ended "
			if c.Raised {
				word = "raised "
			}
			said = append(said, word+c.At.Format(time.DateOnly))
		}
	}
	want := []string{"ended " + at(15).Format(time.DateOnly), "raised " + at(18).Format(time.DateOnly)}
	if len(said) != 2 || said[0] != want[0] || said[1] != want[1] {
		t.Errorf("said %v, want %v", said, want)
	}
}

// A value that reads like its limit once it is rounded is not said to be below itself.
func TestAReadingJustBelowItsServiceLimitIsSaidToBe(t *testing.T) {
	for ohms, want := range map[float64]string{
		9.97e6: "The charger read just below its service limit of 10 MΩ: a single reading, to be confirmed.",
		9.4e6:  "The charger read 9.4 MΩ, below its service limit of 10 MΩ: a single reading, to be confirmed.",
	} {
		part := &Part{Group: GroupKey{insulation.Charger, Together}, LastUnderOhms: ohms, ServiceLimit: 1e7, UnderService: 1}
		c := condition{kind: UnderServiceLimit, part: part}
		if got := c.words(&Outlook{}); got != want {
			t.Errorf("%g ohm: %q, want %q", ohms, got, want)
		}
	}
}
