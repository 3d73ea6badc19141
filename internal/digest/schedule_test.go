package digest

import (
	"testing"
	"time"

	"creepage/internal/timetable"
)

// Clocks of Europe/Berlin go forward on the last Sunday of March at 02:00 and
// back on that of October (Directive 2000/84/EC; IANA time zone database).
func TestDigestsAreDueAtAnHourOfThePersonsClock(t *testing.T) {
	at := func(text string) time.Time {
		t.Helper()
		v, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, c := range []struct {
		name      string
		frequency Frequency
		hour      int
		zone      string
		now, want string
	}{
		{"later today", Daily, 6, "UTC", "2026-03-02T05:59:59Z", "2026-03-02T06:00:00Z"},
		{"the very moment is past", Daily, 6, "UTC", "2026-03-02T06:00:00Z", "2026-03-03T06:00:00Z"},
		{"in winter", Daily, 6, "Europe/Berlin", "2026-03-02T05:30:00Z", "2026-03-03T05:00:00Z"},
		{"over the change to summer time", Daily, 6, "Europe/Berlin", "2026-03-28T12:00:00Z", "2026-03-29T04:00:00Z"},
		{"at an hour that is left out", Daily, 2, "Europe/Berlin", "2026-03-28T12:00:00Z", "2026-03-29T01:00:00Z"},
		{"over the change back", Daily, 6, "Europe/Berlin", "2026-10-24T12:00:00Z", "2026-10-25T05:00:00Z"},
		{"weekly on a Monday before its hour", Weekly, 6, "UTC", "2026-03-02T05:00:00Z", "2026-03-02T06:00:00Z"},
		{"weekly on a Monday after its hour", Weekly, 6, "UTC", "2026-03-02T07:00:00Z", "2026-03-09T06:00:00Z"},
		{"weekly where Monday begins earlier", Weekly, 0, "Pacific/Auckland", "2026-03-01T10:00:00Z", "2026-03-01T11:00:00Z"},
		{"over the end of a year", Daily, 6, "UTC", "2026-12-31T07:00:00Z", "2027-01-01T06:00:00Z"},
	} {
		zone, err := timetable.Zone(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		if got := Next(c.frequency, c.hour, zone, at(c.now)); !got.Equal(at(c.want)) {
			t.Errorf("%s: %s, want %s", c.name, got.Format(time.RFC3339), c.want)
		}
	}
}
