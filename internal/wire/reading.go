package wire

import (
	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
)

// Reading turns a message into a reading. A relation left out is `=`, a
// quantity left out `parallel`. Fields that the service sets (receive_time,
// void_reason) are not read. The error is a FieldErrors.
func Reading(m *creepagev1.Reading) (insulation.Reading, error) {
	var r reader
	v := insulation.Reading{
		ID:       m.GetReadingId(),
		Shop:     r.name("shop", Shops, m.GetShop()),
		Vehicle:  r.requiredName("vehicle", Vehicles, m.GetVehicle()),
		Platform: r.name("platform", Platforms, m.GetPlatform()),
		Visit:    m.GetVisit(),

		MeasuredAt: r.requiredTime("measure_time", m.GetMeasureTime()),

		Method:    requiredEnum(&r, "method", m.GetMethod(), insulation.Voltmeter),
		Component: requiredEnum(&r, "component", m.GetComponent(), insulation.System),
		Conductor: requiredEnum(&r, "conductor", m.GetConductor(), insulation.AllConductors),
		Reference: requiredEnum(&r, "reference", m.GetReference(), insulation.Shield),
		Quantity:  enum(&r, "quantity", m.GetQuantity(), insulation.WeakerPole),

		Relation:      enum(&r, "relation", m.GetRelation(), insulation.Below),
		Ohms:          r.number("resistance_ohms", &m.ResistanceOhms),
		TestVolts:     r.number("test_volts", m.TestVolts),
		HoldSeconds:   r.number("hold_seconds", m.HoldSeconds),
		AirCelsius:    r.number("temperature_celsius", m.TemperatureCelsius),
		HumidityPct:   r.number("humidity_percent", m.HumidityPercent),
		PartCelsius:   r.number("part_temperature_celsius", m.PartTemperatureCelsius),
		Moisture:      enum(&r, "moisture", m.GetMoisture(), insulation.Wet),
		Warmth:        enum(&r, "warmth", m.GetWarmth(), insulation.Hot),
		Meter:         r.name("meter", Meters, m.GetMeter()),
		RangeOhms:     r.number("range_ohms", m.RangeOhms),
		CalibratedAt:  r.time("calibration_time", m.GetCalibrationTime()),
		Qualification: m.GetQualification(),
		Precautions:   r.precautions(m.GetPrecautions()),
	}
	if v.Relation == 0 {
		v.Relation = insulation.Equal
	}
	if v.Quantity == insulation.WeakerPole && v.Component != insulation.System {
		r.fail("quantity", "WEAKER_POLE is a whole-vehicle quantity; it goes with component SYSTEM, not %s", m.GetComponent())
	}
	if v.Quantity == 0 {
		v.Quantity = insulation.Parallel
	}
	return v, r.err()
}

// Complete puts into a message what its sender left out and intake has found, so
// that it reads as v does, and takes out what the service alone sets.
func Complete(m *creepagev1.Reading, v *insulation.Reading) {
	if m.GetReadingId() == "" {
		m.ReadingId = v.ID
	}
	if m.GetShop() == "" {
		m.Shop = Shops.Name(v.Shop)
	}
	if m.GetPlatform() == "" {
		m.Platform = Text(Platforms.Name(v.Platform))
	}
	m.ReceiveTime, m.VoidReason = nil, nil
}

func (r *reader) precautions(m *creepagev1.Precautions) insulation.Precautions {
	if m == nil {
		return insulation.Precautions{}
	}
	return insulation.Precautions{
		LockedOut:        m.LockedOut,
		WaitedSeconds:    r.pointer("precautions.waited_seconds", m.WaitedSeconds),
		ZeroVoltsProven:  m.ZeroVoltsProven,
		GlovesTested:     r.time("precautions.gloves_test_time", m.GetGlovesTestTime()),
		GlovesAirTested:  m.GlovesAirTested,
		EyeProtection:    m.EyeProtection,
		DischargedAfter:  m.DischargedAfter,
		ResidualVolts:    r.pointer("precautions.residual_volts", m.ResidualVolts),
		SecondPersonNear: m.SecondPersonNear,
	}
}

// ReadingMessage turns a reading into its message. It shares no memory with v
// except for what Precautions points to.
func ReadingMessage(v *insulation.Reading) *creepagev1.Reading {
	m := &creepagev1.Reading{
		ReadingId: v.ID, Shop: Shops.Name(v.Shop), Vehicle: Vehicles.Name(v.Vehicle), Platform: Text(Platforms.Name(v.Platform)), Visit: Text(v.Visit),
		MeasureTime: Timestamp(v.MeasuredAt), ReceiveTime: Timestamp(v.ReceivedAt),
		Method: creepagev1.Reading_Method(v.Method), Component: creepagev1.Reading_Component(v.Component),
		Conductor: creepagev1.Reading_Conductor(v.Conductor), Reference: creepagev1.Reading_Reference(v.Reference),
		Relation: creepagev1.Reading_Relation(v.Relation), ResistanceOhms: v.Ohms,
		TestVolts: Optional(v.TestVolts), HoldSeconds: Optional(v.HoldSeconds), TemperatureCelsius: Optional(v.AirCelsius),
		HumidityPercent: Optional(v.HumidityPct), PartTemperatureCelsius: Optional(v.PartCelsius),
		Moisture: Stated(creepagev1.Reading_Moisture(v.Moisture)), Warmth: Stated(creepagev1.Reading_Warmth(v.Warmth)),
		Meter: Text(Meters.Name(v.Meter)), RangeOhms: Optional(v.RangeOhms), CalibrationTime: Timestamp(v.CalibratedAt),
		Qualification: Text(v.Qualification), Precautions: precautionsMessage(&v.Precautions),
	}
	if v.Component == insulation.System {
		m.Quantity = Stated(creepagev1.Reading_Quantity(v.Quantity))
	}
	return m
}

// precautionsMessage returns nil when nothing was stated.
func precautionsMessage(v *insulation.Precautions) *creepagev1.Precautions {
	if *v == (insulation.Precautions{}) {
		return nil
	}
	return &creepagev1.Precautions{
		LockedOut: v.LockedOut, WaitedSeconds: v.WaitedSeconds, ZeroVoltsProven: v.ZeroVoltsProven, GlovesTestTime: Timestamp(v.GlovesTested),
		GlovesAirTested: v.GlovesAirTested, EyeProtection: v.EyeProtection, DischargedAfter: v.DischargedAfter,
		ResidualVolts: v.ResidualVolts, SecondPersonNear: v.SecondPersonNear,
	}
}
