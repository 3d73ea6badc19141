package benchwork

import (
	"fmt"
	"math"
	"strings"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/locate"
	"creepage/internal/problem"
	"creepage/internal/wire"
)

// highestClassBVolts is the upper end of voltage class B, DC (ISO 6469-3; from memory).
const highestClassBVolts = 1500.0

// Locate says which component leaks, from readings with some disconnected.
// Where readings were taken under several conditions the one that shows the
// leak best is answered first, each for itself after it.
func Locate(req *creepagev1.LocateLeakRequest) (*creepagev1.LeakLocation, error) {
	limit := req.GetLimitOhms()
	said := fmt.Sprintf("a component below %s leaks", insulation.FormatOhms(limit))
	if req.LimitOhms == nil {
		if req.WorkingVolts == nil {
			return nil, problem.InvalidField("limit_ohms", "limit_ohms or working_volts is needed: below what a component counts as leaking")
		}
		if v := req.GetWorkingVolts(); !(v > 0 && v <= highestClassBVolts) {
			return nil, problem.InvalidField("working_volts", "%v: allowed is more than 0 to %v V", v, highestClassBVolts)
		}
		limit = insulation.DefaultCodeOhmsPerVolt * req.GetWorkingVolts()
		said = fmt.Sprintf("a component below %s leaks: %v ohm per volt of %s V (UN R100)", insulation.FormatOhms(limit), insulation.DefaultCodeOhmsPerVolt, short(req.GetWorkingVolts()))
	}
	if n := len(req.GetComponents()); n < 2 || n > locate.MaxParts {
		return nil, problem.InvalidField("components", "%d: allowed are 2 to %d components", n, locate.MaxParts)
	}
	readings, err := circuitReadings(req)
	if err != nil {
		return nil, err
	}
	healthy := req.GetHealthyOhms()
	if req.HealthyOhms == nil {
		healthy = locate.HealthyOhms(readings, limit)
	}
	renamed := map[string]string{"parts": "components", "uncertainty": "relative_uncertainty", "parts[0].limit_ohms": "limit_ohms", "parts[0].healthy_ohms": "healthy_ohms"}
	var parts []locate.Part
	for i, name := range req.GetComponents() {
		renamed[fmt.Sprintf("parts[%d].name", i)] = fmt.Sprintf("components[%d]", i)
		parts = append(parts, locate.Part{Name: name, LimitOhms: limit, HealthyOhms: healthy})
	}
	answer, err := locate.Locate(parts, readings, locate.Options{RangeOhms: orNaN(req.RangeOhms)})
	if err != nil {
		return nil, asFields(err, renamed)
	}
	m := leakMessage(answer)
	m.Steps = append([]*creepagev1.Step{{Text: said, Value: &limit, Unit: "ohm"},
		{Text: fmt.Sprintf("a sound component is taken as about %s, four tenths of a decade either way, before any reading", insulation.FormatOhms(healthy)), Value: &healthy, Unit: "ohm"},
		{Text: "what is connected leaks together: 1/R = 1/R1 + 1/R2 + ..., and no component leaks less than nothing"}}, leakSteps(answer, readings)...)
	return m, nil
}

// circuitReadings reads the request's readings, naming every condition that is none.
func circuitReadings(req *creepagev1.LocateLeakRequest) ([]locate.Reading, error) {
	var readings []locate.Reading
	var wrong []problem.Field
	for i, m := range req.GetReadings() {
		field := fmt.Sprintf("readings[%d].", i)
		r := locate.Reading{Connected: m.GetConnected(), Relation: relationOf(m.GetRelation()), Ohms: m.GetResistanceOhms(), Uncertainty: orNaN(m.RelativeUncertainty)}
		if m.GetAllConnected() {
			if len(r.Connected) > 0 {
				wrong = append(wrong, problem.Field{Path: field + "connected", Description: "all_connected is true: then nothing is listed"})
			}
			r.Connected = req.GetComponents()
		}
		if m.RelativeUncertainty != nil && !(r.Uncertainty > 0) {
			wrong = append(wrong, problem.Field{Path: field + "relative_uncertainty", Description: fmt.Sprintf("%v: allowed is 0.001 to 3 (a share of the value), or nothing", r.Uncertainty)})
		}
		var err error
		if r.Moisture, r.Warmth, err = conditionOf(m.GetCondition()); err != nil {
			wrong = append(wrong, problem.Field{Path: field + "condition", Description: err.Error()})
		}
		readings = append(readings, r)
	}
	if len(wrong) > 0 {
		return nil, problem.Invalid(wrong...)
	}
	return readings, nil
}

// conditionOf reads tags such as "wet, cold"; one of each kind at most.
func conditionOf(text string) (m insulation.Moisture, w insulation.Warmth, err error) {
	for _, word := range strings.FieldsFunc(text, func(c rune) bool { return c == ' ' || c == ',' || c == '+' }) {
		moisture, notMoisture := insulation.ParseMoisture(word)
		warmth, notWarmth := insulation.ParseWarmth(word)
		switch {
		case notMoisture == nil && m == 0:
			m = moisture
		case notWarmth == nil && w == 0:
			w = warmth
		case notMoisture == nil || notWarmth == nil:
			return 0, 0, fmt.Errorf("%q: %s contradicts what stands before it; allowed are one of dry and wet and one of cold and hot", text, word)
		default:
			return 0, 0, fmt.Errorf("%q is none of dry, wet, cold, hot", word)
		}
	}
	return m, w, nil
}

