package sheet

import (
	"math"
	"strconv"

	"creepage/internal/insulation"
	"creepage/internal/record"
)

// parse reads a row whose resistances may be written as people write them:
// 550 MΩ, >550M, 0.42 GΩ, OL with range_ohm. All else is as in readings.csv.
func parse(cell func(column string) string) (insulation.Reading, error) {
	plain := map[string]string{}
	if err := plainRange(cell, plain); err != nil {
		return insulation.Reading{}, err
	}
	if err := plainResistance(cell, plain); err != nil {
		return insulation.Reading{}, err
	}
	return record.ParseReading(func(column string) string {
		if s, ok := plain[column]; ok {
			return s
		}
		return cell(column)
	})
}

func plainRange(cell func(string) string, plain map[string]string) error {
	s := cell("range_ohm")
	if s == "" {
		return nil
	}
	relation, ohms, err := insulation.ParseResistance(s, math.NaN())
	if err != nil || relation != insulation.Equal {
		return &record.FieldError{Field: "range_ohm", Value: s, Want: "the top of the meter's range, such as 550 MΩ, or an empty cell"}
	}
	plain["range_ohm"] = strconv.FormatFloat(ohms, 'g', -1, 64)
	return nil
}

func plainResistance(cell func(string) string, plain map[string]string) error {
	s := cell("resistance_ohm")
	if x, err := strconv.ParseFloat(s, 64); err == nil && !math.IsInf(x, 0) && !math.IsNaN(x) {
		return nil // a plain number of ohms: the strict parser has its bounds
	}
	rangeOhms := math.NaN()
	if r, ok := plain["range_ohm"]; ok {
		rangeOhms, _ = strconv.ParseFloat(r, 64)
	}
	relation, ohms, err := insulation.ParseResistance(s, rangeOhms)
	if err != nil {
		return err
	}
	stated := cell("relation")
	if relation != insulation.Equal && stated != "" && stated != relation.String() {
		return &record.FieldError{Field: "relation", Value: stated, Want: relation.String() + " or an empty cell, as resistance_ohm says " + strconv.Quote(s)}
	}
	if relation != insulation.Equal {
		plain["relation"] = relation.String()
	}
	plain["resistance_ohm"] = strconv.FormatFloat(ohms, 'g', -1, 64)
	return nil
}
