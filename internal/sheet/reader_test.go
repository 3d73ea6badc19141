package sheet

import (
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"creepage/internal/insulation"
	"creepage/internal/record"
)

const header = "reading_id,shop,vehicle,platform,measured_at,method,component,conductor,reference,relation,resistance_ohm,test_volt,hold_s,temperature_c,humidity_pct,range_ohm\n"

func row(id, relation, resistance, rangeOhm string) string {
	return id + ",north-yard,truck-1,van-400,2026-03-02T09:15:00Z,tester,motor,phase_u,chassis," + relation + "," + resistance + ",500,60,21,48," + rangeOhm + "\n"
}

func open(t testing.TB, text string) *Reader {
	t.Helper()
	r, err := read(text, "readings.csv")
	if err != nil {
		t.Fatal(err)
	}
	return r
}

type inMemory struct{ *strings.Reader }

func (inMemory) Close() error { return nil }

func read(text, name string) (*Reader, error) {
	table, err := newCSVTable(inMemory{strings.NewReader(text)}, ',')
	if err != nil {
		return nil, err
	}
	return newReader(table, name, nil)
}

func readAll(t testing.TB, r *Reader) []Row {
	t.Helper()
	var rows []Row
	for {
		row, err := r.Next()
		if errors.Is(err, io.EOF) {
			return rows
		}
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row)
	}
}

func TestResistanceAsPeopleWriteIt(t *testing.T) {
	for _, c := range []struct {
		relation, text, rangeOhm string
		wantRelation             insulation.Relation
		wantOhms                 float64
	}{
		{"=", "550000000", "", insulation.Equal, 5.5e8},
		{">", "550000000", "", insulation.Above, 5.5e8},
		{"", "550 MΩ", "", insulation.Equal, 5.5e8},
		{"", ">550M", "", insulation.Above, 5.5e8},
		{">", "550 MΩ", "", insulation.Above, 5.5e8},
		{"", "0.42 GΩ", "", insulation.Equal, 4.2e8},
		{"", "OL", "550 MΩ", insulation.Above, 5.5e8},
		{"", "<10 kohm", "", insulation.Below, 1e4},
	} {
		rows := readAll(t, open(t, header+row("r-1", c.relation, c.text, c.rangeOhm)))
		if len(rows) != 1 || rows[0].Err != nil {
			t.Errorf("%q: %+v", c.text, rows)
			continue
		}
		if got := rows[0].Reading; got.Relation != c.wantRelation || got.Ohms != c.wantOhms {
			t.Errorf("%q: read as %v %g, want %v %g", c.text, got.Relation, got.Ohms, c.wantRelation, c.wantOhms)
		}
	}
}

func TestAResistanceThatCannotBeReadIsRefusedWithItsReason(t *testing.T) {
	for text, want := range map[string]string{
		"550 m":    "M for mega",
		"OL":       "range_ohm",
		"-5":       "above 0",
		"dirty":    "no number",
		"":         "empty",
		"550 furl": `unit "furl"`,
	} {
		rows := readAll(t, open(t, header+row("r-1", "", text, "")))
		if len(rows) != 1 || rows[0].Err == nil || !strings.Contains(rows[0].Err.Error(), want) {
			t.Errorf("%q: %+v, want an error with %q", text, rows, want)
		}
	}
	rows := readAll(t, open(t, header+row("r-1", "=", ">550M", "")))
	var fe *record.FieldError
	if !errors.As(rows[0].Err, &fe) || fe.Field != "relation" {
		t.Errorf("relation = beside >550M: error %v, want one about relation", rows[0].Err)
	}
}

