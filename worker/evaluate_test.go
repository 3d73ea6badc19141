package worker

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	streamv1 "creepage/api/creepage/stream/v1"
	"creepage/internal/backtest"
	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/stream"
	"creepage/internal/trend"
)

// evaluate runs the evaluator once.
func (e *env) evaluate(w *Worker) int {
	e.t.Helper()
	n, err := w.EvaluateChanged(e.t.Context())
	if err != nil {
		e.t.Fatal(err)
	}
	return n
}

// failing are readings of a vehicle whose motor falls by a decade in 50 days,
// from 5 gigohms, measured weekly.
func (e *env) failing(vehicle, weeks int, start time.Time) []*streamv1.Entry {
	var entries []*streamv1.Entry
	for i := range weeks {
		ohms := 5e9
		for range 7 * i {
			ohms *= 0.955
		}
		entries = append(entries, e.reading(vehicle, fmt.Sprintf("f-%d-%d", vehicle, i), start.AddDate(0, 0, 7*i), ohms))
	}
	return entries
}

// failUntil sends a failing vehicle's readings, each evaluated before the next, until a query counts something or all are sent.
func (e *env) failUntil(w *Worker, query string) {
	e.t.Helper()
	for _, entry := range e.failing(1, 26, e.now.AddDate(0, 0, -200)) {
		e.submit(entry)
		e.step(w)
		e.evaluate(w)
		if e.count(query) > 0 {
			return
		}
	}
}

func TestChangesThatComeWhileAVehicleWaitsAreEvaluatedTogether(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	for _, entry := range e.visits(3, 4) {
		e.submit(entry)
	}
	e.step(w)
	if n := e.evaluate(w); n != 3 {
		t.Errorf("%d evaluations for 12 readings of 3 vehicles that waited, want 3", n)
	}
	if n := e.evaluate(w); n != 0 {
		t.Errorf("%d evaluations with nothing changed", n)
	}
	if n := e.count(`SELECT count(*) FROM outlooks o JOIN vehicle_states s USING (vehicle_id) WHERE o.evaluated_at = s.last_measured_at + interval '1 minute'`); n != 3 {
		t.Errorf("%d outlooks stand at the latest time of receipt, want 3", n)
	}
	if n := e.count(`SELECT count(*) FROM latest_outlooks`); n != 3 {
		t.Errorf("%d vehicles have a latest outlook, want 3", n)
	}
}

func TestSeveralEvaluatorsTakeEachVehicleOnce(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	e.submit(e.visits(40, 2)...)
	first := e.worker()
	e.step(first)
	var wg sync.WaitGroup
	counts := make([]int, 4)
	for i := range counts {
		w := e.worker()
		wg.Go(func() {
			n, err := w.EvaluateChanged(t.Context())
			if err != nil {
				t.Error(err)
			}
			counts[i] = n
		})
	}
	wg.Wait()
	if total := counts[0] + counts[1] + counts[2] + counts[3]; total != 40 || e.count(`SELECT count(*) FROM outlooks`) != 40 {
		t.Errorf("%v evaluations and %d outlooks for 40 vehicles", counts, e.count(`SELECT count(*) FROM outlooks`))
	}
}

