package sheet

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
	"creepage/internal/problem"
)

// service answers like the real one as far as an importer can see: by identity.
type service struct {
	known  map[string]int
	calls  int
	failAt int // the call that fails, counted from 1
}

var errKilled = errors.New("killed")

func (s *service) submit(_ context.Context, req *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
	s.calls++
	if s.calls == s.failAt {
		return nil, errKilled
	}
	for _, r := range req.Readings {
		if strings.HasPrefix(r.ReadingId, "poison") {
			return nil, status.Error(codes.InvalidArgument, "the request cannot be taken")
		}
	}
	resp := &creepagev1.SubmitReadingsResponse{}
	for _, r := range req.Readings {
		result := &creepagev1.SubmitResult{ReadingId: &r.ReadingId, Outcome: creepagev1.SubmitResult_ACCEPTED}
		switch {
		case strings.HasPrefix(r.ReadingId, "refuse"):
			result.Outcome, result.Error = creepagev1.SubmitResult_REJECTED, status.New(codes.NotFound, "platform van-400 is not known").Proto()
		case s.known[r.ReadingId] > 0:
			result.Outcome = creepagev1.SubmitResult_DUPLICATE
		}
		if result.Outcome == creepagev1.SubmitResult_ACCEPTED {
			s.known[r.ReadingId]++
		}
		resp.Results = append(resp.Results, result)
	}
	return resp, nil
}

func tableOf(rows int) string {
	var b strings.Builder
	b.WriteString(header)
	for i := range rows {
		id, resistance := fmt.Sprintf("r-%d", i), "550M"
		switch {
		case i%97 == 5:
			resistance = "dirty"
		case i%89 == 7:
			id = fmt.Sprintf("refuse-%d", i)
		case i == 333:
			id = "poison-333"
		}
		b.WriteString(row(id, "", resistance, ""))
	}
	return b.String()
}

type paths struct{ input, checkpoint, rejects string }

