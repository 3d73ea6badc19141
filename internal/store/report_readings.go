package store

import (
	"context"
	"encoding/binary"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"creepage/internal/filter"
	"creepage/internal/insulation"
)

// ReportRange bounds a report. Times that are zero bound nothing, but AsOf.
type ReportRange struct {
	AsOf       time.Time // the rows as they were known then
	Start, End time.Time // from Start on, before End
}

// ReportReading is a row of the report of readings. It is used again for the
// next row; Assessment is valid until then.
type ReportReading struct {
	ID, Vehicle, Shop, Platform, Meter, Visit, Qualification string
	MeasuredAt, ReceivedAt, CalibratedAt                     time.Time // UTC; CalibratedAt zero: not stated
	Method                                                   insulation.Method
	Component                                                insulation.Component
	Conductor                                                insulation.Conductor
	Reference                                                insulation.Reference
	Relation                                                 insulation.Relation
	Quantity                                                 insulation.Quantity
	Moisture                                                 insulation.Moisture
	Warmth                                                   insulation.Warmth
	Ohms                                                     float64
	// NaN: not taken.
	TestVolts, HoldSeconds, AirCelsius, HumidityPct, PartCelsius, RangeOhms float64
	Assessment                                                              []byte // the message Assessment; nil if there is none
	Backfill                                                                bool
	VoidReason                                                              string // empty: it stood
}

// ReportReadingFields are those of the list, and the vehicle with its platform.
func ReportReadingFields() filter.Fields {
	return append(ReadingFields(),
		filter.Field{Name: "vehicle", Kind: filter.Name, Collection: "vehicles"},
		filter.Field{Name: "platform", Kind: filter.Name, Collection: "platforms"})
}

func reportReadingColumns() columns {
	c := readingListColumns()
	c["vehicle"] = column{sql: "v.name", wildcard: true}
	c["platform"] = column{sql: "r.platform"}
	return c
}

// reportReadingsSelect is the query of one month's rows: every argument but
// those of the filter is an instant.
const reportReadingsSelect = `SELECT r.reading_id, v.name, r.shop, r.platform, r.measured_at, r.method, r.component, r.conductor, r.reference, r.relation, r.ohms,
	r.test_volts, r.hold_seconds, r.air_celsius, r.humidity_pct, r.part_celsius, r.meter, r.range_ohms, r.visit, r.quantity, r.moisture, r.warmth,
	r.received_at, r.calibrated_at, r.qualification, r.assessment, r.backfill, CASE WHEN r.voided_at <= $2 THEN r.void_reason ELSE '' END
	FROM readings r JOIN vehicles v ON v.id = r.vehicle_id
	WHERE r.organisation_id = $1 AND r.received_at <= $2 AND r.measured_at >= $3 AND r.measured_at < $4 AND `

// In the order of time; the collation makes it the same order everywhere and
// is the cheapest to sort by.
const reportReadingsOrder = ` ORDER BY r.measured_at, r.reading_id COLLATE "C"`

// ReportReadings hands every reading over that was known at a time, void ones
// included, by the time of measurement. It asks month by month, along the
// partitions, so that no sort is larger than a month.
func (t *Tx) ReportReadings(ctx context.Context, where *filter.Expression, in ReportRange, each func(*ReportReading) error) error {
	months, err := t.readingMonths(ctx)
	if err != nil {
		return err
	}
	where, vehicle, err := t.onlyVehicle(ctx, where)
	if err != nil {
		return err
	}
	rows := reportReadingRows{words: map[string]string{}}
	// A month is sorted in memory where it fits.
	if _, err := t.tx.Exec(ctx, `SET LOCAL work_mem = '48MB'`); err != nil {
		return fail("make room to sort", err)
	}
	for _, month := range months {
		from, to := month, month.AddDate(0, 1, 0)
		if in.Start.After(from) {
			from = in.Start
		}
		if !in.End.IsZero() && in.End.Before(to) {
			to = in.End
		}
		if !from.Before(to) {
			continue
		}
		sql, args, err := t.reportReadingsQuery(where, vehicle, in.AsOf, from, to)
		if err != nil {
			return err
		}
		if err := rows.read(ctx, t.tx, sql, args, each); err != nil {
			return err
		}
	}
	return nil
}

func (t *Tx) reportReadingsQuery(where *filter.Expression, vehicle int64, asOf, from, to time.Time) (string, arguments, error) {
	args := arguments{t.organisation, asOf, from, to}
	condition, err := reportReadingColumns().where(where, &args)
	if err != nil {
		return "", nil, err
	}
	if vehicle != 0 {
		condition += " AND r.vehicle_id = " + args.add(vehicle)
	}
	return reportReadingsSelect + condition + reportReadingsOrder, args, nil
}

