package access

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// CreateKey makes a key. To rotate one, create the next, move over, then revoke
// the old: both are valid in between.
func (s *Service) CreateKey(ctx context.Context, req *creepagev1.CreateKeyRequest) (*creepagev1.CreateKeyResponse, error) {
	key, err := s.newKey(req.GetKey())
	if err != nil {
		return nil, err
	}
	secret, hash := NewSecret()
	key.Hash = hash
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		if err := tx.CreateKey(ctx, key); err != nil {
			if errors.Is(err, store.ErrInvalid) {
				return problem.InvalidField("key.shop", "%q is not a shop of your organisation; GET /v1/shops lists them", req.GetKey().GetShop())
			}
			return err
		}
		return s.audit(ctx, tx, c, "CreateKey", wire.Keys.Name(key.ID.String()), req.GetKey().GetRole().String())
	})
	if err != nil {
		return nil, err
	}
	return &creepagev1.CreateKeyResponse{Key: keyMessage(&key), Secret: secret}, nil
}

func (s *Service) newKey(m *creepagev1.Key) (store.Key, error) {
	now := s.now()
	key := store.Key{ID: uuid.Must(uuid.NewV7()), Title: m.GetTitle(), Role: int16(m.GetRole()), CreatedAt: now}
	var fields []problem.Field
	fail := func(path, text string) {
		fields = append(fields, problem.Field{Path: "key." + path, Description: text})
	}
	if r := m.GetRole(); r < creepagev1.Key_SHOP || r > creepagev1.Key_ADMINISTRATOR {
		given := "is missing"
		if r != creepagev1.Key_ROLE_UNSPECIFIED {
			given = r.String()
		}
		fail("role", given+"; allowed are SHOP, FEEDER, FLEET, ANALYST, ADMINISTRATOR")
	}
	switch isShop := m.GetRole() == creepagev1.Key_SHOP; {
	case isShop && m.GetShop() == "":
		fail("shop", "is missing; a key of role SHOP needs the shop that it submits for, such as shops/lake-street (GET /v1/shops lists them)")
	case !isShop && m.GetShop() != "":
		fail("shop", fmt.Sprintf("%q goes with role SHOP alone; leave it out for role %s", m.GetShop(), m.GetRole()))
	}
	if m.GetShop() != "" {
		id, err := wire.Shops.ID(m.GetShop())
		if err != nil {
			fail("shop", err.Error())
		}
		key.Shop = id
	}
	if ts := m.GetExpireTime(); ts != nil {
		key.ExpiresAt = ts.AsTime().Truncate(time.Microsecond)
		if ts.CheckValid() != nil || !key.ExpiresAt.After(now) {
			fail("expire_time", key.ExpiresAt.Format(time.RFC3339)+" has passed; allowed is a time after "+now.UTC().Format(time.RFC3339))
		}
	}
	if len(fields) > 0 {
		return store.Key{}, problem.Invalid(fields...)
	}
	return key, nil
}

// ListKeys lists keys, newest first.
func (s *Service) ListKeys(ctx context.Context, req *creepagev1.ListKeysRequest) (*creepagev1.ListKeysResponse, error) {
	rows, token, err := list(ctx, s, req, func(tx *store.Tx, after store.TimeCursor, limit int) ([]store.Key, error) {
		return tx.Keys(ctx, after, limit)
	}, func(k *store.Key) store.TimeCursor { return store.TimeCursor{At: k.CreatedAt, ID: k.ID.String()} })
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListKeysResponse{NextPageToken: token}
	for i := range rows {
		resp.Keys = append(resp.Keys, keyMessage(&rows[i]))
	}
	return resp, nil
}

// RevokeKey ends a key. Servers forget it within two seconds.
func (s *Service) RevokeKey(ctx context.Context, req *creepagev1.RevokeKeyRequest) (*creepagev1.Key, error) {
	text, err := wire.Keys.ID(req.GetName())
	if err != nil {
		return nil, problem.InvalidField("name", "%v", err)
	}
	id, err := uuid.Parse(text)
	if err != nil {
		return nil, problem.NotFound(req.GetName())
	}
	var key store.Key
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		var made bool
		if key, made, err = tx.RevokeKey(ctx, id, s.now()); err != nil {
			if errors.Is(err, store.ErrNotFound) {
				return problem.NotFound(req.GetName())
			}
			return err
		}
		if !made {
			return nil
		}
		return s.audit(ctx, tx, c, "RevokeKey", req.GetName(), "")
	})
	if err != nil {
		return nil, err
	}
	return keyMessage(&key), nil
}

func keyMessage(k *store.Key) *creepagev1.Key {
	return &creepagev1.Key{Name: wire.Keys.Name(k.ID.String()), Title: k.Title, Role: creepagev1.Key_Role(k.Role), Shop: wire.Text(wire.Shops.Name(k.Shop)),
		CreateTime: wire.Timestamp(k.CreatedAt), ExpireTime: wire.Timestamp(k.ExpiresAt), LastUseTime: wire.Timestamp(k.LastUsedAt), RevokeTime: wire.Timestamp(k.RevokedAt)}
}

// list reads a page of one of the organisation's lists.
func list[T, C any](ctx context.Context, s *Service, req page.Request, read func(*store.Tx, C, int) ([]T, error), cursor func(*T) C) ([]T, string, error) {
	c, ok := caller.From(ctx)
	if !ok {
		return nil, "", problem.Unauthenticated("NO_KEY", "a key is needed")
	}
	return page.Read(s.pages, c.Organisation, req, func(after C, limit int) (rows []T, err error) {
		err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
			rows, err = read(tx, after, limit)
			return err
		})
		return rows, err
	}, cursor)
}
