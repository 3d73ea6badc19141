// Package page is how lists are cut into pages: sizes and page tokens.
//
// A token is the cursor after the last row, sealed with AES-GCM. The query (method,
// organisation and every field of the request but size and token) is
// authenticated with it, so that a token opens for the very query it was made
// for and tells its holder nothing.
package page

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"creepage/internal/problem"
)

// DefaultSize and MaxSize are rows a page.
const (
	DefaultSize = 50
	MaxSize     = 1000
)

// Request is a request for a page of a list.
type Request interface {
	proto.Message
	GetPageSize() int32
	GetPageToken() string
}

// Sealer makes and opens page tokens. It is safe for concurrent use.
type Sealer struct{ aead cipher.AEAD }

// NewSealer derives the tokens' key from a secret of at least 16 bytes that
// every server of the installation shares.
func NewSealer(secret []byte) (*Sealer, error) {
	if len(secret) < 16 {
		return nil, errors.New("the page tokens' secret needs at least 16 bytes")
	}
	key, err := hkdf.Key(sha256.New, secret, nil, "creepage page token v1", 32)
	if err != nil {
		return nil, fmt.Errorf("derive the page tokens' key: %w", err)
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, fmt.Errorf("page tokens' cipher: %w", err)
	}
	aead, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		return nil, fmt.Errorf("page tokens' cipher: %w", err)
	}
	return &Sealer{aead: aead}, nil
}

// RandomSecret returns a secret for one process, for tests and single-process use.
func RandomSecret() []byte {
	secret := make([]byte, 32)
	rand.Read(secret) // never fails: it ends the program instead
	return secret
}

// Query is one list as one organisation asks for it.
type Query struct {
	sealer *Sealer
	bound  []byte
	Size   int    // rows asked for
	token  string // as sent; empty on the first page
}

// Query reads size and token of a request.
func (s *Sealer) Query(organisation uuid.UUID, req Request) (*Query, error) {
	size := int(req.GetPageSize())
	switch {
	case size < 0:
		return nil, problem.InvalidField("page_size", "%d is negative; allowed are 1 to %d, or 0 for %d", size, MaxSize, DefaultSize)
	case size == 0:
		size = DefaultSize
	case size > MaxSize:
		size = MaxSize
	}
	bound, err := fingerprint(organisation, req)
	if err != nil {
		return nil, err
	}
	return &Query{sealer: s, bound: bound, Size: size, token: req.GetPageToken()}, nil
}

func fingerprint(organisation uuid.UUID, req Request) ([]byte, error) {
	stripped := proto.Clone(req).ProtoReflect()
	fields := stripped.Descriptor().Fields()
	stripped.Clear(fields.ByName("page_size"))
	stripped.Clear(fields.ByName("page_token"))
	content, err := proto.MarshalOptions{Deterministic: true}.Marshal(stripped.Interface())
	if err != nil {
		return nil, fmt.Errorf("fingerprint a list request: %w", err)
	}
	h := sha256.New()
	h.Write(organisation[:])
	h.Write([]byte(stripped.Descriptor().FullName()))
	h.Write([]byte{0})
	h.Write(content)
	return h.Sum(nil), nil
}

// After reads the token into cursor, a pointer to what Next was given. It
// returns false on the first page.
func (q *Query) After(cursor any) (bool, error) {
	if q.token == "" {
		return false, nil
	}
	if err := q.sealer.Open(q.bound, q.token, cursor); err != nil {
		return false, problem.InvalidField("page_token", "is not the token of the page before of this very list; send next_page_token unchanged with the same filter and order, or leave it out to begin anew").Because(err)
	}
	return true, nil
}

// Open reads what Seal made of a cursor, for the same bound. The error is for
// the log; the caller knows what to tell.
func (s *Sealer) Open(bound []byte, token string, cursor any) error {
	sealed, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil {
		return err
	}
	plain, err := s.aead.Open(nil, nil, sealed, bound)
	if err != nil {
		return err
	}
	return json.Unmarshal(plain, cursor)
}

// Seal makes a token of a cursor, which opens for the same bound alone.
func (s *Sealer) Seal(bound []byte, cursor any) (string, error) {
	plain, err := json.Marshal(cursor)
	if err != nil {
		return "", fmt.Errorf("write a token: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(s.aead.Seal(nil, nil, plain, bound)), nil
}

// Next returns the token for the page after the row that cursor stands for.
func (q *Query) Next(cursor any) (string, error) { return q.sealer.Seal(q.bound, cursor) }

// Cut takes a page from rows, of which one more than the page's size was asked
// for, and returns the token of the next page, "" on the last.
func Cut[T, C any](q *Query, rows []T, cursor func(*T) C) ([]T, string, error) {
	if len(rows) <= q.Size {
		return rows, "", nil
	}
	rows = rows[:q.Size]
	token, err := q.Next(cursor(&rows[q.Size-1]))
	return rows, token, err
}

// Read reads one page of a list: read is given the cursor after the page before
// (its zero value on the first) and how many rows to fetch.
func Read[T, C any](s *Sealer, organisation uuid.UUID, req Request, read func(after C, limit int) ([]T, error), cursor func(*T) C) ([]T, string, error) {
	q, err := s.Query(organisation, req)
	if err != nil {
		return nil, "", err
	}
	var after C
	if _, err := q.After(&after); err != nil {
		return nil, "", err
	}
	rows, err := read(after, q.Size+1)
	if err != nil {
		return nil, "", err
	}
	return Cut(q, rows, cursor)
}
