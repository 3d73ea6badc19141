package app

import (
	"context"
	"crypto/rand"
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

// AnalystConfig is what making an analyst's database login takes.
type AnalystConfig struct {
	DatabaseURL         string // of the schema's owner, who may make roles
	Organisation, Login string
	Now                 time.Time
}

// ErrNoOrganisation says that there is no organisation of this name.
var ErrNoOrganisation = store.ErrNotFound

// MakeAnalyst makes a login that reads the views of one organisation, or sets its
// password anew, and returns the password, which is kept nowhere. The error is
// ErrTaken if the login is another's, ErrNoOrganisation if there is none.
func MakeAnalyst(ctx context.Context, c AnalystConfig) (password string, err error) {
	password = rand.Text()
	return password, store.MakeAnalyst(ctx, c.DatabaseURL, store.Analyst{Login: c.Login, Password: password, Organisation: c.Organisation, At: c.Now})
}
