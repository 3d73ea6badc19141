package worker

import (
	"cmp"
	"encoding/json"
	"fmt"
	"os"
	"runtime"
	runtimemetrics "runtime/metrics"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	streamv1 "creepage/api/creepage/stream/v1"
	"creepage/internal/insulation"
	"creepage/internal/local/localtest"
	"creepage/internal/simulate"
	"creepage/internal/stream"
	"creepage/internal/wire"
)

// nightlyKinds is how many different vehicles a fleet of the nightly benchmark has;
// the others are copies of what the worker keeps of them.
const nightlyKinds = 48

// BenchmarkNightlyPassStored is the daily pass over a stored fleet as the worker makes
// it, on a durable PostgreSQL: every vehicle is read, its rule and outlook are computed
// and written. CREEPAGE_BENCH_VEHICLES sets how many there are; `make bench-nightly`
// takes 100,000. The fleet is 48 simulated vehicles with two years of records, taken
// in by the worker itself, and copies of their rows in an organisation for every
// thousand, their weekly kept outlooks spread over the days of a week. Readings are
// not copied, for the pass reads none of a vehicle whose memory stands.
func BenchmarkNightlyPassStored(b *testing.B) {
	n := 5000
	if s := os.Getenv("CREEPAGE_BENCH_VEHICLES"); s != "" {
		var err error
		if n, err = strconv.Atoi(s); err != nil || n < nightlyKinds || n > 10_000_000 {
			b.Fatalf("CREEPAGE_BENCH_VEHICLES is %q; want a whole number from %d to 10000000", s, nightlyKinds)
		}
	}
	durable, err := localtest.Start(b.Context(), true)
	if err != nil {
		b.Fatal(err)
	}
	shared := server
	server = durable
	b.Cleanup(func() { // after the database is dropped
		server = shared
		if err := durable.Stop(); err != nil {
			b.Error(err)
		}
	})

	e := newEnv(b, stream.Settings{})
	w := e.worker()
	w.keepAfter = checkpointEntries
	e.simulated(w)
	if kinds, err := w.EvaluateDay(b.Context(), startOfDay(e.now)); err != nil || kinds != nightlyKinds {
		b.Fatalf("%d vehicles were evaluated, %v, want %d", kinds, err, nightlyKinds)
	}
	e.multiply(n)

	day := startOfDay(e.now)
	for b.Loop() { // each round is the night after
		day = day.AddDate(0, 0, 1)
		e.now = day
		said := e.count(`SELECT count(*) FROM outlooks`) + e.count(`SELECT count(*) FROM warning_changes`)
		runtime.GC()
		peak := heapPeak()
		before, start := processorTime(b), time.Now()
		evaluated, err := w.EvaluateDay(b.Context(), day)
		took, cost := time.Since(start), processorTime(b)-before
		heap := peak()
		if err != nil || evaluated != n {
			b.Fatalf("%d vehicles were evaluated, %v, want %d", evaluated, err, n)
		}
		date := day.Format(time.DateOnly)
		if left := e.count(`SELECT count(*) FROM vehicle_states s JOIN latest_outlooks l USING (vehicle_id)
			WHERE s.daily_through IS DISTINCT FROM '` + date + ` 00:00Z' OR l.evaluated_at < '` + date + ` 00:00Z'`); left != 0 {
			b.Fatalf("%d vehicles were left out of the night of %s", left, date)
		}
		rows := 2*n - said + e.count(`SELECT count(*) FROM outlooks`) + e.count(`SELECT count(*) FROM warning_changes`)
		b.ReportMetric(float64(n)/took.Seconds(), "vehicles/s")
		b.ReportMetric(took.Seconds(), "s/pass")
		b.ReportMetric(cost.Seconds()/took.Seconds(), "processors") // of this program; PostgreSQL's are not in it
		b.ReportMetric(float64(rows), "rows")
		b.ReportMetric(heap/(1<<20), "MiB-heap-peak")
	}
}

