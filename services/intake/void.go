package intake

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// VoidReading marks a reading as wrong. Voiding it again changes nothing.
func (s *Service) VoidReading(ctx context.Context, req *creepagev1.VoidReadingRequest) (*creepagev1.VoidReadingResponse, error) {
	c, err := callerOf(ctx)
	if err != nil {
		return nil, err
	}
	var at time.Time
	if ts := req.GetMeasureTime(); ts != nil {
		if err := ts.CheckValid(); err != nil {
			return nil, problem.InvalidField("measure_time", "%v", err)
		}
		at = ts.AsTime().Truncate(time.Microsecond)
	}
	var voided store.Reading
	err = s.store.AsOrganisation(ctx, c.Organisation, func(tx *store.Tx) error {
		found, err := tx.ReadingsByID(ctx, req.GetReadingId(), at)
		if err != nil {
			return err
		}
		r, err := theOne(found, req.GetReadingId(), c)
		if err != nil {
			return err
		}
		voided, err = tx.VoidReading(ctx, r.Key(), req.GetReason(), s.now())
		if err != nil {
			return err
		}
		return tx.Audit(ctx, store.AuditEntry{At: s.now(), Key: c.KeyID, Action: "VoidReading", Resource: "readings/" + req.GetReadingId(), Note: req.GetReason()})
	})
	if err != nil {
		return nil, err
	}
	return &creepagev1.VoidReadingResponse{Reading: message(&voided)}, nil
}

// theOne returns the one reading found that the caller may see.
func theOne(found []store.Reading, id string, c caller.Caller) (store.Reading, error) {
	seen := found[:0]
	for _, r := range found {
		if c.MaySubmitFor(r.Shop) {
			seen = append(seen, r)
		}
	}
	switch len(seen) {
	case 0:
		return store.Reading{}, problem.NotFound("readings/" + id)
	case 1:
		return seen[0], nil
	}
	return store.Reading{}, problem.InvalidField("measure_time", "is needed: %d readings stand under %q, at different times", len(seen), id)
}

// message turns a stored reading into its message.
func message(r *store.Reading) *creepagev1.Reading {
	m := wire.ReadingMessage(&r.Reading)
	if r.VoidReason != "" {
		m.VoidReason = &r.VoidReason
	}
	return m
}

// conflictCursor is the last conflict of a page.
type conflictCursor struct {
	At time.Time
	ID int64
}

// ListConflicts lists what was kept aside, newest first; to a shop its own.
func (s *Service) ListConflicts(ctx context.Context, req *creepagev1.ListConflictsRequest) (*creepagev1.ListConflictsResponse, error) {
	c, err := callerOf(ctx)
	if err != nil {
		return nil, err
	}
	q, err := s.pages.Query(c.Organisation, req)
	if err != nil {
		return nil, err
	}
	var after conflictCursor
	if _, err := q.After(&after); err != nil {
		return nil, err
	}
	var rows []store.Conflict
	err = s.store.AsOrganisation(ctx, c.Organisation, func(tx *store.Tx) (err error) {
		rows, err = tx.Conflicts(ctx, c.Shop, after.At, after.ID, q.Size+1)
		return err
	})
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListConflictsResponse{}
	if len(rows) > q.Size {
		rows = rows[:q.Size]
		last := rows[len(rows)-1]
		if resp.NextPageToken, err = q.Next(conflictCursor{last.CreatedAt, last.ID}); err != nil {
			return nil, err
		}
	}
	for i := range rows {
		resp.Conflicts = append(resp.Conflicts, &creepagev1.Conflict{Reading: wire.ReadingMessage(&rows[i].Reading),
			DifferingFields: rows[i].DifferingFields, CreateTime: timestamppb.New(rows[i].CreatedAt)})
	}
	return resp, nil
}
