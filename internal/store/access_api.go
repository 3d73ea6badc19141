package store

import (
	"context"
	"math"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Shop is a workshop of an organisation.
type Shop struct {
	ID        string
	Title     string
	CreatedAt time.Time
}

// CreateShop makes a shop; ErrConflict if its id is taken.
func (t *Tx) CreateShop(ctx context.Context, s Shop) error {
	_, err := t.tx.Exec(ctx, `INSERT INTO shops (organisation_id, id, title, created_at) VALUES ($1, $2, $3, $4)`, t.organisation, s.ID, s.Title, s.CreatedAt)
	return fail("create a shop", err)
}

// Shops lists shops by id, those after an id.
func (t *Tx) Shops(ctx context.Context, after string, limit int) ([]Shop, error) {
	rows, err := t.tx.Query(ctx, `SELECT id, title, created_at FROM shops WHERE organisation_id = $1 AND id > $2 ORDER BY id LIMIT $3`, t.organisation, after, limit)
	if err != nil {
		return nil, fail("list shops", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Shop])
	return list, fail("list shops", err)
}

// Shop returns one shop.
func (t *Tx) Shop(ctx context.Context, id string) (Shop, error) {
	rows, err := t.tx.Query(ctx, `SELECT id, title, created_at FROM shops WHERE organisation_id = $1 AND id = $2`, t.organisation, id)
	if err != nil {
		return Shop{}, fail("find a shop", err)
	}
	shop, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByPos[Shop])
	return shop, fail("find a shop", err)
}

