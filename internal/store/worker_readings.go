package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"creepage/internal/insulation"
	"creepage/internal/trend"
)

// Outcome is what became of a row that was to be inserted.
type Outcome uint8

// Outcomes.
const (
	Inserted    Outcome = iota + 1
	Duplicate           // stands already, with the same content
	Conflicting         // its identity stands already with other content
)

// NewReading is a reading to be inserted.
type NewReading struct {
	Organisation uuid.UUID
	Vehicle      int64
	Reading      *insulation.Reading
	Content      [32]byte // hash of what the sender said
	Assessment   []byte   // message Assessment; nil if intake said nothing
	Backfill     bool
}

// readingIdentity is the key of a reading.
type readingIdentity struct {
	organisation uuid.UUID
	id           string
	measuredAt   int64 // microseconds
}

func (r *NewReading) identity() readingIdentity {
	return readingIdentity{r.Organisation, r.Reading.ID, r.Reading.MeasuredAt.UnixMicro()}
}

// InsertReadings inserts what does not stand already and returns what became
// of each row. Of rows with one identity the first stands. The months'
// partitions must be there. It is called once a transaction.
func (w *WorkerTx) InsertReadings(ctx context.Context, rows []NewReading) ([]Outcome, error) {
	if len(rows) == 0 {
		return nil, nil
	}
	inserted, err := w.insertReadings(ctx, rows)
	if err != nil {
		return nil, err
	}
	outcomes := make([]Outcome, len(rows))
	if inserted == len(rows) { // nearly always
		for i := range outcomes {
			outcomes[i] = Inserted
		}
		return outcomes, nil
	}
	standing, err := w.standing(ctx, rows)
	if err != nil {
		return nil, err
	}
	for i := range rows {
		switch s := standing[rows[i].identity()]; {
		case s == nil:
			return nil, fmt.Errorf("insert readings: %w: %q stands and cannot be read", ErrUnavailable, rows[i].Reading.ID)
		case s.ours:
			outcomes[i], s.ours = Inserted, false
		case s.content == rows[i].Content:
			outcomes[i] = Duplicate
		default:
			outcomes[i] = Conflicting
		}
	}
	return outcomes, nil
}

// readingFields is the number of columns of the type new_reading.
const readingFields = 31

const insertReadings = `
INSERT INTO readings (organisation_id, reading_id, measured_at, vehicle_id, received_at,
    vehicle, shop, platform, visit, meter, qualification, precautions,
    method, component, conductor, reference, quantity, relation, moisture, warmth,
    ohms, test_volts, hold_seconds, air_celsius, humidity_pct, part_celsius, range_ohms, calibrated_at, assessment, content, backfill)
SELECT organisation_id, reading_id, measured_at, vehicle_id, received_at,
    vehicle, shop, platform, visit, meter, qualification, precautions,
    method, component, conductor, reference, quantity, relation, moisture, warmth,
    ohms, test_volts, hold_seconds, air_celsius, humidity_pct, part_celsius, range_ohms, calibrated_at, assessment, content, backfill
FROM unnest($1::new_reading[])`

// insertReadings returns how many rows were inserted. To look out for rows that
// stand already costs PostgreSQL up to twice as much, and nearly always there
// are none: that is tried first, and undone if there are.
func (w *WorkerTx) insertReadings(ctx context.Context, rows []NewReading) (int, error) {
	if _, err := w.tx.Exec(ctx, `SAVEPOINT readings`); err != nil {
		return 0, fail("insert readings", err)
	}
	n, err := w.insertInParts(ctx, insertReadings, rows)
	var pg *pgconn.PgError
	stands := errors.As(err, &pg) && pg.Code == uniqueViolation
	if stands {
		_, err = w.tx.Exec(ctx, `ROLLBACK TO SAVEPOINT readings`)
	}
	if err == nil {
		_, err = w.tx.Exec(ctx, `RELEASE SAVEPOINT readings`)
	}
	if stands && err == nil {
		n, err = w.insertInParts(ctx, insertReadings+" ON CONFLICT DO NOTHING", rows)
	}
	return n, fail("insert readings", err)
}

const (
	// rowsInPart bounds what PostgreSQL has of an insertion in memory several times
	// over: a tenth as many rows cost it a quarter less each than ten thousand.
	rowsInPart = 1000
	bytesOfRow = 640 // about
)

