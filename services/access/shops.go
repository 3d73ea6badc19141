package access

import (
	"context"
	"errors"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// CreateShop creates a shop.
func (s *Service) CreateShop(ctx context.Context, req *creepagev1.CreateShopRequest) (*creepagev1.Shop, error) {
	if err := wire.CheckID(req.GetShopId()); err != nil {
		return nil, problem.InvalidField("shop_id", "%v", err)
	}
	shop := store.Shop{ID: req.GetShopId(), Title: req.GetShop().GetTitle(), CreatedAt: s.now()}
	err := s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		if err := tx.CreateShop(ctx, shop); err != nil {
			if errors.Is(err, store.ErrConflict) {
				return problem.Exists(wire.Shops.Name(shop.ID)).Because(err)
			}
			return err
		}
		return s.audit(ctx, tx, c, "CreateShop", wire.Shops.Name(shop.ID), "")
	})
	if err != nil {
		return nil, err
	}
	return shopMessage(&shop), nil
}

// ListShops lists shops by name.
func (s *Service) ListShops(ctx context.Context, req *creepagev1.ListShopsRequest) (*creepagev1.ListShopsResponse, error) {
	rows, token, err := list(ctx, s, req, func(tx *store.Tx, after string, limit int) ([]store.Shop, error) {
		return tx.Shops(ctx, after, limit)
	}, func(v *store.Shop) string { return v.ID })
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListShopsResponse{NextPageToken: token}
	for i := range rows {
		resp.Shops = append(resp.Shops, shopMessage(&rows[i]))
	}
	return resp, nil
}

func shopMessage(v *store.Shop) *creepagev1.Shop {
	return &creepagev1.Shop{Name: wire.Shops.Name(v.ID), Title: v.Title, CreateTime: wire.Timestamp(v.CreatedAt)}
}

// ListAuditEntries lists who changed what, newest first.
func (s *Service) ListAuditEntries(ctx context.Context, req *creepagev1.ListAuditEntriesRequest) (*creepagev1.ListAuditEntriesResponse, error) {
	rows, token, err := list(ctx, s, req, func(tx *store.Tx, before int64, limit int) ([]store.AuditEntry, error) {
		return tx.AuditEntries(ctx, before, limit)
	}, func(e *store.AuditEntry) int64 { return e.ID })
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListAuditEntriesResponse{NextPageToken: token}
	for i := range rows {
		e := &rows[i]
		resp.AuditEntries = append(resp.AuditEntries, &creepagev1.AuditEntry{CreateTime: wire.Timestamp(e.At), Key: wire.Text(wire.Keys.Name(e.Key)),
			Action: e.Action, Resource: e.Resource, Note: wire.Text(e.Note)})
	}
	return resp, nil
}
