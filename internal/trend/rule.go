package trend

import (
	"time"

	"creepage/internal/insulation"
)

// WarningKind is what a warning is about.
type WarningKind uint8

// Warning kinds.
const (
	CodeDue WarningKind = iota + 1
	UnderCodeLimit
	UnderServiceLimit
	SuddenDrop
)

var warningWords = [...]string{CodeDue: "code_due", UnderCodeLimit: "under_code_limit", UnderServiceLimit: "under_service_limit", SuddenDrop: "sudden_drop"}

// String returns the kind's word.
func (k WarningKind) String() string {
	if int(k) < len(warningWords) {
		return warningWords[k]
	}
	return ""
}

// Policy is what an organisation wants to be told.
type Policy struct {
	LeadDays float64 `json:"lead_days"` // code_due looks this far ahead
	Raise    float64 `json:"raise"`     // raised when the probability within the lead time passes this
	End      float64 `json:"end"`       // ended after EndDays below this
	EndDays  float64 `json:"end_days"`
}

// DefaultPolicy looks 90 days ahead, raises at 0.20 and ends after 14 days below 0.08.
func DefaultPolicy() Policy { return Policy{LeadDays: 90, Raise: 0.20, End: 0.08, EndDays: 14} }

// OpenWarning is a warning that has been raised and not ended.
type OpenWarning struct {
	Kind       WarningKind          `json:"kind"`
	Component  insulation.Component `json:"component"`
	RaisedAt   time.Time            `json:"raised_at"`
	BelowSince time.Time            `json:"below_since"` // since when its condition has not held; zero: it holds
}

// RuleState is the warn rule's memory of one vehicle. It makes the round trip
// through JSON; the zero value is a vehicle that was never warned about.
type RuleState struct {
	Open []OpenWarning `json:"open,omitempty"`
}

// Change is a warning raised or ended.
type Change struct {
	Kind        WarningKind
	Raised      bool // else ended
	Component   insulation.Component
	Probability float64
	DaysP50     float64
	Reason      string
	At          time.Time
}

// Evaluate is the daily step of the rule for one vehicle: what Fold says of
// the vehicle's outlook at the given time, computed as cheaply as possible (no
// curve, no sentences unless a warning changes). It equals Outlook followed by Fold.
func (m *Model) Evaluate(rs RuleState, v *Vehicle, p *insulation.Platform, at time.Time, policy Policy) (RuleState, []Change) {
	o := m.Outlook(v, p, at)
	return m.Fold(rs, &o, policy)
}
