// Package timetable says when something is due that comes again and again: at an
// hour of the day in a time zone, every day, once a week or once a month.
package timetable

import (
	"fmt"
	"time"
	_ "time/tzdata" // an image may hold nothing but the program
)

// Every is how often.
type Every uint8

// How often something comes.
const (
	Day Every = iota + 1
	Week
	Month
)

// Table is when something is due.
type Table struct {
	Every    Every
	Weekday  time.Weekday // of Week
	MonthDay int          // of Month, 1 to 31; of a shorter month it is its last day
	Hour     int          // 0 to 23
	Zone     *time.Location
}

// Next returns the first time after now at which it is due. Where clocks are
// put forward over its hour it is the hour after; where they are put back it is
// due once.
func (t Table) Next(now time.Time) time.Time {
	local := now.In(t.Zone)
	for day := 0; ; day++ {
		at := time.Date(local.Year(), local.Month(), local.Day()+day, t.Hour, 0, 0, 0, t.Zone)
		if at.After(now) && t.on(local.Year(), local.Month(), local.Day()+day) {
			return at.UTC()
		}
	}
}

// on says whether it is due on a day of the calendar.
func (t Table) on(year int, month time.Month, day int) bool {
	date := time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
	switch t.Every {
	case Week:
		return date.Weekday() == t.Weekday
	case Month:
		last := time.Date(date.Year(), date.Month()+1, 0, 0, 0, 0, 0, time.UTC).Day()
		return date.Day() == min(t.MonthDay, last)
	}
	return true
}

// Begin returns when the day, the week (Monday) or the month began in which a
// time lies, in its zone.
func Begin(e Every, at time.Time) time.Time {
	day := at.Day()
	switch e {
	case Week:
		day -= (int(at.Weekday()) + 6) % 7
	case Month:
		day = 1
	}
	return time.Date(at.Year(), at.Month(), day, 0, 0, 0, 0, at.Location())
}

// Zone reads a time zone's name; empty is UTC. The machine's own zone is none
// that a person would have meant.
func Zone(name string) (*time.Location, error) {
	if name == "Local" {
		return nil, fmt.Errorf("time zone %q: want a name such as Europe/Berlin, or UTC", name)
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, fmt.Errorf("time zone %q is not known: want a name such as Europe/Berlin, or UTC", name)
	}
	return zone, nil
}
