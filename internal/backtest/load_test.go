package backtest

import (
	"strings"
	"testing"

	"creepage/internal/simulate"
)

// A row that cannot be a reading is set aside with its reason and counted, and
// the rows beside it stay.
func TestRowsThatCannotBeReadingsAreSetAsideAndCounted(t *testing.T) {
	f := fleet(t, simulate.Mild(), 6)
	spoilt := map[int]struct {
		spoil func(i int)
		why   string
	}{
		3:  {func(i int) { f.Readings[i].Ohms = 0 }, "resistance 0: an empty field or no measurement"},
		9:  {func(i int) { f.Readings[i].Ohms = 65535000 }, "the all-ones pattern 65535: the sender had no value"},
		17: {func(i int) { f.Readings[i].RangeOhms, f.Readings[i].Ohms = 2.2e9, 2.2e12 }, "1000 times the top of its meter's range"},
		21: {func(i int) { f.Readings[i].Ohms = 3e15 }, "above what any insulation meter shows"},
	}
	for i, s := range spoilt {
		s.spoil(i)
	}
	records := FromFleet(f.Platforms, f.Readings, f.Events, f.Codes)
	kept := 0
	for _, h := range records.vehicles {
		for _, e := range h.entries {
			if e.Reading != nil {
				kept++
			}
		}
	}
	if records.Rows != len(f.Readings) || kept != len(f.Readings)-len(spoilt) || len(records.Rejects) != len(spoilt) {
		t.Errorf("of %d rows %d were read, %d kept, %d set aside; want %d set aside", len(f.Readings), records.Rows, kept, len(records.Rejects), len(spoilt))
	}
	for _, r := range records.Rejects {
		s, ok := spoilt[r.Row-2]
		if !ok || r.Field != "resistance_ohm" || !strings.Contains(r.Why, s.why) {
			t.Errorf("row %d, %s: %q, want %q", r.Row, r.Field, r.Why, s.why)
		}
	}
}
