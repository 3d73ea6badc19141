package report

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
)

// A sheet that is full is followed by another, each with the header.
func TestRowsThatDoNotFitOnASheetGoOnOnTheNext(t *testing.T) {
	var out bytes.Buffer
	table := &Table{Name: "long", Title: "Long", Columns: []Column{{Name: "n", Kind: Integer, Help: "A number."}}}
	e, err := newXLSX(&out, table, About{Query: "q", AsOf: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), Software: "test"})
	if err != nil {
		t.Fatal(err)
	}
	e.most = 5
	for i := range 10 {
		if err := e.Row([]Value{IntegerValue(int64(i))}); err != nil {
			t.Fatal(err)
		}
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(bytes.NewReader(out.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	got := ""
	for _, name := range f.GetSheetList()[1:] {
		rows, err := f.GetRows(name)
		if err != nil {
			t.Fatal(err)
		}
		got += fmt.Sprintln(name, rows)
	}
	if want := "rows [[n] [0] [1] [2] [3]]\nrows 2 [[n] [4] [5] [6] [7]]\nrows 3 [[n] [8] [9]]\n"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestADayIsCountedAsSpreadsheetsCount(t *testing.T) {
	// ECMA-376 part 1, section 18.17.4.3: 1900-03-01 is 61; 2008-11-25T12:00 by the calendar is 39777.5.
	for want, at := range map[float64]time.Time{61: time.Date(1900, 3, 1, 0, 0, 0, 0, time.UTC), 39777.5: time.Date(2008, 11, 25, 12, 0, 0, 0, time.UTC)} {
		if got := serialDay(at); got != want {
			t.Errorf("%v is %v, want %v", at, got, want)
		}
	}
}
