package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// NewOrganisation is a tenant to be made, with its first key.
type NewOrganisation struct {
	Name, Title string
	KeyTitle    string
	KeyRole     int16
	KeyHash     [32]byte // SHA-256 of the key's secret
	At          time.Time
}

// CreateOrganisation makes a tenant and its first key in one step. The login
// must own the schema. The error is ErrConflict if the name is taken.
func CreateOrganisation(ctx context.Context, url string, o NewOrganisation) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fail("connect", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	organisation, err := uuid.NewV7()
	if err != nil {
		return err
	}
	key, err := uuid.NewV7()
	if err != nil {
		return err
	}
	return fail("create an organisation", pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `INSERT INTO organisations (id, name, title, created_at) VALUES ($1, $2, $3, $4)`, organisation, o.Name, o.Title, o.At); err != nil {
			return fail("make the organisation", err)
		}
		_, err := tx.Exec(ctx, `INSERT INTO keys (id, organisation_id, title, role, secret_hash, created_at) VALUES ($1, $2, $3, $4, $5, $6)`,
			key, organisation, o.KeyTitle, o.KeyRole, o.KeyHash[:], o.At)
		return fail("make its key", err)
	}))
}
