package store

import (
	"context"
	"time"

	"creepage/internal/filter"
	"creepage/internal/insulation"
)

// ReportWarning is a warning as it was known at a time, with what came after it.
type ReportWarning struct {
	Warning
	Platform, LastShop string
	CodeAt             time.Time // first isolation code set after it was raised, within what counts as its own; zero: none
	Code               string
	RepairedAt         time.Time // first repair of its component after it was raised, while it stood; zero: none
	Repair             insulation.EventKind
}

// ReportWarningFields are those of the list, and where the vehicle belongs.
func ReportWarningFields() filter.Fields {
	return append(WarningFields(), filter.Field{Name: "platform", Kind: filter.Name, Collection: "platforms"},
		filter.Field{Name: "last_shop", Kind: filter.Name, Collection: "shops"})
}

func reportWarningColumns() columns {
	c := warningListColumns()
	c["vehicle"] = column{sql: "v.name", wildcard: true}
	c["standing"] = column{sql: "(w.ended_at IS NULL OR w.ended_at > $2)"}
	c["platform"] = column{sql: "v.platform"}
	c["last_shop"] = column{sql: "s.last_shop"}
	return c
}

// ReportWarnings hands over the warnings raised within the range, as they were
// known at its AsOf, newest first. A code that was set within a span after the
// raise counts as the one that was warned of.
func (t *Tx) ReportWarnings(ctx context.Context, where *filter.Expression, in ReportRange, span time.Duration, each func(*ReportWarning) error) error {
	args := arguments{t.organisation, in.AsOf, orNull(in.Start), orNull(in.End), insulation.IsolationCodes(), span}
	condition, err := reportWarningColumns().where(where, &args)
	if err != nil {
		return err
	}
	rows, err := t.tx.Query(ctx, `SELECT w.id, v.name, v.platform, coalesce(s.last_shop, ''), w.kind, w.component, w.raised_at, w.probability, w.days_p50, w.reason, w.backfilled,
			k.ended_at, CASE WHEN k.ended_at IS NULL THEN '' ELSE w.end_reason END,
			k.acknowledged_at, CASE WHEN k.acknowledged_at IS NULL THEN '' ELSE w.acknowledge_note END,
			CASE WHEN k.finding_at IS NULL THEN 0 ELSE w.finding END, CASE WHEN k.finding_at IS NULL THEN 0 ELSE w.finding_component END,
			CASE WHEN k.finding_at IS NULL THEN '' ELSE w.finding_note END, k.finding_at,
			c.set_at, coalesce(c.code, ''), r.occurred_at, coalesce(r.kind, 0)
		FROM warnings w JOIN vehicles v ON v.id = w.vehicle_id LEFT JOIN vehicle_states s ON s.vehicle_id = w.vehicle_id
		CROSS JOIN LATERAL (SELECT CASE WHEN w.ended_at <= $2 THEN w.ended_at END AS ended_at, CASE WHEN w.acknowledged_at <= $2 THEN w.acknowledged_at END AS acknowledged_at,
			CASE WHEN w.finding_at <= $2 THEN w.finding_at END AS finding_at) k
		LEFT JOIN LATERAL (SELECT c.set_at, c.code FROM codes c WHERE c.vehicle_id = w.vehicle_id AND c.set_at >= w.raised_at AND c.set_at <= w.raised_at + $6::interval
			AND c.received_at <= $2 AND left(c.code, 5) = ANY ($5) ORDER BY c.set_at, c.code LIMIT 1) c ON true
		LEFT JOIN LATERAL (SELECT r.occurred_at, r.kind FROM repairs r WHERE r.vehicle_id = w.vehicle_id AND r.created_at <= $2 AND r.occurred_at >= w.raised_at
			AND (k.ended_at IS NULL OR r.occurred_at <= k.ended_at) AND (w.component IN (0, 11) OR r.component = w.component) ORDER BY r.occurred_at, r.id LIMIT 1) r ON true
		WHERE w.organisation_id = $1 AND w.raised_at <= $2 AND ($3::timestamptz IS NULL OR w.raised_at >= $3) AND ($4::timestamptz IS NULL OR w.raised_at < $4)
			AND `+condition+` ORDER BY w.raised_at DESC, w.id DESC`, args...)
	if err != nil {
		return fail("report warnings", err)
	}
	var w ReportWarning
	var days *float64
	var ended, acknowledged, found, code, repaired *time.Time
	return forEach("report warnings", rows, []any{&w.ID, &w.Vehicle, &w.Platform, &w.LastShop, &w.Kind, &w.Component, &w.RaisedAt, &w.Probability, &days, &w.Reason, &w.Backfilled,
		&ended, &w.EndReason, &acknowledged, &w.AcknowledgeNote, &w.Finding, &w.FindingComponent, &w.FindingNote, &found, &code, &w.Code, &repaired, &w.Repair}, func() error {
		w.DaysP50, w.EndedAt, w.AcknowledgedAt, w.FoundAt = orNaN(days), orZero(ended), orZero(acknowledged), orZero(found)
		w.CodeAt, w.RepairedAt, w.RaisedAt = orZero(code), orZero(repaired), w.RaisedAt.UTC()
		return each(&w)
	})
}
