package fleet

import (
	"context"
	"fmt"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/store"
	"creepage/internal/trend"
)

// GetWarningPolicy returns how the organisation wants to be warned.
func (s *Service) GetWarningPolicy(ctx context.Context, _ *creepagev1.GetWarningPolicyRequest) (*creepagev1.WarningPolicy, error) {
	var p store.WarningPolicy
	err := s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		p, err = tx.WarningPolicy(ctx)
		return err
	})
	if err != nil {
		return nil, err
	}
	if p == (store.WarningPolicy{}) {
		p = store.WarningPolicy{LeadDays: trend.DefaultPolicy().LeadDays, FalseCalls: trend.UsualFalseCalls}
	}
	return &creepagev1.WarningPolicy{LeadDays: int32(p.LeadDays), FalseCalls: creepagev1.WarningPolicy_FalseCalls(p.FalseCalls)}, nil
}

// SetWarningPolicy states it. The contract bounds the fields.
func (s *Service) SetWarningPolicy(ctx context.Context, req *creepagev1.SetWarningPolicyRequest) (*creepagev1.WarningPolicy, error) {
	m := req.GetPolicy()
	p := store.WarningPolicy{LeadDays: float64(m.GetLeadDays()), FalseCalls: trend.FalseCalls(m.GetFalseCalls())}
	err := s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		if err := tx.SetWarningPolicy(ctx, p, s.now()); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "SetWarningPolicy", "warningPolicy", fmt.Sprintf("%d days ahead, false calls %s", m.GetLeadDays(), m.GetFalseCalls()))
	})
	if err != nil {
		return nil, err
	}
	return m, nil
}
