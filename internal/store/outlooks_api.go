package store

import (
	"context"
	"math"
	"time"

	"github.com/jackc/pgx/v5"

	"creepage/internal/filter"
	"creepage/internal/insulation"
	"creepage/internal/trend"
)

// Outlook is what was said of a vehicle, with what is known of it now.
type Outlook struct {
	Vehicle        string
	Platform       string
	LastShop       string
	LastMeasuredAt time.Time
	EvaluatedAt    time.Time
	Details        []byte // the message Outlook in JSON
	Cursor         OutlookCursor
}

// OutlookCursor is the place of an outlook in its list.
type OutlookCursor struct {
	Values []any
	Key    int64
}

// OutlookQuery asks for a page of outlooks.
type OutlookQuery struct {
	Where *filter.Expression
	Order []filter.Order // empty: most urgent first
	After *OutlookCursor // nil: from the first
	Limit int
}

// underNow is true of what is below its code limit or has its code set (trend.Under): the most urgent of all. Index
// latest_outlooks_urgent is in that order.
const underNow = "(o.state = 4)"

// noCrossing stands for days that lie beyond two years, in order and filters.
const noCrossing = "1e9"

func outlookColumns() columns {
	return columns{
		"vehicle":              {sql: "v.name", wildcard: true},
		"measure_again_by":     {sql: "o.measure_again_by::date"},
		"state":                {sql: "o.state", words: numbersOf(trend.State.String)},
		"platform":             {sql: "v.platform"},
		"last_shop":            {sql: "s.last_shop"},
		"limiting_component":   {sql: "o.limiting", words: numbersOf(insulation.Component.String)},
		"code_probability_30d": {sql: "o.p30"},
		"code_probability_90d": {sql: "o.p90"},
		"days_to_code_p50":     {sql: "o.days_p50"},
	}
}

// numbersOf maps the words of an enum to its numbers.
func numbersOf[T ~uint8](word func(T) string) map[string]int16 {
	words := map[string]int16{}
	for i := T(1); word(i) != ""; i++ {
		words[word(i)] = int16(i)
	}
	return words
}

var outlookOrders = map[string]string{
	"code_probability_30d": "o.p30",
	"code_probability_90d": "o.p90",
	"days_to_code_p50":     "coalesce(o.days_p50, " + noCrossing + ")",
	"measure_again_by":     "coalesce(o.measure_again_by, '9999-12-31')",
	"vehicle":              "v.name",
}

// OutlookOrders lists the fields outlooks can be ordered by.
func OutlookOrders() []string {
	return []string{"code_probability_30d", "code_probability_90d", "days_to_code_p50", "measure_again_by", "vehicle"}
}

func (q OutlookQuery) keys() []sortKey {
	if len(q.Order) == 0 {
		return []sortKey{{sql: underNow, descending: true}, {sql: "o.p90", descending: true}, {sql: "o.vehicle_id"}}
	}
	var keys []sortKey
	for _, o := range q.Order {
		keys = append(keys, sortKey{sql: outlookOrders[o.Field], descending: o.Descending})
	}
	return append(keys, sortKey{sql: "o.vehicle_id"})
}

const outlookTables = ` FROM latest_outlooks o JOIN vehicles v ON v.id = o.vehicle_id LEFT JOIN vehicle_states s ON s.vehicle_id = o.vehicle_id
	WHERE o.organisation_id = $1 AND v.retired_at IS NULL AND v.merged_into IS NULL AND `

// Outlooks lists the latest outlook of every vehicle that is not retired.
func (t *Tx) Outlooks(ctx context.Context, q OutlookQuery) ([]Outlook, error) {
	args := arguments{t.organisation}
	condition, err := outlookColumns().where(q.Where, &args)
	if err != nil {
		return nil, err
	}
	keys := q.keys()
	if q.After != nil && len(q.After.Values) == len(keys)-1 {
		condition += " AND " + after(keys, append(append([]any{}, q.After.Values...), q.After.Key), &args)
	}
	values := make([]any, len(keys)-1)
	selected := ""
	targets := make([]any, len(values))
	for i := range values {
		selected += ", " + keys[i].sql
		targets[i] = &values[i]
	}
	rows, err := t.tx.Query(ctx, `SELECT v.name, v.platform, coalesce(s.last_shop, ''), s.last_measured_at, o.evaluated_at, o.details, o.vehicle_id`+selected+
		outlookTables+condition+` ORDER BY `+orderBy(keys)+` LIMIT `+args.add(q.Limit), args...)
	if err != nil {
		return nil, fail("list outlooks", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Outlook, error) {
		var o Outlook
		var measured *time.Time
		err := row.Scan(append([]any{&o.Vehicle, &o.Platform, &o.LastShop, &measured, &o.EvaluatedAt, &o.Details, &o.Cursor.Key}, targets...)...)
		o.LastMeasuredAt = orZero(measured)
		o.Cursor.Values = append([]any{}, values...)
		return o, err
	})
	return list, fail("list outlooks", err)
}

