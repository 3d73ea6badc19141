package board

import (
	"context"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/casefile"
)

// locate says which component leaks by the readings of a visit: each component
// by its weakest reading, the whole vehicle by its own. It returns nil where
// the visit does not tell.
func (b *Board) locate(ctx context.Context, visit *creepagev1.VisitAssessment) (*creepagev1.LeakLocation, error) {
	req := &creepagev1.LocateLeakRequest{}
	weakest := map[creepagev1.Reading_Component]*creepagev1.Reading{}
	var order []creepagev1.Reading_Component
	platform := ""
	for _, one := range visit.GetReadings() {
		r := one.GetReading()
		if r.GetPlatform() != "" {
			platform = r.GetPlatform()
		}
		if r.GetComponent() == creepagev1.Reading_SYSTEM {
			req.Readings = append(req.Readings, &creepagev1.CircuitReading{AllConnected: true, Relation: r.GetRelation(), ResistanceOhms: r.GetResistanceOhms()})
			continue
		}
		known := weakest[r.GetComponent()]
		if known == nil {
			order = append(order, r.GetComponent())
		}
		if known == nil || r.GetResistanceOhms() < known.GetResistanceOhms() {
			weakest[r.GetComponent()] = r
		}
	}
	if len(order) < 2 {
		return nil, nil
	}
	for _, c := range order {
		name := strings.ToLower(casefile.Word(c))
		req.Components = append(req.Components, name)
		req.Readings = append(req.Readings, &creepagev1.CircuitReading{Connected: []string{name}, Relation: weakest[c].GetRelation(), ResistanceOhms: weakest[c].GetResistanceOhms()})
	}
	if platform != "" {
		p, err := b.platforms.GetPlatform(ctx, &creepagev1.GetPlatformRequest{Name: platform})
		if err != nil && status.Code(err) != codes.NotFound {
			return nil, err
		}
		if volts := p.GetMaxWorkingVolts(); volts > 0 {
			req.WorkingVolts = &volts
		}
	}
	res, err := b.bench.LocateLeak(ctx, req)
	if status.Code(err) == codes.InvalidArgument { // the readings do not suffice
		return nil, nil
	}
	return res, err
}

// faultOpen says whether an isolation fault is open: the code is set and
// nothing was done since, or the vehicle is below its limit.
func faultOpen(o *creepagev1.Outlook, code string) bool {
	return code != "" || o.GetCodeSetTime() != nil || o.GetState() == creepagev1.Outlook_UNDER
}
