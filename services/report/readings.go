package report

import (
	"context"
	"fmt"
	"math"
	"strings"

	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/store"
)

// readingsReport is every reading. Its first columns are those of readings.csv,
// so that the file can be imported again.
func readingsReport() *report {
	return &report{
		Table: Table{Name: "readings", Title: "Readings", Columns: []Column{
			{"reading_id", Text, "", "Identity given by the sender, or derived from the content; unique together with measured_at."},
			{"shop", Text, "", "Shop that took it."},
			{"vehicle", Text, "", "Vehicle, by the name it has now."},
			{"platform", Text, "", "Platform as stated with the reading."},
			{"measured_at", Time, "", "When it was taken, at the meter, UTC."},
			{"method", Text, "", "How: tester (insulation tester, de-energised), monitor (on-board, live) or voltmeter (live, with a known resistor)."},
			{"component", Text, "", "The part measured; system is the whole vehicle."},
			{"conductor", Text, "", "What the live lead was connected to; all: every live conductor of the component tied together."},
			{"reference", Text, "", "What the return lead was connected to: chassis or shield."},
			{"relation", Text, "", "= as stated; > over range, the true value lies above; < the true value lies below."},
			{"resistance_ohm", Number, "ohm", "Insulation resistance as stated; for > the top of the range, for < its bottom."},
			{"test_volt", Number, "V", "Applied DC test voltage; empty: not stated."},
			{"hold_s", Number, "s", "How long the voltage was held before the reading was taken; empty: not stated."},
			{"temperature_c", Number, "Cel", "Air temperature; empty: not taken."},
			{"humidity_pct", Number, "%", "Relative humidity of the air; empty: not taken."},
			{"part_temperature_c", Number, "Cel", "Temperature of the measured part; empty: not taken."},
			{"meter", Text, "", "Meter it was taken with."},
			{"range_ohm", Number, "ohm", "Top of the meter's range in use; empty: not stated."},
			{"visit", Text, "", "The occasion it belongs to."},
			{"quantity", Text, "", "Of the whole vehicle: parallel (both poles together) or weaker_pole."},
			{"received_at", Time, "", "When the service acknowledged it, UTC; of old records when they were received then."},
			{"moisture", Text, "", "dry or wet, as the technician tagged the part."},
			{"warmth", Text, "", "cold or hot, as the technician tagged the part."},
			{"calibrated_at", Time, "", "The meter's last calibration as stated with the reading, UTC."},
			{"qualification", Text, "", "The technician's qualification as stated."},
			{"backfill", Flag, "", "True: sent as an old record."},
			{"service_limit", Text, "", "Verdict at the time of receipt: met, not_met, cannot_tell or no_limit. It judges one reading and releases no vehicle."},
			{"service_limit_ohm", Number, "ohm", "The service limit it was held against; empty: none."},
			{"notes", Text, "", "Codes of what makes it hard to compare, or of a precaution that is not on record, separated by spaces."},
			{"void_reason", Text, "", "Why it was declared wrong; empty: it stands."},
		}},
		description: "Every reading as it was taken, void ones included, with what was said of it at once. By time of measurement.",
		fields:      store.ReportReadingFields,
		rangeOf:     "measured_at",
		rows:        readingRows,
	}
}

func readingRows(ctx context.Context, _ *Service, tx *store.Tx, q *query, put func([]Value) error) error {
	cells := make([]Value, len(readingsReport().Columns))
	said := assessments{known: map[string]assessed{}}
	return tx.ReportReadings(ctx, q.where, q.in, func(r *store.ReportReading) error {
		a, err := said.of(r.Assessment)
		if err != nil {
			return fmt.Errorf("assessment of reading %s: %w", r.ID, err)
		}
		quantity := ""
		if r.Component.String() == "system" {
			quantity = r.Quantity.String()
		}
		c := filler{cells: cells}
		c.text(r.ID, r.Shop, r.Vehicle, r.Platform).time(r.MeasuredAt)
		c.text(r.Method.String(), r.Component.String(), r.Conductor.String(), r.Reference.String(), r.Relation.String())
		c.number(r.Ohms, r.TestVolts, r.HoldSeconds, r.AirCelsius, r.HumidityPct, r.PartCelsius)
		c.text(r.Meter).number(r.RangeOhms).text(r.Visit, quantity).time(r.ReceivedAt)
		c.text(r.Moisture.String(), r.Warmth.String()).time(r.CalibratedAt).text(r.Qualification).flag(r.Backfill)
		c.text(a.verdict).number(a.limit).text(a.notes, r.VoidReason)
		return put(cells)
	})
}

// assessed is what a row shows of a message Assessment.
type assessed struct {
	verdict string
	limit   float64 // NaN: none
	notes   string
}

// assessments reads messages Assessment. Few differ, so each is read once.
type assessments struct{ known map[string]assessed }

// mostAssessments bounds what is remembered.
const mostAssessments = 10_000

func (s *assessments) of(message []byte) (assessed, error) {
	if a, ok := s.known[string(message)]; ok {
		return a, nil
	}
	a, err := readAssessment(message)
	if err != nil {
		return a, err
	}
	if len(s.known) >= mostAssessments {
		clear(s.known)
	}
	s.known[string(message)] = a
	return a, nil
}

func readAssessment(message []byte) (assessed, error) {
	var m creepagev1.Assessment
	if err := proto.Unmarshal(message, &m); err != nil {
		return assessed{}, err
	}
	a := assessed{limit: math.NaN()}
	if m.GetServiceLimit() != 0 {
		a.verdict = strings.ToLower(m.GetServiceLimit().String())
	}
	if m.LimitOhms != nil {
		a.limit = m.GetLimitOhms()
	}
	codes := make([]string, len(m.GetNotes()))
	for i, n := range m.GetNotes() {
		codes[i] = n.GetCode()
	}
	a.notes = strings.Join(codes, " ")
	return a, nil
}
