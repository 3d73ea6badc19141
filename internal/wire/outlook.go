package wire

import (
	"math"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/trend"
)

// OutlookName returns the resource name of a vehicle's outlook.
func OutlookName(vehicle string) string { return Vehicles.Name(vehicle) + "/outlook" }

// OutlookMessage turns an outlook into its message, with parts, curve and
// doubted readings. What the outlook does not know (vehicle, platform, last
// shop and reading) is for the caller to fill in.
func OutlookMessage(o *trend.Outlook) *creepagev1.Outlook {
	m := &creepagev1.Outlook{
		State:               creepagev1.Outlook_State(o.State),
		CodeProbability_30D: finite(o.P30), CodeProbability_90D: finite(o.P90),
		DaysToCodeP10: Optional(o.DaysP10), DaysToCodeP50: Optional(o.DaysP50), DaysToCodeP90: Optional(o.DaysP90),
		LimitingComponent: Stated(creepagev1.Reading_Component(o.Limiting)),
		Reason:            o.Reason(), Missing: o.Missing, EvaluateTime: Timestamp(o.EvaluatedAt),
		CodeSetTime: Timestamp(o.CodeSet), MonitorDefectTime: Timestamp(o.MonitorDefect), ParameterVersion: o.Version,
		MeasureAgainBy: dayOf(o.MeasureAgainBy),
	}
	if o.MeasureNext.Component != 0 {
		m.MeasureNext = &creepagev1.MeasureNext{Component: creepagev1.Reading_Component(o.MeasureNext.Component),
			Group: o.MeasureNext.Conductor.String(), Reason: o.MeasureNext.Why, NarrowsTo: finite(o.MeasureNext.NarrowsTo)}
	}
	for i := range o.Parts {
		m.Parts = append(m.Parts, partMessage(&o.Parts[i]))
	}
	for _, c := range o.Curve {
		m.Curve = append(m.Curve, &creepagev1.CurvePoint{Days: c.Days, Probability: finite(c.Probability)})
	}
	if o.Unsettled.Cause != 0 {
		m.Unsettled = doubtMessage(&o.Unsettled)
	}
	for i := range o.Doubts {
		m.Doubted = append(m.Doubted, doubtMessage(&o.Doubts[i]))
	}
	return m
}

func partMessage(p *trend.Part) *creepagev1.Part {
	m := &creepagev1.Part{
		Component: creepagev1.Reading_Component(p.Group.Component), Group: p.Group.Conductor.String(),
		MedianOhms: finite(p.LevelNow.P50), P10Ohms: finite(p.LevelNow.P10), P90Ohms: finite(p.LevelNow.P90),
		OperatingOhms: finite(p.Operating.P50), OperatingP10Ohms: finite(p.Operating.P10), OperatingP90Ohms: finite(p.Operating.P90),
		DecadesPer_30D: -finite(p.Decline), DecadesPer_30DSd: finite(p.DeclineSD), ConductanceShare: finite(p.Share),
		DecliningProbability: finite(p.Declining), DampProbability: finite(p.Damp), DroppedProbability: finite(p.Dropped),
		CodeProbability_90D: finite(p.P90), DecliningSinceTime: Timestamp(p.Since), LastMeasureTime: Timestamp(p.LastMeasured),
		UnderServiceLimitCount: int32(p.UnderService), ReadingCount: int32(p.Readings),
	}
	if p.From > 0 {
		m.DecliningFromOhms = Optional(p.From)
	}
	if p.ServiceLimit > 0 {
		m.ServiceLimitOhms = Optional(p.ServiceLimit)
	}
	return m
}

// TrackMessage writes a track with its levels over time.
func TrackMessage(t *trend.Track) *creepagev1.Track {
	m := &creepagev1.Track{Component: creepagev1.Reading_Component(t.Group.Component), Group: t.Group.Conductor.String()}
	for i := range t.Points {
		level := t.Points[i].Part.LevelNow
		m.Estimates = append(m.Estimates, &creepagev1.Estimate{Time: timestamppb.New(t.Points[i].End), MedianOhms: level.P50, P10Ohms: level.P10, P90Ohms: level.P90})
	}
	return m
}

func doubtMessage(d *trend.Doubt) *creepagev1.DoubtedReading {
	return &creepagev1.DoubtedReading{
		ReadingId: d.ReadingID, MeasureTime: Timestamp(d.MeasuredAt), Reason: d.Reason, SetAside: d.SetAside, Weight: finite(d.Weight),
		Component: creepagev1.Reading_Component(d.Group.Component), Group: d.Group.Conductor.String(), ResistanceOhms: finite(d.Ohms),
	}
}

// finite is a number that is always there in the contract: 0 for what is not one.
func finite(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}

// dayOf is a day as the contract carries it, nil for the zero time.
func dayOf(t time.Time) *string {
	if t.IsZero() {
		return nil
	}
	day := t.UTC().Format(time.DateOnly)
	return &day
}

// Repair turns a message into an event of a vehicle. The error is a FieldErrors.
func Repair(m *creepagev1.Repair, vehicle string, now time.Time) (insulation.Event, error) {
	var r reader
	v := insulation.Event{
		Vehicle:    vehicle,
		Component:  requiredEnum(&r, "component", m.GetComponent(), insulation.System),
		Kind:       requiredEnum(&r, "kind", m.GetKind(), insulation.Cleaned),
		OccurredAt: r.requiredTime("occur_time", m.GetOccurTime()),
	}
	if latest := now.Add(insulation.ClockSkew); v.OccurredAt.After(latest) {
		r.fail("occur_time", "%s lies in the future; allowed is up to %s", v.OccurredAt.Format(time.RFC3339), latest.UTC().Format(time.RFC3339))
	}
	return v, r.err()
}
