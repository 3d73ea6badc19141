package board

import (
	"fmt"
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/insulation"
)

// entry is what a visit's form holds: readings with the index of their point,
// and what cannot be read.
type entry struct {
	readings []*creepagev1.Reading
	points   []int
	problems []pointText
}

// only returns the one reading of a point, or all when none is named.
func (e *entry) only(point string) ([]*creepagev1.Reading, []int) {
	n, err := strconv.Atoi(point)
	if err != nil {
		return e.readings, e.points
	}
	for i, p := range e.points {
		if p == n {
			return e.readings[i : i+1], e.points[i : i+1]
		}
	}
	return nil, nil
}

// readEntry makes readings of the points that were filled in.
func readEntry(p *visitPage) *entry {
	e := &entry{}
	common, err := commonOf(p)
	if err != nil {
		e.problems = append(e.problems, pointText{Point: 0, Text: err.Error()})
		return e
	}
	for _, q := range p.Points {
		if strings.TrimSpace(q.Value) == "" && !q.Over {
			continue
		}
		r, err := common.reading(p, q)
		if err != nil {
			e.problems = append(e.problems, pointText{Point: q.Index, Text: err.Error()})
			continue
		}
		e.readings = append(e.readings, r)
		e.points = append(e.points, q.Index)
	}
	return e
}

// common is what all readings of a visit share.
type common struct {
	shop, meter string
	rangeOhms   float64 // NaN: not stated
	celsius     *float64
	humidity    *float64
	precautions *creepagev1.Precautions
	started     time.Time
}

func commonOf(p *visitPage) (*common, error) {
	c := &common{shop: p.OwnShop, meter: p.Field("meter"), rangeOhms: math.NaN()}
	if c.shop == "" {
		c.shop = p.Field("shop")
	}
	var err error
	if c.started, err = time.Parse(time.RFC3339, p.Started); err != nil {
		return nil, fmt.Errorf("start of the visit %q: %w", p.Started, err)
	}
	if text := strings.TrimSpace(p.Field("range")); text != "" {
		if _, c.rangeOhms, err = insulation.ParseResistance(text, math.NaN()); err != nil {
			return nil, fmt.Errorf("top of the meter's range: %w", err)
		}
	} else {
		for _, m := range p.Meters {
			if id(m.GetName()) == c.meter && m.RangeOhms != nil {
				c.rangeOhms = m.GetRangeOhms()
			}
		}
	}
	if c.celsius, err = optionalNumber("air temperature", p.Field("temperature")); err != nil {
		return nil, err
	}
	if c.humidity, err = optionalNumber("humidity", p.Field("humidity")); err != nil {
		return nil, err
	}
	c.precautions, err = precautionsOf(p.Form)
	return c, err
}

func optionalNumber(what, text string) (*float64, error) {
	text = strings.ReplaceAll(strings.TrimSpace(text), ",", ".")
	if text == "" {
		return nil, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return nil, fmt.Errorf("%s %q is not a number", what, text)
	}
	return &v, nil
}

// precautionsOf reads the ticks. A box not ticked, like a date or time left
// out, is unknown: nobody has stated that the precaution was not taken.
func precautionsOf(form url.Values) (*creepagev1.Precautions, error) {
	tick := func(name string) *bool {
		if form.Get(name) == "" {
			return nil
		}
		taken := true
		return &taken
	}
	c := &creepagev1.Precautions{LockedOut: tick("locked_out"), ZeroVoltsProven: tick("zero_volts"), GlovesAirTested: tick("gloves_air"),
		EyeProtection: tick("eyes"), SecondPersonNear: tick("second_person")}
	var err error
	if c.WaitedSeconds, err = optionalNumber("wait in seconds", form.Get("waited")); err != nil {
		return nil, err
	}
	if text := form.Get("gloves_test"); text != "" {
		t, err := time.Parse("2006-01-02", text)
		if err != nil {
			return nil, fmt.Errorf("date of the gloves' test %q: %w", text, err)
		}
		c.GlovesTestTime = timestamppb.New(t)
	}
	return c, nil
}

func (c *common) reading(p *visitPage, q visitPoint) (*creepagev1.Reading, error) {
	text := strings.TrimSpace(q.Value)
	if q.Over {
		text = "OL"
	} else if _, err := strconv.ParseFloat(strings.ReplaceAll(text, ",", "."), 64); err == nil {
		text += " " + unitOf(p.Field("unit_"+strconv.Itoa(q.Index)))
	}
	relation, ohms, err := insulation.ParseResistance(text, c.rangeOhms)
	if err != nil {
		return nil, err
	}
	at := c.started
	if t, err := time.Parse(time.RFC3339, p.Field("at_"+strconv.Itoa(q.Index))); err == nil {
		at = t
	}
	r := &creepagev1.Reading{ReadingId: q.ID, Vehicle: "vehicles/" + p.Vehicle, MeasureTime: timestamppb.New(at), Method: creepagev1.Reading_TESTER,
		Component: q.GetComponent(), Conductor: q.GetConductor(), Reference: q.GetReference(), Relation: creepagev1.Reading_Relation(relation), ResistanceOhms: ohms,
		TemperatureCelsius: c.celsius, HumidityPercent: c.humidity, Precautions: c.precautions, Visit: &p.Visit}
	if platform := p.Plan.GetPlatform(); platform != "" {
		r.Platform = &platform
	}
	if c.shop != "" {
		r.Shop = "shops/" + c.shop
	}
	if c.meter != "" {
		name := "meters/" + c.meter
		r.Meter = &name
	}
	if !math.IsNaN(c.rangeOhms) {
		r.RangeOhms = &c.rangeOhms
	}
	volts := q.GetTestVolts()
	r.TestVolts = &volts
	r.HoldSeconds, err = optionalNumber("hold in seconds", p.Field("hold_"+strconv.Itoa(q.Index)))
	return r, err
}

func unitOf(choice string) string {
	switch choice {
	case "kohm":
		return "kΩ"
	case "gohm":
		return "GΩ"
	case "ohm":
		return "Ω"
	}
	return "MΩ"
}
