package wire

import (
	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
)

// AssessmentMessage turns what is said of a reading into its message.
func AssessmentMessage(v *insulation.Assessment) *creepagev1.Assessment {
	m := &creepagev1.Assessment{ServiceLimit: creepagev1.Assessment_ServiceLimit(v.ServiceLimit), LimitOhms: Optional(v.LimitOhms)}
	for _, n := range v.Notes {
		m.Notes = append(m.Notes, &creepagev1.Note{Code: n.Code.String(), Text: n.Text})
	}
	return m
}
