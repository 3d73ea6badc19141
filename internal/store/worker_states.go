package store

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// State is what the worker remembers of a vehicle. Times that are not there
// are zero; see the migration for what each means.
type State struct {
	Vehicle        int64
	Memory         []byte
	ParamsVersion  string
	Rule           []byte // JSON
	LastMeasuredAt time.Time
	LastShop       string
	CheckpointedAt time.Time
	ChangedAt      time.Time
	AgainAt        time.Time // to be evaluated again though nothing has changed; zero: with the next change or night
	ReplayFrom     time.Time
	BackfilledAt   time.Time
	FirstLiveAt    time.Time
	EvaluatedAt    time.Time
	DailyThrough   time.Time
	OutlookKeptAt  time.Time
	OutlookState   uint8
	// Entries folded since the newest checkpoint.
	SinceCheckpoint int
}

const stateColumns = `s.vehicle_id, s.memory, s.params_version, s.rule, s.last_measured_at, s.last_shop, s.checkpointed_at, s.changed_at,
	s.replay_from, s.backfilled_at, s.first_live_at, s.evaluated_at, s.daily_through, s.outlook_kept_at, s.again_at, s.outlook_state, s.since_checkpoint`

// targets are where a row's columns go; finish after the scan.
func (s *State) targets(times *[10]*time.Time) []any {
	return []any{&s.Vehicle, &s.Memory, &s.ParamsVersion, &s.Rule, &times[0], &s.LastShop, &times[1], &times[2],
		&times[3], &times[4], &times[5], &times[6], &times[7], &times[8], &times[9], &s.OutlookState, &s.SinceCheckpoint}
}

func (s *State) finish(times *[10]*time.Time) {
	for i, to := range []*time.Time{&s.LastMeasuredAt, &s.CheckpointedAt, &s.ChangedAt, &s.ReplayFrom, &s.BackfilledAt, &s.FirstLiveAt,
		&s.EvaluatedAt, &s.DailyThrough, &s.OutlookKeptAt, &s.AgainAt} {
		if times[i] != nil {
			*to = times[i].UTC()
		}
	}
}

// LockStates locks the vehicles' states, in one order for every worker, and
// returns them.
func (w *WorkerTx) LockStates(ctx context.Context, vehicles []int64) (map[int64]*State, error) {
	rows, err := w.tx.Query(ctx, `SELECT `+stateColumns+` FROM vehicle_states s WHERE s.vehicle_id = ANY ($1) ORDER BY s.vehicle_id FOR UPDATE`, vehicles)
	if err != nil {
		return nil, fail("lock vehicles", err)
	}
	defer rows.Close()
	states := make(map[int64]*State, len(vehicles))
	for rows.Next() {
		var s State
		var times [10]*time.Time
		if err := rows.Scan(s.targets(&times)...); err != nil {
			return nil, fail("lock vehicles", err)
		}
		s.finish(&times)
		states[s.Vehicle] = &s
	}
	return states, fail("lock vehicles", rows.Err())
}

// Evaluable is a vehicle taken for evaluation, with its state locked.
type Evaluable struct {
	Vehicle Tracked
	State   *State
}

// TakeChanged takes up to limit vehicles that have changed, longest waiting
// first, leaving out what other workers have taken and what waits for its
// organisation's old records to be complete.
func (w *WorkerTx) TakeChanged(ctx context.Context, limit int) ([]Evaluable, error) {
	return w.take(ctx, `(s.changed_at IS NOT NULL OR s.replay_from IS NOT NULL) AND s.backfilled_at IS NULL AND v.merged_into IS NULL
		ORDER BY s.changed_at NULLS FIRST LIMIT $1 FOR UPDATE OF s SKIP LOCKED`, limit)
}

// TakeAgain takes up to limit vehicles that were to be evaluated again by now, longest waiting first, leaving out what other workers
// have taken.
func (w *WorkerTx) TakeAgain(ctx context.Context, now time.Time, limit int) ([]Evaluable, error) {
	return w.take(ctx, `s.again_at <= $1 AND s.memory IS NOT NULL AND s.backfilled_at IS NULL AND v.merged_into IS NULL AND v.retired_at IS NULL
		ORDER BY s.again_at LIMIT $2 FOR UPDATE OF s SKIP LOCKED`, now, limit)
}

