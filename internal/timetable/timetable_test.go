package timetable_test

import (
	"testing"
	"time"

	"creepage/internal/timetable"
)

// Weekdays, lengths of months and changes of clocks are those of the calendar
// and of the IANA time zone database.
func TestTheNextTimeIsTheCalendars(t *testing.T) {
	berlin, err := timetable.Zone("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		what      string
		table     timetable.Table
		now, want string
	}{
		{"later today", timetable.Table{Every: timetable.Day, Hour: 6, Zone: time.UTC}, "2026-03-02T05:59:59Z", "2026-03-02T06:00:00Z"},
		{"not twice at its very time", timetable.Table{Every: timetable.Day, Hour: 6, Zone: time.UTC}, "2026-03-02T06:00:00Z", "2026-03-03T06:00:00Z"},
		{"in its zone", timetable.Table{Every: timetable.Day, Hour: 0, Zone: berlin}, "2026-03-02T12:00:00Z", "2026-03-02T23:00:00Z"},
		{"clocks forward over its hour, 29 March 2026", timetable.Table{Every: timetable.Day, Hour: 2, Zone: berlin}, "2026-03-28T12:00:00Z", "2026-03-29T01:00:00Z"},
		{"a Friday", timetable.Table{Every: timetable.Week, Weekday: time.Friday, Hour: 6, Zone: time.UTC}, "2026-03-02T12:00:00Z", "2026-03-06T06:00:00Z"},
		{"a Monday that has passed", timetable.Table{Every: timetable.Week, Weekday: time.Monday, Hour: 6, Zone: time.UTC}, "2026-03-02T12:00:00Z", "2026-03-09T06:00:00Z"},
		{"the 31st of a month of 28 days", timetable.Table{Every: timetable.Month, MonthDay: 31, Hour: 6, Zone: time.UTC}, "2026-02-02T12:00:00Z", "2026-02-28T06:00:00Z"},
		{"the 29th in a leap year", timetable.Table{Every: timetable.Month, MonthDay: 31, Hour: 6, Zone: time.UTC}, "2028-02-02T12:00:00Z", "2028-02-29T06:00:00Z"},
		{"over the turn of the year", timetable.Table{Every: timetable.Month, MonthDay: 1, Hour: 6, Zone: time.UTC}, "2026-12-01T06:00:00Z", "2027-01-01T06:00:00Z"},
	} {
		now, err := time.Parse(time.RFC3339, c.now)
		if err != nil {
			t.Fatal(err)
		}
		if got := c.table.Next(now).Format(time.RFC3339); got != c.want {
			t.Errorf("%s: %s, want %s", c.what, got, c.want)
		}
	}
	// Clocks are put back at 03:00 on 25 October 2026: due once that night, a day later again.
	twice := timetable.Table{Every: timetable.Day, Hour: 2, Zone: berlin}
	first := twice.Next(time.Date(2026, 10, 24, 12, 0, 0, 0, time.UTC))
	if next := twice.Next(first); next.Sub(first) < 24*time.Hour {
		t.Errorf("%s and again %s", first, next)
	}
}

func TestDaysWeeksAndMonthsBegin(t *testing.T) {
	at := time.Date(2026, 3, 1, 9, 30, 0, 0, time.UTC) // a Sunday
	for every, want := range map[timetable.Every]string{timetable.Day: "2026-03-01", timetable.Week: "2026-02-23", timetable.Month: "2026-03-01"} {
		if got := timetable.Begin(every, at); got.Format(time.DateTime) != want+" 00:00:00" {
			t.Errorf("%d: %s, want %s", every, got, want)
		}
	}
}

func TestTheMachinesZoneIsNone(t *testing.T) {
	for _, name := range []string{"Local", "Berlin", "../etc/passwd"} {
		if _, err := timetable.Zone(name); err == nil {
			t.Errorf("%q is taken", name)
		}
	}
	if z, err := timetable.Zone(""); err != nil || z != time.UTC {
		t.Errorf("%v, %v", z, err)
	}
}
