package report

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"
)

const (
	chartSheet = "charts"
	// mostCourses bounds the charts and what is remembered for them.
	mostCourses = 12
	mostSeries  = 12 // of a chart
)

// Sums asks for a chart of columns that may be added up, by the values of a date column.
type Sums struct {
	Title string
	By    string
	Of    []string
	Line  bool // a line rather than columns
}

// Courses asks for a chart of a number over time for each value of a column, a
// line for each run of rows that are alike in others, on a logarithmic axis.
type Courses struct {
	Title  string // "%s" is the value
	Each   string
	Series []string
	X, Y   string
	Axis   string
}

// charts collects what a workbook's charts need while its rows pass by. Charts
// whose columns were not chosen are left out.
type charts struct {
	t       *Table
	sums    []Sums
	days    []time.Time // values of By, in order of appearance
	added   [][][]float64
	courses *Courses
	each    []course
	more    bool // courses beyond mostCourses
}

// course is the chart of one value; runs are places on sheets.
type course struct {
	value string
	runs  []run
}

type run struct {
	name, sheet string
	first, last int
}

func newCharts(t *Table) charts {
	c := charts{t: t}
	for _, s := range t.Sums {
		if c.have(append([]string{s.By}, s.Of...)) {
			c.sums = append(c.sums, s)
		}
	}
	c.added = make([][][]float64, len(c.sums))
	if k := t.Courses; k != nil && c.have(append([]string{k.Each, k.X, k.Y}, k.Series...)) {
		c.courses = k
	}
	return c
}

func (c *charts) have(names []string) bool {
	return !slices.ContainsFunc(names, func(n string) bool { return c.at(n) < 0 })
}

func (c *charts) at(name string) int {
	return slices.IndexFunc(c.t.Columns, func(col Column) bool { return col.Name == name })
}

func (c *charts) any() bool { return len(c.sums) > 0 || c.courses != nil }

// say tells what the sheet of charts shows.
func (c *charts) say() string {
	if c.courses != nil {
		return fmt.Sprintf("charts of the first %d vehicles, a line for each part, ohms on a logarithmic axis", mostCourses)
	}
	return "the rows added up by month, and charts of it"
}

// take looks at a row on its way onto a sheet.
func (c *charts) take(cells []Value, sheet string, row int) {
	for i, s := range c.sums {
		day := cells[c.at(s.By)].T
		at := slices.IndexFunc(c.days, day.Equal)
		if at < 0 {
			at, c.days = len(c.days), append(c.days, day)
		}
		for len(c.added[i]) <= at {
			c.added[i] = append(c.added[i], make([]float64, len(s.Of)))
		}
		for j, name := range s.Of {
			if v := &cells[c.at(name)]; v.Given {
				c.added[i][at][j] += v.F + float64(v.I)
			}
		}
	}
	if c.courses != nil {
		c.follow(cells, sheet, row)
	}
}

// follow notes where the runs of rows lie that are alike.
func (c *charts) follow(cells []Value, sheet string, row int) {
	value := cells[c.at(c.courses.Each)].S
	if n := len(c.each); n == 0 || c.each[n-1].value != value {
		if n == mostCourses {
			c.more = true
			return
		}
		c.each = append(c.each, course{value: value})
	}
	if c.more {
		return
	}
	var words []string
	for _, s := range c.courses.Series {
		words = append(words, strings.ReplaceAll(cells[c.at(s)].S, "_", " "))
	}
	name := strings.Join(words, ", ")
	now := &c.each[len(c.each)-1]
	if n := len(now.runs); n > 0 && now.runs[n-1].name == name && now.runs[n-1].sheet == sheet && now.runs[n-1].last == row-1 {
		now.runs[n-1].last = row
		return
	}
	now.runs = append(now.runs, run{name, sheet, row, row})
}

// Places of charts: two side by side, each so many rows high, beginning below
// what stands at the top of the sheet.
const (
	chartWidth  = 640
	chartHeight = 340
	chartRows   = 22 // programs differ in how high a row is
	chartWide   = 5  // columns
)

