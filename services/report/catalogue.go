package report

import (
	"context"
	"slices"

	"creepage/internal/filter"
	"creepage/internal/paper"
	"creepage/internal/store"
)

// report is a table that can be asked for: its shape, how it can be asked, and
// its rows.
type report struct {
	Table
	description string
	fields      func() filter.Fields
	rangeOf     string // the column that start_time and end_time bound; empty: they may not be given
	rows        func(ctx context.Context, s *Service, tx *store.Tx, q *query, put func(cells []Value) error) error
	// pages lays the report out for print; nil: it does not come as PDF.
	pages func(ctx context.Context, s *Service, tx *store.Tx, q *query) (*paper.Document, error)
}

// query is what was asked of a report.
type query struct {
	filterText   string // as it was sent
	organisation string // the title of whose rows they are; of what is printed alone
	where        *filter.Expression
	in           store.ReportRange
}

// catalogue lists the reports in the order in which they are offered.
func catalogue() []*report {
	return []*report{readingsReport(), tracksReport(), outlooksReport(), warningsReport(), summaryReport()}
}

// find returns the report of a name, nil if there is none.
func find(name string) *report {
	all := catalogue()
	if i := slices.IndexFunc(all, func(r *report) bool { return r.Name == name }); i >= 0 {
		return all[i]
	}
	return nil
}

func names() []string {
	var list []string
	for _, r := range catalogue() {
		list = append(list, r.Name)
	}
	return list
}

// formats lists what the report comes in.
func (r *report) formats() []Format {
	list := Formats()
	if r.pages != nil {
		list = append(list, PDF)
	}
	return append(list, CSVW)
}

// printed lists the reports that come as PDF.
func printed() []string {
	var list []string
	for _, r := range catalogue() {
		if r.pages != nil {
			list = append(list, r.Name)
		}
	}
	return list
}
