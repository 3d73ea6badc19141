package wire

import (
	"fmt"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
)

// Platform turns a message into a platform. Fields that the service sets
// (effective_code_ohms) are not read. The error is a FieldErrors.
func Platform(m *creepagev1.Platform) (insulation.Platform, error) {
	var r reader
	v := insulation.Platform{
		ID:              r.requiredName("name", Platforms, m.GetName()),
		Title:           m.GetTitle(),
		MaxWorkingVolts: r.number("max_working_volts", &m.MaxWorkingVolts),
		CodeQuantity:    enum(&r, "code_quantity", m.GetCodeQuantity(), insulation.WeakerPole),
		ValidFrom:       r.time("valid_from_time", m.GetValidFromTime()),
	}
	r.between("max_working_volts", v.MaxWorkingVolts, insulation.MinWorkingVolts, insulation.MaxWorkingVolts, "V, as far as the cautions of a test go")
	if m.CodeOhms != nil {
		v.CodeOhms = r.number("code_ohms", m.CodeOhms)
		r.between("code_ohms", v.CodeOhms, insulation.MinCodeOhms, insulation.MaxCodeOhms, fmt.Sprintf("ohm; left out it is %d ohm per volt", insulation.DefaultCodeOhmsPerVolt))
	}
	if v.CodeQuantity == 0 {
		v.CodeQuantity = insulation.Parallel
	}
	for i, p := range m.GetTestPoints() {
		v.Points = append(v.Points, r.point(fmt.Sprintf("test_points[%d]", i), p, &v))
	}
	return v, r.err()
}

func (r *reader) point(path string, m *creepagev1.TestPoint, of *insulation.Platform) insulation.Point {
	q := insulation.Point{
		Component: requiredEnum(r, path+".component", m.GetComponent(), insulation.System),
		Conductor: requiredEnum(r, path+".conductor", m.GetConductor(), insulation.AllConductors),
		Reference: requiredEnum(r, path+".reference", m.GetReference(), insulation.Shield),
		LimitOhms: r.number(path+".limit_ohms", &m.LimitOhms),
		TestVolts: r.number(path+".test_volts", &m.TestVolts),
	}
	r.between(path+".limit_ohms", q.LimitOhms, insulation.MinLimitOhms, insulation.MaxLimitOhms, "ohm")
	r.between(path+".test_volts", q.TestVolts, insulation.MinPlatformTestVolts, insulation.MaxPlatformTestVolts, "V, as far as the cautions of a test go")
	if of.Point(q.Component, q.Conductor, q.Reference) != nil {
		r.fail(path, "%s %s to %s stands twice", m.GetComponent(), m.GetConductor(), m.GetReference())
	}
	return q
}

// PlatformMessage turns a platform into its message.
func PlatformMessage(v *insulation.Platform) *creepagev1.Platform {
	m := &creepagev1.Platform{
		Name: Platforms.Name(v.ID), Title: v.Title, MaxWorkingVolts: v.MaxWorkingVolts,
		CodeQuantity:  creepagev1.Reading_Quantity(v.CodeQuantityOrDefault()),
		ValidFromTime: Timestamp(v.ValidFrom), EffectiveCodeOhms: v.CodeLimit(),
	}
	if v.CodeOhms > 0 {
		m.CodeOhms = &v.CodeOhms
	}
	for _, q := range v.Points {
		m.TestPoints = append(m.TestPoints, &creepagev1.TestPoint{
			Component: creepagev1.Reading_Component(q.Component), Conductor: creepagev1.Reading_Conductor(q.Conductor),
			Reference: creepagev1.Reading_Reference(q.Reference), LimitOhms: q.LimitOhms, TestVolts: q.TestVolts,
		})
	}
	return m
}
