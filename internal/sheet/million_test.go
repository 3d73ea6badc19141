//go:build million

package sheet

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	creepagev1 "creepage/api/creepage/v1"
)

const million = 1_000_000

// A million rows of CSV and of XLSX: what is in use halfway is in use at the end.
func TestAMillionRowsNeedNoMoreMemoryThanSome(t *testing.T) {
	dir := t.TempDir()
	for name, write := range map[string]func(testing.TB, string){"CSV": millionCSV, "XLSX": millionXLSX} {
		path := filepath.Join(dir, "million."+map[string]string{"CSV": "csv", "XLSX": "xlsx"}[name])
		write(t, path)
		begun := time.Now()
		r, err := Open(path, nil)
		if err != nil {
			t.Fatal(err)
		}
		rejects, err := NewRejects(path+".rejects.csv", r, 0)
		if err != nil {
			t.Fatal(err)
		}
		var early, late uint64
		im := Import{Batch: MaxBatch, Rejects: rejects, Submit: func(_ context.Context, req *creepagev1.SubmitReadingsRequest) (*creepagev1.SubmitReadingsResponse, error) {
			resp := &creepagev1.SubmitReadingsResponse{}
			for range req.GetReadings() {
				resp.Results = append(resp.Results, &creepagev1.SubmitResult{Outcome: creepagev1.SubmitResult_ACCEPTED})
			}
			return resp, nil
		}, Progress: func(_ Place, n Counts) {
			if n.Rows%(million/20) < MaxBatch {
				var m runtime.MemStats
				runtime.GC()
				runtime.ReadMemStats(&m)
				if n.Rows < million/2 {
					early = max(early, m.HeapAlloc)
				} else {
					late = max(late, m.HeapAlloc)
				}
			}
		}}
		n, err := im.Run(context.Background(), r)
		if err != nil || n.Accepted != million {
			t.Fatalf("%s: %+v %v", name, n, err)
		}
		t.Logf("%s: %s; at most %d MiB in use in the first half, %d in the second", name, time.Since(begun).Round(time.Second), early>>20, late>>20)
		if late > early+4<<20 {
			t.Errorf("%s: memory grows: %d bytes, then %d", name, early, late)
		}
		if err := rejects.Close(); err != nil {
			t.Error(err)
		}
		r.Close()
	}
}

var millionHeader = []string{"reading_id", "shop", "vehicle", "platform", "measured_at", "method", "component", "conductor", "reference", "relation", "resistance_ohm", "test_volt", "hold_s", "temperature_c", "humidity_pct"}

func millionRow(i int) []any {
	at := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(i) * time.Minute)
	return []any{fmt.Sprint("r-", i), "yard", fmt.Sprint("t-", i%1000), "van", at.Format(time.RFC3339), "tester", "motor", "phase_u", "chassis", "=", 5e8 + i, 500, 60, 21.5, 48}
}

func millionCSV(t testing.TB, path string) {
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w := bufio.NewWriter(f)
	for i, h := range millionHeader {
		if i > 0 {
			fmt.Fprint(w, ",")
		}
		fmt.Fprint(w, h)
	}
	fmt.Fprintln(w)
	for i := range million {
		for k, c := range millionRow(i) {
			if k > 0 {
				fmt.Fprint(w, ",")
			}
			fmt.Fprint(w, c)
		}
		fmt.Fprintln(w)
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

func millionXLSX(t testing.TB, path string) {
	book := excelize.NewFile()
	w, err := book.NewStreamWriter("Sheet1")
	if err != nil {
		t.Fatal(err)
	}
	var header []any
	for _, h := range millionHeader {
		header = append(header, h)
	}
	if err := w.SetRow("A1", header); err != nil {
		t.Fatal(err)
	}
	for i := range million {
		if err := w.SetRow(fmt.Sprint("A", i+2), millionRow(i)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := book.SaveAs(path); err != nil {
		t.Fatal(err)
	}
	if err := book.Close(); err != nil {
		t.Fatal(err)
	}
}