// A sliding vehicle is warned of, in one transaction with the job that tells of
// it, and the warning stands once however often the vehicle is evaluated.
func TestFallingVehicleIsWarnedOfOnceWithItsJob(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	for _, entry := range e.failing(1, 26, e.now.AddDate(0, 0, -200)) {
		e.submit(entry)
		e.step(w)
		e.evaluate(w)
	}
	standing := e.count(`SELECT count(*) FROM warnings WHERE ended_at IS NULL AND news AND NOT backfilled`)
	if standing == 0 {
		t.Fatalf("nothing is said of a vehicle that fell to 4 kilohms; its state is %s", e.text(`SELECT state::text || ' ' || reason FROM latest_outlooks LIMIT 1`))
	}
	raised, ended := e.count(`SELECT count(*) FROM warnings`), e.count(`SELECT count(*) FROM warnings WHERE ended_at IS NOT NULL`)
	if jobs := e.count(`SELECT count(*) FROM river_job WHERE kind = 'warning_changed'`); jobs != raised+ended {
		t.Errorf("%d jobs for %d warnings raised and %d ended", jobs, raised, ended)
	}
	if n := e.count(`SELECT count(*) FROM warnings w WHERE NOT EXISTS (SELECT FROM warning_changes c JOIN river_job j ON (j.args->>'sequence')::bigint = c.sequence
		AND (j.args->>'organisation')::uuid = c.organisation_id WHERE c.warning_id = w.id AND c.event = 1)`); n != 0 {
		t.Errorf("%d warnings have no job of their own", n)
	}
	if first, last := e.count(`SELECT min(sequence) FROM warning_changes`), e.count(`SELECT last FROM warning_change_counters`); first != 1 || last != raised+ended {
		t.Errorf("changes are numbered %d to %d, want 1 to %d", first, last, raised+ended)
	}
	if n := e.count(`SELECT count(*) FROM warnings WHERE reason = ''`); n != 0 {
		t.Errorf("%d warnings lack a reason", n)
	}
}

// A warning by the name of a part that has long not been the one that limits ends, and another is raised under the
// name of that which does, each with a change and a job of its own. The wrong name is put on record by hand.
func TestAWarningIsRaisedAnewUnderTheNameOfWhatLimits(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	const standing = `SELECT count(*) FROM warnings WHERE kind = 1 AND ended_at IS NULL`
	e.failUntil(w, standing)
	motor, battery := fmt.Sprint(int(insulation.Motor)), fmt.Sprint(int(insulation.Battery))
	if e.count(standing+` AND component = `+motor) != 1 {
		t.Fatal("the motor is not warned of")
	}
	e.db.Exec(t, `ALTER TABLE warnings DISABLE TRIGGER USER`)
	e.db.Exec(t, `UPDATE warnings SET component = `+battery+` WHERE kind = 1`)
	e.db.Exec(t, `ALTER TABLE warnings ENABLE TRIGGER USER`)
	e.db.Exec(t, `UPDATE vehicle_states SET rule = jsonb_set(rule, '{open}', (SELECT jsonb_agg(CASE WHEN o->>'kind' = '1' THEN o || '{"component": `+battery+`}' ELSE o END) FROM jsonb_array_elements(rule->'open') o))`)
	begun := e.count(`SELECT count(*) FROM warning_changes`)
	var evaluated time.Time
	e.db.Query(t, `SELECT max(evaluated_at) FROM latest_outlooks`, &evaluated)
	day := startOfDay(evaluated)
	for d := 1; d <= 14; d++ {
		if _, err := w.EvaluateDay(t.Context(), day.AddDate(0, 0, d)); err != nil {
			t.Fatal(err)
		}
		if n := e.count(standing + ` AND component = ` + battery); n != 1 {
			t.Fatalf("day %d: %d warnings of the battery stand", d, n)
		}
	}
	if _, err := w.EvaluateDay(t.Context(), day.AddDate(0, 0, 15)); err != nil {
		t.Fatal(err)
	}
	if n, m := e.count(standing), e.count(standing+` AND component = `+motor); n != 1 || m != 1 {
		t.Errorf("%d stand, %d of the motor", n, m)
	}
	if got, want := e.text(`SELECT end_reason FROM warnings WHERE ended_at IS NOT NULL AND kind = 1`), "for 14 days it has been the motor that limits most: warned of by that name"; got != want {
		t.Errorf("ended: %q, want %q", got, want)
	}
	if n := e.count(`SELECT count(*) FROM warning_changes c JOIN warnings w ON w.id = c.warning_id JOIN river_job j ON (j.args->>'sequence')::bigint = c.sequence AND j.kind = 'warning_changed'
		WHERE w.kind = 1 AND c.sequence > ` + fmt.Sprint(begun)); n != 2 {
		t.Errorf("%d changes with a job, want the end of one and the rise of another", n)
	}
}

