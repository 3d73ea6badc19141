package store

import (
	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/filter"
)

// The fields that lists and reports can be filtered by. Each has its column
// beside the list's query; a test holds one against the other.

// ReadingFields are the fields of readings.
func ReadingFields() filter.Fields {
	return filter.Fields{
		{Name: "component", Kind: filter.Word, Words: filter.WordsOf(creepagev1.Reading_Component_name)},
		{Name: "method", Kind: filter.Word, Words: filter.WordsOf(creepagev1.Reading_Method_name)},
		{Name: "shop", Kind: filter.Name, Collection: "shops"},
		{Name: "meter", Kind: filter.Name, Collection: "meters"},
		{Name: "visit", Kind: filter.Text},
		{Name: "measure_time", Kind: filter.Time},
	}
}

// VehicleFields are the fields of vehicles.
func VehicleFields() filter.Fields {
	return filter.Fields{
		{Name: "platform", Kind: filter.Name, Collection: "platforms"},
		{Name: "retired", Kind: filter.Flag},
	}
}

// OutlookFields are the fields of outlooks.
func OutlookFields() filter.Fields {
	return filter.Fields{
		{Name: "vehicle", Kind: filter.Name, Collection: "vehicles"},
		{Name: "measure_again_by", Kind: filter.Time},
		{Name: "state", Kind: filter.Word, Words: filter.WordsOf(creepagev1.Outlook_State_name)},
		{Name: "platform", Kind: filter.Name, Collection: "platforms"},
		{Name: "last_shop", Kind: filter.Name, Collection: "shops"},
		{Name: "limiting_component", Kind: filter.Word, Words: filter.WordsOf(creepagev1.Reading_Component_name)},
		{Name: "code_probability_30d", Kind: filter.Number},
		{Name: "code_probability_90d", Kind: filter.Number},
		{Name: "days_to_code_p50", Kind: filter.Number},
	}
}
