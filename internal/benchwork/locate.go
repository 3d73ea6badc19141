package benchwork

import (
	"fmt"
	"strings"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/locate"
	"creepage/internal/problem"
)

// Locate says which component leaks, from readings with some disconnected.
// Where readings were taken under several conditions the one that shows the
// leak best is answered; what leaks in one alone is named apart.
func Locate(req *creepagev1.LocateLeakRequest) (*creepagev1.LeakLocation, error) {
	limit := req.GetLimitOhms()
	if req.LimitOhms == nil {
		if req.WorkingVolts == nil {
			return nil, problem.InvalidField("limit_ohms", "limit_ohms or working_volts is needed: below what a component counts as leaking")
		}
		limit = insulation.DefaultCodeOhmsPerVolt * req.GetWorkingVolts()
	}
	var parts []locate.Part
	for _, name := range req.GetComponents() {
		parts = append(parts, locate.Part{Name: name, LimitOhms: limit})
	}
	var readings []locate.Reading
	var wrong []problem.Field
	for i, m := range req.GetReadings() {
		r, err := circuitReading(m, req.GetComponents())
		if err != nil {
			wrong = append(wrong, problem.Field{Path: fmt.Sprintf("readings[%d].condition", i), Description: err.Error()})
		}
		readings = append(readings, r)
	}
	if len(wrong) > 0 {
		return nil, problem.Invalid(wrong...)
	}
	answer, err := locate.Locate(parts, readings, locate.Options{})
	if err != nil {
		return nil, err
	}
	return leakMessage(answer), nil
}

func circuitReading(m *creepagev1.CircuitReading, components []string) (locate.Reading, error) {
	r := locate.Reading{Connected: m.GetConnected(), Relation: insulation.Relation(m.GetRelation()), Ohms: m.GetResistanceOhms(), Uncertainty: m.GetRelativeUncertainty()}
	if m.GetAllConnected() {
		r.Connected = components
	}
	if r.Relation == 0 {
		r.Relation = insulation.Equal
	}
	for _, word := range strings.FieldsFunc(m.GetCondition(), func(c rune) bool { return c == ' ' || c == ',' }) {
		if moisture, err := insulation.ParseMoisture(word); err == nil {
			r.Moisture = moisture
			continue
		}
		warmth, err := insulation.ParseWarmth(word)
		if err != nil {
			return r, fmt.Errorf("%q is none of dry, wet, cold, hot", word)
		}
		r.Warmth = warmth
	}
	return r, nil
}

func leakMessage(a *locate.Answer) *creepagev1.LeakLocation {
	c := &a.Conditions[0]
	for i := range a.Conditions {
		if a.Conditions[i].NoneProbability < c.NoneProbability {
			c = &a.Conditions[i]
		}
	}
	m := &creepagev1.LeakLocation{Intermittent: a.Leaks, Cautions: insulation.Cautions(), Summary: leakSummary(c)}
	for _, name := range c.Ranked {
		for _, p := range c.Parts {
			if p.Name == name {
				m.Components = append(m.Components, &creepagev1.SuspectComponent{Component: name, MedianOhms: finite(p.MedianOhms),
					Interval: interval(insulation.Interval{Low: p.LowOhms, Mid: p.MedianOhms, High: p.HighOhms}), FaultProbability: p.BelowProbability, WorstProbability: p.TheOne})
			}
		}
	}
	for _, set := range c.Inseparable {
		m.Indistinct = append(m.Indistinct, &creepagev1.IndistinctSet{Components: set})
	}
	if c.Next != nil {
		m.Next = &creepagev1.NextDisconnection{Disconnect: c.Next.Disconnect, ExpectedBits: c.Next.ExpectedBits, Reason: c.Next.Why}
	}
	return m
}

func leakSummary(c *locate.Condition) string {
	first := c.Ranked[0]
	for _, p := range c.Parts {
		if p.Name != first {
			continue
		}
		if c.NoneProbability > 0.5 {
			return fmt.Sprintf("probably none leaks (probability %.2f); if one does, %s (%.2f)", c.NoneProbability, first, p.TheOne)
		}
		return fmt.Sprintf("%s leaks with probability %.2f, about %s", first, p.TheOne, insulation.FormatOhms(p.MedianOhms))
	}
	return ""
}