// ShopIDs returns the id of every shop.
func (t *Tx) ShopIDs(ctx context.Context) ([]string, error) {
	rows, err := t.tx.Query(ctx, `SELECT id FROM shops WHERE organisation_id = $1`, t.organisation)
	if err != nil {
		return nil, fail("list shops", err)
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return ids, fail("list shops", err)
}

// Key is a key without its secret. Times that are not there are zero.
type Key struct {
	ID         uuid.UUID
	Title      string
	Role       int16 // of the contract's Key.Role
	Shop       string
	Hash       [32]byte // SHA-256 of the secret; only on creation
	CreatedAt  time.Time
	ExpiresAt  time.Time
	LastUsedAt time.Time
	RevokedAt  time.Time
}

const keyColumns = `id, title, role, coalesce(shop, ''), created_at, expires_at, last_used_at, revoked_at`

func scanKey(row pgx.CollectableRow) (Key, error) {
	var k Key
	var expires, used, revoked *time.Time
	err := row.Scan(&k.ID, &k.Title, &k.Role, &k.Shop, &k.CreatedAt, &expires, &used, &revoked)
	k.ExpiresAt, k.LastUsedAt, k.RevokedAt = orZero(expires), orZero(used), orZero(revoked)
	return k, err
}

// CreateKey keeps a key; ErrInvalid if its shop does not exist.
func (t *Tx) CreateKey(ctx context.Context, k Key) error {
	_, err := t.tx.Exec(ctx, `INSERT INTO keys (id, organisation_id, title, role, shop, secret_hash, created_at, expires_at)
		VALUES ($1, $2, $3, $4, nullif($5, ''), $6, $7, $8)`, k.ID, t.organisation, k.Title, k.Role, k.Shop, k.Hash[:], k.CreatedAt, orNull(k.ExpiresAt))
	return fail("create a key", err)
}

// Keys lists keys, newest first.
func (t *Tx) Keys(ctx context.Context, last TimeCursor, limit int) ([]Key, error) {
	args := arguments{t.organisation, limit}
	condition := "true"
	if !last.first() {
		condition = after([]sortKey{{"created_at", true}, {"id", true}}, []any{last.At, last.ID}, &args)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+keyColumns+` FROM keys WHERE organisation_id = $1 AND `+condition+` ORDER BY created_at DESC, id DESC LIMIT $2`, args...)
	if err != nil {
		return nil, fail("list keys", err)
	}
	list, err := pgx.CollectRows(rows, scanKey)
	return list, fail("list keys", err)
}

// RevokeKey ends a key. The second result is false if it had ended before.
func (t *Tx) RevokeKey(ctx context.Context, id uuid.UUID, now time.Time) (Key, bool, error) {
	tag, err := t.tx.Exec(ctx, `UPDATE keys SET revoked_at = $3 WHERE organisation_id = $1 AND id = $2 AND revoked_at IS NULL`, t.organisation, id, now)
	if err != nil {
		return Key{}, false, fail("revoke a key", err)
	}
	rows, err := t.tx.Query(ctx, `SELECT `+keyColumns+` FROM keys WHERE organisation_id = $1 AND id = $2`, t.organisation, id)
	if err != nil {
		return Key{}, false, fail("revoke a key", err)
	}
	k, err := pgx.CollectExactlyOneRow(rows, scanKey)
	return k, tag.RowsAffected() > 0, fail("revoke a key", err)
}

// FoundKey is a key with its organisation, as found by its secret.
type FoundKey struct {
	Key
	Organisation      uuid.UUID
	OrganisationTitle string
}

// FindKey looks a key up by the hash of its secret, before its organisation is
// known, and notes that it was used, to the minute. ErrNotFound if there is
// none or it has expired or was revoked.
func (s *Store) FindKey(ctx context.Context, hash [32]byte, now time.Time) (FoundKey, error) {
	var k FoundKey
	var name string
	var shop *string
	var expires, used, revoked *time.Time
	err := s.pool.QueryRow(ctx, `SELECT id, organisation_id, organisation_name, organisation_title, title, role, shop, created_at, expires_at, last_used_at, revoked_at
		FROM find_key($1)`, hash[:]).Scan(&k.ID, &k.Organisation, &name, &k.OrganisationTitle, &k.Title, &k.Role, &shop, &k.CreatedAt, &expires, &used, &revoked)
	if err != nil {
		return k, fail("find a key", err)
	}
	if shop != nil {
		k.Shop = *shop
	}
	if k.OrganisationTitle == "" {
		k.OrganisationTitle = name
	}
	k.ExpiresAt, k.LastUsedAt, k.RevokedAt = orZero(expires), orZero(used), orZero(revoked)
	if !k.RevokedAt.IsZero() || !k.ExpiresAt.IsZero() && !now.Before(k.ExpiresAt) {
		return FoundKey{}, fail("find a key", pgx.ErrNoRows)
	}
	if now.Sub(k.LastUsedAt) < time.Minute {
		return k, nil
	}
	return k, s.AsOrganisation(ctx, k.Organisation, func(t *Tx) error {
		_, err := t.tx.Exec(ctx, `UPDATE keys SET last_used_at = $3 WHERE organisation_id = $1 AND id = $2 AND (last_used_at IS NULL OR last_used_at < $3)`,
			k.Organisation, k.ID, now.Truncate(time.Minute))
		return fail("note a key's use", err)
	})
}

// AuditEntry says who changed what.
type AuditEntry struct {
	ID       int64
	At       time.Time
	Key      string // id of the key; empty: the service by itself
	Action   string
	Resource string
	Note     string
}

// Audit writes down who changed what.
func (t *Tx) Audit(ctx context.Context, e AuditEntry) error {
	_, err := t.tx.Exec(ctx, `INSERT INTO audit (organisation_id, at, key, action, resource, note) VALUES ($1, $2, $3, $4, $5, $6)`,
		t.organisation, e.At, e.Key, e.Action, e.Resource, e.Note)
	return fail("write the audit", err)
}

// AuditEntries lists who changed what, newest first: those before an id, all
// if it is 0.
func (t *Tx) AuditEntries(ctx context.Context, before int64, limit int) ([]AuditEntry, error) {
	rows, err := t.tx.Query(ctx, `SELECT id, at, key, action, resource, note FROM audit
		WHERE organisation_id = $1 AND ($2 = 0 OR id < $2) ORDER BY id DESC LIMIT $3`, t.organisation, before, limit)
	if err != nil {
		return nil, fail("read the audit", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[AuditEntry])
	return list, fail("read the audit", err)
}

// Meter is a meter with its calibrations, newest first.
type Meter struct {
	ID           string
	Title        string
	RangeOhms    float64 // NaN: not known
	CreatedAt    time.Time
	Calibrations []Calibration
}

// Calibration is one calibration of a meter.
type Calibration struct {
	At    time.Time
	DueAt time.Time // zero: not laid down
	Note  string
}

// UpsertMeter states a meter.
func (t *Tx) UpsertMeter(ctx context.Context, m Meter) error {
	_, err := t.tx.Exec(ctx, `INSERT INTO meters (organisation_id, id, title, range_ohms, created_at) VALUES ($1, $2, $3, nullif($4::double precision, 'NaN'), $5)
		ON CONFLICT (organisation_id, id) DO UPDATE SET title = excluded.title, range_ohms = excluded.range_ohms`, t.organisation, m.ID, m.Title, m.RangeOhms, m.CreatedAt)
	return fail("state a meter", err)
}

// RecordCalibration adds a calibration; ErrInvalid if there is no such meter.
func (t *Tx) RecordCalibration(ctx context.Context, meter string, c Calibration, now time.Time) error {
	_, err := t.tx.Exec(ctx, `INSERT INTO calibrations (organisation_id, meter, calibrated_at, due_at, certificate, created_at) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT DO NOTHING`, t.organisation, meter, c.At, orNull(c.DueAt), c.Note, now)
	return fail("record a calibration", err)
}

// Meter returns a meter.
func (t *Tx) Meter(ctx context.Context, id string) (Meter, error) {
	list, err := t.meters(ctx, `id = $2 AND $3::int > 0`, id, 1)
	if err == nil && len(list) == 0 {
		err = fail("find a meter", pgx.ErrNoRows)
	}
	if err != nil {
		return Meter{}, err
	}
	return list[0], nil
}

// Meters lists meters by id, those after an id.
func (t *Tx) Meters(ctx context.Context, after string, limit int) ([]Meter, error) {
	return t.meters(ctx, `id > $2 ORDER BY id LIMIT $3`, after, limit)
}

// MetersNamed returns those of the meters that are on file.
func (t *Tx) MetersNamed(ctx context.Context, ids []string) ([]Meter, error) {
	return t.meters(ctx, `id = ANY($2) ORDER BY id`, ids)
}

func (t *Tx) meters(ctx context.Context, which string, args ...any) ([]Meter, error) {
	rows, err := t.tx.Query(ctx, `SELECT id, title, range_ohms, created_at FROM meters WHERE organisation_id = $1 AND `+which, append([]any{t.organisation}, args...)...)
	if err != nil {
		return nil, fail("list meters", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Meter, error) {
		var m Meter
		var span *float64
		err := row.Scan(&m.ID, &m.Title, &span, &m.CreatedAt)
		m.RangeOhms = orNaN(span)
		return m, err
	})
	if err != nil {
		return nil, fail("list meters", err)
	}
	return list, t.addCalibrations(ctx, list)
}

// CalibrationsOfMeters returns the calibrations of every meter, newest first.
func (t *Tx) CalibrationsOfMeters(ctx context.Context) (map[string][]Calibration, error) {
	meters, err := t.Meters(ctx, "", math.MaxInt32)
	if err != nil {
		return nil, err
	}
	calibrations := make(map[string][]Calibration, len(meters))
	for _, m := range meters {
		if len(m.Calibrations) > 0 {
			calibrations[m.ID] = m.Calibrations
		}
	}
	return calibrations, nil
}

func (t *Tx) addCalibrations(ctx context.Context, meters []Meter) error {
	ids, place := make([]string, len(meters)), map[string]int{}
	for i, m := range meters {
		ids[i], place[m.ID] = m.ID, i
	}
	rows, err := t.tx.Query(ctx, `SELECT meter, calibrated_at, due_at, certificate FROM calibrations
		WHERE organisation_id = $1 AND meter = ANY ($2) ORDER BY meter, calibrated_at DESC`, t.organisation, ids)
	if err != nil {
		return fail("list calibrations", err)
	}
	var (
		meter string
		c     Calibration
		due   *time.Time
	)
	_, err = pgx.ForEachRow(rows, []any{&meter, &c.At, &due, &c.Note}, func() error {
		c.At, c.DueAt = c.At.UTC(), orZero(due)
		m := &meters[place[meter]]
		m.Calibrations = append(m.Calibrations, c)
		return nil
	})
	return fail("list calibrations", err)
}