func (w *WorkerTx) insertInParts(ctx context.Context, insertion string, rows []NewReading) (int, error) {
	element, err := w.newReadingType(ctx)
	if err != nil {
		return 0, err
	}
	n := 0
	records := make(array, 0, min(len(rows), rowsInPart)*bytesOfRow)
	for part := range slices.Chunk(rows, rowsInPart) {
		if records, err = appendReadings(records[:0], element, part); err != nil {
			return 0, err
		}
		tag, err := w.exec(ctx, insertion, records)
		if err != nil {
			return 0, err
		}
		n += int(tag.RowsAffected())
	}
	return n, nil
}

// appendReadings writes readings as one array of records: unnesting an array a
// column costs PostgreSQL a quarter more.
func appendReadings(records array, element uint32, rows []NewReading) (array, error) {
	records.begin(element, len(rows))
	for i := range rows {
		row := &rows[i]
		r := row.Reading
		var precautions []byte
		if r.Precautions != (insulation.Precautions{}) {
			var err error
			if precautions, err = json.Marshal(r.Precautions); err != nil {
				return nil, fmt.Errorf("write the precautions of reading %q: %w", r.ID, err)
			}
		}
		begun := records.record(readingFields)
		records.field(oidUUID).bytes(row.Organisation[:])
		records.field(oidText).text(r.ID)
		records.field(oidTime).time(r.MeasuredAt)
		records.field(oidInt8).int8(row.Vehicle)
		records.field(oidTime).time(r.ReceivedAt)
		for _, s := range [...]string{r.Vehicle, r.Shop, r.Platform, r.Visit, r.Meter, r.Qualification} {
			records.field(oidText).text(s)
		}
		records.field(oidJSON).json(precautions)
		for _, k := range [...]int16{int16(r.Method), int16(r.Component), int16(r.Conductor), int16(r.Reference),
			int16(r.Quantity), int16(r.Relation), int16(r.Moisture), int16(r.Warmth)} {
			records.field(oidInt2).int2(k)
		}
		for _, x := range [...]float64{r.Ohms, r.TestVolts, r.HoldSeconds, r.AirCelsius, r.HumidityPct, r.PartCelsius, r.RangeOhms} {
			records.field(oidFloat).float(x)
		}
		records.field(oidTime).time(r.CalibratedAt)
		records.field(oidBytes).bytes(row.Assessment)
		records.field(oidBytes).bytes(row.Content[:])
		records.field(oidBool).bool(row.Backfill)
		records.end(begun)
	}
	return records, nil
}

// newReadingType is the object id of the type new_reading, which is asked for once.
func (w *WorkerTx) newReadingType(ctx context.Context) (uint32, error) {
	if id := w.store.newReading.Load(); id != 0 {
		return id, nil
	}
	var id uint32
	if err := w.tx.QueryRow(ctx, `SELECT 'new_reading'::regtype::oid`).Scan(&id); err != nil {
		return 0, fail("insert readings", err)
	}
	w.store.newReading.Store(id)
	return id, nil
}

// standingReading is what stands under an identity.
type standingReading struct {
	content [32]byte
	ours    bool // inserted in this transaction
}

// standing returns what stands under the rows' identities.
func (w *WorkerTx) standing(ctx context.Context, rows []NewReading) (map[readingIdentity]*standingReading, error) {
	asked := make([]*NewReading, len(rows))
	for i := range rows {
		asked[i] = &rows[i]
	}
	result, err := w.tx.Query(ctx, `SELECT r.organisation_id, r.reading_id, r.measured_at, r.content, r.xmin = pg_current_xact_id()::xid`+standingRows, identities(asked)...)
	if err != nil {
		return nil, fail("compare readings", err)
	}
	found := make(map[readingIdentity]*standingReading, len(rows))
	var id readingIdentity
	var at time.Time
	var content []byte
	var ours bool
	_, err = pgx.ForEachRow(result, []any{&id.organisation, &id.id, &at, &content, &ours}, func() error {
		id.measuredAt = at.UnixMicro()
		found[id] = &standingReading{[32]byte(content), ours}
		return nil
	})
	return found, fail("compare readings", err)
}

const standingRows = `
FROM (SELECT DISTINCT * FROM unnest($1::uuid[], $2::text[], $3::timestamptz[]) AS u (organisation_id, reading_id, measured_at)) AS u
JOIN readings r USING (organisation_id, reading_id, measured_at)`

func identities(rows []*NewReading) []any {
	organisations, ids, measured := make([]uuid.UUID, len(rows)), make([]string, len(rows)), make([]time.Time, len(rows))
	for i, r := range rows {
		organisations[i], ids[i], measured[i] = r.Organisation, r.Reading.ID, r.Reading.MeasuredAt
	}
	return []any{organisations, ids, measured}
}