// simulated lets the worker take in two years of records of a simulated fleet
// that end at noon today.
func (e *env) simulated(w *Worker) {
	e.t.Helper()
	fleet, err := simulate.New(simulate.Config{Physics: simulate.Rough(), Vehicles: nightlyKinds, Years: 2, Seed: 7, Start: startOfDay(e.now).AddDate(-2, 0, 0)})
	if err != nil {
		e.t.Fatal(err)
	}
	e.db.Exec(e.t, `DELETE FROM platform_versions`)
	e.db.Exec(e.t, `DELETE FROM platforms`)
	for i := range fleet.Platforms {
		p := &fleet.Platforms[i]
		points, err := json.Marshal(p.Points)
		if err != nil {
			e.t.Fatal(err)
		}
		e.db.Exec(e.t, `INSERT INTO platforms VALUES ($1, $2)`, e.org, p.ID)
		e.db.Exec(e.t, `INSERT INTO platform_versions (organisation_id, platform, valid_from, title, max_working_volts, code_ohms, code_quantity, points)
			VALUES ($1, $2, '-infinity', $3, $4, nullif($5::float8, 0), $6, $7)`, e.org, p.ID, p.Title, p.MaxWorkingVolts, p.CodeOhms, int16(p.CodeQuantity), points)
	}
	var entries []*streamv1.Entry
	for i := range fleet.Readings {
		r := &fleet.Readings[i]
		if !(r.Ohms > 0) || r.MeasuredAt.After(e.now) {
			continue // what intake refuses
		}
		r.ID = cmp.Or(r.ID, fmt.Sprintf("%s-%d", r.Vehicle, i))
		entries = append(entries, &streamv1.Entry{OrganisationId: e.org[:], ReceiveTime: timestamppb.New(receivedAt(r)),
			Content: &streamv1.Entry_Reading{Reading: wire.ReadingMessage(r)}})
	}
	for i := range fleet.Codes {
		if c := &fleet.Codes[i]; !c.SetAt.After(e.now) {
			entries = append(entries, &streamv1.Entry{OrganisationId: e.org[:], ReceiveTime: timestamppb.New(c.SetAt.Add(time.Minute)),
				Content: &streamv1.Entry_Code{Code: wire.CodeMessage(c)}})
		}
	}
	slices.SortStableFunc(entries, func(a, b *streamv1.Entry) int {
		return a.GetReceiveTime().AsTime().Compare(b.GetReceiveTime().AsTime())
	})
	for chunk := range slices.Chunk(entries, 5000) {
		e.submit(chunk...)
		e.step(w)
	}
	e.evaluate(w)
	if refused := e.log.String(); refused != "" {
		e.t.Fatalf("the simulated fleet was not taken in whole: %s", refused)
	}
}

func receivedAt(r *insulation.Reading) time.Time {
	if r.ReceivedAt.IsZero() {
		return r.MeasuredAt.Add(time.Minute)
	}
	return r.ReceivedAt
}