// readingMonths lists the months that have a partition, oldest first.
func (t *Tx) readingMonths(ctx context.Context) ([]time.Time, error) {
	rows, err := t.tx.Query(ctx, `SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid WHERE i.inhparent = 'readings'::regclass ORDER BY 1`)
	if err != nil {
		return nil, fail("list the months of readings", err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fail("list the months of readings", err)
	}
	var months []time.Time
	for _, name := range names {
		month, err := time.Parse("2006_01", strings.TrimPrefix(name, "readings_"))
		if err != nil {
			return nil, fail("list the months of readings", err)
		}
		months = append(months, month)
	}
	slices.SortFunc(months, time.Time.Compare)
	return months, nil
}

// onlyVehicle takes "vehicle = ..." out of a filter that demands it and returns
// the vehicle's key, under a former name too, so that its index serves; 0 if
// the filter does not demand one vehicle, -1 if there is none.
func (t *Tx) onlyVehicle(ctx context.Context, e *filter.Expression) (*filter.Expression, int64, error) {
	kids := []*filter.Expression{e}
	if e != nil && e.Op == filter.And {
		kids = e.Kids
	}
	at := slices.IndexFunc(kids, func(k *filter.Expression) bool {
		return k != nil && k.Op == filter.Equal && k.Field == "vehicle" && !strings.HasSuffix(k.Value.(string), "*")
	})
	if at < 0 {
		return e, 0, nil
	}
	var rest *filter.Expression
	if others := slices.Delete(slices.Clone(kids), at, at+1); len(others) > 0 {
		rest = &filter.Expression{Op: filter.And, Kids: others}
	}
	v, err := t.Vehicle(ctx, kids[at].Value.(string))
	if isNotFound(err) {
		return rest, -1, nil
	}
	return rest, v.Key, err
}

// reportReadingRows decodes rows as the database sends them. A row of thirty
// columns costs a microsecond this way; scanning into pointers costs three.
type reportReadingRows struct {
	words map[string]string // names that come again and again, each kept once
	row   ReportReading
}

func (d *reportReadingRows) read(ctx context.Context, tx pgx.Tx, sql string, args []any, each func(*ReportReading) error) error {
	rows, err := tx.Query(ctx, sql, append([]any{pgx.QueryResultFormats{pgx.BinaryFormatCode}}, args...)...)
	if err != nil {
		return fail("report readings", err)
	}
	defer rows.Close()
	for rows.Next() {
		d.decode(rows.RawValues())
		if err := each(&d.row); err != nil {
			return err
		}
	}
	return fail("report readings", rows.Err())
}

func (d *reportReadingRows) decode(c [][]byte) {
	r := &d.row
	r.ID, r.Vehicle, r.Shop, r.Platform, r.MeasuredAt = string(c[0]), d.word(c[1]), d.word(c[2]), d.word(c[3]), instant(c[4])
	r.Method, r.Component, r.Conductor = insulation.Method(small(c[5])), insulation.Component(small(c[6])), insulation.Conductor(small(c[7]))
	r.Reference, r.Relation, r.Ohms = insulation.Reference(small(c[8])), insulation.Relation(small(c[9])), number(c[10])
	r.TestVolts, r.HoldSeconds, r.AirCelsius, r.HumidityPct, r.PartCelsius = number(c[11]), number(c[12]), number(c[13]), number(c[14]), number(c[15])
	r.Meter, r.RangeOhms, r.Visit = d.word(c[16]), number(c[17]), string(c[18])
	r.Quantity, r.Moisture, r.Warmth = insulation.Quantity(small(c[19])), insulation.Moisture(small(c[20])), insulation.Warmth(small(c[21]))
	r.ReceivedAt, r.CalibratedAt, r.Qualification = instant(c[22]), instant(c[23]), d.word(c[24])
	r.Assessment, r.Backfill, r.VoidReason = c[25], c[26][0] != 0, string(c[27])
}

// mostWords bounds the names that are kept once.
const mostWords = 100_000

func (d *reportReadingRows) word(b []byte) string {
	if s, ok := d.words[string(b)]; ok {
		return s
	}
	if len(d.words) >= mostWords {
		clear(d.words)
	}
	s := string(b)
	d.words[s] = s
	return s
}

// PostgreSQL's binary formats: big-endian integers and IEEE 754 numbers, and
// for an instant microseconds since 2000-01-01 UTC.

func small(b []byte) int16 { return int16(binary.BigEndian.Uint16(b)) }

func number(b []byte) float64 {
	if b == nil {
		return math.NaN()
	}
	return math.Float64frombits(binary.BigEndian.Uint64(b))
}

const postgresEpoch = 946_684_800_000_000 // microseconds from 1970-01-01 to 2000-01-01

func instant(b []byte) time.Time {
	if b == nil {
		return time.Time{}
	}
	return time.UnixMicro(int64(binary.BigEndian.Uint64(b)) + postgresEpoch).UTC()
}
