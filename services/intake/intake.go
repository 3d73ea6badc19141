// Package intake takes readings in: it checks and assesses each, publishes the
// accepted ones, and answers once the stream has them on disk.
package intake

import (
	"context"
	"fmt"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/stream"
)

// Service is the contract's IntakeService.
type Service struct {
	creepagev1.UnimplementedIntakeServiceServer
	store     *store.Store
	publisher *stream.Publisher
	pages     *page.Sealer
	now       func() time.Time
	books     *books
	outcomes  *prometheus.CounterVec
}

// New makes the service.
func New(db *store.Store, publisher *stream.Publisher, pages *page.Sealer, registerer prometheus.Registerer, now func() time.Time) (*Service, error) {
	outcomes := prometheus.NewCounterVec(prometheus.CounterOpts{Name: "creepage_readings_submitted_total",
		Help: "Readings and codes submitted, by what became of them."}, []string{"outcome"})
	if err := registerer.Register(outcomes); err != nil {
		return nil, fmt.Errorf("register intake's metrics: %w", err)
	}
	return &Service{store: db, publisher: publisher, pages: pages, now: now, books: newBooks(db, now), outcomes: outcomes}, nil
}

func callerOf(ctx context.Context) (caller.Caller, error) {
	c, ok := caller.From(ctx)
	if !ok {
		return c, problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	return c, nil
}
