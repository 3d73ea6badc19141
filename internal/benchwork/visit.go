package benchwork

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/wire"
)

// ReferenceCelsius is what a visit's readings are corrected to: 40 C is IEEE
// 43's, 20 C that of the tracks and of the published tables used here.
const ReferenceCelsius = insulation.ReferenceCelsius

// Assess assesses the readings of one occasion together. The platform may be
// nil: then no limit is known.
func Assess(readings []insulation.Reading, p *insulation.Platform, now time.Time) (*creepagev1.VisitAssessment, error) {
	a, err := insulation.AssessVisit(readings, p, now, ReferenceCelsius)
	if err != nil {
		return nil, err
	}
	return visitMessage(a, readings), nil
}

// SentReadings reads a request's readings. At the bench the vehicle, the shop
// and the time may be left out; what is measured may not.
func SentReadings(messages []*creepagev1.Reading, now time.Time) ([]insulation.Reading, error) {
	identity := map[string]bool{"vehicle": true, "shop": true, "measure_time": true, "reading_id": true}
	var readings []insulation.Reading
	var wrong []problem.Field
	for i, m := range messages {
		r, err := wire.Reading(m)
		var errs wire.FieldErrors
		var fields []problem.Field
		if errors.As(err, &errs) {
			fields = problem.FromWire(errs)
		}
		for _, f := range problem.FromDomain(insulation.Validate(&r, now)) {
			// What could not be read at all is named once.
			if !slices.ContainsFunc(fields, func(read problem.Field) bool { return read.Path == f.Path }) {
				fields = append(fields, f)
			}
		}
		for _, f := range problem.Under(fmt.Sprintf("readings[%d]", i), fields) {
			if name := f.Path[strings.LastIndexByte(f.Path, '.')+1:]; !identity[name] || given(m, name) {
				wrong = append(wrong, f)
			}
		}
		readings = append(readings, r)
	}
	if len(wrong) > 0 {
		return nil, problem.Invalid(wrong...)
	}
	return readings, nil
}

// given says whether the sender stated a field that may be left out.
func given(m *creepagev1.Reading, field string) bool {
	switch field {
	case "vehicle":
		return m.GetVehicle() != ""
	case "shop":
		return m.GetShop() != ""
	case "measure_time":
		return m.GetMeasureTime() != nil
	}
	return m.GetReadingId() != ""
}

func visitMessage(a *insulation.VisitAssessment, readings []insulation.Reading) *creepagev1.VisitAssessment {
	m := &creepagev1.VisitAssessment{Summary: VisitSummary(a), Cautions: insulation.Cautions()}
	for i := range a.Items {
		item := &a.Items[i]
		m.Readings = append(m.Readings, &creepagev1.VisitReading{Reading: wire.ReadingMessage(&readings[i]), Assessment: wire.AssessmentMessage(&item.Assessment),
			CorrectedOhms: wire.Optional(item.Corrected.Mid), CorrectedSpread: interval(item.Corrected),
			Verdict: item.Sentence(&readings[i]), Steps: correctionSteps(&readings[i], item)})
	}
	for _, g := range a.Groups {
		m.Pooled = append(m.Pooled, &creepagev1.PooledInsulation{Component: creepagev1.Reading_Component(g.Component), Group: g.Name, Ohms: finite(g.Ohms),
			Relation: creepagev1.Reading_Relation(g.Relation), Readings: int32(len(g.Readings))})
	}
	for _, c := range a.Contradictions {
		told := &creepagev1.Contradiction{Text: c.Text}
		for _, i := range c.Readings {
			told.Component = creepagev1.Reading_Component(readings[i].Component)
			told.Readings = append(told.Readings, nameOf(&readings[i], i))
		}
		m.Contradictions = append(m.Contradictions, told)
	}
	for _, again := range a.Again {
		m.MeasureAgain = append(m.MeasureAgain, &creepagev1.MeasureAgain{Component: creepagev1.Reading_Component(again.Component),
			Conductor: creepagev1.Reading_Conductor(again.Conductor), Reference: creepagev1.Reading_Reference(again.Reference), Reason: again.Text})
	}
	return m
}

// correctionSteps is how a reading comes to the reference temperature.
func correctionSteps(r *insulation.Reading, item *insulation.VisitItem) []*creepagev1.Step {
	if item.Uncorrected != "" {
		return []*creepagev1.Step{{Text: "not corrected for temperature: " + item.Uncorrected}}
	}
	if r.Celsius() == ReferenceCelsius {
		return []*creepagev1.Step{{Text: fmt.Sprintf("taken at %s °C: nothing to correct", short(ReferenceCelsius))}}
	}
	c, err := insulation.CorrectTemperature(r.Celsius(), ReferenceCelsius)
	if err != nil { // then the item says so itself
		return nil
	}
	return []*creepagev1.Step{
		{Text: fmt.Sprintf("%s at %s °C x %.3g (ANSI/NETA table, solid insulation) = %s at %s °C", insulation.FormatResistance(r.Relation, r.Ohms), short(r.Celsius()), c.Mid,
			insulation.FormatResistance(r.Relation, item.Corrected.Mid), short(ReferenceCelsius)), Value: wire.Optional(item.Corrected.Mid), Unit: "ohm"},
		{Text: fmt.Sprintf("the published laws give factors from %.3g to %.3g (halving every 10 °C; IEEE 43, thermosetting): %s to %s, %s", c.Low, c.High,
			insulation.FormatResistance(r.Relation, item.Corrected.Low), insulation.FormatResistance(r.Relation, item.Corrected.High), verdictWords(item.AtReference))},
	}
}

// nameOf is a reading's identity, or its place in the request.
func nameOf(r *insulation.Reading, i int) string {
	if r.ID != "" {
		return r.ID
	}
	return fmt.Sprintf("[%d]", i)
}

// VisitSummary is the visit in one sentence, without its full stop.
func VisitSummary(a *insulation.VisitAssessment) string {
	count := map[insulation.Verdict]int{}
	for i := range a.Items {
		count[a.Items[i].ServiceLimit]++
	}
	var parts []string
	for _, one := range []struct {
		n    int
		text string
	}{
		{count[insulation.Met], "%d of %s: limit met"}, {count[insulation.NotMet], "%d of %s: below the limit"},
		{count[insulation.CannotTell], "%d of %s: cannot tell"}, {count[insulation.NotApplicable], "%d of %s: no limit known"},
	} {
		if one.n > 0 {
			parts = append(parts, fmt.Sprintf(one.text, one.n, counted(len(a.Items), "reading")))
		}
	}
	if n := len(a.Contradictions); n > 0 {
		parts = append(parts, counted(n, "contradiction"))
	}
	if n := len(a.Again); n > 0 {
		parts = append(parts, counted(n, "point")+" to measure again")
	}
	return strings.Join(parts, "; ")
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
