package store_test

import (
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"creepage/internal/local/localtest"
	"creepage/internal/store"
)

// tenant is an organisation with one vehicle and one standing warning.
type tenant struct {
	db           *localtest.Database
	organisation uuid.UUID
	vehicle      int64
	warning      uuid.UUID
	at           time.Time
}

func newTenant(t *testing.T) *tenant {
	t.Helper()
	e := &tenant{db: server.Database(t), organisation: uuid.Must(uuid.NewV7()), warning: uuid.Must(uuid.NewV7()), at: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}
	e.db.Exec(t, `INSERT INTO organisations (id, name, created_at) VALUES ($1, 'harbor', $2)`, e.organisation, e.at)
	e.db.Exec(t, `INSERT INTO platforms (organisation_id, id) VALUES ($1, 'van-400')`, e.organisation)
	e.db.Exec(t, `INSERT INTO vehicles (organisation_id, name, platform, created_at) VALUES ($1, 'van-1', 'van-400', $2)`, e.organisation, e.at)
	e.db.Query(t, `SELECT id FROM vehicles`, &e.vehicle)
	e.db.Exec(t, `INSERT INTO warnings (id, organisation_id, vehicle_id, kind, raised_at, probability, reason) VALUES ($1, $2, $3, 1, $4, 0.5, 'it falls')`,
		e.warning, e.organisation, e.vehicle, e.at)
	return e
}

// do runs f as the organisation, with the api's login.
func (e *tenant) do(t *testing.T, s *store.Store, f func(*store.Tx) error) error {
	t.Helper()
	return s.AsOrganisation(t.Context(), e.organisation, f)
}

func TestAChangeThatMeetsNoRowIsAnError(t *testing.T) {
	e := newTenant(t)
	s := e.db.Store(t, store.APILogin)
	nobody, ctx := uuid.Must(uuid.NewV7()), t.Context()
	looked := store.FindingRecord{Finding: 2, At: e.at}
	notYet := store.FindingRecord{Finding: 1, At: e.at}
	for _, c := range []struct {
		what string
		do   func(*store.Tx) error
		want error
	}{
		{"acknowledge an unknown warning", func(tx *store.Tx) error { return tx.AcknowledgeWarning(ctx, nobody, e.at, "") }, store.ErrNotFound},
		{"end an unknown warning", func(tx *store.Tx) error { return tx.EndWarning(ctx, nobody, e.at, "") }, store.ErrNotFound},
		{"record a finding of an unknown warning", func(tx *store.Tx) error { return tx.RecordFinding(ctx, nobody, looked) }, store.ErrNotFound},
		{"retire an unknown vehicle", func(tx *store.Tx) error { return tx.RetireVehicle(ctx, -1, e.at) }, store.ErrNotFound},
		{"rename an unknown vehicle", func(tx *store.Tx) error { return tx.RenameVehicle(ctx, -1, "van-2", e.at) }, store.ErrNotFound},
		{"merge an unknown vehicle", func(tx *store.Tx) error { return tx.MergeVehicles(ctx, -1, e.vehicle, e.at) }, store.ErrNotFound},
		{"acknowledge", func(tx *store.Tx) error { return tx.AcknowledgeWarning(ctx, e.warning, e.at, "seen") }, nil},
		{"acknowledge again", func(tx *store.Tx) error { return tx.AcknowledgeWarning(ctx, e.warning, e.at, "mine") }, store.ErrStands},
		{"note that nobody looked yet", func(tx *store.Tx) error { return tx.RecordFinding(ctx, e.warning, notYet) }, nil},
		{"record a finding", func(tx *store.Tx) error { return tx.RecordFinding(ctx, e.warning, looked) }, nil},
		{"record another", func(tx *store.Tx) error { return tx.RecordFinding(ctx, e.warning, looked) }, store.ErrStands},
		{"end", func(tx *store.Tx) error { return tx.EndWarning(ctx, e.warning, e.at, "done") }, nil},
		{"end again", func(tx *store.Tx) error { return tx.EndWarning(ctx, e.warning, e.at, "mine") }, store.ErrStands},
		{"retire", func(tx *store.Tx) error { return tx.RetireVehicle(ctx, e.vehicle, e.at) }, nil},
		{"retire again", func(tx *store.Tx) error { return tx.RetireVehicle(ctx, e.vehicle, e.at) }, store.ErrStands},
	} {
		if err := e.do(t, s, c.do); !errors.Is(err, c.want) || c.want == nil && err != nil {
			t.Errorf("%s: %v, want %v", c.what, err, c.want)
		}
	}
	// To another organisation none of it is there.
	other := uuid.Must(uuid.NewV7())
	err := s.AsOrganisation(ctx, other, func(tx *store.Tx) error { return tx.AcknowledgeWarning(ctx, e.warning, e.at, "") })
	if !errors.Is(err, store.ErrNotFound) {
		t.Errorf("another organisation's acknowledgement: %v, want %v", err, store.ErrNotFound)
	}
}

