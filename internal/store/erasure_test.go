package store_test

import (
	"testing"
	"time"

	"github.com/google/uuid"

	"creepage/internal/store"
)

// The owner of a schema need not be a superuser: row-level security binds it
// like anybody else, and erasure must find every row all the same.
func TestErasureFindsEveryRowWhereTheOwnerIsNoSuperuser(t *testing.T) {
	d := server.Empty(t)
	d.Exec(t, `DO $$ BEGIN CREATE ROLE creepage_plain_owner LOGIN CREATEROLE; EXCEPTION WHEN duplicate_object THEN NULL; END $$`)
	d.Exec(t, `GRANT ALL ON DATABASE `+d.Name+` TO creepage_plain_owner`)
	d.Exec(t, `ALTER SCHEMA public OWNER TO creepage_plain_owner`)
	if err := store.Migrate(t.Context(), d.URL("creepage_plain_owner")); err != nil {
		t.Fatal(err)
	}
	tenant, now := uuid.Must(uuid.NewV7()), time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	d.Exec(t, `INSERT INTO organisations (id, name, title, created_at) VALUES ($1, 'yard', 'Yard', $2)`, tenant, now)
	d.Exec(t, `INSERT INTO platforms (organisation_id, id) VALUES ($1, 'van')`, tenant)
	d.Exec(t, `INSERT INTO vehicles (organisation_id, name, platform, created_at) VALUES ($1, 'wbx9lake77', 'van', $2)`, tenant, now)
	d.Exec(t, `INSERT INTO vehicle_states (vehicle_id, organisation_id) SELECT id, organisation_id FROM vehicles`)
	d.Exec(t, `INSERT INTO repairs (id, organisation_id, vehicle_id, component, kind, occurred_at, note, created_at)
		SELECT gen_random_uuid(), organisation_id, id, 4, 1, $1, 'wbx9lake77 by Jan Berg', $1 FROM vehicles`, now)
	d.Exec(t, `INSERT INTO warnings (id, organisation_id, vehicle_id, kind, component, raised_at, probability, reason, acknowledged_at, acknowledge_note)
		SELECT gen_random_uuid(), organisation_id, id, 1, 4, $1, 0.3, 'wbx9lake77 falls', $1, 'seen by Jan Berg' FROM vehicles`, now)
	d.Exec(t, `INSERT INTO audit (organisation_id, at, action, resource) VALUES ($1, $2, 'RetireVehicle', 'vehicles/wbx9lake77')`, tenant, now)

	err := d.Store(t, store.APILogin).AsOrganisation(t.Context(), tenant, func(tx *store.Tx) error {
		v, err := tx.Vehicle(t.Context(), "wbx9lake77")
		if err != nil {
			return err
		}
		if n, err := tx.EraseVehicle(t.Context(), v.Key, "erased-1", now); err != nil || n != 4 {
			t.Errorf("%d rows changed (%v), want the name, a note, a reason and an audit entry", n, err)
		}
		if n, err := tx.EraseWords(t.Context(), "jan berg", "[erased]"); err != nil || n != 2 {
			t.Errorf("%d rows changed (%v), want two notes", n, err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var note, reason, resource string
	d.Query(t, `SELECT (SELECT note FROM repairs), (SELECT reason || '; ' || acknowledge_note FROM warnings), (SELECT resource FROM audit)`, &note, &reason, &resource)
	if note != "erased-1 by [erased]" || reason != "erased-1 falls; seen by [erased]" || resource != "vehicles/erased-1" {
		t.Errorf("%q %q %q", note, reason, resource)
	}
}
