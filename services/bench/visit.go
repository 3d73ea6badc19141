package bench

import (
	"context"
	"errors"
	"fmt"
	"strings"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/filter"
	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// referenceCelsius is what a visit's readings are corrected to: 40 C is IEEE
// 43's, 20 C that of the tracks and of the published tables used here.
const referenceCelsius = 20

// mostVisitReadings is how many readings of a stored visit are assessed.
const mostVisitReadings = 200

// AssessVisit assesses readings of one occasion together: those of the request,
// or a stored visit's.
func (s *Service) AssessVisit(ctx context.Context, req *creepagev1.AssessVisitRequest) (*creepagev1.VisitAssessment, error) {
	stored := req.GetVehicle() != "" || req.GetVisit() != ""
	if stored == (len(req.GetReadings()) > 0) {
		return nil, problem.InvalidField("readings", "either readings, or vehicle and visit, are needed")
	}
	readings, err := s.sentReadings(req.GetReadings())
	if err != nil {
		return nil, err
	}
	var p *insulation.Platform
	err = s.as(ctx, func(tx *store.Tx) (err error) {
		if p, err = s.visitPlatform(ctx, tx, req); err != nil || !stored {
			return err
		}
		readings, err = storedVisit(ctx, tx, req)
		return err
	})
	if err != nil {
		return nil, err
	}
	a, err := insulation.AssessVisit(readings, p, s.now(), referenceCelsius)
	if err != nil {
		return nil, err
	}
	return visitMessage(a, readings), nil
}

// visitPlatform finds the platform: the one named, else that of the vehicle or
// of the first reading; nil if none is named at all.
func (s *Service) visitPlatform(ctx context.Context, tx *store.Tx, req *creepagev1.AssessVisitRequest) (*insulation.Platform, error) {
	switch {
	case req.GetPlatform() != "":
		return s.platform(ctx, tx, req.GetPlatform(), "")
	case req.GetVehicle() != "":
		return s.platform(ctx, tx, "", req.GetVehicle())
	case len(req.GetReadings()) > 0 && req.GetReadings()[0].GetPlatform() != "":
		return s.platform(ctx, tx, req.GetReadings()[0].GetPlatform(), "")
	}
	return nil, nil
}

// sentReadings reads the request's readings. At the bench the vehicle, the shop
// and the time may be left out; what is measured may not.
func (s *Service) sentReadings(messages []*creepagev1.Reading) ([]insulation.Reading, error) {
	identity := map[string]bool{"vehicle": true, "shop": true, "measure_time": true, "reading_id": true}
	var readings []insulation.Reading
	var wrong []problem.Field
	for i, m := range messages {
		r, err := wire.Reading(m)
		var errs wire.FieldErrors
		fields := problem.FromDomain(insulation.Validate(&r, s.now()))
		if errors.As(err, &errs) {
			fields = problem.FromWire(errs)
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

func storedVisit(ctx context.Context, tx *store.Tx, req *creepagev1.AssessVisitRequest) ([]insulation.Reading, error) {
	id, err := wire.Vehicles.ID(req.GetVehicle())
	if err != nil {
		return nil, problem.InvalidField("vehicle", "%v", err)
	}
	if req.GetVisit() == "" {
		return nil, problem.InvalidField("visit", "is missing")
	}
	v, err := tx.Vehicle(ctx, id)
	if err != nil {
		return nil, err
	}
	kept, err := tx.ReadingsOf(ctx, v.Key, &filter.Expression{Op: filter.Equal, Field: "visit", Value: req.GetVisit()}, store.TimeCursor{}, mostVisitReadings)
	if err != nil {
		return nil, err
	}
	var readings []insulation.Reading
	for i := range kept {
		if kept[i].VoidReason == "" {
			readings = append(readings, kept[i].Reading)
		}
	}
	if len(readings) == 0 {
		return nil, problem.NotFound(req.GetVehicle() + " visit " + req.GetVisit())
	}
	return readings, nil
}

func visitMessage(a *insulation.VisitAssessment, readings []insulation.Reading) *creepagev1.VisitAssessment {
	m := &creepagev1.VisitAssessment{Summary: visitSummary(a), Cautions: insulation.Cautions()}
	for i := range a.Items {
		item := &a.Items[i]
		m.Readings = append(m.Readings, &creepagev1.VisitReading{Reading: wire.ReadingMessage(&readings[i]), Assessment: wire.AssessmentMessage(&item.Assessment),
			CorrectedOhms: wire.Optional(item.Corrected.Mid), CorrectedSpread: interval(item.Corrected)})
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

// nameOf is a reading's identity, or its place in the request.
func nameOf(r *insulation.Reading, i int) string {
	if r.ID != "" {
		return r.ID
	}
	return fmt.Sprintf("[%d]", i)
}

func visitSummary(a *insulation.VisitAssessment) string {
	count := map[insulation.Verdict]int{}
	for i := range a.Items {
		count[a.Items[i].ServiceLimit]++
	}
	return fmt.Sprintf("of %d readings %d meet their limit, %d do not, %d cannot tell and %d have none; %d contradictions, %d points to measure again",
		len(a.Items), count[insulation.Met], count[insulation.NotMet], count[insulation.CannotTell], count[insulation.NotApplicable], len(a.Contradictions), len(a.Again))
}
