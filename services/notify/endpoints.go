package notify

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/emptypb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/mask"
	"creepage/internal/page"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/webhook"
	"creepage/internal/wire"
)

const (
	mostEndpoints  = 20             // an organisation
	rotationPeriod = 24 * time.Hour // for which the secret before signs too
	byHand         = "disabled by hand"
)

// CreateWebhookEndpoint creates an endpoint and shows its secret, once.
func (s *Service) CreateWebhookEndpoint(ctx context.Context, req *creepagev1.CreateWebhookEndpointRequest) (*creepagev1.CreateWebhookEndpointResponse, error) {
	if s.Safe == nil {
		return nil, problem.Precondition("WEBHOOKS_OFF", "the operator has set no secret key (CREEPAGE_SECRET_KEY), without which signing secrets cannot be kept")
	}
	e := store.WebhookEndpoint{ID: uuid.Must(uuid.NewV7()), CreatedAt: s.Now().Truncate(time.Microsecond)}
	if err := s.change(&e, req.GetEndpoint(), endpointFields); err != nil {
		return nil, err
	}
	secret := webhook.NewSecret()
	e.Secret = s.Safe.Seal(e.ID, secret)
	err := s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		n, err := tx.CountWebhookEndpoints(ctx)
		if err != nil {
			return err
		}
		if n >= mostEndpoints {
			return problem.Precondition("TOO_MANY_ENDPOINTS", "the organisation has %d endpoints, the most there may be; delete one", n)
		}
		if err := tx.CreateWebhookEndpoint(ctx, &e); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "CreateWebhookEndpoint", nameOf(&e), "")
	})
	if err != nil {
		return nil, err
	}
	return &creepagev1.CreateWebhookEndpointResponse{Endpoint: endpointMessage(&e), Secret: secret}, nil
}

// endpointFields are what callers may state of an endpoint.
var endpointFields = []string{"title", "url", "events", "filter", "disabled"}

// change puts fields of a message into an endpoint.
func (s *Service) change(e *store.WebhookEndpoint, m *creepagev1.WebhookEndpoint, fields []string) error {
	var wrong []problem.Field
	fail := func(field, text string) {
		wrong = append(wrong, problem.Field{Path: "endpoint." + field, Description: text})
	}
	for _, field := range fields {
		switch field {
		case "title":
			e.Title = m.GetTitle()
		case "url":
			e.URL = m.GetUrl()
			if err := s.sender.CheckURL(e.URL); err != nil {
				fail(field, err.Error())
			}
		case "events":
			e.Events = nil
			for _, event := range m.GetEvents() {
				if event < creepagev1.WarningChange_RAISED || event > creepagev1.WarningChange_ENDED {
					fail(field, event.String()+" is none of RAISED, CHANGED, ENDED")
				}
				e.Events = append(e.Events, store.WarningEvent(event))
			}
			if len(e.Events) == 0 {
				e.Events = []store.WarningEvent{store.WarningRaised, store.WarningChanged, store.WarningEnded}
			}
		case "filter":
			e.Filter = m.GetFilter()
			if _, err := store.WarningFields().Parse(e.Filter); err != nil {
				fail(field, problem.Of(err).Fields[0].Description)
			}
		case "disabled":
			switch {
			case !m.GetDisabled():
				e.DisabledAt, e.DisableReason = time.Time{}, ""
			case e.DisabledAt.IsZero():
				e.DisabledAt, e.DisableReason = s.Now(), byHand
			}
		}
	}
	if len(wrong) > 0 {
		return problem.Invalid(wrong...)
	}
	return nil
}

// GetWebhookEndpoint returns an endpoint.
func (s *Service) GetWebhookEndpoint(ctx context.Context, req *creepagev1.GetWebhookEndpointRequest) (*creepagev1.WebhookEndpoint, error) {
	return s.withEndpoint(ctx, req.GetName(), func(caller.Caller, *store.Tx, *store.WebhookEndpoint) error { return nil })
}

// withEndpoint runs do on an endpoint and returns it as do has left it.
func (s *Service) withEndpoint(ctx context.Context, name string, do func(caller.Caller, *store.Tx, *store.WebhookEndpoint) error) (*creepagev1.WebhookEndpoint, error) {
	id, err := endpointID("name", name)
	if err != nil {
		return nil, err
	}
	var e store.WebhookEndpoint
	err = s.as(ctx, func(c caller.Caller, tx *store.Tx) error {
		if e, err = tx.WebhookEndpoint(ctx, id); err != nil {
			return notFound(err, name)
		}
		return do(c, tx, &e)
	})
	if err != nil {
		return nil, err
	}
	return endpointMessage(&e), nil
}

// ListWebhookEndpoints lists endpoints, newest first.
func (s *Service) ListWebhookEndpoints(ctx context.Context, req *creepagev1.ListWebhookEndpointsRequest) (*creepagev1.ListWebhookEndpointsResponse, error) {
	rows, token, err := list(ctx, s, req, func(tx *store.Tx, after store.TimeCursor, limit int) ([]store.WebhookEndpoint, error) {
		return tx.WebhookEndpoints(ctx, after, limit)
	}, func(e *store.WebhookEndpoint) store.TimeCursor {
		return store.TimeCursor{At: e.CreatedAt, ID: e.ID.String()}
	})
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListWebhookEndpointsResponse{NextPageToken: token}
	for i := range rows {
		resp.WebhookEndpoints = append(resp.WebhookEndpoints, endpointMessage(&rows[i]))
	}
	return resp, nil
}