func leakMessage(a *locate.Answer) *creepagev1.LeakLocation {
	c := &a.Conditions[0]
	for i := range a.Conditions {
		if a.Conditions[i].NoneProbability < c.NoneProbability {
			c = &a.Conditions[i]
		}
	}
	m := &creepagev1.LeakLocation{Components: suspects(c), Next: nextMessage(c.Next), Intermittent: a.Leaks, Cautions: insulation.Cautions(), Summary: leakSummary(c, len(a.Conditions))}
	for _, set := range c.Inseparable {
		m.Indistinct = append(m.Indistinct, &creepagev1.IndistinctSet{Components: set})
	}
	for i := range a.Conditions {
		one := &a.Conditions[i]
		m.Conditions = append(m.Conditions, &creepagev1.LeakCondition{Condition: one.Name(), Components: suspects(one), NoneProbability: one.NoneProbability,
			SeveralProbability: one.SeveralProbability, Next: nextMessage(one.Next)})
		for _, d := range one.Doubts {
			m.DoubtedReadings = append(m.DoubtedReadings, int32(d.Reading))
		}
	}
	return m
}

// suspects are a condition's parts, most suspect first.
func suspects(c *locate.Condition) []*creepagev1.SuspectComponent {
	var list []*creepagev1.SuspectComponent
	for _, name := range c.Ranked {
		p := partOf(c, name)
		list = append(list, &creepagev1.SuspectComponent{Component: name, MedianOhms: finite(p.MedianOhms),
			Interval: interval(insulation.Interval{Low: p.LowOhms, Mid: p.MedianOhms, High: p.HighOhms}), FaultProbability: p.BelowProbability, WorstProbability: p.TheOne})
	}
	return list
}

func partOf(c *locate.Condition, name string) *locate.PartEstimate {
	for i := range c.Parts {
		if c.Parts[i].Name == name {
			return &c.Parts[i]
		}
	}
	return &locate.PartEstimate{}
}

func nextMessage(t *locate.Test) *creepagev1.NextDisconnection {
	if t == nil {
		return nil
	}
	return &creepagev1.NextDisconnection{Disconnect: t.Disconnect, ExpectedBits: t.ExpectedBits, Reason: t.Why}
}

// leakSummary names every part that leaks rather than not, or says that none does.
func leakSummary(c *locate.Condition, conditions int) string {
	where := ""
	if conditions > 1 {
		where = ", " + c.Name()
	}
	var leaking []string
	for _, name := range c.Ranked {
		if p := partOf(c, name); p.BelowProbability > 0.5 {
			leaking = append(leaking, fmt.Sprintf("%s leaks%s: about %s, probability %.2f", name, where, insulation.FormatOhms(p.MedianOhms), p.BelowProbability))
		}
	}
	first := partOf(c, c.Ranked[0])
	switch {
	case len(leaking) > 0:
		return strings.Join(leaking, "; ")
	case c.NoneProbability > 0.5:
		return fmt.Sprintf("probably none leaks%s (probability %.2f); if one does, rather %s (%.2f)", where, c.NoneProbability, first.Name, first.TheOne)
	}
	return fmt.Sprintf("something leaks%s (probability %.2f), and the readings do not say what; rather %s (%.2f)", where, 1-c.NoneProbability, first.Name, first.TheOne)
}

// leakSteps is the working, condition by condition.
func leakSteps(a *locate.Answer, readings []locate.Reading) []*creepagev1.Step {
	var steps []*creepagev1.Step
	say := func(format string, args ...any) {
		steps = append(steps, &creepagev1.Step{Text: fmt.Sprintf(format, args...)})
	}
	for i := range a.Conditions {
		c := &a.Conditions[i]
		say("%s, %s: probability that none leaks %.2f, that exactly one does %.2f, that several do %.2f", c.Name(), counted(c.Readings, "reading"),
			c.NoneProbability, math.Max(0, 1-c.NoneProbability-c.SeveralProbability), c.SeveralProbability)
		for _, p := range c.Parts {
			start := "no leakage"
			if !math.IsInf(p.LeastSquaresOhms, 0) {
				start = insulation.FormatOhms(p.LeastSquaresOhms)
			}
			steps = append(steps, &creepagev1.Step{Value: wire.Optional(finite(p.MedianOhms)), Unit: "ohm", Text: fmt.Sprintf(
				"%s, %s: weighted non-negative least squares give %s; with all that is known %s (8 in 10 between %s and %s), below the limit with probability %.2f, the worst one with %.2f",
				c.Name(), p.Name, start, insulation.FormatOhms(p.MedianOhms), insulation.FormatOhms(p.LowOhms), insulation.FormatOhms(p.HighOhms), p.BelowProbability, p.TheOne)})
		}
		for _, set := range c.Inseparable {
			say("%s: the readings always have %s together or apart in the same way and cannot tell them apart", c.Name(), strings.Join(set, " and "))
		}
		for _, name := range c.NeverConnected {
			say("%s: %s was never connected; what is said of it is what is usual", c.Name(), name)
		}
		for _, d := range c.Doubts {
			r := &readings[d.Reading]
			say("%s: reading %d (%s) is doubted, probability %.2f: the others speak against it", c.Name(), d.Reading+1, insulation.FormatResistance(r.Relation, r.Ohms), d.Probability)
		}
	}
	for _, c := range a.Comparisons {
		first, second := &c.First, &c.Second
		say("%s: %s %s, %s %s: a factor of %s%.3g", strings.Join(c.Connected, " + "), locate.ConditionName(first.Moisture, first.Warmth), insulation.FormatResistance(first.Relation, first.Ohms),
			locate.ConditionName(second.Moisture, second.Warmth), insulation.FormatResistance(second.Relation, second.Ohms), strings.TrimPrefix(c.Relation.String(), "="), c.Factor)
	}
	return steps
}
