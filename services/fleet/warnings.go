package fleet

import (
	"context"
	"errors"

	"github.com/google/uuid"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// ListWarnings lists warnings, newest first.
func (s *Service) ListWarnings(ctx context.Context, req *creepagev1.ListWarningsRequest) (*creepagev1.ListWarningsResponse, error) {
	q, err := s.query(ctx, req)
	if err != nil {
		return nil, err
	}
	where, err := store.WarningFields().Parse(req.GetFilter())
	if err != nil {
		return nil, err
	}
	var after store.TimeCursor
	if _, err := q.After(&after); err != nil {
		return nil, err
	}
	var rows []store.Warning
	err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
		rows, err = tx.Warnings(ctx, where, after, q.Size+1)
		return err
	})
	if err != nil {
		return nil, err
	}
	rows, token, err := page.Cut(q, rows, func(w *store.Warning) store.TimeCursor { return store.TimeCursor{At: w.RaisedAt, ID: w.ID.String()} })
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListWarningsResponse{NextPageToken: token}
	for i := range rows {
		resp.Warnings = append(resp.Warnings, rows[i].Message())
	}
	return resp, nil
}

// GetWarning returns a warning.
func (s *Service) GetWarning(ctx context.Context, req *creepagev1.GetWarningRequest) (*creepagev1.Warning, error) {
	return s.withWarning(ctx, req.GetName(), func(caller.Caller, *store.Tx, *store.Warning) error { return nil })
}

// withWarning runs change on a warning and returns it as it then is.
func (s *Service) withWarning(ctx context.Context, name string, change func(caller.Caller, *store.Tx, *store.Warning) error) (*creepagev1.Warning, error) {
	text, err := idOf("name", wire.Warnings, name)
	if err != nil {
		return nil, err
	}
	id, err := uuid.Parse(text)
	if err != nil {
		return nil, problem.NotFound(name)
	}
	var after store.Warning
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		w, err := tx.Warning(ctx, id)
		if err != nil {
			return notFound(err, name)
		}
		if err := change(c, tx, &w); err != nil {
			return err
		}
		after, err = tx.Warning(ctx, id)
		return err
	})
	if err != nil {
		return nil, err
	}
	return after.Message(), nil
}

// AcknowledgeWarning notes that somebody has seen it. The first note stands.
func (s *Service) AcknowledgeWarning(ctx context.Context, req *creepagev1.AcknowledgeWarningRequest) (*creepagev1.Warning, error) {
	return s.withWarning(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, w *store.Warning) error {
		if !w.AcknowledgedAt.IsZero() {
			return nil
		}
		if err := tx.AcknowledgeWarning(ctx, w.ID, s.now(), req.GetNote()); errors.Is(err, store.ErrStands) {
			return nil // by somebody else at the same moment
		} else if err != nil {
			return notFound(err, req.GetName())
		}
		return s.audit(ctx, tx, c, "AcknowledgeWarning", req.GetName(), req.GetNote())
	})
}

// EndWarning ends a warning by hand. One that has ended already stays as it is.
func (s *Service) EndWarning(ctx context.Context, req *creepagev1.EndWarningRequest) (*creepagev1.Warning, error) {
	return s.withWarning(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, w *store.Warning) error {
		if !w.EndedAt.IsZero() {
			return nil
		}
		if err := tx.EndWarning(ctx, w.ID, s.now(), req.GetReason()); errors.Is(err, store.ErrStands) {
			return nil // by somebody else, or by the worker, at the same moment
		} else if err != nil {
			return notFound(err, req.GetName())
		}
		return s.audit(ctx, tx, c, "EndWarning", req.GetName(), req.GetReason())
	})
}

// RecordFinding writes down what was found. A finding stands once it says that
// somebody looked.
func (s *Service) RecordFinding(ctx context.Context, req *creepagev1.RecordFindingRequest) (*creepagev1.Warning, error) {
	if f := req.GetFinding(); f < creepagev1.Warning_NOT_LOOKED_AT || f > creepagev1.Warning_NOTHING_FOUND {
		return nil, problem.InvalidField("finding", "%s is none of NOT_LOOKED_AT, FAULT_FOUND, NOTHING_FOUND", f)
	}
	if c := req.GetComponent(); c != 0 && req.GetFinding() != creepagev1.Warning_FAULT_FOUND {
		return nil, problem.InvalidField("component", "%s goes with FAULT_FOUND alone", c)
	}
	return s.withWarning(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, w *store.Warning) error {
		finding := store.FindingRecord{Finding: store.Finding(req.GetFinding()), Component: componentOf(req.GetComponent()), Note: req.GetNote(), At: s.now()}
		if err := tx.RecordFinding(ctx, w.ID, finding); errors.Is(err, store.ErrStands) {
			return problem.Precondition("FINDING_STANDS", "%q has its finding already; what was found is never rewritten", req.GetName()).Because(err)
		} else if err != nil {
			return notFound(err, req.GetName())
		}
		return s.audit(ctx, tx, c, "RecordFinding", req.GetName(), req.GetFinding().String())
	})
}
