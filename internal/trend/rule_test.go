package trend

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"creepage/internal/insulation"
)

// dueBy is an outlook that holds a code within 45 days to be so likely.
func dueBy(day int, p float64) *Outlook {
	return &Outlook{EvaluatedAt: at(day), Curve: []CurvePoint{{45, p}, {90, 0.9}}, P90: 0.9, Limiting: insulation.Motor}
}

// A warning waits until the probability within the nearer half of the lead time
// has stood for three days, through a restart too, unless it is three times as high.
func TestAWarningWaitsThreeDays(t *testing.T) {
	m, policy := model(t), DefaultPolicy()
	for _, c := range []struct {
		name string
		p    []float64 // a day each
		want int       // day on which it is raised; -1: not
	}{
		{"one high day", []float64{.04, .1, .04, .04}, -1},
		{"high, low, high again", []float64{.1, .1, .1, .04, .1, .1, .1, .04}, -1},
		{"stands", []float64{.04, .12, .1, .08, .08, .08}, 4},
		{"three times as high", []float64{.04, .25}, 1},
		{"rises to three times meanwhile", []float64{.1, .3}, 1},
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
	for d, p := range []float64{.1, .02, .02, .02, .02, .02, .02, .02, .02, .02, .02, .02, .02, .02, .02, .02, .1, .1, .1, .1} {
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
	want := []string{"ended " + at(15).Format(time.DateOnly), "raised " + at(19).Format(time.DateOnly)}
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

// The odds of a code that a policy asks for grow with the power 1.5 of its lead time; a
// policy that names none of the three is the usual one.
func TestAPolicyAsksForMoreTheFurtherItLooks(t *testing.T) {
	if p := DefaultPolicy(); p != (Policy{LeadDays: 90, Raise: p.Raise, HoldDays: 3, End: p.End, EndDays: 14}) || math.Abs(p.Raise-0.08) > 1e-12 || math.Abs(p.End-0.024) > 1e-12 {
		t.Errorf("the default is %+v", p)
	}
	for _, c := range []struct {
		lead  float64
		calls FalseCalls
		raise float64 // worked by hand: odds 4/46, 3/17 and 1/19, times (lead/90)^1.5
	}{
		{180, UsualFalseCalls, 0.1974}, {30, UsualFalseCalls, 0.01646}, {365, FewFalseCalls, 0.5904}, {14, ManyFalseCalls, 0.003219}, {90, 0, 0.08}, {90, ManyFalseCalls + 1, 0.08},
	} {
		p := PolicyOf(c.lead, c.calls)
		if math.Abs(p.Raise/c.raise-1) > 1e-3 || p.LeadDays != c.lead || p.End >= p.Raise {
			t.Errorf("%g days, %d: raised at %.5f, want %.5f", c.lead, c.calls, p.Raise, c.raise)
		}
	}
}
