package store

import (
	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/wire"
)

// Message is the warning as the contract has it, for answers, streams and
// deliveries alike.
func (w *Warning) Message() *creepagev1.Warning {
	m := &creepagev1.Warning{
		Name: wire.Warnings.Name(w.ID.String()), Vehicle: wire.Vehicles.Name(w.Vehicle), Kind: creepagev1.Warning_Kind(w.Kind),
		CodeProbability: w.Probability, DaysToCodeP50: wire.Optional(w.DaysP50), Reason: w.Reason,
		RaiseTime: wire.Timestamp(w.RaisedAt), EndTime: wire.Timestamp(w.EndedAt), AcknowledgeTime: wire.Timestamp(w.AcknowledgedAt),
		FindingTime: wire.Timestamp(w.FoundAt), Backfilled: w.Backfilled,
		EndReason: wire.Text(w.EndReason), AcknowledgeNote: wire.Text(w.AcknowledgeNote), FindingNote: wire.Text(w.FindingNote),
	}
	m.Component = wire.Stated(creepagev1.Reading_Component(w.Component))
	m.Finding = wire.Stated(creepagev1.Warning_Finding(w.Finding))
	m.FindingComponent = wire.Stated(creepagev1.Reading_Component(w.FindingComponent))
	return m
}

// Message is the change as the contract has it.
func (c *WarningChange) Message() *creepagev1.WarningChange {
	return &creepagev1.WarningChange{Event: creepagev1.WarningChange_Event(c.Event), Sequence: c.Sequence, ChangeTime: wire.Timestamp(c.At), Warning: c.Warning.Message()}
}