func (c *charts) write(f *excelize.File, bold int) error {
	if !c.any() {
		return nil
	}
	if _, err := f.NewSheet(chartSheet); err != nil {
		return err
	}
	if c.courses != nil {
		return errors.Join(onPages(f, chartSheet, asWide), c.writeCourses(f, bold))
	}
	if err := onPages(f, chartSheet, onOnePage); err != nil {
		return err
	}
	return c.writeSums(f)
}

func place(i, below int) (string, error) {
	return excelize.CoordinatesToCellName(1+i%2*chartWide, below+i/2*chartRows)
}

func (c *charts) writeCourses(f *excelize.File, bold int) error {
	if len(c.each) == 0 {
		return f.SetCellStr(chartSheet, "A1", "There are no rows to draw.")
	}
	x, err := excelize.ColumnNumberToName(c.at(c.courses.X) + 1)
	if err != nil {
		return err
	}
	y, err := excelize.ColumnNumberToName(c.at(c.courses.Y) + 1)
	if err != nil {
		return err
	}
	words := "Median of what is believed of each part, at 20 Cel and dry, on a logarithmic axis; and where its rows are."
	if c.more {
		words += fmt.Sprintf(" The first %d vehicles; narrow the query for others.", mostCourses)
	}
	if err := f.SetCellStr(chartSheet, "A1", words); err != nil {
		return err
	}
	names, err := c.writeRuns(f, bold)
	if err != nil {
		return err
	}
	below := 5
	for _, n := range names {
		below += len(n)
	}
	for i, one := range c.each {
		chart := &excelize.Chart{Type: excelize.Scatter, Dimension: excelize.ChartDimension{Width: chartWidth, Height: chartHeight}, Title: title(fmt.Sprintf(c.courses.Title, one.value)),
			Legend: excelize.ChartLegend{Position: "right"}, ShowBlanksAs: "gap", VaryColors: new(bool),
			XAxis: excelize.ChartAxis{NumFmt: excelize.ChartNumFmt{CustomNumFmt: "yyyy-mm"}, Font: axisFont},
			YAxis: excelize.ChartAxis{LogBase: 10, MajorGridLines: true, NumFmt: excelize.ChartNumFmt{CustomNumFmt: "0E+0"}, Title: title(c.courses.Axis), Font: axisFont}}
		for j, r := range one.runs[:len(names[i])] {
			chart.Series = append(chart.Series, excelize.ChartSeries{Name: names[i][j], Categories: span(r.sheet, x, r.first, r.last), Values: span(r.sheet, y, r.first, r.last),
				Fill: ground(j), Line: excelize.LineOptions{Type: excelize.LineSolid, Width: 1.75, Fill: ground(j), Dash: dashes[j%len(dashes)]}, Marker: excelize.ChartMarker{Symbol: "none"}})
		}
		cell, err := place(i, below)
		if err != nil {
			return err
		}
		if err := f.AddChart(chartSheet, cell, chart); err != nil {
			return err
		}
	}
	return nil
}

// writeRuns lists what is drawn and where its rows are, and returns the cell
// with the name of each line.
func (c *charts) writeRuns(f *excelize.File, bold int) ([][]string, error) {
	row := 3
	write := func(cells ...any) error {
		row++
		return f.SetSheetRow(chartSheet, fmt.Sprintf("A%d", row-1), &cells)
	}
	if err := write(c.courses.Each, strings.Join(c.courses.Series, ", "), "sheet", "first row", "last row"); err != nil {
		return nil, err
	}
	if err := f.SetRowStyle(chartSheet, 3, 3, bold); err != nil {
		return nil, err
	}
	if err := errors.Join(f.SetColWidth(chartSheet, "A", "B", 24), f.SetColWidth(chartSheet, "C", "E", 16)); err != nil {
		return nil, err
	}
	names := make([][]string, len(c.each))
	for i, one := range c.each {
		for _, r := range one.runs[:min(len(one.runs), mostSeries)] {
			names[i] = append(names[i], fmt.Sprintf("%s!$B$%d", chartSheet, row))
			if err := write(one.value, r.name, r.sheet, r.first, r.last); err != nil {
				return nil, err
			}
		}
	}
	return names, nil
}

