package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"creepage/internal/trend"
)

// WarningPolicy is how an organisation wants to be warned. The zero value is
// that of one which has stated nothing.
type WarningPolicy struct {
	LeadDays   float64          `json:"lead_days"`
	FalseCalls trend.FalseCalls `json:"false_calls"`
}

// Rule is the policy in the warn rule's terms.
func (p WarningPolicy) Rule() trend.Policy {
	if p == (WarningPolicy{}) {
		return trend.DefaultPolicy()
	}
	return trend.PolicyOf(p.LeadDays, p.FalseCalls)
}

// policyColumns are what an organisation's settings hold of its policy.
const policyColumns = `coalesce((settings->'warnings'->>'lead_days')::float8, 0), coalesce((settings->'warnings'->>'false_calls')::smallint, 0)`

// WarningPolicy returns the organisation's policy.
func (t *Tx) WarningPolicy(ctx context.Context) (WarningPolicy, error) {
	var p WarningPolicy
	err := t.tx.QueryRow(ctx, `SELECT `+policyColumns+` FROM organisations WHERE id = $1`, t.organisation).Scan(&p.LeadDays, &p.FalseCalls)
	return p, fail("read the warning policy", err)
}

// SetWarningPolicy states the organisation's policy and has its vehicles
// evaluated by it.
func (t *Tx) SetWarningPolicy(ctx context.Context, p WarningPolicy, now time.Time) error {
	tag, err := t.tx.Exec(ctx, `UPDATE organisations SET settings = jsonb_set(settings, '{warnings}', jsonb_build_object('lead_days', $2::float8, 'false_calls', $3::smallint))
		WHERE id = $1`, t.organisation, p.LeadDays, int16(p.FalseCalls))
	if err == nil && tag.RowsAffected() == 0 {
		err = pgx.ErrNoRows
	}
	if err != nil {
		return fail("state the warning policy", err)
	}
	// In the worker's order, so that neither waits for the other.
	if _, err := t.tx.Exec(ctx, `SELECT vehicle_id FROM vehicle_states WHERE organisation_id = $1 ORDER BY vehicle_id FOR UPDATE`, t.organisation); err != nil {
		return fail("lock the vehicles", err)
	}
	_, err = t.tx.Exec(ctx, `UPDATE vehicle_states SET changed_at = greatest(changed_at, $2) WHERE organisation_id = $1 AND memory IS NOT NULL`, t.organisation, now)
	return fail("have the vehicles evaluated", err)
}

// WarningPolicies returns the policy of each organisation in the warn rule's terms.
func (w *WorkerTx) WarningPolicies(ctx context.Context, organisations []uuid.UUID) (map[uuid.UUID]trend.Policy, error) {
	rows, err := w.tx.Query(ctx, `SELECT id, `+policyColumns+` FROM organisations WHERE id = ANY ($1)`, organisations)
	if err != nil {
		return nil, fail("read warning policies", err)
	}
	policies := make(map[uuid.UUID]trend.Policy, len(organisations))
	var id uuid.UUID
	var p WarningPolicy
	_, err = pgx.ForEachRow(rows, []any{&id, &p.LeadDays, &p.FalseCalls}, func() error {
		policies[id] = p.Rule()
		return nil
	})
	return policies, fail("read warning policies", err)
}
