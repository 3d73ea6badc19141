package app

import (
	"context"
	"crypto/sha256"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/store"
	"creepage/services/access"
)

// OrganisationConfig is what making a tenant takes.
type OrganisationConfig struct {
	DatabaseURL string // of the schema's owner
	Name, Title string
	Now         time.Time
}

// ErrTaken says that an organisation has this name already.
var ErrTaken = store.ErrConflict

// CreateOrganisation makes a tenant and returns the secret of its
// administrator's key, which is kept nowhere. The error is ErrTaken if
// the name is taken.
func CreateOrganisation(ctx context.Context, c OrganisationConfig) (secret string, err error) {
	secret, _ = access.NewSecret()
	return secret, createOrganisation(ctx, c, secret)
}

func createOrganisation(ctx context.Context, c OrganisationConfig, secret string) error {
	return store.CreateOrganisation(ctx, c.DatabaseURL, store.NewOrganisation{
		Name: c.Name, Title: c.Title, KeyTitle: "administrator", KeyRole: int16(creepagev1.Key_ADMINISTRATOR), KeyHash: sha256.Sum256([]byte(secret)), At: c.Now,
	})
}
