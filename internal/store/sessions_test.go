package store_test

import (
	"crypto/sha256"
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"

	"creepage/internal/store"
)

func TestASessionIsFoundUntilItExpiresOrEndsAndByItsOrganisationAlone(t *testing.T) {
	db := server.Database(t)
	s := db.Store(t, store.APILogin)
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	var tenants [2]uuid.UUID
	for i, name := range []string{"one", "two"} {
		tenants[i] = uuid.Must(uuid.NewV7())
		db.Exec(t, `INSERT INTO organisations (id, name, title, created_at) VALUES ($1, $2, $2, $3)`, tenants[i], name, now)
	}
	v := store.Session{Hash: sha256.Sum256([]byte("a")), Organisation: tenants[0], SealedKey: []byte("sealed"), CreatedAt: now, ExpiresAt: now.Add(time.Hour)}
	if err := s.CreateSession(t.Context(), v); err != nil {
		t.Fatal(err)
	}
	if got, err := s.FindSession(t.Context(), v.Hash, now); err != nil || got.Organisation != tenants[0] || string(got.SealedKey) != "sealed" {
		t.Errorf("found %+v, %v", got, err)
	}
	if _, err := s.FindSession(t.Context(), v.Hash, v.ExpiresAt); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("when it has expired: %v", err)
	}
	other := v
	other.Organisation = tenants[1] // another organisation cannot end it
	if err := s.EndSession(t.Context(), other); err != nil {
		t.Error(err)
	}
	if _, err := s.FindSession(t.Context(), v.Hash, now); err != nil {
		t.Errorf("another organisation ended it: %v", err)
	}
	for range 2 { // ending twice is ending once
		if err := s.EndSession(t.Context(), v); err != nil {
			t.Error(err)
		}
	}
	if _, err := s.FindSession(t.Context(), v.Hash, now); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("when it has ended: %v", err)
	}
}