func write(t testing.TB, text string) paths {
	t.Helper()
	dir := t.TempDir()
	p := paths{filepath.Join(dir, "in.csv"), filepath.Join(dir, "in.checkpoint"), filepath.Join(dir, "in.rejects.csv")}
	if err := os.WriteFile(p.input, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

func run(t testing.TB, p paths, s *service) (Counts, error) {
	t.Helper()
	source, err := SourceOf(p.input, "http://service", nil)
	if err != nil {
		t.Fatal(err)
	}
	at, _, err := LoadCheckpoint(p.checkpoint, source)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Open(p.input, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	rejects, err := NewRejects(p.rejects, r, at.Rejects)
	if err != nil {
		t.Fatal(err)
	}
	defer rejects.Close()
	im := Import{Submit: s.submit, Batch: 20, CheckpointFile: p.checkpoint, Checkpoint: at, Rejects: rejects}
	return im.Run(context.Background(), r)
}

func TestAnImportBrokenOffAnywhereEndsAsOneThatWasNot(t *testing.T) {
	const rows = 600
	undisturbed, whole := write(t, tableOf(rows)), &service{known: map[string]int{}}
	want, err := run(t, undisturbed, whole)
	if err != nil {
		t.Fatal(err)
	}
	wantRejects, err := os.ReadFile(undisturbed.rejects)
	if err != nil {
		t.Fatal(err)
	}
	if want.Rows != rows || want.Accepted+want.Rejected != rows || int(want.Accepted) != len(whole.known) || want.Rejected == 0 {
		t.Fatalf("undisturbed: %+v, %d known", want, len(whole.known))
	}
	for failAt := 1; failAt <= whole.calls; failAt += 4 {
		p, s := write(t, tableOf(rows)), &service{known: map[string]int{}, failAt: failAt}
		if _, err := run(t, p, s); !errors.Is(err, errKilled) {
			t.Fatalf("call %d: error %v", failAt, err)
		}
		got, err := run(t, p, s)
		if err != nil {
			t.Fatal(err)
		}
		if got.Rows != rows || got.Accepted+got.Duplicates != want.Accepted || got.Rejected != want.Rejected {
			t.Errorf("broken off at call %d: %+v, want %+v", failAt, got, want)
		}
		for id, n := range s.known {
			if n != 1 {
				t.Errorf("broken off at call %d: %s taken %d times", failAt, id, n)
			}
		}
		if len(s.known) != len(whole.known) {
			t.Errorf("broken off at call %d: %d readings, want %d", failAt, len(s.known), len(whole.known))
		}
		rejects, err := os.ReadFile(p.rejects)
		if err != nil || string(rejects) != string(wantRejects) {
			t.Errorf("broken off at call %d: the rejects file differs (%v)", failAt, err)
		}
		if _, err := os.Stat(p.checkpoint); !os.IsNotExist(err) {
			t.Errorf("a finished import left its checkpoint: %v", err)
		}
	}
}

func TestARejectsFileMendedIsAFileToImport(t *testing.T) {
	p := write(t, header+row("r-1", "", "1M", "")+row("r-2", "", "dirty", "")+row("refuse-3", "", "2M", ""))
	if _, err := run(t, p, &service{known: map[string]int{}}); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(p.rejects)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{",3,", "no number", ",4,", "platform van-400 is not known"} {
		if !strings.Contains(string(b), want) {
			t.Errorf("rejects file lacks %q:\n%s", want, b)
		}
	}
	mended := strings.NewReplacer(",dirty,", ",3M,", "refuse-3", "r-3").Replace(string(b))
	s := &service{known: map[string]int{}}
	counts, err := run(t, write(t, mended), s)
	if err != nil || counts.Accepted != 2 || s.known["r-2"] != 1 || s.known["r-3"] != 1 {
		t.Errorf("mended: %+v, %v, %v", counts, s.known, err)
	}
}

func TestACheckpointOfAnotherFileIsNotUsed(t *testing.T) {
	p := write(t, tableOf(100))
	if _, err := run(t, p, &service{known: map[string]int{}, failAt: 3}); !errors.Is(err, errKilled) {
		t.Fatal(err)
	}
	if err := os.WriteFile(p.input, []byte(tableOf(101)), 0o600); err != nil {
		t.Fatal(err)
	}
	counts, err := run(t, p, &service{known: map[string]int{}})
	if err != nil || counts.Duplicates != 0 || counts.Rows != 101 {
		t.Errorf("%+v, %v: want all 101 rows from the beginning", counts, err)
	}
}

func TestMemoryDoesNotGrowWithTheFile(t *testing.T) {
	p := write(t, tableOf(120_000))
	var highest uint64
	s := &service{known: map[string]int{}}
	r, err := Open(p.input, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	rejects, err := NewRejects(p.rejects, r, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer rejects.Close()
	var before runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	im := Import{Batch: MaxBatch, Rejects: rejects, Submit: func(ctx context.Context, req *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
		clear(s.known) // the service's memory is not the importer's
		return s.submit(ctx, req)
	}, Progress: func(p Place, _ Counts) {
		if p.Line%20_000 < MaxBatch {
			var m runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&m)
			highest = max(highest, m.HeapAlloc)
		}
	}}
	counts, err := im.Run(context.Background(), r)
	if err != nil || counts.Rows != 120_000 {
		t.Fatalf("%+v, %v", counts, err)
	}
	if grown := int64(highest) - int64(before.HeapAlloc); grown > 16<<20 {
		t.Errorf("%d MiB in use in the midst of the import, want at most 16", grown>>20)
	}
}

// What the service refuses of a word is told as a table writes it.
func TestARefusedWordIsNamedAsATableWritesIt(t *testing.T) {
	p := problem.Invalid(problem.Field{Path: "readings[3].conductor", Description: "PHASE_V: a battery has no phases here; allowed are HV_PLUS, HV_MINUS, ALL"},
		problem.Field{Path: "readings[3].reference", Description: "CHASSIS: a rule that this program does not know"},
		problem.Field{Path: "readings[3].measure_time", Description: "is missing; an RFC 3339 time is needed"})
	const want = "conductor: phase_v: a battery has no phases here; allowed are hv_plus, hv_minus, all; reference: CHASSIS: a rule that this program does not know; " +
		"measure_time: is missing; an RFC 3339 time is needed"
	row := Row{Reading: insulation.Reading{Method: insulation.Tester, Component: insulation.Battery, Conductor: insulation.PhaseV, Reference: insulation.Chassis}}
	if got := new(Import).refusal(&row, p.GRPCStatus().Proto()); got.Error() != want {
		t.Errorf("%v, want %s", got, want)
	}
}