// KeepConflicts keeps aside readings whose identity stands with other content.
// message encodes a reading; differing names the fields in which two readings differ.
func (w *WorkerTx) KeepConflicts(ctx context.Context, rows []*NewReading, now time.Time,
	message func(*insulation.Reading) ([]byte, error), differing func(a, b *insulation.Reading) []string) error {
	if len(rows) == 0 {
		return nil
	}
	result, err := w.tx.Query(ctx, `SELECT r.organisation_id, `+trackedColumns+standingRows, identities(rows)...)
	if err != nil {
		return fail("compare conflicting readings", err)
	}
	standing := map[readingIdentity]*insulation.Reading{}
	for result.Next() {
		var organisation uuid.UUID
		var vehicle int64
		r, err := scanTracked(result, &organisation, &vehicle)
		if err != nil {
			return fail("compare conflicting readings", err)
		}
		standing[readingIdentity{organisation, r.ID, r.MeasuredAt.UnixMicro()}] = r
	}
	if err := result.Err(); err != nil {
		return fail("compare conflicting readings", err)
	}
	batch := &pgx.Batch{}
	for _, row := range rows {
		encoded, err := message(row.Reading)
		if err != nil {
			return fmt.Errorf("encode conflicting reading %q: %w", row.Reading.ID, err)
		}
		fields := []string{}
		if s := standing[row.identity()]; s != nil {
			fields = append(fields, differing(s, row.Reading)...)
		}
		batch.Queue(`INSERT INTO reading_conflicts (organisation_id, reading_id, measured_at, vehicle_id, shop, reading, differing_fields, content, created_at)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT DO NOTHING`, row.Organisation, row.Reading.ID, row.Reading.MeasuredAt, row.Vehicle,
			row.Reading.Shop, encoded, fields, row.Content[:], now)
	}
	return fail("keep conflicting readings", w.tx.SendBatch(ctx, batch).Close())
}

const trackedColumns = `r.vehicle_id, r.reading_id, r.vehicle, r.shop, r.platform, r.visit, r.meter, r.measured_at, r.received_at,
	r.method, r.component, r.conductor, r.reference, r.quantity, r.relation, r.moisture, r.warmth,
	r.ohms, r.test_volts, r.hold_seconds, r.air_celsius, r.humidity_pct, r.part_celsius, r.range_ohms, r.calibrated_at, r.qualification, r.precautions`

// scanTracked reads trackedColumns, after what before takes.
func scanTracked(row pgx.CollectableRow, before ...any) (*insulation.Reading, error) {
	var r insulation.Reading
	var numbers [6]*float64
	var calibrated *time.Time
	var precautions []byte
	err := row.Scan(append(before, &r.ID, &r.Vehicle, &r.Shop, &r.Platform, &r.Visit, &r.Meter, &r.MeasuredAt, &r.ReceivedAt,
		&r.Method, &r.Component, &r.Conductor, &r.Reference, &r.Quantity, &r.Relation, &r.Moisture, &r.Warmth,
		&r.Ohms, &numbers[0], &numbers[1], &numbers[2], &numbers[3], &numbers[4], &numbers[5], &calibrated, &r.Qualification, &precautions)...)
	if err != nil {
		return nil, err
	}
	for i, to := range []*float64{&r.TestVolts, &r.HoldSeconds, &r.AirCelsius, &r.HumidityPct, &r.PartCelsius, &r.RangeOhms} {
		*to = math.NaN()
		if numbers[i] != nil {
			*to = *numbers[i]
		}
	}
	if calibrated != nil {
		r.CalibratedAt = calibrated.UTC()
	}
	r.MeasuredAt, r.ReceivedAt = r.MeasuredAt.UTC(), r.ReceivedAt.UTC()
	if precautions != nil {
		if err := json.Unmarshal(precautions, &r.Precautions); err != nil {
			return nil, fmt.Errorf("read the precautions of reading %q: %w", r.ID, err)
		}
	}
	return &r, nil
}

// NewCode is a code to be inserted.
type NewCode struct {
	Organisation uuid.UUID
	Vehicle      int64
	Code         *insulation.Code
	ReceivedAt   time.Time
}

