package webhook

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/sha256"
	"errors"
	"fmt"

	"github.com/google/uuid"
)

// MinSecretKey is the shortest secret from which a Safe takes its key, in bytes.
const MinSecretKey = 24

// Safe seals signing secrets for keeping: AES-256-GCM under a key that is
// derived from the operator's secret (HKDF with SHA-256, RFC 5869) and lies
// outside the database. What is sealed for one endpoint opens for no other.
type Safe struct{ aead cipher.AEAD }

// NewSafe makes a safe of a secret that all servers and workers of the
// installation share.
func NewSafe(secret []byte) (*Safe, error) {
	if len(secret) < MinSecretKey {
		return nil, fmt.Errorf("the secret key has %d characters: at least %d are needed", len(secret), MinSecretKey)
	}
	key, err := hkdf.Key(sha256.New, secret, nil, "creepage webhook signing secrets v1", 32)
	if err != nil {
		return nil, fmt.Errorf("derive the key of signing secrets: %w", err)
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, fmt.Errorf("cipher of signing secrets: %w", err)
	}
	aead, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		return nil, fmt.Errorf("cipher of signing secrets: %w", err)
	}
	return &Safe{aead: aead}, nil
}

// Seal seals an endpoint's secret.
func (s *Safe) Seal(endpoint uuid.UUID, secret string) []byte {
	return s.aead.Seal(nil, nil, []byte(secret), endpoint[:])
}

// Open opens what Seal made. The error does not show the secret.
func (s *Safe) Open(endpoint uuid.UUID, sealed []byte) (string, error) {
	secret, err := s.aead.Open(nil, nil, sealed, endpoint[:])
	if err != nil {
		return "", errors.New("the signing secret was sealed with another secret key; rotate it")
	}
	return string(secret), nil
}
