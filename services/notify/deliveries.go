package notify

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/problem"
	"creepage/internal/store"
	"creepage/internal/wire"
)

// mostReplayed is how many deliveries one call makes again.
const mostReplayed = 1000

// TestWebhookEndpoint makes a delivery of a test. The worker sends it, as it
// sends everything.
func (s *Service) TestWebhookEndpoint(ctx context.Context, req *creepagev1.TestWebhookEndpointRequest) (*creepagev1.WebhookDelivery, error) {
	var d store.WebhookDelivery
	_, err := s.withEndpoint(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, e *store.WebhookEndpoint) (err error) {
		if d, err = tx.TestWebhookEndpoint(ctx, e.ID, s.Now()); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "TestWebhookEndpoint", req.GetName(), "")
	})
	if err != nil {
		return nil, err
	}
	return deliveryMessage(&d), nil
}

// ReplayWebhookDeliveries sends again what an endpoint missed.
func (s *Service) ReplayWebhookDeliveries(ctx context.Context, req *creepagev1.ReplayWebhookDeliveriesRequest) (*creepagev1.ReplayWebhookDeliveriesResponse, error) {
	var since time.Time
	if ts := req.GetStartTime(); ts != nil {
		if err := ts.CheckValid(); err != nil {
			return nil, problem.InvalidField("start_time", "%v", err)
		}
		since = ts.AsTime()
	}
	n := 0
	_, err := s.withEndpoint(ctx, req.GetName(), func(c caller.Caller, tx *store.Tx, e *store.WebhookEndpoint) error {
		if !e.DisabledAt.IsZero() {
			return problem.Precondition("ENDPOINT_DISABLED", "%q is disabled (%s); enable it first", req.GetName(), e.DisableReason)
		}
		where, err := store.WarningFields().Parse(e.Filter)
		if err != nil {
			return err
		}
		if n, err = tx.ReplayWebhookDeliveries(ctx, e, where, since, s.Now(), mostReplayed); err != nil {
			return err
		}
		return s.audit(ctx, tx, c, "ReplayWebhookDeliveries", req.GetName(), "")
	})
	if err != nil {
		return nil, err
	}
	return &creepagev1.ReplayWebhookDeliveriesResponse{Count: int32(n)}, nil
}

// GetWebhookDelivery returns a delivery.
func (s *Service) GetWebhookDelivery(ctx context.Context, req *creepagev1.GetWebhookDeliveryRequest) (*creepagev1.WebhookDelivery, error) {
	parent, text, ok := strings.Cut(req.GetName(), "/deliveries/")
	if !ok {
		return nil, problem.InvalidField("name", "%q is not of the form webhookEndpoints/{endpoint}/deliveries/{delivery}", req.GetName())
	}
	endpoint, err := endpointID("name", parent)
	if err != nil {
		return nil, err
	}
	id, err := uuid.Parse(text)
	if err != nil {
		return nil, problem.NotFound(req.GetName())
	}
	var d store.WebhookDelivery
	err = s.as(ctx, func(_ caller.Caller, tx *store.Tx) error {
		d, err = tx.WebhookDelivery(ctx, endpoint, id)
		return notFound(err, req.GetName())
	})
	if err != nil {
		return nil, err
	}
	return deliveryMessage(&d), nil
}

// ListWebhookDeliveries lists an endpoint's deliveries, newest first.
func (s *Service) ListWebhookDeliveries(ctx context.Context, req *creepagev1.ListWebhookDeliveriesRequest) (*creepagev1.ListWebhookDeliveriesResponse, error) {
	endpoint, err := endpointID("parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	where, err := store.WebhookDeliveryFields().Parse(req.GetFilter())
	if err != nil {
		return nil, err
	}
	rows, token, err := list(ctx, s, req, func(tx *store.Tx, after store.TimeCursor, limit int) ([]store.WebhookDelivery, error) {
		if _, err := tx.WebhookEndpoint(ctx, endpoint); err != nil {
			return nil, notFound(err, req.GetParent())
		}
		return tx.WebhookDeliveries(ctx, endpoint, where, after, limit)
	}, func(d *store.WebhookDelivery) store.TimeCursor {
		return store.TimeCursor{At: d.CreatedAt, ID: d.ID.String()}
	})
	if err != nil {
		return nil, err
	}
	resp := &creepagev1.ListWebhookDeliveriesResponse{NextPageToken: token}
	for i := range rows {
		resp.Deliveries = append(resp.Deliveries, deliveryMessage(&rows[i]))
	}
	return resp, nil
}

func deliveryMessage(d *store.WebhookDelivery) *creepagev1.WebhookDelivery {
	m := &creepagev1.WebhookDelivery{Name: wire.WebhookEndpoints.Name(d.Endpoint.String()) + "/deliveries/" + d.ID.String(), MessageId: wire.MessageID(d.ID),
		Type: wire.WebhookType(d.Sequence > 0, int32(d.Event)), Status: creepagev1.WebhookDelivery_Status(d.Status), Attempts: int32(d.Attempts), LastError: wire.Text(d.LastError),
		CreateTime: wire.Timestamp(d.CreatedAt), LastAttemptTime: wire.Timestamp(d.AttemptedAt), NextAttemptTime: wire.Timestamp(d.NextAttemptAt), DeliverTime: wire.Timestamp(d.DeliveredAt)}
	if d.Sequence > 0 {
		m.Sequence, m.Warning = &d.Sequence, wire.Text(wire.Warnings.Name(d.Warning.String()))
	}
	return m
}
