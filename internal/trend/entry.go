package trend

import (
	"cmp"
	"errors"
	"time"

	"creepage/internal/insulation"
)

// ErrLate says that an entry is older than the vehicle's open day: the memory
// was not changed; load an earlier one and replay the vehicle's entries since.
var ErrLate = errors.New("entry is older than the vehicle's open day")

// Entry is one thing that happened to a vehicle: exactly one of its fields is set.
type Entry struct {
	Reading *insulation.Reading
	Event   *insulation.Event
	Code    *insulation.Code
}

// Time returns when it happened: measured, occurred or set.
func (e Entry) Time() time.Time {
	switch {
	case e.Reading != nil:
		return e.Reading.MeasuredAt
	case e.Event != nil:
		return e.Event.OccurredAt
	case e.Code != nil:
		return e.Code.SetAt
	}
	return time.Time{}
}

// day is a UTC day: days since 1970-01-01.
type day int32

// dayOf returns the UTC day of t.
func dayOf(t time.Time) day {
	s := t.Unix()
	d := s / 86400
	if s%86400 < 0 {
		d--
	}
	return day(d)
}

// start returns the day's 00:00 UTC.
func (d day) start() time.Time { return time.Unix(int64(d)*86400, 0).UTC() }

// week counts weeks from a Monday.
func (d day) week() int32 { return int32((d + 3) / 7) }

// compareReadings is the canonical order of a day's readings: time, then id,
// then content, so that any order of arrival folds alike.
func compareReadings(a, b *insulation.Reading) int {
	return cmp.Or(a.MeasuredAt.Compare(b.MeasuredAt), cmp.Compare(a.ID, b.ID), cmp.Compare(a.Component, b.Component),
		cmp.Compare(a.Conductor, b.Conductor), cmp.Compare(a.Reference, b.Reference), cmp.Compare(a.Relation, b.Relation), cmp.Compare(a.Ohms, b.Ohms))
}
