package report

import (
	"context"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/paper"
	"creepage/internal/problem"
	"creepage/internal/store"
)

// print makes the pages of a report and writes them.
func (d *download) print(ctx context.Context, s *Service, out io.Writer, read func(context.Context, func(*store.Tx) error) error) error {
	var document *paper.Document
	err := read(ctx, func(tx *store.Tx) (err error) {
		if d.query.organisation, err = tx.OrganisationTitle(ctx); err != nil {
			return err
		}
		document, err = d.report.pages(ctx, s, tx, &d.query)
		return err
	})
	if err != nil {
		return err
	}
	for _, block := range document.Blocks {
		if t, ok := block.(paper.Table); ok {
			d.rows += int64(len(t.Rows))
		}
	}
	document.Made = d.about.AsOf
	document.Subject = d.report.Title + ". " + Caution
	document.Foot = d.report.Title + " as of " + moment(d.about.AsOf) + ". Advice from records, not a release of any vehicle."
	document.Blocks = append(document.Blocks, d.closing()...)
	text, err := document.PDF()
	if err != nil {
		return problem.Internal(err)
	}
	_, err = out.Write(text)
	return err
}

// closing is what every printed report ends with: what the columns mean, how it
// was asked for, cautions.
func (d *download) closing() []paper.Block {
	t := paper.Table{Columns: []paper.Column{{Title: "Column", Width: 32}, {Title: "Unit", Width: 16}, {Title: "Meaning", Width: 100}}, Small: true}
	for _, c := range d.report.Columns {
		t.Rows = append(t.Rows, paper.Row{Cells: []string{c.Name, c.Unit, c.Help}})
	}
	return []paper.Block{
		paper.Box{Title: "Cautions", Items: append([]string{Caution}, insulation.Cautions()...)},
		paper.Heading("What the numbers mean"),
		paper.Small("The columns of the report, as its other formats have them (" + words(Formats()) + ")."), t,
		paper.Small("Query: " + d.about.Query), paper.Small("As of " + d.about.AsOf.UTC().Format(time.RFC3339Nano) + ", made by " + d.about.Software + "."),
	}
}

// unknownFormat says which formats there are, and of PDF which reports have it.
func unknownFormat(r *report, f Format) error {
	more := ""
	if f == PDF {
		more = "; as pdf there are " + strings.Join(printed(), ", ")
	}
	return problem.InvalidField("format", "%q is none of %s, which the report %s comes in%s", f, words(r.formats()), r.Name, more)
}

func moment(t time.Time) string { return t.UTC().Format("2 Jan 2006 15:04 UTC") }

func dayText(t time.Time) string { return t.UTC().Format("2 Jan 2006") }

const none = "–"

// threeDigits writes a number with three digits that count.
func threeDigits(x float64) string {
	switch {
	case math.IsNaN(x):
		return none
	case x == 0:
		return "0"
	}
	decimals := min(max(2-int(math.Floor(math.Log10(math.Abs(x)))), 0), 6)
	text := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	if text == "-0" {
		return "0"
	}
	return strings.Replace(text, "-", "−", 1)
}

// withInterval writes a number with its interval, if it has one.
func withInterval(x, low, high float64) string {
	if math.IsNaN(x) || math.IsNaN(low) || math.IsNaN(high) {
		return threeDigits(x)
	}
	return fmt.Sprintf("%s (%s to %s)", threeDigits(x), threeDigits(low), threeDigits(high))
}

// sharePercent writes a share from 0 to 1.
func sharePercent(x float64) string {
	if math.IsNaN(x) {
		return none
	}
	return strconv.FormatFloat(100*x, 'f', 1, 64) + " %"
}