// The database itself keeps what was said, whoever writes and with whatever
// statement: here its owner.
func TestWhatBecameOfAWarningIsSetOnceWhateverTheStatement(t *testing.T) {
	e := newTenant(t)
	conn, err := pgx.Connect(t.Context(), e.db.OwnerURL())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	for _, c := range []struct {
		set    string
		stands bool
	}{
		{`probability = 0.9`, false},
		{`reason = 'other words'`, false},
		{`vehicle_id = vehicle_id, kind = 2`, false},
		{`end_reason = 'over'`, false}, // a reason without an end
		{`acknowledge_note = 'seen'`, false},
		{`finding_component = 4`, false},
		{`ended_at = raised_at - interval '1 second'`, false},
		{`acknowledged_at = raised_at, acknowledge_note = 'seen'`, true},
		{`acknowledge_note = 'other words'`, false},
		{`acknowledged_at = NULL, acknowledge_note = ''`, false},
		{`finding = 1, finding_at = raised_at`, true}, // not looked at yet
		{`finding = 2, finding_at = raised_at, finding_component = 4`, true},
		{`finding = 3`, false},
		{`finding = 0, finding_at = NULL, finding_component = 0`, false},
		{`ended_at = raised_at, end_reason = 'over'`, true},
		{`ended_at = NULL, end_reason = ''`, false},
		{`end_reason = 'other words'`, false},
	} {
		_, err := conn.Exec(t.Context(), `UPDATE warnings SET `+c.set)
		if (err == nil) != c.stands {
			t.Errorf("SET %s: %v", c.set, err)
		}
	}
	for _, c := range []struct{ login, sql string }{
		{store.APILogin, `UPDATE warnings SET vehicle_id = vehicle_id`},
		{store.APILogin, `UPDATE outlooks SET vehicle_id = vehicle_id`},
		{store.APILogin, `DELETE FROM warnings`},
		{store.WorkerLogin, `UPDATE warnings SET reason = 'other words'`},
		{store.WorkerLogin, `UPDATE outlooks SET p90 = 0`},
		{store.AnalystLogin, `DELETE FROM outlooks`},
	} {
		if err := execAs(t, e.db, c.login, c.sql); err == nil {
			t.Errorf("%s may %s", c.login, c.sql)
		}
	}
}

// execAs runs SQL with a login.
func execAs(t *testing.T, db *localtest.Database, login, sql string, args ...any) error {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), db.URL(login))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	_, err = conn.Exec(t.Context(), sql, args...)
	return err
}

// Two merges of one vehicle at the same moment: the second finds it gone,
// rather than moving it once more.
func TestAVehicleIsMergedOnce(t *testing.T) {
	e := newTenant(t)
	e.db.Exec(t, `INSERT INTO vehicles (organisation_id, name, platform, created_at) VALUES ($1, 'van-2', 'van-400', $2), ($1, 'van-3', 'van-400', $2)`, e.organisation, e.at)
	var second, third int64
	e.db.Query(t, `SELECT min(id), max(id) FROM vehicles WHERE name <> 'van-1'`, &second, &third)
	s, ctx := e.db.Store(t, store.APILogin), t.Context()
	other := make(chan error, 1)
	err := e.do(t, s, func(tx *store.Tx) error {
		if err := tx.MergeVehicles(ctx, e.vehicle, second, e.at); err != nil {
			return err
		}
		go func() {
			other <- s.AsOrganisation(ctx, e.organisation, func(tx *store.Tx) error { return tx.MergeVehicles(ctx, e.vehicle, third, e.at) })
		}()
		waitForWaiting(t, e.db)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := <-other; !errors.Is(err, store.ErrNotFound) {
		t.Errorf("the second merge: %v, want %v", err, store.ErrNotFound)
	}
	var into int64
	e.db.Query(t, `SELECT merged_into FROM vehicles WHERE name = 'van-1'`, &into)
	if into != second {
		t.Errorf("merged into %d, want %d", into, second)
	}
}

// waitForWaiting returns when a session of the database waits for a lock.
func waitForWaiting(t *testing.T, db *localtest.Database) {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	for waiting := false; !waiting; {
		db.Query(t, `SELECT EXISTS (SELECT FROM pg_locks l JOIN pg_stat_activity a ON a.pid = l.pid WHERE NOT l.granted AND a.datname = current_database())`, &waiting)
		if time.Now().After(deadline) {
			t.Fatal("for a minute nobody waited for a lock")
		}
	}
}
