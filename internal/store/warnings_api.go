package store

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/filter"
	"creepage/internal/insulation"
	"creepage/internal/trend"
	"creepage/internal/wire"
)

// Finding is what was found: the numbers of the contract's Warning.Finding.
type Finding int16

// Warning is what was said and what became of it. Times that are not there are zero.
type Warning struct {
	ID               uuid.UUID
	Vehicle          string
	Kind             trend.WarningKind
	Component        insulation.Component // 0: none can be named
	RaisedAt         time.Time
	Probability      float64
	DaysP50          float64 // NaN: beyond two years
	Reason           string
	Backfilled       bool
	EndedAt          time.Time
	EndReason        string
	AcknowledgedAt   time.Time
	AcknowledgeNote  string
	Finding          Finding
	FindingComponent insulation.Component
	FindingNote      string
	FoundAt          time.Time
}

const warningColumns = `w.id, v.name, w.kind, w.component, w.raised_at, w.probability, w.days_p50, w.reason, w.backfilled, w.ended_at, w.end_reason,
	w.acknowledged_at, w.acknowledge_note, w.finding, w.finding_component, w.finding_note, w.finding_at`

func scanWarning(row pgx.CollectableRow) (Warning, error) {
	var w Warning
	scan := warningScan(&w)
	err := row.Scan(scan.targets...)
	scan.finish()
	return w, err
}

func warningScan(w *Warning) nullable {
	var days *float64
	var ended, acknowledged, found *time.Time
	return nullable{
		targets: []any{&w.ID, &w.Vehicle, &w.Kind, &w.Component, &w.RaisedAt, &w.Probability, &days, &w.Reason, &w.Backfilled, &ended, &w.EndReason,
			&acknowledged, &w.AcknowledgeNote, &w.Finding, &w.FindingComponent, &w.FindingNote, &found},
		finish: func() {
			w.DaysP50, w.EndedAt, w.AcknowledgedAt, w.FoundAt = orNaN(days), orZero(ended), orZero(acknowledged), orZero(found)
		},
	}
}

// WarningFields are the fields that a filter over warnings may name.
func WarningFields() filter.Fields {
	return filter.Fields{
		{Name: "vehicle", Kind: filter.Name, Collection: string(wire.Vehicles)},
		{Name: "kind", Kind: filter.Word, Words: filter.WordsOf(creepagev1.Warning_Kind_name)},
		{Name: "component", Kind: filter.Word, Words: filter.WordsOf(creepagev1.Reading_Component_name)},
		{Name: "standing", Kind: filter.Flag},
		{Name: "raise_time", Kind: filter.Time},
		{Name: "finding", Kind: filter.Word, Words: filter.WordsOf(creepagev1.Warning_Finding_name)},
	}
}

// warningListColumns are how those fields are kept.
func warningListColumns() columns {
	return columns{
		"vehicle":    {sql: "v.name"},
		"kind":       {sql: "w.kind", words: numbersOf(trend.WarningKind.String)},
		"component":  {sql: "w.component", words: numbersOf(insulation.Component.String)},
		"standing":   {sql: "(w.ended_at IS NULL)"},
		"raise_time": {sql: "w.raised_at"},
		// Where nobody has said anything, nobody has looked.
		"finding": {sql: "greatest(w.finding, 1)", words: findingNumbers()},
	}
}

func findingNumbers() map[string]int16 {
	numbers := map[string]int16{}
	for name, n := range creepagev1.Warning_Finding_value {
		if n > 0 {
			numbers[strings.ToLower(name)] = int16(n)
		}
	}
	return numbers
}

// Warnings lists warnings, newest first.
func (t *Tx) Warnings(ctx context.Context, where *filter.Expression, last TimeCursor, limit int) ([]Warning, error) {
	args := arguments{t.organisation, limit}
	condition, err := warningListColumns().where(where, &args)
	if err != nil {
		return nil, err
	}
	if !last.first() {
		condition += " AND " + after([]sortKey{{"w.raised_at", true}, {"w.id", true}}, []any{last.At, last.ID}, &args)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+warningColumns+` FROM warnings w JOIN vehicles v ON v.id = w.vehicle_id
		WHERE w.organisation_id = $1 AND `+condition+` ORDER BY w.raised_at DESC, w.id DESC LIMIT $2`, args...)
	if err != nil {
		return nil, fail("list warnings", err)
	}
	list, err := pgx.CollectRows(rows, scanWarning)
	return list, fail("list warnings", err)
}

// Warning returns a warning.
func (t *Tx) Warning(ctx context.Context, id uuid.UUID) (Warning, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+warningColumns+` FROM warnings w JOIN vehicles v ON v.id = w.vehicle_id
		WHERE w.organisation_id = $1 AND w.id = $2`, t.organisation, id)
	if err != nil {
		return Warning{}, fail("find a warning", err)
	}
	w, err := pgx.CollectExactlyOneRow(rows, scanWarning)
	return w, fail("find a warning", err)
}

// AcknowledgeWarning notes that somebody has seen it; ErrStands if somebody had before.
func (t *Tx) AcknowledgeWarning(ctx context.Context, id uuid.UUID, at time.Time, note string) error {
	return t.settleWarning(ctx, WarningChanged, at, "acknowledge a warning", id, `acknowledged_at IS NULL`, `acknowledged_at = $3, acknowledge_note = $4`, at, note)
}

// EndWarning ends a warning; ErrStands if it had ended before.
func (t *Tx) EndWarning(ctx context.Context, id uuid.UUID, at time.Time, reason string) error {
	return t.settleWarning(ctx, WarningEnded, at, "end a warning", id, `ended_at IS NULL`, `ended_at = greatest($3, raised_at), end_reason = $4`, at, reason)
}

// FindingRecord is what was found when the vehicle was looked at.
type FindingRecord struct {
	Finding   Finding
	Component insulation.Component
	Note      string
	At        time.Time
}

// RecordFinding writes down what was found; ErrStands if somebody had looked before.
func (t *Tx) RecordFinding(ctx context.Context, id uuid.UUID, f FindingRecord) error {
	return t.settleWarning(ctx, WarningChanged, f.At, "record a finding", id, `finding <= 1`, `finding = $3, finding_component = $4, finding_note = $5, finding_at = $6`,
		int16(f.Finding), int16(f.Component), f.Note, f.At)
}

// settleWarning sets what became of a warning as long as it is still open,
// and records the change; values are $3 and on.
func (t *Tx) settleWarning(ctx context.Context, event WarningEvent, at time.Time, what string, id uuid.UUID, open, set string, values ...any) error {
	tag, err := t.tx.Exec(ctx, `UPDATE warnings SET `+set+` WHERE organisation_id = $1 AND id = $2 AND `+open, append([]any{t.organisation, id}, values...)...)
	if err != nil {
		return fail(what, err)
	}
	if tag.RowsAffected() > 0 {
		return t.recordWarningChange(ctx, id, event, at)
	}
	return t.nothingChanged(ctx, what, `SELECT EXISTS (SELECT FROM warnings WHERE organisation_id = $1 AND id = $2)`, id)
}
