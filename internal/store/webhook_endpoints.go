package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// WebhookEndpoint is where changes are sent. Times that are not there are zero.
type WebhookEndpoint struct {
	ID             uuid.UUID
	Title          string
	URL            string
	Events         []WarningEvent
	Filter         string
	Secret         []byte // sealed
	PreviousSecret []byte // sealed; signs too until PreviousUntil
	PreviousUntil  time.Time
	CreatedAt      time.Time
	SucceededAt    time.Time
	FailingSince   time.Time
	DisabledAt     time.Time
	DisableReason  string
}

const endpointColumns = `e.id, e.title, e.url, e.events, e.filter, e.secret, e.previous_secret, e.previous_until, e.created_at, e.succeeded_at, e.failing_since,
	e.disabled_at, e.disable_reason`

func scanEndpoint(row pgx.CollectableRow) (WebhookEndpoint, error) {
	var e WebhookEndpoint
	scan := endpointScan(&e)
	err := row.Scan(scan.targets...)
	scan.finish()
	return e, err
}

func endpointScan(e *WebhookEndpoint) nullable {
	var previous, succeeded, failing, disabled *time.Time
	return nullable{
		targets: []any{&e.ID, &e.Title, &e.URL, &e.Events, &e.Filter, &e.Secret, &e.PreviousSecret, &previous, &e.CreatedAt, &succeeded, &failing, &disabled, &e.DisableReason},
		finish: func() {
			e.PreviousUntil, e.SucceededAt, e.FailingSince, e.DisabledAt = orZero(previous), orZero(succeeded), orZero(failing), orZero(disabled)
		},
	}
}

// CreateWebhookEndpoint keeps an endpoint, which is told of the changes from now on.
func (t *Tx) CreateWebhookEndpoint(ctx context.Context, e *WebhookEndpoint) error {
	last, err := t.LastWarningChange(ctx)
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, `INSERT INTO webhook_endpoints (id, organisation_id, title, url, events, filter, from_sequence, secret, created_at, disabled_at, disable_reason)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`, e.ID, t.organisation, e.Title, e.URL, e.Events, e.Filter, last, e.Secret, e.CreatedAt, orNull(e.DisabledAt), e.DisableReason)
	return fail("create an endpoint", err)
}

// CountWebhookEndpoints returns how many endpoints there are.
func (t *Tx) CountWebhookEndpoints(ctx context.Context) (int, error) {
	var n int
	err := t.tx.QueryRow(ctx, `SELECT count(*) FROM webhook_endpoints WHERE organisation_id = $1 AND deleted_at IS NULL`, t.organisation).Scan(&n)
	return n, fail("count endpoints", err)
}

// WebhookEndpoint returns an endpoint, locked against other changes.
func (t *Tx) WebhookEndpoint(ctx context.Context, id uuid.UUID) (WebhookEndpoint, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+endpointColumns+` FROM webhook_endpoints e WHERE e.organisation_id = $1 AND e.id = $2 AND e.deleted_at IS NULL FOR UPDATE`, t.organisation, id)
	if err != nil {
		return WebhookEndpoint{}, fail("find an endpoint", err)
	}
	e, err := pgx.CollectExactlyOneRow(rows, scanEndpoint)
	return e, fail("find an endpoint", err)
}

// WebhookEndpoints lists endpoints, newest first.
func (t *Tx) WebhookEndpoints(ctx context.Context, last TimeCursor, limit int) ([]WebhookEndpoint, error) {
	args := arguments{t.organisation, limit}
	condition := "true"
	if !last.first() {
		condition = after([]sortKey{{"e.created_at", true}, {"e.id", true}}, []any{last.At, last.ID}, &args)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+endpointColumns+` FROM webhook_endpoints e WHERE e.organisation_id = $1 AND e.deleted_at IS NULL AND `+condition+`
		ORDER BY e.created_at DESC, e.id DESC LIMIT $2`, args...)
	if err != nil {
		return nil, fail("list endpoints", err)
	}
	list, err := pgx.CollectRows(rows, scanEndpoint)
	return list, fail("list endpoints", err)
}

// UpdateWebhookEndpoint writes what callers may change of an endpoint. Enabled
// again, it begins without a record of failure.
func (t *Tx) UpdateWebhookEndpoint(ctx context.Context, e *WebhookEndpoint) error {
	_, err := t.tx.Exec(ctx, `UPDATE webhook_endpoints SET title = $3, url = $4, events = $5, filter = $6,
			failing_since = CASE WHEN disabled_at IS NOT NULL AND $7::timestamptz IS NULL THEN NULL ELSE failing_since END, disabled_at = $7, disable_reason = $8
		WHERE organisation_id = $1 AND id = $2`, t.organisation, e.ID, e.Title, e.URL, e.Events, e.Filter, orNull(e.DisabledAt), e.DisableReason)
	return fail("change an endpoint", err)
}

// RotateWebhookSecret puts a new secret in force; the one before signs too until a time.
func (t *Tx) RotateWebhookSecret(ctx context.Context, id uuid.UUID, sealed []byte, previousUntil time.Time) error {
	_, err := t.tx.Exec(ctx, `UPDATE webhook_endpoints SET previous_secret = secret, previous_until = $4, secret = $3 WHERE organisation_id = $1 AND id = $2`,
		t.organisation, id, sealed, previousUntil)
	return fail("rotate a secret", err)
}

// DeleteWebhookEndpoint deletes an endpoint and its secrets. Its deliveries stay
// on record; those that are pending are given up.
func (t *Tx) DeleteWebhookEndpoint(ctx context.Context, id uuid.UUID, now time.Time) error {
	if _, err := t.tx.Exec(ctx, `UPDATE webhook_endpoints SET deleted_at = $3, secret = '', previous_secret = NULL, previous_until = NULL
		WHERE organisation_id = $1 AND id = $2`, t.organisation, id, now); err != nil {
		return fail("delete an endpoint", err)
	}
	return giveUpDeliveries(ctx, t.tx, id, "the endpoint was deleted")
}

// GiveUpWebhookDeliveries gives up what is pending for an endpoint that was disabled by hand.
func (t *Tx) GiveUpWebhookDeliveries(ctx context.Context, id uuid.UUID) error {
	return giveUpDeliveries(ctx, t.tx, id, endpointDisabled)
}

const endpointDisabled = "the endpoint was disabled"

func giveUpDeliveries(ctx context.Context, tx pgx.Tx, endpoint uuid.UUID, why string) error {
	_, err := tx.Exec(ctx, `UPDATE webhook_deliveries SET status = 3, next_attempt_at = NULL, last_error = CASE WHEN last_error = '' THEN $2 ELSE $2 || '; before: ' || last_error END
		WHERE endpoint_id = $1 AND status = 1 AND sequence IS NOT NULL`, endpoint, why)
	return fail("give up deliveries", err)
}