// multiply copies what is stored of the vehicles until there are n.
func (e *env) multiply(n int) {
	e.t.Helper()
	organisations := max(1, n/1000)
	e.db.Exec(e.t, `CREATE TABLE copy_organisations AS SELECT i AS number, gen_random_uuid() AS id FROM generate_series(1, $1::int) AS i`, organisations)
	for _, sql := range []string{
		`INSERT INTO organisations (id, name, created_at) SELECT id, 'copy-' || number, now() FROM copy_organisations`,
		`INSERT INTO platforms SELECT c.id, p.id FROM copy_organisations c CROSS JOIN platforms p WHERE p.organisation_id NOT IN (SELECT id FROM copy_organisations)`,
		`INSERT INTO platform_versions (organisation_id, platform, valid_from, title, max_working_volts, code_ohms, code_quantity, points)
			SELECT c.id, p.platform, p.valid_from, p.title, p.max_working_volts, p.code_ohms, p.code_quantity, p.points
			FROM copy_organisations c CROSS JOIN platform_versions p WHERE p.organisation_id NOT IN (SELECT id FROM copy_organisations)`,
	} {
		e.db.Exec(e.t, sql)
	}
	// Copy number i is of vehicle i modulo the number of kinds; its key is that of the first kinds plus i.
	e.db.Exec(e.t, `CREATE TABLE copies AS
		WITH kinds AS (SELECT id, row_number() OVER (ORDER BY id) - 1 AS place, max(id) OVER () AS last, count(*) OVER () AS kinds FROM vehicles)
		SELECT i, k.id AS of, k.last + i AS id, c.id AS organisation_id
		FROM generate_series(1, $1::int) AS i JOIN kinds k ON k.place = i % k.kinds JOIN copy_organisations c ON c.number = 1 + i % $2::int`, n-nightlyKinds, organisations)
	for _, sql := range []string{
		`INSERT INTO vehicles (id, organisation_id, name, platform, created_at) OVERRIDING SYSTEM VALUE
			SELECT c.id, c.organisation_id, v.name || '-' || c.i, v.platform, v.created_at FROM copies c JOIN vehicles v ON v.id = c.of`,
		`INSERT INTO vehicle_states (vehicle_id, organisation_id, memory, params_version, rule, last_measured_at, last_shop, checkpointed_at, changed_at, replay_from,
				backfilled_at, first_live_at, evaluated_at, daily_through, outlook_kept_at, outlook_state, since_checkpoint)
			SELECT c.id, c.organisation_id, s.memory, s.params_version, s.rule, s.last_measured_at, s.last_shop, s.checkpointed_at, s.changed_at, s.replay_from,
				s.backfilled_at, s.first_live_at, s.evaluated_at, s.daily_through, s.daily_through - (c.i / 7 % 7) * interval '1 day', s.outlook_state, s.since_checkpoint
			FROM copies c JOIN vehicle_states s ON s.vehicle_id = c.of`,
		`INSERT INTO latest_outlooks (` + saidColumns + `) SELECT c.organisation_id, c.id, ` + saidRest + ` FROM copies c JOIN latest_outlooks o ON o.vehicle_id = c.of`,
		`INSERT INTO outlooks (` + saidColumns + `) SELECT c.organisation_id, c.id, ` + saidRest + ` FROM copies c
			CROSS JOIN LATERAL (SELECT * FROM outlooks k WHERE k.vehicle_id = c.of ORDER BY k.evaluated_at DESC LIMIT 3) o`,
		`INSERT INTO warnings (id, organisation_id, vehicle_id, kind, component, raised_at, probability, days_p50, reason)
			SELECT gen_random_uuid(), c.organisation_id, c.id, w.kind, w.component, w.raised_at, w.probability, w.days_p50, w.reason
			FROM copies c JOIN warnings w ON w.vehicle_id = c.of WHERE w.ended_at IS NULL`,
		`ANALYZE`,
		`CHECKPOINT`,
	} {
		e.db.Exec(e.t, sql)
	}
}

const (
	saidRest    = `evaluated_at, state, p30, p90, days_p10, days_p50, days_p90, limiting, reason, details, params_version`
	saidColumns = `organisation_id, vehicle_id, ` + saidRest
)

// heapPeak watches the bytes of live and not yet collected objects until the
// function it returns is called, which tells the most.
func heapPeak() func() float64 {
	stop, most := make(chan struct{}), make(chan float64)
	go func() {
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		sample := []runtimemetrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
		peak := 0.0
		for {
			select {
			case <-stop:
				most <- peak
				return
			case <-tick.C:
				runtimemetrics.Read(sample)
				peak = max(peak, float64(sample[0].Value.Uint64()))
			}
		}
	}()
	return func() float64 {
		close(stop)
		return <-most
	}
}

// processorTime is what this program has used of the processors.
func processorTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
