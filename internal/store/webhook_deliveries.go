package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"creepage/internal/filter"
)

// WebhookStatus is what came of a delivery: the numbers of the contract's
// WebhookDelivery.Status.
type WebhookStatus int16

// Statuses.
const (
	WebhookPending   WebhookStatus = 1
	WebhookDelivered WebhookStatus = 2
	WebhookFailed    WebhookStatus = 3
)

// WebhookDelivery is one message to one endpoint. Times that are not there are zero.
type WebhookDelivery struct {
	ID            uuid.UUID
	Endpoint      uuid.UUID
	Sequence      int64        // of the change; 0: a test
	Event         WarningEvent // of the change
	Warning       uuid.UUID    // that changed
	Status        WebhookStatus
	Attempts      int
	LastError     string
	CreatedAt     time.Time
	AttemptedAt   time.Time
	NextAttemptAt time.Time
	DeliveredAt   time.Time
}

const (
	deliveryColumns = `d.id, d.endpoint_id, coalesce(d.sequence, 0), coalesce(c.event, 0), c.warning_id, d.status, d.attempts, d.last_error, d.created_at, d.attempted_at,
		d.next_attempt_at, d.delivered_at`
	deliveriesFrom = `webhook_deliveries d LEFT JOIN warning_changes c ON c.organisation_id = d.organisation_id AND c.sequence = d.sequence`
)

func scanDelivery(row pgx.CollectableRow) (WebhookDelivery, error) {
	var d WebhookDelivery
	scan := deliveryScan(&d)
	err := row.Scan(scan.targets...)
	scan.finish()
	return d, err
}

func deliveryScan(d *WebhookDelivery) nullable {
	var warning *uuid.UUID
	var attempted, next, delivered *time.Time
	return nullable{
		targets: []any{&d.ID, &d.Endpoint, &d.Sequence, &d.Event, &warning, &d.Status, &d.Attempts, &d.LastError, &d.CreatedAt, &attempted, &next, &delivered},
		finish: func() {
			if warning != nil {
				d.Warning = *warning
			}
			d.AttemptedAt, d.NextAttemptAt, d.DeliveredAt = orZero(attempted), orZero(next), orZero(delivered)
		},
	}
}

// WebhookDeliveryFields are the fields that a filter over deliveries may name.
func WebhookDeliveryFields() filter.Fields {
	return filter.Fields{
		{Name: "status", Kind: filter.Word, Words: []string{"pending", "delivered", "failed"}},
		{Name: "create_time", Kind: filter.Time},
	}
}

func deliveryListColumns() columns {
	return columns{
		"status":      {sql: "d.status", words: map[string]int16{"pending": int16(WebhookPending), "delivered": int16(WebhookDelivered), "failed": int16(WebhookFailed)}},
		"create_time": {sql: "d.created_at"},
	}
}

// WebhookDeliveries lists an endpoint's deliveries, newest first.
func (t *Tx) WebhookDeliveries(ctx context.Context, endpoint uuid.UUID, where *filter.Expression, last TimeCursor, limit int) ([]WebhookDelivery, error) {
	args := arguments{t.organisation, limit, endpoint}
	condition, err := deliveryListColumns().where(where, &args)
	if err != nil {
		return nil, err
	}
	if !last.first() {
		condition += " AND " + after([]sortKey{{"d.created_at", true}, {"d.id", true}}, []any{last.At, last.ID}, &args)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+deliveryColumns+` FROM `+deliveriesFrom+` WHERE d.organisation_id = $1 AND d.endpoint_id = $3 AND `+condition+`
		ORDER BY d.created_at DESC, d.id DESC LIMIT $2`, args...)
	if err != nil {
		return nil, fail("list deliveries", err)
	}
	list, err := pgx.CollectRows(rows, scanDelivery)
	return list, fail("list deliveries", err)
}

// WebhookDelivery returns a delivery to an endpoint.
func (t *Tx) WebhookDelivery(ctx context.Context, endpoint, id uuid.UUID) (WebhookDelivery, error) {
	rows, err := t.tx.Query(ctx, `SELECT `+deliveryColumns+` FROM `+deliveriesFrom+` WHERE d.organisation_id = $1 AND d.endpoint_id = $2 AND d.id = $3`, t.organisation, endpoint, id)
	if err != nil {
		return WebhookDelivery{}, fail("find a delivery", err)
	}
	d, err := pgx.CollectExactlyOneRow(rows, scanDelivery)
	return d, fail("find a delivery", err)
}

// TestWebhookEndpoint makes a delivery of a test; its job comes with it.
func (t *Tx) TestWebhookEndpoint(ctx context.Context, endpoint uuid.UUID, now time.Time) (WebhookDelivery, error) {
	id := uuid.Must(uuid.NewV7())
	if _, err := t.tx.Exec(ctx, `INSERT INTO webhook_deliveries (id, organisation_id, endpoint_id, status, created_at, next_attempt_at) VALUES ($1, $2, $3, 1, $4, $4)`,
		id, t.organisation, endpoint, now); err != nil {
		return WebhookDelivery{}, fail("make a test delivery", err)
	}
	return t.WebhookDelivery(ctx, endpoint, id)
}

// ReplayWebhookDeliveries makes pending again what an endpoint missed of the
// changes recorded at a time or later, at most so many, oldest first: what was
// given up, and what came while it was disabled. It returns how many.
func (t *Tx) ReplayWebhookDeliveries(ctx context.Context, e *WebhookEndpoint, where *filter.Expression, since, now time.Time, limit int) (int, error) {
	args := arguments{t.organisation, limit, e.ID, e.Events, orNull(since)}
	condition, err := warningListColumns().where(where, &args)
	if err != nil {
		return 0, err
	}
	rows, err := t.tx.Query(ctx, `SELECT c.sequence FROM `+warningChangesFrom+`
		JOIN webhook_endpoints e ON e.id = $3 AND c.sequence > e.from_sequence
		LEFT JOIN webhook_deliveries d ON d.endpoint_id = e.id AND d.sequence = c.sequence
		WHERE c.organisation_id = $1 AND c.event = ANY ($4::smallint[]) AND ($5::timestamptz IS NULL OR c.recorded_at >= $5) AND (d.id IS NULL OR d.status = 3) AND `+condition+`
		ORDER BY c.sequence LIMIT $2`, args...)
	if err != nil {
		return 0, fail("find what was missed", err)
	}
	missed, err := pgx.CollectRows(rows, pgx.RowTo[int64])
	if err != nil {
		return 0, fail("find what was missed", err)
	}
	return len(missed), makeDeliveries(ctx, t.tx, t.organisation, e.ID, missed, now)
}

// makeDeliveries makes deliveries of changes to an endpoint, or pending again
// those that were given up. Each brings its job.
func makeDeliveries(ctx context.Context, tx pgx.Tx, organisation, endpoint uuid.UUID, sequences []int64, now time.Time) error {
	ids := make([]uuid.UUID, len(sequences))
	for i := range ids {
		ids[i] = uuid.Must(uuid.NewV7())
	}
	_, err := tx.Exec(ctx, `INSERT INTO webhook_deliveries AS d (id, organisation_id, endpoint_id, sequence, status, created_at, next_attempt_at)
		SELECT id, $1, $2, sequence, 1, $5, $5 FROM unnest($3::uuid[], $4::bigint[]) AS u (id, sequence)
		ON CONFLICT (endpoint_id, sequence) DO UPDATE SET status = 1, attempts = 0, next_attempt_at = excluded.next_attempt_at WHERE d.status = 3`,
		organisation, endpoint, ids, sequences, now)
	return fail("make deliveries", err)
}
