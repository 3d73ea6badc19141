package store

import (
	"context"
	"sync"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"creepage/internal/trend"
)

// Models are the models by which organisations' outlooks are computed: of each
// its latest parameter set, kept as long as that is the latest, or the base.
type Models struct {
	base *trend.Model
	mu   sync.Mutex
	kept map[uuid.UUID]*trend.Model
}

// NewModels returns models of which those of organisations that have learned
// nothing are the base.
func NewModels(base *trend.Model) *Models {
	return &Models{base: base, kept: map[uuid.UUID]*trend.Model{}}
}

// Base is the model of an organisation that has learned nothing.
func (m *Models) Base() *trend.Model { return m.base }

// Models returns each organisation's model.
func (w *WorkerTx) Models(ctx context.Context, m *Models, organisations []uuid.UUID) (map[uuid.UUID]*trend.Model, error) {
	return m.of(ctx, w.tx, organisations)
}

// Model returns the organisation's model.
func (t *Tx) Model(ctx context.Context, m *Models) (*trend.Model, error) {
	found, err := m.of(ctx, t.tx, []uuid.UUID{t.organisation})
	return found[t.organisation], err
}

func (m *Models) of(ctx context.Context, tx pgx.Tx, organisations []uuid.UUID) (map[uuid.UUID]*trend.Model, error) {
	rows, err := tx.Query(ctx, `SELECT o.id, p.version FROM unnest($1::uuid[]) AS o (id) CROSS JOIN LATERAL
		(SELECT version FROM param_sets WHERE organisation_id = o.id ORDER BY created_at DESC, version DESC LIMIT 1) AS p`, organisations)
	if err != nil {
		return nil, fail("find parameter sets", err)
	}
	latest := map[uuid.UUID]string{}
	var id uuid.UUID
	var version string
	if _, err = pgx.ForEachRow(rows, []any{&id, &version}, func() error {
		latest[id] = version
		return nil
	}); err != nil {
		return nil, fail("find parameter sets", err)
	}
	found := make(map[uuid.UUID]*trend.Model, len(organisations))
	for _, o := range organisations {
		if found[o], err = m.model(ctx, tx, o, latest[o]); err != nil {
			return nil, err
		}
	}
	return found, nil
}

// model returns the model of a version of an organisation's parameters.
func (m *Models) model(ctx context.Context, tx pgx.Tx, organisation uuid.UUID, version string) (*trend.Model, error) {
	if version == "" {
		return m.base, nil
	}
	m.mu.Lock()
	kept := m.kept[organisation]
	m.mu.Unlock()
	if kept != nil && kept.Params().Version == version {
		return kept, nil
	}
	var text []byte
	if err := tx.QueryRow(ctx, `SELECT params FROM param_sets WHERE organisation_id = $1 AND version = $2`, organisation, version).Scan(&text); err != nil {
		return nil, fail("read parameter set "+version, err)
	}
	params, err := trend.ParseParams(text)
	if err != nil {
		return nil, fail("read parameter set "+version, err)
	}
	made, err := trend.NewModel(params)
	if err != nil {
		return nil, fail("read parameter set "+version, err)
	}
	m.mu.Lock()
	m.kept[organisation] = made
	m.mu.Unlock()
	return made, nil
}
