package trend

import (
	"fmt"
	"time"

	"creepage/internal/insulation"
)

// Vehicle is the memory of one vehicle: everything folded up to the end of the
// day before the open one, and the entries of the open day, which are folded
// as one set, so that their order of arrival cannot matter.
type Vehicle struct {
	id     string
	open   day // 0: nothing was added yet
	day    openDay
	closed memory // before the open day
	now    memory // with the open day folded
	stale  bool   // was read back and not resumed: now is not there yet
	// version names the parameters the memory was made with.
	version string
}

// NewVehicle returns the memory of a vehicle of which nothing is known.
func NewVehicle(id string) *Vehicle { return &Vehicle{id: id} }

// ID returns the vehicle's id.
func (v *Vehicle) ID() string { return v.id }

// Version names the parameters the memory was last added to with.
func (v *Vehicle) Version() string { return v.version }

// Clone returns a memory that shares nothing with v.
func (v *Vehicle) Clone() *Vehicle {
	c := &Vehicle{id: v.id, open: v.open, day: v.day.clone(), version: v.version, stale: v.stale}
	c.closed.copyFrom(&v.closed)
	c.now.copyFrom(&v.now)
	return c
}

// OpenDay returns the UTC day that still takes entries; zero when nothing was added yet.
func (v *Vehicle) OpenDay() time.Time {
	if v.open == 0 {
		return time.Time{}
	}
	return v.open.start()
}

// SetAside returns how many rows of the vehicle were set aside as no readings.
func (v *Vehicle) SetAside() int { return int(v.now.aside) }

// Add puts entries, in any order, into the vehicle's memory. Entries of a day
// before the open one give ErrLate and change nothing; an entry of a later day
// closes the open one.
func (m *Model) Add(v *Vehicle, p *insulation.Platform, entries []Entry) error {
	if v.stale {
		return fmt.Errorf("vehicle %q: its memory was read back and not resumed", v.id)
	}
	for i, e := range entries {
		t := e.Time()
		if t.IsZero() {
			return fmt.Errorf("vehicle %q: entry %d has no time", v.id, i)
		}
		if d := dayOf(t); d < v.open {
			return fmt.Errorf("vehicle %q: entry of %s, open day %s: %w", v.id, t.UTC().Format(time.RFC3339), v.open.start().Format(time.DateOnly), ErrLate)
		}
	}
	// Days in their order, whatever the order of the entries.
	for done := 0; done < len(entries); {
		next := day(0)
		for _, e := range entries {
			if d := dayOf(e.Time()); (next == 0 || d < next) && (d > v.open || (d == v.open && done == 0)) {
				next = d
			}
		}
		if next == 0 {
			break
		}
		if next > v.open {
			v.close()
			v.open = next
		}
		for _, e := range entries {
			if dayOf(e.Time()) == next {
				v.day.add(e)
				done++
			}
		}
		m.refold(v, p)
	}
	v.version = m.TrackVersion()
	return nil
}

// close makes what is folded the memory before the next day.
func (v *Vehicle) close() {
	if v.open == 0 {
		return
	}
	v.closed, v.now = v.now, v.closed
	v.day.reset()
}

// refold folds the open day onto what was before it.
func (m *Model) refold(v *Vehicle, p *insulation.Platform) {
	v.now.copyFrom(&v.closed)
	m.fold(&v.now, p, v.open, &v.day)
}

// Resume folds the open day of a memory that was read back, by the platform that
// holds on that day. It must be the model's whose version the memory names.
func (m *Model) Resume(v *Vehicle, p *insulation.Platform) {
	if !v.stale {
		return
	}
	v.stale = false
	if v.day.empty() { // closed when it was written
		v.now.copyFrom(&v.closed)
		return
	}
	m.refold(v, p)
}

// Recalculate folds the open day again with this model's parameters; what is
// before it stays as it was. Replay the vehicle's entries to have all of it anew.
func (m *Model) Recalculate(v *Vehicle, p *insulation.Platform) {
	if v.open != 0 {
		v.stale = false
		m.refold(v, p)
		v.version = m.TrackVersion()
	}
}
