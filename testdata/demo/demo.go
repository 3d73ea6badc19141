// Package demo is the demo fleet: the records of a made-up operator with sixty
// vehicles of six platforms and five shops over eighteen months, as
// `creepage simulate` would write them. Stories that happen to its vehicles
// (truth.csv): a slow coolant seep, an accelerating one, codes that set and were
// repaired, a chafed cable, compressors that leak only when damp, a decline that
// levels off, a part replaced in time, and a shop whose meter tops out low.
package demo

import (
	"embed"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/record"
)

//go:embed platforms.json readings.csv events.csv codes.csv
var files embed.FS

// Fleet is the demo fleet's records.
type Fleet struct {
	Platforms []insulation.Platform
	Shops     []string
	Readings  []insulation.Reading // in order of arrival
	Events    []insulation.Event
	Codes     []insulation.Code
}

// Load returns the records moved by whole days so that the last reading was
// taken within the day before end.
func Load(end time.Time) (*Fleet, error) {
	f := &Fleet{}
	var err error
	if f.Platforms, err = read("platforms.json", record.ReadPlatforms); err != nil {
		return nil, err
	}
	if f.Readings, err = read("readings.csv", rows(record.ReadReadings)); err != nil {
		return nil, err
	}
	if f.Events, err = read("events.csv", rows(record.ReadEvents)); err != nil {
		return nil, err
	}
	if f.Codes, err = read("codes.csv", rows(record.ReadCodes)); err != nil {
		return nil, err
	}
	f.move(end)
	f.Shops = shopsOf(f.Readings)
	return f, nil
}

// move moves every record by the same number of days.
func (f *Fleet) move(end time.Time) {
	var last time.Time
	for i := range f.Readings {
		if at := f.Readings[i].MeasuredAt; at.After(last) {
			last = at
		}
	}
	days := int(end.Sub(last) / (24 * time.Hour))
	if end.Before(last) {
		days-- // division rounds towards zero
	}
	for i := range f.Readings {
		f.Readings[i].MeasuredAt = f.Readings[i].MeasuredAt.AddDate(0, 0, days)
	}
	for i := range f.Events {
		f.Events[i].OccurredAt = f.Events[i].OccurredAt.AddDate(0, 0, days)
	}
	for i := range f.Codes {
		f.Codes[i].SetAt = f.Codes[i].SetAt.AddDate(0, 0, days)
	}
}
