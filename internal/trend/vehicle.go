package trend

import (
	"time"

	"creepage/internal/insulation"
)

// Model is the method with one set of parameters and everything computed from
// them once. It is immutable and safe for concurrent use.
type Model struct {
	params Params
}

// NewModel checks the parameters and computes what depends on them alone.
func NewModel(p Params) (*Model, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	return &Model{params: p}, nil
}

// Params returns the parameters the model was made with.
func (m *Model) Params() Params { return m.params }

// Vehicle is the memory of one vehicle.
type Vehicle struct {
	id   string
	open day
}

// NewVehicle returns the memory of a vehicle of which nothing is known.
func NewVehicle(id string) *Vehicle { return &Vehicle{id: id} }

// Clone returns a memory that shares nothing with v.
func (v *Vehicle) Clone() *Vehicle { c := *v; return &c }

// OpenDay returns the UTC day that still takes entries; zero when nothing was added yet.
func (v *Vehicle) OpenDay() time.Time {
	if v.open == 0 {
		return time.Time{}
	}
	return v.open.start()
}

// Add puts entries, in any order, into the vehicle's memory. Entries of days
// before the open day give ErrLate and change nothing.
func (m *Model) Add(v *Vehicle, p *insulation.Platform, entries []Entry) error {
	for _, e := range entries {
		if dayOf(e.Time()) < v.open {
			return ErrLate
		}
	}
	for _, e := range entries {
		v.open = max(v.open, dayOf(e.Time()))
	}
	return nil
}

// Outlook says what is expected of the vehicle at a time not before its last entry.
func (m *Model) Outlook(v *Vehicle, p *insulation.Platform, at time.Time) Outlook {
	return Outlook{Vehicle: v.id, EvaluatedAt: at, Version: m.params.Version, State: Unknown}
}

// Fold is the warn rule: from the rule's memory and an outlook to the next memory and what changed.
func (m *Model) Fold(rs RuleState, o *Outlook, policy Policy) (RuleState, []Change) {
	return rs, nil
}