// Of what may be half a visit nothing is raised; an hour later, if nothing has come that takes it back, it is, though
// nothing else has changed.
func TestAVehicleIsEvaluatedAgainOnceItsVisitIsOver(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	e.now = time.Now().UTC() // the stream tells when it took a message by the same clock
	w := e.worker()
	e.submit(e.failing(1, 26, e.now.AddDate(0, 0, -7*25))...)
	e.step(w)
	e.now = e.now.Add(2 * time.Minute)
	const raised = `SELECT count(*) FROM warnings WHERE kind IN (1, 2)`
	if n, m := e.evaluate(w), e.count(raised); n != 1 || m != 0 {
		t.Fatalf("%d evaluations, %d warnings of the code at once, want 1 and 0", n, m)
	}
	if state := e.count(`SELECT state FROM latest_outlooks`); state != int(trend.Due) {
		t.Errorf("its state is %d", state)
	}
	if n := e.evaluate(w); n != 0 {
		t.Errorf("%d evaluations with nothing changed", n)
	}
	e.submit(e.reading(2, "waits", e.now, 1e9)) // the rest of the visit might be among what is not committed yet
	e.now = e.now.Add(time.Hour)
	if n, m := e.evaluate(w), e.count(raised); n != 0 || m != 0 {
		t.Errorf("%d evaluations, %d warnings while a message waits", n, m)
	}
	e.step(w)
	if n, m := e.evaluate(w), e.count(raised+` AND raised_at = (SELECT max(received_at) FROM readings WHERE reading_id <> 'waits') + interval '1 hour'`); n != 2 || m != 1 {
		t.Errorf("%d evaluations an hour later, %d warnings, want 2 and 1", n, m)
	}
	if n := e.evaluate(w); n != 0 || e.count(`SELECT count(*) FROM vehicle_states WHERE again_at IS NOT NULL`) != 0 {
		t.Errorf("%d evaluations after all is said", n)
	}
}

// What declines between the bound that raises a warning and the one that ends it is due while a warning stands, and else falling. The warning
// is put on record by hand.
func TestAWarnedVehicleThatDeclinesIsDue(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	testers := trend.DefaultPolicy().Testers
	between := fmt.Sprintf(`SELECT count(*) FROM latest_outlooks WHERE state = %d AND p30 BETWEEN %g AND %g`, trend.Falling, testers.End, testers.Raise)
	e.failUntil(w, between)
	if e.count(between) == 0 {
		t.Fatal("at no time it declined between the bounds")
	}
	e.db.Exec(t, `UPDATE vehicle_states SET rule = rule || '{"open": [{"kind": 1, "component": `+fmt.Sprint(int(insulation.Motor))+`, "raised_at": "2025-01-01T00:00:00Z", "below_since": "0001-01-01T00:00:00Z"}]}'`)
	var evaluated time.Time
	e.db.Query(t, `SELECT max(evaluated_at) FROM latest_outlooks`, &evaluated)
	if _, err := w.EvaluateDay(t.Context(), startOfDay(evaluated).AddDate(0, 0, 1)); err != nil {
		t.Fatal(err)
	}
	if got := e.count(`SELECT state FROM latest_outlooks`); got != int(trend.Due) {
		t.Errorf("its state is %d, want due: %s", got, e.text(`SELECT reason FROM latest_outlooks`))
	}
}

