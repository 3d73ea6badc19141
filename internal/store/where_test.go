package store

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"creepage/internal/filter"
)

func TestAFilterBecomesAConditionWhoseValuesAreArguments(t *testing.T) {
	cs := columns{"state": {sql: "o.state", words: map[string]int16{"due": 3}}, "days": {sql: "o.days"}}
	due := &filter.Expression{Op: filter.Equal, Field: "state", Value: "due"}
	soon := &filter.Expression{Op: filter.Less, Field: "days", Value: 30.0}
	for _, c := range []struct {
		e    *filter.Expression
		sql  string
		args arguments
	}{
		{nil, "true", nil},
		{due, "(o.state = $1)", arguments{int16(3)}},
		{&filter.Expression{Op: filter.NotEqual, Field: "state", Value: "due"}, "(o.state IS DISTINCT FROM $1)", arguments{int16(3)}},
		{&filter.Expression{Op: filter.And, Kids: []*filter.Expression{due, {Op: filter.Not, Kids: []*filter.Expression{soon}}}},
			"((o.state = $1) AND (NOT coalesce(o.days < $2, false)))", arguments{int16(3), 30.0}},
		{&filter.Expression{Op: filter.Or, Kids: []*filter.Expression{due, soon}}, "((o.state = $1) OR (o.days < $2))", arguments{int16(3), 30.0}},
	} {
		var args arguments
		sql, err := cs.where(c.e, &args)
		if diff := cmp.Diff(c.sql, sql) + cmp.Diff(c.args, args); err != nil || diff != "" {
			t.Errorf("%v (-want +got):\n%s", err, diff)
		}
	}
	for _, e := range []*filter.Expression{{Op: filter.Equal, Field: "state; DROP TABLE readings", Value: "x"}, {Op: filter.Equal, Field: "state", Value: "unheard of"}} {
		if sql, err := cs.where(e, &arguments{}); err == nil {
			t.Errorf("%v became %q", e, sql)
		}
	}
}

func TestThePageAfterARowIsAConditionOverItsWholeOrder(t *testing.T) {
	var args arguments
	got := after([]sortKey{{"p90", true}, {"name", false}}, []any{0.5, "b"}, &args)
	if want := "((p90 < $1) OR (p90 = $1 AND name > $2))"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// Every field and order that services offer has its column.
func TestEveryFieldOfferedHasItsColumn(t *testing.T) {
	for _, order := range OutlookOrders() {
		if outlookOrders[order] == "" {
			t.Errorf("order %q has no column", order)
		}
	}
	for list, pair := range map[string]struct {
		fields filter.Fields
		of     columns
	}{
		"outlooks": {OutlookFields(), outlookColumns()}, "readings": {ReadingFields(), readingListColumns()}, "reported readings": {ReportReadingFields(), reportReadingColumns()},
		"vehicles": {VehicleFields(), vehicleListColumns()}, "reported vehicles": {ReportVehicleFields(), reportVehicleColumns()}, "warnings": {WarningFields(), warningListColumns()}, "reported warnings": {ReportWarningFields(), reportWarningColumns()},
	} {
		for _, f := range pair.fields {
			if pair.of[f.Name].sql == "" {
				t.Errorf("field %q of %s has no column", f.Name, list)
			}
		}
	}
}