func (c *charts) writeSums(f *excelize.File) error {
	layouts := []string{"yyyy-mm", "0", "0.00"}
	styles := make([]int, len(layouts))
	for i := range layouts {
		var err error
		if styles[i], err = f.NewStyle(&excelize.Style{CustomNumFmt: &layouts[i]}); err != nil {
			return err
		}
	}
	if err := f.SetCellStr(chartSheet, "A1", "The rows added up by "+c.sums[0].By+". Counts of vehicles, quantiles and medians cannot be added up and are not here."); err != nil {
		return err
	}
	const head = 3
	last := head + len(c.days)
	header, style := []any{c.sums[0].By}, []int{styles[0]}
	for _, s := range c.sums {
		for _, name := range s.Of {
			header = append(header, name)
			shown := styles[1]
			if c.t.Columns[c.at(name)].Kind == Number {
				shown = styles[2]
			}
			style = append(style, shown)
		}
	}
	if err := f.SetSheetRow(chartSheet, fmt.Sprintf("A%d", head), &header); err != nil {
		return err
	}
	titles, err := f.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}, Alignment: &excelize.Alignment{Horizontal: "right"}})
	if err != nil {
		return err
	}
	if err := f.SetRowStyle(chartSheet, head, head, titles); err != nil {
		return err
	}
	for i, day := range c.days {
		row := []any{serialDay(day)}
		for j := range c.sums {
			for _, v := range c.added[j][i] {
				row = append(row, v)
			}
		}
		if err := f.SetSheetRow(chartSheet, fmt.Sprintf("A%d", head+1+i), &row); err != nil {
			return err
		}
		for j := range row {
			cell, err := excelize.CoordinatesToCellName(1+j, head+1+i)
			if err != nil {
				return err
			}
			if err := f.SetCellStyle(chartSheet, cell, cell, style[j]); err != nil {
				return err
			}
		}
	}
	if err := f.SetColWidth(chartSheet, "A", "Z", 20); err != nil {
		return err
	}
	if len(c.days) == 0 {
		return f.SetCellStr(chartSheet, "A2", "There are no rows to draw.")
	}
	column := 2
	for i, s := range c.sums {
		kind := excelize.Col
		if s.Line {
			kind = excelize.Line
		}
		chart := &excelize.Chart{Type: kind, Dimension: excelize.ChartDimension{Width: chartWidth, Height: chartHeight}, Title: title(s.Title), Legend: excelize.ChartLegend{Position: "bottom"}, VaryColors: new(bool),
			XAxis: excelize.ChartAxis{NumFmt: excelize.ChartNumFmt{CustomNumFmt: "yyyy-mm"}, Font: axisFont, Alignment: excelize.Alignment{TextRotation: -45}}, YAxis: excelize.ChartAxis{MajorGridLines: true, Font: axisFont}}
		for j := range s.Of {
			name, err := excelize.ColumnNumberToName(column)
			if err != nil {
				return err
			}
			column++
			chart.Series = append(chart.Series, excelize.ChartSeries{Name: fmt.Sprintf("%s!$%s$%d", chartSheet, name, head), Categories: span(chartSheet, "A", head+1, last), Values: span(chartSheet, name, head+1, last),
				Fill: ground(j), Line: excelize.LineOptions{Type: excelize.LineSolid, Width: 2, Fill: ground(j), Dash: dashes[j%len(dashes)]}, Marker: excelize.ChartMarker{Symbol: "none"}})
		}
		cell, err := place(i, last+2)
		if err != nil {
			return err
		}
		if err := f.AddChart(chartSheet, cell, chart); err != nil {
			return err
		}
	}
	return nil
}

// span is a piece of a column of a sheet.
func span(sheet, column string, first, last int) string {
	return fmt.Sprintf("'%s'!$%s$%d:$%s$%d", sheet, column, first, column, last)
}

func title(s string) excelize.ChartTitle {
	return excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: s, Font: &excelize.Font{Size: 11, Bold: true}}}}
}

func ground(j int) excelize.Fill {
	return excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{shades[j%len(shades)]}}
}

var axisFont = excelize.Font{Size: 9, Color: "404040"}

// Lines differ by depth of one hue and by their dashes, so that they are told apart in grey.
var (
	shades = []string{"521A46", "B98FAE", "86447A", "231A21"}
	dashes = []excelize.LineDashType{excelize.LineDashSolid, excelize.LineDashDash, excelize.LineDashDot, excelize.LineDashLgDashDot, excelize.LineDashLgDash}
)