// TakeForDay takes up to limit vehicles with a key above after that are not
// retired, have readings and have not been evaluated for the day. With wait it
// waits for those that other workers have taken, else it leaves them out.
func (w *WorkerTx) TakeForDay(ctx context.Context, day time.Time, after int64, limit int, wait bool) ([]Evaluable, error) {
	lock := " SKIP LOCKED"
	if wait {
		lock = ""
	}
	return w.take(ctx, `v.retired_at IS NULL AND v.merged_into IS NULL AND s.memory IS NOT NULL AND s.backfilled_at IS NULL
		AND (s.daily_through IS NULL OR s.daily_through < $1) AND s.vehicle_id > $2
		ORDER BY s.vehicle_id LIMIT $3 FOR UPDATE OF s`+lock, day, after, limit)
}

func (w *WorkerTx) take(ctx context.Context, where string, args ...any) ([]Evaluable, error) {
	rows, err := w.tx.Query(ctx, `SELECT v.id, v.organisation_id, v.name, v.platform, `+stateColumns+`
		FROM vehicle_states s JOIN vehicles v ON v.id = s.vehicle_id WHERE `+where, args...)
	if err != nil {
		return nil, fail("take vehicles to evaluate", err)
	}
	taken, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Evaluable, error) {
		e := Evaluable{State: new(State)}
		var times [10]*time.Time
		err := row.Scan(append([]any{&e.Vehicle.Key, &e.Vehicle.Organisation, &e.Vehicle.Name, &e.Vehicle.Platform}, e.State.targets(&times)...)...)
		e.State.finish(&times)
		return e, err
	})
	return taken, fail("take vehicles to evaluate", err)
}

// SaveStates writes states that are locked. A state whose Memory is nil keeps
// the memory it has, which is not written again.
func (w *WorkerTx) SaveStates(ctx context.Context, states []*State) error {
	if len(states) == 0 {
		return nil
	}
	n := len(states)
	of := func(element uint32, size int, put func(a *array, s *State)) []byte {
		a := newArray(element, n, size)
		for _, s := range states {
			put(&a, s)
		}
		return a
	}
	when := func(at func(s *State) time.Time) []byte {
		return of(oidTime, n*12, func(a *array, s *State) { a.time(at(s)) })
	}
	size := 0
	for _, s := range states {
		size += 4 + len(s.Memory)
	}
	_, err := w.exec(ctx, `
UPDATE vehicle_states s
SET memory = coalesce(u.memory, s.memory), params_version = u.version, rule = coalesce(nullif(u.rule, ''), '{}')::jsonb, last_shop = u.shop, outlook_state = u.outlook,
    last_measured_at = u.measured, checkpointed_at = u.checkpointed, changed_at = u.changed, replay_from = u.replay, backfilled_at = u.backfilled,
    first_live_at = u.first_live, evaluated_at = u.evaluated, daily_through = u.daily, outlook_kept_at = u.kept, again_at = u.again, since_checkpoint = u.since
FROM unnest($1::bigint[], $2::bytea[], $3::text[], $4::text[], $5::text[], $6::smallint[], $7::timestamptz[], $8::timestamptz[], $9::timestamptz[],
            $10::timestamptz[], $11::timestamptz[], $12::timestamptz[], $13::timestamptz[], $14::timestamptz[], $15::timestamptz[], $16::timestamptz[], $17::bigint[])
     AS u (vehicle_id, memory, version, rule, shop, outlook, measured, checkpointed, changed, replay, backfilled, first_live, evaluated, daily, kept, again, since)
WHERE s.vehicle_id = u.vehicle_id`,
		of(oidInt8, n*12, func(a *array, s *State) { a.int8(s.Vehicle) }),
		of(oidBytes, size, func(a *array, s *State) { a.bytes(s.Memory) }),
		of(oidText, n*32, func(a *array, s *State) { a.text(s.ParamsVersion) }),
		of(oidText, n*64, func(a *array, s *State) { a.bytes(notNull(s.Rule)) }),
		of(oidText, n*16, func(a *array, s *State) { a.text(s.LastShop) }),
		of(oidInt2, n*6, func(a *array, s *State) { a.int2(int16(s.OutlookState)) }),
		when(func(s *State) time.Time { return s.LastMeasuredAt }), when(func(s *State) time.Time { return s.CheckpointedAt }),
		when(func(s *State) time.Time { return s.ChangedAt }), when(func(s *State) time.Time { return s.ReplayFrom }),
		when(func(s *State) time.Time { return s.BackfilledAt }), when(func(s *State) time.Time { return s.FirstLiveAt }),
		when(func(s *State) time.Time { return s.EvaluatedAt }), when(func(s *State) time.Time { return s.DailyThrough }),
		when(func(s *State) time.Time { return s.OutlookKeptAt }), when(func(s *State) time.Time { return s.AgainAt }), of(oidInt8, n*12, func(a *array, s *State) { a.int8(int64(s.SinceCheckpoint)) }))
	return fail("save vehicles", err)
}

