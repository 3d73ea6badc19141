package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Session is somebody signed in at the board.
type Session struct {
	Hash         [32]byte // SHA-256 of the id in the cookie
	Organisation uuid.UUID
	SealedKey    []byte // opened by the id alone
	CreatedAt    time.Time
	ExpiresAt    time.Time
}

// CreateSession keeps a session and forgets the organisation's expired ones.
func (s *Store) CreateSession(ctx context.Context, v Session) error {
	return s.AsOrganisation(ctx, v.Organisation, func(t *Tx) error {
		if _, err := t.tx.Exec(ctx, `DELETE FROM sessions WHERE organisation_id = $1 AND expires_at <= $2`, v.Organisation, v.CreatedAt); err != nil {
			return fail("forget expired sessions", err)
		}
		if err := t.forgetUploads(ctx, v.CreatedAt); err != nil {
			return err
		}
		_, err := t.tx.Exec(ctx, `INSERT INTO sessions (id_hash, organisation_id, sealed_key, created_at, expires_at) VALUES ($1, $2, $3, $4, $5)`,
			v.Hash[:], v.Organisation, v.SealedKey, v.CreatedAt, v.ExpiresAt)
		return fail("keep a session", err)
	})
}

// FindSession looks a session up by the hash of its id, before its
// organisation is known; ErrNotFound if there is none or it has expired.
func (s *Store) FindSession(ctx context.Context, hash [32]byte, now time.Time) (Session, error) {
	v := Session{Hash: hash}
	err := s.pool.QueryRow(ctx, `SELECT organisation_id, sealed_key, created_at, expires_at FROM find_session($1)`, hash[:]).
		Scan(&v.Organisation, &v.SealedKey, &v.CreatedAt, &v.ExpiresAt)
	if err == nil && !now.Before(v.ExpiresAt) {
		err = pgx.ErrNoRows
	}
	return v, fail("find a session", err)
}

// EndSession ends a session for every copy of its cookie. To end it again is no error.
func (s *Store) EndSession(ctx context.Context, v Session) error {
	return s.AsOrganisation(ctx, v.Organisation, func(t *Tx) error {
		_, err := t.tx.Exec(ctx, `DELETE FROM sessions WHERE organisation_id = $1 AND id_hash = $2`, v.Organisation, v.Hash[:])
		return fail("end a session", err)
	})
}
