package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"creepage/internal/filter"
)

// EndpointsFor returns the endpoints that are to be told of a change, as far as
// its event says, and whose deliveries of it are not made yet.
func (w *WorkerTx) EndpointsFor(ctx context.Context, organisation uuid.UUID, sequence int64) ([]WebhookEndpoint, error) {
	rows, err := w.tx.Query(ctx, `SELECT `+endpointColumns+` FROM webhook_endpoints e JOIN warning_changes c ON c.organisation_id = e.organisation_id AND c.sequence = $2
		WHERE e.organisation_id = $1 AND e.deleted_at IS NULL AND e.disabled_at IS NULL AND e.from_sequence < c.sequence AND c.event = ANY (e.events)
			AND NOT EXISTS (SELECT FROM webhook_deliveries d WHERE d.endpoint_id = e.id AND d.sequence = c.sequence)
		ORDER BY e.id`, organisation, sequence)
	if err != nil {
		return nil, fail("find the endpoints of a change", err)
	}
	list, err := pgx.CollectRows(rows, scanEndpoint)
	return list, fail("find the endpoints of a change", err)
}

// WarningChangeIs says whether a filter lets a change through.
func (w *WorkerTx) WarningChangeIs(ctx context.Context, organisation uuid.UUID, sequence int64, where *filter.Expression) (bool, error) {
	args := arguments{organisation, sequence}
	condition, err := warningListColumns().where(where, &args)
	if err != nil {
		return false, err
	}
	var is bool
	err = w.tx.QueryRow(ctx, `SELECT EXISTS (SELECT FROM `+warningChangesFrom+` WHERE c.organisation_id = $1 AND c.sequence = $2 AND `+condition+`)`, args...).Scan(&is)
	return is, fail("hold a change against a filter", err)
}

// MakeWebhookDelivery makes the delivery of a change to an endpoint; its job
// comes with it.
func (w *WorkerTx) MakeWebhookDelivery(ctx context.Context, organisation, endpoint uuid.UUID, sequence int64, now time.Time) error {
	return makeDeliveries(ctx, w.tx, organisation, endpoint, []int64{sequence}, now)
}

// DueDelivery is a delivery that is to be sent, with all that is needed for it.
type DueDelivery struct {
	Delivery WebhookDelivery
	Endpoint WebhookEndpoint
	Change   WarningChange // of a test its zero value
}

// DueWebhookDelivery returns a delivery that is pending; ErrNotFound if it is
// not, or not any more.
func (w *WorkerTx) DueWebhookDelivery(ctx context.Context, id uuid.UUID) (DueDelivery, error) {
	var due DueDelivery
	delivery, endpoint := deliveryScan(&due.Delivery), endpointScan(&due.Endpoint)
	err := w.tx.QueryRow(ctx, `SELECT `+deliveryColumns+`, `+endpointColumns+` FROM `+deliveriesFrom+` JOIN webhook_endpoints e ON e.id = d.endpoint_id
		WHERE d.id = $1 AND d.status = 1 AND e.deleted_at IS NULL`, id).Scan(append(delivery.targets, endpoint.targets...)...)
	if err != nil {
		return due, fail("find a delivery", err)
	}
	delivery.finish()
	endpoint.finish()
	if due.Delivery.Sequence == 0 {
		return due, nil
	}
	rows, err := w.tx.Query(ctx, `SELECT `+warningChangeColumns+` FROM `+warningChangesFrom+`
		WHERE (c.organisation_id, c.sequence) = (SELECT d.organisation_id, d.sequence FROM webhook_deliveries d WHERE d.id = $1)`, id)
	if err != nil {
		return due, fail("find the change of a delivery", err)
	}
	due.Change, err = pgx.CollectExactlyOneRow(rows, scanWarningChange)
	return due, fail("find the change of a delivery", err)
}

// WebhookAttempt is what came of an attempt.
type WebhookAttempt struct {
	Delivery WebhookDelivery
	At       time.Time
	Error    string    // empty: it was delivered
	Next     time.Time // after an error: when to try again; zero: it is given up
}

// RecordWebhookAttempt records an attempt with the delivery and its endpoint,
// and returns since when every attempt at the endpoint has failed. A test says
// nothing about the endpoint's record.
func (w *WorkerTx) RecordWebhookAttempt(ctx context.Context, a WebhookAttempt) (failingSince time.Time, err error) {
	status, delivered := WebhookDelivered, orNull(a.At)
	if a.Error != "" {
		status, delivered = WebhookFailed, nil
		if !a.Next.IsZero() {
			status = WebhookPending
		}
	}
	// The endpoint first, so that two attempts at one endpoint take turns.
	var since *time.Time
	if err := w.tx.QueryRow(ctx, `UPDATE webhook_endpoints SET
			succeeded_at = CASE WHEN $3 OR $4 <> '' THEN succeeded_at ELSE $2 END,
			failing_since = CASE WHEN $3 THEN failing_since WHEN $4 = '' THEN NULL ELSE coalesce(failing_since, $2) END
		WHERE id = $1 RETURNING failing_since`, a.Delivery.Endpoint, a.At, a.Delivery.Sequence == 0, a.Error).Scan(&since); err != nil {
		return time.Time{}, fail("record an attempt with its endpoint", err)
	}
	_, err = w.tx.Exec(ctx, `UPDATE webhook_deliveries SET status = $2, attempts = attempts + 1, last_error = $3, attempted_at = $4, next_attempt_at = $5, delivered_at = $6
		WHERE id = $1 AND status = 1`, a.Delivery.ID, status, a.Error, a.At, orNull(a.Next), delivered)
	return orZero(since), fail("record an attempt", err)
}

// DisableWebhookEndpoint disables an endpoint, gives up what is pending for it
// and writes both down for its organisation. One that is disabled stays as it is.
func (w *WorkerTx) DisableWebhookEndpoint(ctx context.Context, organisation, id uuid.UUID, reason string, now time.Time) (bool, error) {
	tag, err := w.tx.Exec(ctx, `UPDATE webhook_endpoints SET disabled_at = $2, disable_reason = $3 WHERE id = $1 AND disabled_at IS NULL`, id, now, reason)
	if err != nil || tag.RowsAffected() == 0 {
		return false, fail("disable an endpoint", err)
	}
	if err := giveUpDeliveries(ctx, w.tx, id, endpointDisabled); err != nil {
		return false, err
	}
	_, err = w.tx.Exec(ctx, `INSERT INTO audit (organisation_id, at, action, resource, note) VALUES ($1, $2, 'DisableWebhookEndpoint', $3, $4)`,
		organisation, now, "webhookEndpoints/"+id.String(), reason)
	return true, fail("write the audit", err)
}

// GiveUpWebhookDeliveries gives up what is pending for an endpoint that is disabled.
func (w *WorkerTx) GiveUpWebhookDeliveries(ctx context.Context, endpoint uuid.UUID) error {
	return giveUpDeliveries(ctx, w.tx, endpoint, endpointDisabled)
}

// PostponeWebhookDelivery says why a delivery was not attempted and when it will be.
func (w *WorkerTx) PostponeWebhookDelivery(ctx context.Context, id uuid.UUID, why string, next time.Time) error {
	_, err := w.tx.Exec(ctx, `UPDATE webhook_deliveries SET last_error = $2, next_attempt_at = $3 WHERE id = $1 AND status = 1`, id, why, next)
	return fail("postpone a delivery", err)
}