func TestDeliveryOfAWarningIsRecordedWithItsJob(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	for _, entry := range e.failing(1, 26, e.now.AddDate(0, 0, -200)) {
		e.submit(entry)
	}
	e.step(w)
	e.evaluate(w)
	// Once started, the clock adds jobs of its own, sooner or later.
	const told = `SELECT count(*) FROM river_job WHERE kind = 'warning_changed'`
	jobs := e.count(told)
	if jobs == 0 {
		t.Fatal("there is no job to be done")
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for e.count(told+` AND state = 'completed'`) < jobs {
			<-tick.C
		}
	}()
	if err := w.jobs.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	select {
	case <-done:
	case <-time.After(30 * time.Second):
		t.Fatalf("the jobs are not done: %s", e.text(`SELECT string_agg(state::text, ' ') FROM river_job`))
	}
	if err := w.jobs.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := e.count(told + ` AND metadata->'output'->>'endpoints' = '0'`); n != jobs {
		t.Errorf("%d of %d jobs say to how many endpoints they were delivered", n, jobs)
	}
}

func TestDailyPassEvaluatesEveryVehicleOnceADay(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	e.submit(e.visits(30, 2)...)
	w, other := e.worker(), e.worker()
	e.step(w)
	e.evaluate(w)
	e.db.Exec(t, `UPDATE vehicles SET retired_at = now() WHERE name = 'van-7'`)
	day := startOfDay(e.now)
	var wg sync.WaitGroup
	counts := make([]int, 2)
	for i, w := range []*Worker{w, other} {
		wg.Go(func() {
			n, err := w.EvaluateDay(t.Context(), day.Add(9*time.Hour))
			if err != nil {
				t.Error(err)
			}
			counts[i] = n
		})
	}
	wg.Wait()
	if counts[0]+counts[1] != 29 {
		t.Errorf("two workers evaluated %v vehicles, want the 29 that are not retired", counts)
	}
	if n := e.count(`SELECT count(*) FROM latest_outlooks WHERE evaluated_at = '2026-07-01'`); n != 29 {
		t.Errorf("%d vehicles have an outlook as of the day's start, want 29", n)
	}
	if n, err := w.EvaluateDay(t.Context(), day); n != 0 || err != nil {
		t.Errorf("a second pass evaluated %d, %v", n, err)
	}
	if n, err := w.EvaluateDay(t.Context(), day.AddDate(0, 0, 1)); n != 29 || err != nil {
		t.Errorf("the next day's pass evaluated %d, %v", n, err)
	}
}

func TestLateReadingChangesWhatIsSaidNextAndNothingThatWasSaid(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	entries := e.visits(1, 10)
	late := entries[4]
	e.submit(append(append([]*streamv1.Entry{}, entries[:4]...), entries[5:]...)...)
	e.step(w)
	e.evaluate(w)
	const said = `SELECT string_agg(evaluated_at::text || state || p90::text || md5(details::text), E'\n' ORDER BY evaluated_at) FROM outlooks`
	before := e.text(said)
	late.ReceiveTime = nil
	late = e.reading(0, "r-0-4", late.GetReading().GetMeasureTime().AsTime(), late.GetReading().GetResistanceOhms())
	late.ReceiveTime.Seconds = e.now.Unix() // it came today
	e.submit(late)
	e.step(w)
	if n := e.evaluate(w); n != 1 {
		t.Fatalf("%d evaluations after a late reading, want 1", n)
	}
	after := e.text(said)
	if !strings.HasPrefix(after, before+"\n") {
		t.Errorf("was said:\n%s\nnow stands:\n%s", before, after)
	}
	if at := e.text(`SELECT max(evaluated_at)::text FROM outlooks`); at != "2026-07-01 12:00:00+00" {
		t.Errorf("what is said next stands at %s, want the time at which it arrived", at)
	}
}

