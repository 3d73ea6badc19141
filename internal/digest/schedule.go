// Package digest is the summary of warnings that a person gets by e-mail: when
// the next one is due and what stands in it. It sends nothing.
package digest

import (
	"time"

	"creepage/internal/timetable"
)

// Frequency is how often: the numbers of the contract's Digest.Frequency.
type Frequency int16

// Frequencies.
const (
	Daily  Frequency = 1
	Weekly Frequency = 2 // on Mondays
)

// Next returns the first time after now at which a digest is due.
func Next(f Frequency, hour int, zone *time.Location, now time.Time) time.Time {
	every := timetable.Day
	if f == Weekly {
		every = timetable.Week
	}
	return timetable.Table{Every: every, Weekday: time.Monday, Hour: hour, Zone: zone}.Next(now)
}
