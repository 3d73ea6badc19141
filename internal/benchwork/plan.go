package benchwork

import (
	"fmt"
	"math"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/paper"
	"creepage/internal/wire"
)

// PlanMessage is the test plan of a platform.
func PlanMessage(p *insulation.Platform) *creepagev1.TestPlan {
	plan := insulation.Plan(p)
	m := &creepagev1.TestPlan{Platform: wire.Platforms.Name(p.ID), PlatformTitle: p.Title, MaxWorkingVolts: p.MaxWorkingVolts,
		Before: plan.Before, After: plan.After, Cautions: plan.Cautions}
	for _, t := range plan.Points {
		point := &creepagev1.PlannedPoint{Component: creepagev1.Reading_Component(t.Component), Conductor: creepagev1.Reading_Conductor(t.Conductor),
			Reference: creepagev1.Reading_Reference(t.Reference), TestVolts: t.TestVolts, HoldSeconds: t.HoldSeconds, Disconnect: t.Disconnect}
		if !math.IsNaN(t.LeastOhms) {
			point.LimitOhms = t.LeastOhms
		}
		m.Points = append(m.Points, point)
	}
	return m
}

// PlanDocument is the plan on one page, to be taken to the vehicle: what is
// done is ticked, what is read is written down.
func PlanDocument(p *insulation.Platform, made time.Time) *paper.Document {
	plan := insulation.Plan(p)
	d := &paper.Document{Title: "Test plan", Subtitle: planSubtitle(p), Subject: "Test plan of a platform", Made: made, OnePage: true,
		Foot: "Advice; the vehicle maker's procedure and the local codes come first. Made by creepage on " + made.UTC().Format("2 Jan 2006") + "."}
	t := paper.Table{Columns: []paper.Column{{Title: "", Width: 0.5}, {Title: "Test point", Width: 3.6}, {Title: "Volt", Width: 0.9, Right: true}, {Title: "Hold", Width: 0.9, Right: true},
		{Title: "At least", Width: 1.3, Right: true}, {Title: "Disconnect first", Width: 4.4}, {Title: "Read", Width: 1.6}}}
	before := ""
	for i, point := range plan.Points {
		first := point.Disconnect
		if point.Remark != "" {
			first += "; " + point.Remark
		}
		told := first
		if first == before {
			told = "as above"
		}
		before = first
		least := "–"
		if point.LeastOhms > 0 {
			least = insulation.FormatOhms(point.LeastOhms)
		}
		r := insulation.Reading{Component: point.Component, Conductor: point.Conductor, Reference: point.Reference}
		t.Rows = append(t.Rows, paper.Row{Cells: []string{fmt.Sprint(i + 1), pointWords(&r), short(point.TestVolts), short(point.HoldSeconds) + " s", least, told, "............"}})
	}
	d.Blocks = append(d.Blocks, paper.Box{Title: "Cautions", Items: plan.Cautions}, paper.Heading("Before"), paper.List{Items: plan.Before, Mark: paper.Tick},
		paper.Heading("Test points, in this order"))
	if len(t.Rows) == 0 {
		d.Blocks = append(d.Blocks, paper.Text("The platform states no test points."))
	} else {
		d.Blocks = append(d.Blocks, t)
	}
	d.Blocks = append(d.Blocks, paper.Heading("After"), paper.List{Items: plan.After, Mark: paper.Tick},
		paper.Signature{"Vehicle, visit", "Meter, range", "Air °C, relative humidity %", "Tested by, date"})
	return d
}

func planSubtitle(p *insulation.Platform) string {
	s := p.ID
	if p.Title != "" {
		s = fmt.Sprintf("%s (%s)", p.Title, p.ID)
	}
	if p.MaxWorkingVolts > 0 {
		s += fmt.Sprintf(", working voltage up to %s V", short(p.MaxWorkingVolts))
	}
	if p.CodeLimit() > 0 {
		s += ", code limit of the whole vehicle " + insulation.FormatOhms(p.CodeLimit())
	}
	return s
}