// UpdateWebhookEndpoint changes the fields that the mask names.
func (s *Service) UpdateWebhookEndpoint(ctx context.Context, req *creepagev1.UpdateWebhookEndpointRequest) (*creepagev1.WebhookEndpoint, error) {
	fields, err := mask.Of(req.GetEndpoint(), req.GetUpdateMask(), endpointFields)
	if err != nil {
		return nil, err
	}
	return s.withEndpoint(ctx, req.GetEndpoint().GetName(), func(c caller.Caller, tx *store.Tx, e *store.WebhookEndpoint) error {
		wasDisabled := !e.DisabledAt.IsZero()
		if err := s.change(e, req.GetEndpoint(), fields); err != nil {
			return err
		}
		if err := tx.UpdateWebhookEndpoint(ctx, e); err != nil {
			return err
		}
		if disabled := !e.DisabledAt.IsZero(); disabled && !wasDisabled {
			if err := tx.GiveUpWebhookDeliveries(ctx, e.ID); err != nil {
				return err
			}
		} else if wasDisabled && !disabled {
			e.FailingSince = time.Time{}
		}
		return s.audit(ctx, tx, c, "UpdateWebhookEndpoint", nameOf(e), strings.Join(fields, ", "))
	})
}

// DeleteWebhookEndpoint deletes an endpoint and its secrets.
func (s *Service) DeleteWebhookEndpoint(ctx context.Context, req *creepagev1.DeleteWebhookEndpointRequest) (*emptypb.Empty, error) {
	_, err := s.withEndpoint(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, e *store.WebhookEndpoint) error {
		if err := tx.DeleteWebhookEndpoint(ctx, e.ID, s.Now()); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "DeleteWebhookEndpoint", req.GetName(), "")
	})
	if err != nil {
		return nil, err
	}
	return &emptypb.Empty{}, nil
}

// RotateWebhookSecret makes a new secret and shows it, once.
func (s *Service) RotateWebhookSecret(ctx context.Context, req *creepagev1.RotateWebhookSecretRequest) (*creepagev1.RotateWebhookSecretResponse, error) {
	if s.Safe == nil {
		return nil, problem.Precondition("WEBHOOKS_OFF", "the operator has set no secret key (CREEPAGE_SECRET_KEY), without which signing secrets cannot be kept")
	}
	secret := webhook.NewSecret()
	endpoint, err := s.withEndpoint(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, e *store.WebhookEndpoint) error {
		e.PreviousUntil = s.Now().Add(rotationPeriod)
		if err := tx.RotateWebhookSecret(ctx, e.ID, s.Safe.Seal(e.ID, secret), e.PreviousUntil); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "RotateWebhookSecret", req.GetName(), "")
	})
	if err != nil {
		return nil, err
	}
	return &creepagev1.RotateWebhookSecretResponse{Endpoint: endpoint, Secret: secret}, nil
}

func nameOf(e *store.WebhookEndpoint) string { return wire.WebhookEndpoints.Name(e.ID.String()) }

// endpointID reads the resource name of an endpoint in a field of a request.
func endpointID(field, name string) (uuid.UUID, error) {
	text, err := wire.WebhookEndpoints.ID(name)
	if err != nil {
		return uuid.UUID{}, problem.InvalidField(field, "%v", err)
	}
	id, err := uuid.Parse(text)
	if err != nil {
		return id, problem.NotFound(name)
	}
	return id, nil
}

func notFound(err error, name string) error {
	if errors.Is(err, store.ErrNotFound) {
		return problem.NotFound(name).Because(err)
	}
	return err
}

func endpointMessage(e *store.WebhookEndpoint) *creepagev1.WebhookEndpoint {
	m := &creepagev1.WebhookEndpoint{Name: nameOf(e), Title: e.Title, Url: e.URL, Filter: e.Filter,
		Disabled: !e.DisabledAt.IsZero(), DisableReason: wire.Text(e.DisableReason), DisableTime: wire.Timestamp(e.DisabledAt), CreateTime: wire.Timestamp(e.CreatedAt),
		LastSuccessTime: wire.Timestamp(e.SucceededAt), FailTime: wire.Timestamp(e.FailingSince), PreviousSecretExpireTime: wire.Timestamp(e.PreviousUntil)}
	for _, event := range e.Events {
		m.Events = append(m.Events, creepagev1.WarningChange_Event(event))
	}
	return m
}

// list reads a page of one of the organisation's lists.
func list[T, C any](ctx context.Context, s *Service, req page.Request, read func(*store.Tx, C, int) ([]T, error), cursor func(*T) C) ([]T, string, error) {
	c, err := callerOf(ctx)
	if err != nil {
		return nil, "", err
	}
	return page.Read(s.Pages, c.Organisation, req, func(after C, limit int) (rows []T, err error) {
		err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) (err error) {
			rows, err = read(tx, after, limit)
			return err
		})
		return rows, err
	}, cursor)
}
