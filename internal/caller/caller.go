// Package caller is who is asking: the organisation and key behind a request.
// internal/server puts it into the context once the key is verified; services
// take it from there.
package caller

import (
	"context"
	"crypto/sha256"
	"errors"
	"time"

	"github.com/google/uuid"

	creepagev1 "creepage/api/creepage/v1"
)

// Role is what a key may do.
type Role = creepagev1.Key_Role

// Caller is the organisation and key behind a request.
type Caller struct {
	Organisation      uuid.UUID
	OrganisationTitle string
	KeyID             string // resource id of the key
	KeyTitle          string
	Role              Role
	Shop              string    // for role SHOP: id of its shop, else empty
	ExpiresAt         time.Time // zero: never
}

// MaySubmitFor says whether the caller may submit readings of the shop.
func (c Caller) MaySubmitFor(shop string) bool {
	return c.Role != creepagev1.Key_SHOP || c.Shop == shop
}

// Find looks a key up by the SHA-256 of its secret. It returns ErrNoKey if
// there is none, or none that is valid at the given time.
type Find func(ctx context.Context, secretHash [sha256.Size]byte, now time.Time) (Caller, error)

// ErrNoKey says that no valid key has this secret.
var ErrNoKey = errors.New("no valid key has this secret")

type contextKey struct{}

// Into returns a context that carries the caller.
func Into(ctx context.Context, c Caller) context.Context {
	return context.WithValue(ctx, contextKey{}, c)
}

// From returns the caller of a request. The second result is false outside of
// an authenticated one.
func From(ctx context.Context) (Caller, bool) {
	c, ok := ctx.Value(contextKey{}).(Caller)
	return c, ok
}