func notNull(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// Checkpoint is a vehicle's memory as it was when its open day was Day, with
// every row up to the end of that day.
type Checkpoint struct {
	Vehicle int64
	Day     time.Time
	Memory  []byte
}

// CheckpointsBefore returns the newest checkpoint of each vehicle from before
// its day. A vehicle without one is not in the result.
func (w *WorkerTx) CheckpointsBefore(ctx context.Context, days map[int64]time.Time) (map[int64]Checkpoint, error) {
	keys, times := splitDays(days)
	rows, err := w.tx.Query(ctx, `
SELECT u.vehicle_id, c.day, c.memory
FROM unnest($1::bigint[], $2::timestamptz[]) AS u (vehicle_id, day)
CROSS JOIN LATERAL (SELECT k.day, k.memory FROM vehicle_checkpoints k WHERE k.vehicle_id = u.vehicle_id AND k.day < u.day ORDER BY k.day DESC LIMIT 1) c`, keys, times)
	if err != nil {
		return nil, fail("find checkpoints", err)
	}
	found := make(map[int64]Checkpoint, len(days))
	for rows.Next() {
		var c Checkpoint
		if err := rows.Scan(&c.Vehicle, &c.Day, &c.Memory); err != nil {
			return nil, fail("find checkpoints", err)
		}
		c.Day = c.Day.UTC()
		found[c.Vehicle] = c
	}
	return found, fail("find checkpoints", rows.Err())
}

// DropCheckpoints removes each vehicle's checkpoints from its day on.
func (w *WorkerTx) DropCheckpoints(ctx context.Context, from map[int64]time.Time) error {
	if len(from) == 0 {
		return nil
	}
	keys, times := splitDays(from)
	_, err := w.tx.Exec(ctx, `
DELETE FROM vehicle_checkpoints c USING unnest($1::bigint[], $2::timestamptz[]) AS u (vehicle_id, day)
WHERE c.vehicle_id = u.vehicle_id AND c.day >= u.day`, keys, times)
	return fail("drop checkpoints", err)
}

// SaveCheckpoints keeps checkpoints, and thins out the vehicles' older ones:
// the further back, the fewer, so that their number grows with the logarithm
// of the history.
func (w *WorkerTx) SaveCheckpoints(ctx context.Context, organisations []uuid.UUID, checkpoints []Checkpoint) error {
	if len(checkpoints) == 0 {
		return nil
	}
	n := len(checkpoints)
	size := 0
	keys := make([]int64, n)
	for i, c := range checkpoints {
		keys[i] = c.Vehicle
		size += 4 + len(c.Memory)
	}
	vehicles, days, owners, memories := newArray(oidInt8, n, n*12), newArray(oidTime, n, n*12), newArray(oidUUID, n, n*20), newArray(oidBytes, n, size)
	for i, c := range checkpoints {
		vehicles.int8(c.Vehicle)
		days.time(c.Day)
		owners.bytes(organisations[i][:])
		memories.bytes(c.Memory)
	}
	if _, err := w.exec(ctx, `
INSERT INTO vehicle_checkpoints (vehicle_id, day, organisation_id, memory)
SELECT * FROM unnest($1::bigint[], $2::timestamptz[], $3::uuid[], $4::bytea[])
ON CONFLICT (vehicle_id, day) DO UPDATE SET memory = excluded.memory`, vehicles, days, owners, memories); err != nil {
		return fail("keep checkpoints", err)
	}
	// One is left of those whose age, in units of 8 days, lies between two powers of two: the oldest.
	_, err := w.tx.Exec(ctx, `
DELETE FROM vehicle_checkpoints c USING (
    SELECT vehicle_id, day, row_number() OVER (PARTITION BY vehicle_id, floor(ln(extract(epoch FROM newest - day) / (8 * 86400) + 1) / ln(2)) ORDER BY day) AS place
    FROM (SELECT vehicle_id, day, max(day) OVER (PARTITION BY vehicle_id) AS newest FROM vehicle_checkpoints WHERE vehicle_id = ANY ($1)) AS kept) AS ranked
WHERE c.vehicle_id = ranked.vehicle_id AND c.day = ranked.day AND ranked.place > 1`, keys)
	return fail("thin out checkpoints", err)
}

func splitDays(days map[int64]time.Time) (keys []int64, times []time.Time) {
	for key, day := range days {
		keys, times = append(keys, key), append(times, day)
	}
	return keys, times
}
