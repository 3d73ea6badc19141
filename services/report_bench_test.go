package services_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/store"
)

// BenchmarkReadingsToAFile measures rows a second of the report of readings,
// from the database to the reader over gRPC, beside PostgreSQL's own COPY of the
// same query, month by month, in the same run, and the most memory that the
// process held during each: service, stream and reader together.
// CREEPAGE_BENCH_READINGS says how many readings (300000).
func BenchmarkReadingsToAFile(b *testing.B) {
	readings := 300_000
	if text := os.Getenv("CREEPAGE_BENCH_READINGS"); text != "" {
		var err error
		readings, err = strconv.Atoi(text)
		must(b, err)
	}
	s := start(b)
	fillReadings(b, s, readings)
	for b.Loop() {
		copied, bytes := s.copyReadings(b, readings)
		fmt.Printf("\n%d readings, rows a second: PostgreSQL's COPY of the same query %.0f (%d bytes)\n", readings, copied, bytes)
		for _, format := range []string{"csv", "jsonl", "parquet"} {
			rate, bytes := s.timeDownload(b, format, readings)
			fmt.Printf("  %-8s %9.0f  %.2f of COPY, %d bytes, peak resident %s\n", format, rate, rate/copied, bytes, peakMemory(b))
			b.ReportMetric(rate, format+"_rows/s")
		}
	}
}

// fillReadings keeps readings of 500 vehicles over twelve months.
func fillReadings(b *testing.B, s *system, n int) {
	for i := range 12 {
		s.db.Exec(b, `SELECT make_reading_partition($1::timestamptz::date)`, now.AddDate(0, -i-1, 0))
	}
	s.db.Exec(b, `INSERT INTO vehicles (organisation_id, name, platform, created_at) SELECT $1, 'truck-' || i, 'harbor-van-400', $2 FROM generate_series(1, 500) i`, s.organisation, now)
	s.db.Exec(b, `INSERT INTO readings (organisation_id, reading_id, measured_at, vehicle_id, received_at, vehicle, shop, platform, visit, meter, method, component, conductor, reference,
			quantity, relation, ohms, test_volts, hold_seconds, air_celsius, humidity_pct, assessment, content)
		SELECT $1, 'r-' || i, m, v.id, m, v.name, 'north-yard', 'harbor-van-400', 'visit-' || i / 10, 'meter-' || i % 7, 1, 4, 3 + i % 3, 1, 1, 1 + i % 2,
			1e8 * (1 + i % 9973 / 997.0), 500, 60, 15 + i % 200 / 10.0, 40 + i % 50, '\x0801110000000084d79741', sha256(i::text::bytea)
		FROM generate_series(1, $2::int) i CROSS JOIN LATERAL (SELECT '2025-03-01Z'::timestamptz + (i::float8 / $2 * 330) * interval '1 day' AS m) t
		JOIN vehicles v ON v.name = 'truck-' || (i % 500 + 1)`, s.organisation, n)
	s.db.Exec(b, `ANALYZE readings`)
}

const copySelect = `COPY (SELECT r.reading_id, r.shop, v.name, r.platform, r.measured_at, r.method, r.component, r.conductor, r.reference, r.relation, r.ohms, r.test_volts, r.hold_seconds,
	r.air_celsius, r.humidity_pct, r.part_celsius, r.meter, r.range_ohms, r.visit, r.quantity, r.received_at, r.moisture, r.warmth, r.calibrated_at, r.qualification, r.backfill,
	r.assessment, r.void_reason FROM readings r JOIN vehicles v ON v.id = r.vehicle_id
	WHERE r.organisation_id = '%s' AND r.received_at <= now() + interval '10 years' AND r.measured_at >= '%s' AND r.measured_at < '%s' ORDER BY r.measured_at, r.reading_id COLLATE "C") TO STDOUT (FORMAT csv)`

func (s *system) copyReadings(b *testing.B, n int) (rate float64, bytes int64) {
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, s.db.URL(store.APILogin))
	must(b, err)
	defer func() { must(b, conn.Close(ctx)) }()
	_, err = conn.Exec(ctx, `SELECT set_config('creepage.organisation', '`+s.organisation.String()+`', false), set_config('work_mem', '48MB', false), set_config('timezone', 'UTC', false)`)
	must(b, err)
	begun := time.Now()
	var rows int64
	var out counting
	for i := range 12 {
		from := time.Date(2025, time.Month(2+i), 1, 0, 0, 0, 0, time.UTC)
		tag, err := conn.PgConn().CopyTo(ctx, &out, fmt.Sprintf(copySelect, s.organisation, from.Format(time.RFC3339), from.AddDate(0, 1, 0).Format(time.RFC3339)))
		must(b, err)
		rows += tag.RowsAffected()
	}
	if rows != int64(n) {
		b.Fatalf("COPY wrote %d rows of %d", rows, n)
	}
	return float64(n) / time.Since(begun).Seconds(), out.bytes
}

type counting struct{ bytes, lines int64 }

func (c *counting) Write(p []byte) (int, error) {
	c.bytes += int64(len(p))
	for _, x := range p {
		if x == '\n' {
			c.lines++
		}
	}
	return len(p), nil
}

func (s *system) timeDownload(b *testing.B, format string, n int) (rate float64, bytes int64) {
	forgetPeak(b)
	stream, err := creepagev1.NewReportServiceClient(s.conn).DownloadReport(s.with(s.fleetKey), &creepagev1.DownloadReportRequest{Name: "reports/readings", Format: format})
	must(b, err)
	begun := time.Now()
	var out counting
	for {
		piece, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		must(b, err)
		_, _ = out.Write(piece.GetData())
	}
	if want := map[string]int64{"csv": int64(n) + 1, "jsonl": int64(n)}[format]; want > 0 && out.lines != want {
		b.Fatalf("%s: %d lines, want %d", format, out.lines, want)
	}
	return float64(n) / time.Since(begun).Seconds(), out.bytes
}

// forgetPeak has the system count anew from what the process holds now.
func forgetPeak(b *testing.B) {
	debug.FreeOSMemory()
	must(b, os.WriteFile("/proc/self/clear_refs", []byte("5"), 0)) // proc(5)
}

// peakMemory is the most this process has held resident since.
func peakMemory(b *testing.B) string {
	text, err := os.ReadFile("/proc/self/status")
	must(b, err)
	for line := range strings.Lines(string(text)) {
		if value, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			return strings.TrimSpace(value)
		}
	}
	b.Fatal("the system does not tell the process's memory")
	return ""
}
