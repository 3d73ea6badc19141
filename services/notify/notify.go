// Package notify tells others of what was said: it lets callers follow the
// changes of warnings, and keeps the addresses to which changes are sent and who
// gets a summary by e-mail. The worker sends both.
package notify

import (
	"context"
	"log/slog"
	"time"

	"github.com/google/uuid"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/webhook"
)

// Service is the contract's WatchService, WebhookService and DigestService.
type Service struct {
	creepagev1.UnimplementedWatchServiceServer
	creepagev1.UnimplementedWebhookServiceServer
	creepagev1.UnimplementedDigestServiceServer
	Options
	hub    *hub
	sender *webhook.Sender // of which only the check of addresses is used here

	stop     context.CancelFunc
	listened chan struct{}
}

// Options is what the service is made of.
type Options struct {
	Store  *store.Store
	Pages  *page.Sealer
	Log    *slog.Logger
	Now    func() time.Time
	Policy webhook.Policy // of the addresses that callers may name; the worker's must be the same
	Safe   *webhook.Safe  // of signing secrets; nil: the operator has set no secret key, and there are no webhooks
}

// New makes the service and lets it listen for changes until Close.
func New(o Options) *Service {
	ctx, cancel := context.WithCancel(context.Background())
	s := &Service{Options: o, hub: newHub(), sender: webhook.NewSender(o.Policy), stop: cancel, listened: make(chan struct{})}
	go s.listen(ctx)
	return s
}

// Close ends every watch; the callers are told to resume elsewhere. It may be
// called more than once.
func (s *Service) Close() {
	s.hub.close()
	s.stop()
	<-s.listened
}

// listenAgain is the pause before listening anew when the connection broke.
const listenAgain = time.Second

// listen wakes the watches of an organisation when its warnings change. While
// it cannot, watches look for themselves now and then.
func (s *Service) listen(ctx context.Context) {
	defer close(s.listened)
	failing := false
	for ctx.Err() == nil {
		err := s.Store.ListenForWarningChanges(ctx, func() {
			if failing {
				failing = false
				s.Log.Info("listening for changes of warnings again")
			}
			s.hub.wakeAll() // for what was committed before
		}, s.hub.wake)
		if ctx.Err() != nil {
			return
		}
		if !failing {
			failing = true
			s.Log.Error("cannot listen for changes of warnings; watches look for themselves", "error", err)
		}
		timer := time.NewTimer(listenAgain)
		select {
		case <-ctx.Done():
		case <-timer.C:
		}
		timer.Stop()
	}
}

// as runs f as the caller's organisation.
func (s *Service) as(ctx context.Context, f func(c caller.Caller, tx *store.Tx) error) error {
	c, err := callerOf(ctx)
	if err != nil {
		return err
	}
	return s.Store.AsOrganisation(ctx, c.Organisation, func(tx *store.Tx) error { return f(c, tx) })
}

func callerOf(ctx context.Context) (caller.Caller, error) {
	c, ok := caller.From(ctx)
	if !ok {
		return c, problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	return c, nil
}

// bound ties a cursor to its organisation and to what it is a cursor of.
func bound(organisation uuid.UUID, of string) []byte {
	return append(organisation[:], of...)
}

func (s *Service) audit(ctx context.Context, tx *store.Tx, c caller.Caller, action, resource, note string) error {
	return tx.Audit(ctx, store.AuditEntry{At: s.Now(), Key: c.KeyID, Action: action, Resource: resource, Note: note})
}
