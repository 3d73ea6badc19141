package report

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"strings"
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

// A sheet whose <col> elements (ECMA-376 part 1, section 18.3.1.13) run backwards is taken for damaged by some spreadsheets (common practice, no source).
func TestColumnsAreDescribedFromLeftToRight(t *testing.T) {
	var out bytes.Buffer
	table := &Table{Name: "wide", Title: "Wide"}
	for i := range 12 {
		table.Columns = append(table.Columns, Column{Name: fmt.Sprintf("a column with number %d", i), Kind: Integer, Help: "A number."})
	}
	e, err := newXLSX(&out, table, About{Query: "q", AsOf: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), Software: "test"})
	if err != nil {
		t.Fatal(err)
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(out.Bytes()), int64(out.Len()))
	if err != nil {
		t.Fatal(err)
	}
	most := 0
	for _, part := range z.File {
		if !strings.HasPrefix(part.Name, "xl/worksheets/sheet") {
			continue
		}
		r, err := part.Open()
		if err != nil {
			t.Fatal(err)
		}
		var sheet struct {
			Columns []struct {
				Min int `xml:"min,attr"`
			} `xml:"cols>col"`
		}
		err = xml.NewDecoder(r).Decode(&sheet)
		if err := errors.Join(err, r.Close()); err != nil {
			t.Fatal(err)
		}
		for i, c := range sheet.Columns {
			if c.Min != i+1 {
				t.Errorf("%s: column %d comes as the %d.", part.Name, c.Min, i+1)
			}
		}
		most = max(most, len(sheet.Columns))
	}
	if most != 12 {
		t.Errorf("%d columns at most are described", most)
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