// InsertCodes inserts what does not stand already and returns what became of
// each row.
func (w *WorkerTx) InsertCodes(ctx context.Context, rows []NewCode) ([]Outcome, error) {
	n := len(rows)
	organisations, vehicles, codes, set, received := make([]uuid.UUID, n), make([]int64, n), make([]string, n), make([]time.Time, n), make([]time.Time, n)
	for i, r := range rows {
		organisations[i], vehicles[i], codes[i], set[i], received[i] = r.Organisation, r.Vehicle, r.Code.Code, r.Code.SetAt, r.ReceivedAt
	}
	result, err := w.tx.Query(ctx, `
INSERT INTO codes (organisation_id, vehicle_id, code, set_at, received_at)
SELECT * FROM unnest($1::uuid[], $2::bigint[], $3::text[], $4::timestamptz[], $5::timestamptz[])
ON CONFLICT DO NOTHING RETURNING vehicle_id, code, set_at`, organisations, vehicles, codes, set, received)
	if err != nil {
		return nil, fail("insert codes", err)
	}
	type identity struct {
		vehicle int64
		code    string
		set     int64
	}
	inserted := map[identity]bool{}
	var id identity
	var at time.Time
	if _, err := pgx.ForEachRow(result, []any{&id.vehicle, &id.code, &at}, func() error {
		id.set = at.UnixMicro()
		inserted[id] = true
		return nil
	}); err != nil {
		return nil, fail("insert codes", err)
	}
	outcomes := make([]Outcome, n)
	for i, r := range rows {
		id := identity{r.Vehicle, r.Code.Code, r.Code.SetAt.UnixMicro()}
		outcomes[i] = Duplicate
		if inserted[id] {
			outcomes[i] = Inserted
			delete(inserted, id)
		}
	}
	return outcomes, nil
}

// EntriesSince returns what happened to each vehicle from a time on: readings
// that are not voided, repairs and codes. One query for each of the three.
func (w *WorkerTx) EntriesSince(ctx context.Context, since map[int64]time.Time) (map[int64][]trend.Entry, error) {
	keys, times := splitDays(since)
	entries := make(map[int64][]trend.Entry, len(since))
	const asked = ` FROM unnest($1::bigint[], $2::timestamptz[]) AS u (vehicle_id, since) CROSS JOIN LATERAL `
	rows, err := w.tx.Query(ctx, `SELECT `+trackedColumns+asked+`(SELECT * FROM readings r
		WHERE r.vehicle_id = u.vehicle_id AND r.measured_at >= u.since AND r.voided_at IS NULL) AS r`, keys, times)
	if err != nil {
		return nil, fail("read vehicles' readings", err)
	}
	for rows.Next() {
		var vehicle int64
		r, err := scanTracked(rows, &vehicle)
		if err != nil {
			return nil, fail("read vehicles' readings", err)
		}
		entries[vehicle] = append(entries[vehicle], trend.Entry{Reading: r})
	}
	if err := rows.Err(); err != nil {
		return nil, fail("read vehicles' readings", err)
	}
	rows, err = w.tx.Query(ctx, `SELECT u.vehicle_id, r.component, r.kind, r.occurred_at`+asked+`(SELECT * FROM repairs r
		WHERE r.vehicle_id = u.vehicle_id AND r.occurred_at >= u.since) AS r`, keys, times)
	if err != nil {
		return nil, fail("read vehicles' repairs", err)
	}
	for rows.Next() {
		var vehicle int64
		var e insulation.Event
		if err := rows.Scan(&vehicle, &e.Component, &e.Kind, &e.OccurredAt); err != nil {
			return nil, fail("read vehicles' repairs", err)
		}
		e.OccurredAt = e.OccurredAt.UTC()
		entries[vehicle] = append(entries[vehicle], trend.Entry{Event: &e})
	}
	if err := rows.Err(); err != nil {
		return nil, fail("read vehicles' repairs", err)
	}
	rows, err = w.tx.Query(ctx, `SELECT u.vehicle_id, c.code, c.set_at`+asked+`(SELECT * FROM codes c
		WHERE c.vehicle_id = u.vehicle_id AND c.set_at >= u.since) AS c`, keys, times)
	if err != nil {
		return nil, fail("read vehicles' codes", err)
	}
	for rows.Next() {
		var vehicle int64
		var c insulation.Code
		if err := rows.Scan(&vehicle, &c.Code, &c.SetAt); err != nil {
			return nil, fail("read vehicles' codes", err)
		}
		c.SetAt = c.SetAt.UTC()
		entries[vehicle] = append(entries[vehicle], trend.Entry{Code: &c})
	}
	return entries, fail("read vehicles' codes", rows.Err())
}
