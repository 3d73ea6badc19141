// Package fleet answers for the vehicles: platforms, vehicles, what is expected
// of them, what was measured, warned of and done.
package fleet

import (
	"context"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// Service is the contract's PlatformService, FleetService, WarningService and
// ReviewService.
type Service struct {
	creepagev1.UnimplementedPlatformServiceServer
	creepagev1.UnimplementedFleetServiceServer
	creepagev1.UnimplementedWarningServiceServer
	creepagev1.UnimplementedReviewServiceServer
	store  *store.Store
	models *store.Models
	pages  *page.Sealer
	now    func() time.Time

	shops  reviews[*creepagev1.ReviewShopsResponse]
	meters reviews[*creepagev1.ReviewMetersResponse]
	aging  reviews[*creepagev1.ReviewAgingResponse]
}

// New makes the service. The models compute the tracks' past; outlooks are the worker's.
func New(db *store.Store, models *store.Models, pages *page.Sealer, now func() time.Time) *Service {
	return &Service{store: db, models: models, pages: pages, now: now}
}

// as runs f as the caller's organisation.
func (s *Service) as(ctx context.Context, f func(c caller.Caller, tx *store.Tx) error) error {
	c, ok := caller.From(ctx)
	if !ok {
		return problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	return s.store.AsOrganisation(ctx, c.Organisation, func(tx *store.Tx) error { return f(c, tx) })
}

// query reads size and token of a list request for the caller's organisation.
func (s *Service) query(ctx context.Context, req page.Request) (*page.Query, error) {
	c, ok := caller.From(ctx)
	if !ok {
		return nil, problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	return s.pages.Query(c.Organisation, req)
}

// audit writes down who changed what.
func (s *Service) audit(ctx context.Context, tx *store.Tx, c caller.Caller, action, resource, note string) error {
	return tx.Audit(ctx, store.AuditEntry{At: s.now(), Key: c.KeyID, Action: action, Resource: resource, Note: note})
}

// idOf reads a resource name in a field of a request.
func idOf(field string, collection wire.Collection, name string) (string, error) {
	id, err := collection.ID(name)
	if err != nil {
		return "", problem.InvalidField(field, "%v", err)
	}
	return id, nil
}
