package services_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/wire"
)

// Rows as the worker leaves them.

// vehicle registers a vehicle and returns its key.
func (s *system) vehicle(t testing.TB, organisation uuid.UUID, name string) int64 {
	t.Helper()
	s.db.Exec(t, `INSERT INTO vehicles (organisation_id, name, platform, created_at) VALUES ($1, $2, 'harbor-van-400', $3)`, organisation, name, now)
	var key int64
	s.db.Query(t, fmt.Sprintf(`SELECT id FROM vehicles WHERE organisation_id = '%s' AND name = '%s'`, organisation, name), &key)
	s.db.Exec(t, `INSERT INTO vehicle_states (vehicle_id, organisation_id, last_shop, last_measured_at) VALUES ($1, $2, 'north-yard', $3)`, key, organisation, now)
	return key
}

// keep stores a reading of a vehicle.
func (s *system) keep(t testing.TB, organisation uuid.UUID, vehicle int64, m *creepagev1.Reading) {
	t.Helper()
	r, err := wire.Reading(m)
	must(t, err)
	content := wire.ContentHash(&r)
	assessment, err := proto.Marshal(&creepagev1.Assessment{ServiceLimit: creepagev1.Assessment_MET, LimitOhms: proto.Float64(1e8)})
	must(t, err)
	s.db.Exec(t, `SELECT make_reading_partition($1::timestamptz::date)`, r.MeasuredAt)
	s.db.Exec(t, `INSERT INTO readings (organisation_id, reading_id, measured_at, vehicle_id, received_at, vehicle, shop, platform, visit, meter, method, component, conductor,
		reference, quantity, relation, ohms, test_volts, hold_seconds, assessment, content)
		VALUES ($1, $2, $3, $4, $3, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20)`,
		organisation, r.ID, r.MeasuredAt, vehicle, r.Vehicle, r.Shop, r.Platform, r.Visit, r.Meter, int16(r.Method), int16(r.Component), int16(r.Conductor),
		int16(r.Reference), int16(r.Quantity), int16(r.Relation), r.Ohms, r.TestVolts, r.HoldSeconds, assessment, content[:])
}

// say stores an outlook, the latest one too.
func (s *system) say(t testing.TB, organisation uuid.UUID, vehicle int64, at time.Time, state creepagev1.Outlook_State, p90 float64, days *float64) {
	t.Helper()
	m := &creepagev1.Outlook{State: state, CodeProbability_30D: p90 / 2, CodeProbability_90D: p90, DaysToCodeP50: days, Reason: "the motor falls",
		LimitingComponent: creepagev1.Reading_MOTOR.Enum(), EvaluateTime: wire.Timestamp(at), MeasureAgainBy: proto.String("2026-03-20"),
		Curve: []*creepagev1.CurvePoint{{Days: 30, Probability: p90 / 2}}, Parts: []*creepagev1.Part{{Component: creepagev1.Reading_MOTOR, Group: "phases"}}}
	details, err := protojson.Marshal(m)
	must(t, err)
	const columns = `(organisation_id, vehicle_id, evaluated_at, state, p30, p90, days_p50, limiting, reason, details, params_version) VALUES ($1, $2, $3, $4, $5, $6, $7, 4, $8, $9, 'v')`
	args := []any{organisation, vehicle, at, int16(state), p90 / 2, p90, days, m.GetReason(), details}
	s.db.Exec(t, `INSERT INTO outlooks `+columns, args...)
	s.db.Exec(t, `DELETE FROM latest_outlooks WHERE vehicle_id = $1`, vehicle)
	s.db.Exec(t, `INSERT INTO latest_outlooks `+columns, args...)
}

// warn stores a standing warning and returns its resource name.
func (s *system) warn(t testing.TB, organisation uuid.UUID, vehicle int64, at time.Time) string {
	t.Helper()
	id := uuid.Must(uuid.NewV7())
	s.db.Exec(t, `INSERT INTO warnings (id, organisation_id, vehicle_id, kind, component, raised_at, probability, days_p50, reason)
		VALUES ($1, $2, $3, 1, 4, $4, 0.3, 70, 'the motor falls')`, id, organisation, vehicle, at)
	return "warnings/" + id.String()
}