func TestAMistakeCostsItsOwnLineOnly(t *testing.T) {
	text := header +
		row("r-1", "", "1M", "") +
		`"r-2,north-yard,truck-1` + "\n" + // never closed
		row("r-3", "", "1M", "") +
		"\n" +
		row("r-4", "", "1M", ",,too,many") +
		`"r-5, with ""quotes""",north-yard,"truck-1",van-400,2026-03-02T09:15:00Z,tester,motor,phase_u,chassis,,1M,500,60,21,48,` + "\r\n" +
		"r-6,north-yard,truck-1,van-400,yesterday,tester,motor,phase_u,chassis,,1M,500,60,21,48,\n" +
		strings.TrimSuffix(row("r-7", "", "1M", ""), "\n")
	type outcome struct {
		Line int
		ID   string
		Bad  bool
	}
	var got []outcome
	for _, r := range readAll(t, open(t, text)) {
		got = append(got, outcome{r.Line, r.Reading.ID, r.Err != nil})
	}
	want := []outcome{{2, "r-1", false}, {3, "", true}, {4, "r-3", false}, {6, "", true}, {7, `r-5, with "quotes"`, false}, {8, "", true}, {9, "r-7", false}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestReadingGoesOnFromAnyPlace(t *testing.T) {
	text := "\ufeff" + strings.ReplaceAll(header, "\n", "\r\n") + row("r-1", "", "1M", "") + "\"r-2\nsecond line\"" + strings.TrimPrefix(row("r-2", "", "1M", ""), "r-2") +
		"\n\n" + row("r-3", "", "bad", "") + "\"open\n" + row("r-4", "", "1M", "")
	whole := readAll(t, open(t, text))
	if len(whole) != 5 {
		t.Fatalf("%d rows: %+v", len(whole), whole)
	}
	for n := range whole {
		first := open(t, text)
		for range n {
			if _, err := first.Next(); err != nil {
				t.Fatal(err)
			}
		}
		second := open(t, text)
		if err := second.Continue(first.Place()); err != nil {
			t.Fatal(err)
		}
		rest := readAll(t, second)
		if len(rest) != len(whole)-n {
			t.Fatalf("after %d rows: %d more, want %d", n, len(rest), len(whole)-n)
		}
		for i, r := range rest {
			if w := whole[n+i]; r.Line != w.Line || r.Reading.ID != w.Reading.ID || (r.Err == nil) != (w.Err == nil) {
				t.Errorf("after %d rows: line %d %q %v, want line %d %q %v", n, r.Line, r.Reading.ID, r.Err, w.Line, w.Reading.ID, w.Err)
			}
		}
	}
}

func TestAHeaderWithASlipNamesTheColumnMeant(t *testing.T) {
	_, err := read(strings.Replace(header, "temperature_c", "temprature_c", 1), "old.csv")
	if err == nil || !strings.Contains(err.Error(), `old.csv: header: missing column temperature_c (is "temprature_c" meant?)`) {
		t.Errorf("error %v", err)
	}
	_, err = read("", "old.csv")
	if err == nil || !strings.Contains(err.Error(), "empty") {
		t.Errorf("empty file: error %v", err)
	}
	r := open(t, strings.Replace(header, "range_ohm", "remark", 1))
	if d := cmp.Diff([]string{"remark"}, r.Ignored()); d != "" {
		t.Error(d)
	}
}

func FuzzReader(f *testing.F) {
	f.Add(header + row("r-1", "", "550 MΩ", ""))
	f.Add(header + "\"open\n" + row("r-1", ">", "OL", "550M"))
	f.Add(header + "\"a\"\"\",\"b\nc\"\r\n\r\n")
	f.Fuzz(func(t *testing.T, text string) {
		r, err := read(text, "f.csv")
		if err != nil {
			return
		}
		rows, last := 0, Place{}
		for {
			row, err := r.Next()
			if err != nil {
				break
			}
			rows++
			p := r.Place()
			if p.Offset <= last.Offset || p.Offset > int64(len(text)) || p.Line <= last.Line || row.Line > p.Line {
				t.Fatalf("row %d: place %+v after %+v of %d bytes, row's line %d", rows, p, last, len(text), row.Line)
			}
			if row.Err == nil && !(row.Reading.Ohms > 0) {
				t.Fatalf("row %d: %g ohm taken", rows, row.Reading.Ohms)
			}
			last = p
		}
	})
}
