// Package digest is the summary of warnings that a person gets by e-mail: when
// the next one is due and what stands in it. It sends nothing.
package digest

import (
	"fmt"
	"time"
	_ "time/tzdata" // an image may hold nothing but the program
)

// Frequency is how often: the numbers of the contract's Digest.Frequency.
type Frequency int16

// Frequencies.
const (
	Daily  Frequency = 1
	Weekly Frequency = 2 // on Mondays
)

// Next returns the first time after now at which a digest is due: at an hour of
// the day in a time zone. Where clocks are put forward over that hour it is the
// hour after.
func Next(f Frequency, hour int, zone *time.Location, now time.Time) time.Time {
	local := now.In(zone)
	for day := 0; ; day++ {
		at := time.Date(local.Year(), local.Month(), local.Day()+day, hour, 0, 0, 0, zone)
		if at.After(now) && (f == Daily || at.Weekday() == time.Monday) {
			return at.UTC()
		}
	}
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