func TestVoidedReadingIsLeftOutByTheReplay(t *testing.T) {
	with, without := newEnv(t, stream.Settings{}), newEnv(t, stream.Settings{})
	entries := with.visits(1, 10)
	w := with.worker()
	with.submit(entries...)
	with.step(w)
	whole := with.memories()
	api := with.db.Store(t, store.APILogin)
	if err := api.AsOrganisation(t.Context(), with.org, func(tx *store.Tx) error {
		_, err := tx.VoidReading(t.Context(), store.ReadingKey{ID: "r-0-3", MeasuredAt: entries[3].GetReading().GetMeasureTime().AsTime()}, "wrong vehicle", with.now)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if n := with.evaluate(w); n != 1 {
		t.Fatalf("%d evaluations after the void, want 1", n)
	}
	for i, e := range without.visits(1, 10) {
		if i != 3 {
			without.submit(e)
		}
	}
	without.step(without.worker())
	if with.memories() == whole || with.memories() != without.memories() {
		t.Errorf("with the reading %s, voided %s, without it from the start %s", whole, with.memories(), without.memories())
	}
}

// A repair that becomes known late starts the component's track anew from its
// own day.
func TestRepairIsReplayedFromItsOwnDay(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	e.submit(e.visits(1, 10)...)
	e.step(w)
	e.evaluate(w)
	before := e.memories()
	api := e.db.Store(t, store.APILogin)
	if err := api.AsOrganisation(t.Context(), e.org, func(tx *store.Tx) error {
		v, err := tx.Vehicle(t.Context(), "van-0")
		if err != nil {
			return err
		}
		_, _, err = tx.CreateRepair(t.Context(), v.Key, store.NewRepair{Event: insulation.Event{Component: insulation.Motor, Kind: insulation.Replaced,
			OccurredAt: time.Date(2025, 6, 1, 8, 0, 0, 0, time.UTC)}, At: e.now})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if n := e.evaluate(w); n != 1 || e.memories() == before {
		t.Errorf("%d evaluations; the memory has changed: %v", n, e.memories() != before)
	}
	if left := e.count(`SELECT count(*) FROM vehicle_states WHERE replay_from IS NOT NULL OR changed_at IS NOT NULL`); left != 0 {
		t.Errorf("%d vehicles still wait", left)
	}
}

// What the service records of an import equals what the engine of the backtest
// command says of the same entries; the past is no news, what still stands is.
func TestHistoryOfOldRecordsIsWhatTheBacktestSays(t *testing.T) {
	e := newEnv(t, stream.Settings{})
	w := e.worker()
	start := time.Date(2025, 9, 1, 9, 0, 0, 0, time.UTC)
	entries := append(e.failing(1, 24, start), e.visits(4, 8)...)
	for _, entry := range entries {
		entry.Backfill = true
		entry.ReceiveTime.Seconds = e.now.Unix()
	}
	e.submit(entries...)
	e.step(w)
	if n := e.evaluate(w); n != 0 {
		t.Errorf("%d vehicles were evaluated live before their history was told", n)
	}
	if n, err := w.TellHistories(t.Context()); n != 0 || err != nil {
		t.Errorf("%d histories were told while old records may still come, %v", n, err)
	}
	e.now = e.now.Add(time.Minute)
	n, err := w.TellHistories(t.Context())
	if err != nil || n != e.count(`SELECT count(*) FROM vehicles`) {
		t.Fatalf("%d histories were told, %v", n, err)
	}

	// The same through the engine.
	arrivals := map[string][]backtest.Arrival{}
	first, last := entries[0].GetReading().GetMeasureTime().AsTime(), time.Time{}
	for _, entry := range entries {
		d := decoded(t, entry)
		arrivals[d.Vehicle] = append(arrivals[d.Vehicle], backtest.Arrival{Entry: trend.Entry{Reading: d}, At: d.MeasuredAt})
		last = latest(last, d.MeasuredAt)
		if d.MeasuredAt.Before(first) {
			first = d.MeasuredAt
		}
	}
	var want []string
	outlooks := 0
	for vehicle, list := range arrivals {
		_, lastRow := arrivalsOf(entriesOf(list), last)
		sorted, _ := arrivalsOf(entriesOf(list), last)
		r := backtest.Replay{Model: e.model, Policy: trend.DefaultPolicy(), Origin: startOfDay(first), Every: 7 * 24 * time.Hour, Last: lastRow, Until: last}
		said, err := r.Vehicle(vehicle, func(time.Time) *insulation.Platform { return e.platform() }, sorted)
		if err != nil {
			t.Fatal(err)
		}
		outlooks += len(said.Outlooks)
		for _, c := range said.Changes {
			if c.Raised {
				want = append(want, fmt.Sprint(vehicle, " ", uint8(c.Kind), " ", c.At.UTC().Format(time.RFC3339Nano)))
			}
		}
	}
	if len(want) == 0 {
		t.Fatal("the engine warns of nothing; the test shows nothing")
	}
	for _, warning := range want {
		var vehicle, at string
		var kind int
		fmt.Sscan(warning, &vehicle, &kind, &at)
		if n := e.count(fmt.Sprintf(`SELECT count(*) FROM warnings w JOIN vehicles v ON v.id = w.vehicle_id
			WHERE v.name = '%s' AND w.kind = %d AND w.raised_at = '%s' AND w.backfilled`, vehicle, kind, at)); n != 1 {
			t.Errorf("the service has %d warnings %q", n, warning)
		}
	}
	if n := e.count(`SELECT count(*) FROM warnings`); n != len(want) {
		t.Errorf("the service has %d warnings, the engine %d", n, len(want))
	}
	if n := e.count(`SELECT count(*) FROM outlooks WHERE backfilled`); n != outlooks {
		t.Errorf("the service has %d outlooks of the past, the engine %d", n, outlooks)
	}
	if jobs, standing := e.count(`SELECT count(*) FROM river_job`), e.count(`SELECT count(*) FROM warnings WHERE ended_at IS NULL`); jobs != standing || standing == 0 {
		t.Errorf("%d jobs for %d warnings that still stand", jobs, standing)
	}
	if n := e.evaluate(w); n != len(arrivals) {
		t.Errorf("%d vehicles were evaluated live afterwards, want %d", n, len(arrivals))
	}
	// More old records: the past is told anew, what stood stands, nobody is told again.
	jobs := e.count(`SELECT count(*) FROM river_job`)
	more := e.reading(1, "more", start.AddDate(0, 0, -20), 5e9)
	more.Backfill = true
	more.ReceiveTime.Seconds = e.now.Unix()
	e.submit(more)
	e.step(w)
	e.now = e.now.Add(time.Minute)
	if n, err := w.TellHistories(t.Context()); n != 1 || err != nil {
		t.Fatalf("%d histories were told anew, %v", n, err)
	}
	if again := e.count(`SELECT count(*) FROM river_job`); again != jobs {
		t.Errorf("%d jobs before, %d after old records were completed", jobs, again)
	}
}

// decoded decodes an entry as the worker does.
func decoded(t *testing.T, raw *streamv1.Entry) *insulation.Reading {
	t.Helper()
	d := entry{raw: raw}
	if err := d.decode(); err != nil {
		t.Fatal(err)
	}
	return d.reading
}

func entriesOf(arrivals []backtest.Arrival) []trend.Entry {
	entries := make([]trend.Entry, len(arrivals))
	for i, a := range arrivals {
		entries[i] = a.Entry
	}
	return entries
}

// platform is harbor-van-400 as organisation registers it.
func (e *env) platform() *insulation.Platform {
	return &insulation.Platform{ID: "harbor-van-400", MaxWorkingVolts: 400, CodeQuantity: insulation.Parallel, Points: []insulation.Point{
		{Component: insulation.Motor, Conductor: insulation.PhaseU, Reference: insulation.Chassis, LimitOhms: 1e8, TestVolts: 500},
		{Component: insulation.Battery, Conductor: insulation.HVPlus, Reference: insulation.Chassis, LimitOhms: 1e8, TestVolts: 500},
		{Component: insulation.Cable, Conductor: insulation.HVPlus, Reference: insulation.Chassis, LimitOhms: 1e8, TestVolts: 500}}}
}