// CountOutlooks counts the vehicles of a filter.
func (t *Tx) CountOutlooks(ctx context.Context, where *filter.Expression) (int, error) {
	args := arguments{t.organisation}
	condition, err := outlookColumns().where(where, &args)
	if err != nil {
		return 0, err
	}
	var n int
	err = t.tx.QueryRow(ctx, `SELECT count(*)`+outlookTables+condition, args...).Scan(&n)
	return n, fail("count outlooks", err)
}

// OutlookCount is how many vehicles of a group are in a state.
type OutlookCount struct {
	Group    string // platform or shop; empty: all, or no shop known
	State    int16  // of the contract's Outlook.State
	Vehicles int
}

// CountOutlooksBy counts the vehicles of a filter by state, and by `platform` or
// `last_shop` where one of these is named.
func (t *Tx) CountOutlooksBy(ctx context.Context, where *filter.Expression, group string) ([]OutlookCount, error) {
	args := arguments{t.organisation}
	condition, err := outlookColumns().where(where, &args)
	if err != nil {
		return nil, err
	}
	key := "''"
	if group == "platform" || group == "last_shop" {
		key = "coalesce(" + outlookColumns()[group].sql + ", '')"
	}
	rows, err := t.tx.Query(ctx, `SELECT `+key+`, o.state, count(*)`+outlookTables+condition+` GROUP BY 1, 2 ORDER BY 1, 2`, args...)
	if err != nil {
		return nil, fail("count outlooks", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[OutlookCount])
	return list, fail("count outlooks", err)
}

// RecentReading is a reading as a spark line needs it.
type RecentReading struct {
	MeasuredAt time.Time
	Relation   insulation.Relation
	Ohms       float64
}

// RecentReadings returns, for each outlook's vehicle key, the newest readings
// of the limiting component (of the whole vehicle where none limits) that
// stand, oldest first, in one query.
func (t *Tx) RecentReadings(ctx context.Context, of []Outlook, limit int) (map[int64][]RecentReading, error) {
	keys := make([]int64, len(of))
	for i := range of {
		keys[i] = of[i].Cursor.Key
	}
	rows, err := t.tx.Query(ctx, `SELECT o.vehicle_id, r.measured_at, r.relation, r.ohms FROM latest_outlooks o CROSS JOIN LATERAL (
			SELECT r.measured_at, r.relation, r.ohms FROM readings r
			WHERE r.organisation_id = $1 AND r.vehicle_id = o.vehicle_id AND r.component = coalesce(nullif(o.limiting, 0), $4) AND r.voided_at IS NULL
			ORDER BY r.measured_at DESC LIMIT $3) r
		WHERE o.organisation_id = $1 AND o.vehicle_id = ANY ($2) ORDER BY o.vehicle_id, r.measured_at`, t.organisation, keys, limit, int16(insulation.System))
	if err != nil {
		return nil, fail("list recent readings", err)
	}
	recent := make(map[int64][]RecentReading, len(of))
	var key int64
	var r RecentReading
	_, err = pgx.ForEachRow(rows, []any{&key, &r.MeasuredAt, &r.Relation, &r.Ohms}, func() error {
		recent[key] = append(recent[key], r)
		return nil
	})
	return recent, fail("list recent readings", err)
}

// Outlook returns the latest outlook of a vehicle, or the latest of those said
// up to a time. It returns ErrNotFound if nothing had been said.
func (t *Tx) Outlook(ctx context.Context, key int64, asOf time.Time) (Outlook, error) {
	said, args := `latest_outlooks o ON o.vehicle_id = v.id`, []any{t.organisation, asOf, key}
	if !asOf.IsZero() {
		said = `LATERAL ` + saidLast + ` o ON true`
	}
	var o Outlook
	var measured *time.Time
	err := t.tx.QueryRow(ctx, `SELECT v.name, v.platform, coalesce(s.last_shop, ''), s.last_measured_at, o.evaluated_at, o.details
		FROM vehicles v JOIN `+said+` LEFT JOIN vehicle_states s ON s.vehicle_id = v.id
		WHERE v.organisation_id = $1 AND v.id = $3 AND $2::timestamptz IS NOT NULL`, args...).Scan(&o.Vehicle, &o.Platform, &o.LastShop, &measured, &o.EvaluatedAt, &o.Details)
	o.LastMeasuredAt = orZero(measured)
	return o, fail("find an outlook", err)
}

// orNaN is a number that may be absent.
func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}
