package report_test

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"creepage/services/report"
)

// BenchmarkEncoders writes rows as wide as the report of readings in each format.
func BenchmarkEncoders(b *testing.B) {
	wide, rows := wideRows(5000)
	for _, f := range report.Formats() {
		b.Run(string(f), func(b *testing.B) {
			for b.Loop() {
				var out bytes.Buffer
				e, err := report.NewEncoder(f, &out, wide, about)
				if err != nil {
					b.Fatal(err)
				}
				for _, row := range rows {
					if err := e.Row(row); err != nil {
						b.Fatal(err)
					}
				}
				if err := e.Close(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(rows)*b.N)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}

// wideRows is a table of thirty columns, a third of whose cells are empty, as of readings.
func wideRows(n int) (*report.Table, [][]report.Value) {
	t := &report.Table{Name: "wide", Title: "Wide"}
	for i := range 30 {
		c := report.Column{Name: fmt.Sprintf("column_%d", i), Kind: report.Text, Help: "What it means."}
		switch {
		case i >= 16 && i < 24:
			c.Kind, c.Unit = report.Number, "ohm"
		case i >= 24 && i < 28:
			c.Kind = report.Time
		case i >= 28:
			c.Kind = report.Flag
		}
		t.Columns = append(t.Columns, c)
	}
	rows := make([][]report.Value, n)
	for r := range rows {
		for i, c := range t.Columns {
			v := report.TextValue(fmt.Sprintf("word %d", (r+i)%17))
			switch c.Kind {
			case report.Number:
				v = report.NumberValue(float64(r) * 1.25e5)
			case report.Time:
				v = report.TimeValue(time.Date(2026, 3, 2, 9, 15, r%60, 0, time.UTC))
			case report.Flag:
				v = report.FlagValue(r%2 == 0)
			}
			if (r+i)%3 == 0 {
				v = report.Value{}
			}
			rows[r] = append(rows[r], v)
		}
	}
	return t, rows
}
