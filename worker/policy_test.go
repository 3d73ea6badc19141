package worker

import (
	"testing"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"creepage/internal/store"
	"creepage/internal/stream"
	"creepage/internal/trend"
)

// Two organisations have the same readings; the one that looks further ahead and
// bears more false calls is warned first.
func TestAnOrganisationIsWarnedByItsOwnPolicy(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	eager := uuid.Must(uuid.NewV7())
	e.organisation(eager, "lakeside")
	api := e.db.Store(t, store.APILogin)
	if err := api.AsOrganisation(t.Context(), eager, func(tx *store.Tx) error {
		return tx.SetWarningPolicy(t.Context(), store.WarningPolicy{LeadDays: 365, FalseCalls: trend.ManyFalseCalls}, e.now)
	}); err != nil {
		t.Fatal(err)
	}
	w := e.worker()
	for _, entry := range e.failing(1, 26, e.now.AddDate(0, 0, -200)) {
		theirs := proto.CloneOf(entry)
		theirs.OrganisationId = eager[:]
		e.submit(entry, theirs)
		e.step(w)
		e.evaluate(w)
	}
	if n := e.count(`SELECT count(DISTINCT organisation_id) FROM warnings WHERE kind = 1`); n != 2 {
		t.Fatalf("%d organisations were warned, want both", n)
	}
	if first := e.text(`SELECT o.name FROM warnings w JOIN organisations o ON o.id = w.organisation_id WHERE w.kind = 1 ORDER BY w.raised_at LIMIT 1`); first != "lakeside" {
		t.Errorf("first warned was %s, want the one that looks further ahead", first)
	}
	if n := e.count(`SELECT count(*) FROM warnings a JOIN warnings b USING (raised_at, kind) WHERE a.kind = 1 AND a.organisation_id <> b.organisation_id`); n != 0 {
		t.Error("both were warned at the same time; the test shows nothing")
	}
}

// A policy that is stated has every vehicle evaluated by it.
func TestAPolicyHoldsFromTheNextEvaluation(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	e.submit(e.visits(3, 3)...)
	e.step(w)
	e.evaluate(w)
	if err := e.db.Store(t, store.APILogin).AsOrganisation(t.Context(), e.org, func(tx *store.Tx) error {
		return tx.SetWarningPolicy(t.Context(), store.WarningPolicy{LeadDays: 60, FalseCalls: trend.FewFalseCalls}, e.now)
	}); err != nil {
		t.Fatal(err)
	}
	if n := e.evaluate(w); n != 3 {
		t.Errorf("%d vehicles were evaluated by the new policy, want 3", n)
	}
}
