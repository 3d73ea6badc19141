// Package access keeps an organisation's shops, meters and keys, tells who
// changed what, and erases personal data on request.
package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"errors"
	"strings"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// Service is the contract's AccessService and ErasureService.
type Service struct {
	creepagev1.UnimplementedAccessServiceServer
	creepagev1.UnimplementedErasureServiceServer
	store *store.Store
	pages *page.Sealer
	now   func() time.Time
}

// New makes the service.
func New(db *store.Store, pages *page.Sealer, now func() time.Time) *Service {
	return &Service{store: db, pages: pages, now: now}
}

// NewSecret returns a key's secret and the hash under which it is kept: `ck_`
// and 32 random bytes in base 32.
func NewSecret() (secret string, hash [sha256.Size]byte) {
	var random [32]byte
	rand.Read(random[:]) // never fails: it ends the program instead
	secret = "ck_" + strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(random[:]))
	return secret, sha256.Sum256([]byte(secret))
}

// as runs f as the caller's organisation.
func (s *Service) as(ctx context.Context, f func(c caller.Caller, tx *store.Tx) error) error {
	c, ok := caller.From(ctx)
	if !ok {
		return problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	return s.store.AsOrganisation(ctx, c.Organisation, func(tx *store.Tx) error { return f(c, tx) })
}

func (s *Service) audit(ctx context.Context, tx *store.Tx, c caller.Caller, action, resource, note string) error {
	return tx.Audit(ctx, store.AuditEntry{At: s.now(), Key: c.KeyID, Action: action, Resource: resource, Note: note})
}

// GetCaller says who the caller is taken for.
func (s *Service) GetCaller(ctx context.Context, _ *creepagev1.GetCallerRequest) (*creepagev1.Caller, error) {
	c, ok := caller.From(ctx)
	if !ok {
		return nil, problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	key := &creepagev1.Key{Name: wire.Keys.Name(c.KeyID), Title: c.KeyTitle, Role: c.Role, ExpireTime: wire.Timestamp(c.ExpiresAt)}
	if c.Shop != "" {
		shop := wire.Shops.Name(c.Shop)
		key.Shop = &shop
	}
	return &creepagev1.Caller{Organisation: c.Organisation.String(), OrganisationTitle: c.OrganisationTitle, Key: key}, nil
}

// FindKey returns the lookup that the server authenticates with.
func FindKey(db *store.Store) caller.Find {
	return func(ctx context.Context, hash [sha256.Size]byte, now time.Time) (caller.Caller, error) {
		k, err := db.FindKey(ctx, hash, now)
		if errors.Is(err, store.ErrNotFound) {
			return caller.Caller{}, caller.ErrNoKey
		}
		if err != nil {
			return caller.Caller{}, err
		}
		return caller.Caller{Organisation: k.Organisation, OrganisationTitle: k.OrganisationTitle, KeyID: k.ID.String(), KeyTitle: k.Title,
			Role: caller.Role(k.Role), Shop: k.Shop, ExpiresAt: k.ExpiresAt}, nil
	}
}
