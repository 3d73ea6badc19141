package backtest

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"creepage/internal/draw"
	"creepage/internal/paper"
)

// Compare replays two methods in common use, a fixed threshold and a straight
// line through the last readings, over the same records and scores them beside
// what was said. It does nothing where no code dates were given.
func (r *Result) Compare(ctx context.Context, records *Records) error {
	j := r.Summary.Judgement
	if j == nil || j.Codes == 0 {
		return nil
	}
	c := newRivals(methods()[:3])
	if err := c.replay(ctx, records, func(vehicle string) string { return vehicle }); err != nil {
		return err
	}
	r.Summary.Rivals = c.compare(r.truth, j.falseRate())
	return nil
}

// Report is the backtest as a document for people.
func (r *Result) Report() *paper.Document {
	s := &r.Summary
	d := &paper.Document{
		Title:    "Backtest: what would have been said, and when",
		Subtitle: fmt.Sprintf("%d vehicles, records of %s to %s", s.Vehicles, isoDay(s.First), isoDay(s.Last)),
		Subject:  "Backtest", Foot: "Backtest of insulation records", Made: s.Last,
	}
	facts := paper.Facts{
		{Name: "Vehicles", Value: fmt.Sprint(s.Vehicles)}, {Name: "Vehicle-years", Value: fmt.Sprintf("%.1f", float64(s.VehicleYears))},
		{Name: "Rows", Value: fmt.Sprint(s.Rows)}, {Name: "Rows set aside", Value: fmt.Sprintf("%d (rejects.csv)", s.Rejects)},
		{Name: "Outlooks", Value: fmt.Sprint(s.Outlooks)},
	}
	for _, kind := range warningKinds {
		facts = append(facts, paper.Fact{Name: "Warnings " + kind, Value: fmt.Sprint(s.Warnings[kind])})
	}
	d.Blocks = append(d.Blocks, paper.Text("The records were replayed in order of arrival through the code that the running service uses. Nothing looks ahead: "+
		"what is said at a time depends on nothing that arrived later."), facts)
	if s.Judgement == nil {
		d.Blocks = append(d.Blocks, paper.Text("No code dates were given, so nothing here says how good these warnings would have been. With the dates at which isolation codes set, "+
			"the same replay says how early each was met, which were missed and how many warnings were false."))
		d.Blocks = append(d.Blocks, r.raisedTable()...)
		return r.finish(d)
	}
	d.Blocks = append(d.Blocks, s.Judgement.met(float64(s.LeadDays))...)
	d.Blocks = append(d.Blocks, s.comparison()...)
	d.Blocks = append(d.Blocks, s.Judgement.calibration()...)
	d.Blocks = append(d.Blocks, s.Judgement.unmet()...)
	d.Blocks = append(d.Blocks, s.Judgement.falseTable()...)
	d.Blocks = append(d.Blocks, r.raisedTable()...)
	return r.finish(d)
}

func (r *Result) finish(d *paper.Document) *paper.Document {
	d.Blocks = append(d.Blocks, paper.Box{Title: "High voltage kills", Items: []string{
		"Tests on the high-voltage circuit are for qualified people only, by the maker's procedure and local codes. Prove zero volts first.",
		"These figures advise. They never say that a vehicle is safe.",
	}})
	return d
}

func isoDay(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	return t.UTC().Format(time.DateOnly)
}

func percent(part, of int) string {
	if of == 0 {
		return "–"
	}
	return fmt.Sprintf("%.0f %%", 100*float64(part)/float64(of))
}

// met says how the codes were met and how early.
func (j *Judgement) met(leadDays float64) []paper.Block {
	n := j.fates()
	table := paper.Table{Columns: []paper.Column{{Title: "What became of the isolation codes", Width: 4}, {Title: "Codes", Width: 1, Right: true}, {Title: "Share", Width: 1, Right: true}}}
	for f, words := range [numFates]string{"in time: warned of 7 to 180 days before", "too early: warned of more than 180 days before", "late: warned of less than 7 days before", "missed: no warning before"} {
		table.Rows = append(table.Rows, paper.Row{Cells: []string{words, fmt.Sprint(n[f]), percent(n[f], j.Codes)}})
	}
	blocks := []paper.Block{paper.Heading("Codes and warnings"), table}
	if n[inTime] > 0 {
		blocks = append(blocks, paper.Text(fmt.Sprintf("Half of the codes met in time were warned of %.0f days or more before.", leadDays)), j.howEarly())
	}
	return append(blocks, paper.Text(fmt.Sprintf("False warnings, after which no code followed within 180 days: %d, that is %.1f in 100 vehicle-years.", j.FalseEpisodes, j.falseRate())),
		paper.Small("Judged are the kinds code_due and under_code_limit. Warnings of a vehicle that overlap, or follow within 14 days of one another's end, count as one, from the first. "+
			"Of a vehicle its first isolation code is judged; later ones are not. A warning is called false only where the records say what followed for 180 days and nothing was done to the vehicle meanwhile. "+
			"A warning that came too early counts as false too."))
}

// howEarly counts the codes met in time by the days between warning and code.
func (j *Judgement) howEarly() paper.Table {
	bounds := []float64{7, 14, 30, 60, 90, 180}
	t := paper.Table{Columns: []paper.Column{{Title: "Days from warning to code", Width: 4}, {Title: "Codes", Width: 1, Right: true}, {Title: "Share", Width: 1, Right: true}}}
	all := j.fates()[inTime]
	for i := range len(bounds) - 1 {
		n := 0
		for _, c := range j.Fates {
			days := float64(c.LeadDays)
			last := i == len(bounds)-2
			if c.Fate == fateWords[inTime] && days >= bounds[i] && (days < bounds[i+1] || last && days <= bounds[i+1]) {
				n++
			}
		}
		t.Rows = append(t.Rows, paper.Row{Cells: []string{fmt.Sprintf("%.0f to %.0f", bounds[i], bounds[i+1]), fmt.Sprint(n), percent(n, all)}})
	}
	return t
}

// comparison sets the simpler methods beside ours.
func (s *Summary) comparison() []paper.Block {
	if len(s.Rivals) == 0 {
		return nil
	}
	j := s.Judgement
	t := paper.Table{Columns: []paper.Column{{Title: "Method, on the same records", Width: 4}, {Title: "In time", Width: 1, Right: true}, {Title: "False per 100 vehicle-years", Width: 1.6, Right: true},
		{Title: "Brier skill 90 d", Width: 1.2, Right: true}, {Title: "AUC 90 d", Width: 1, Right: true}}}
	row := func(name string, inTime, falses, brier, auc float64, strong bool) {
		t.Rows = append(t.Rows, paper.Row{Strong: strong, Cells: []string{name, score("%.0f %%", 100*inTime), score("%.1f", falses), score("%.2f", brier), score("%.2f", auc)}})
	}
	row("this method", j.measure(nameInTime), j.falseRate(), j.measure("Brier skill 90 d"), j.measure("AUC 90 d"), true)
	for _, v := range s.Rivals {
		row(v.Name, float64(v.InTime), float64(v.FalseRate), float64(v.Skill[1].Brier), float64(v.Skill[1].AUC), false)
	}
	return []paper.Block{paper.Heading("Beside methods in common use"), t,
		paper.Small("Each simpler method's threshold is set, with hindsight, to the best that makes no more false warnings than this method. A simpler method states no probability: " +
			"its Brier skill is that of the best rising map from its index to one, fitted on these very records, which flatters it. Brier skill: 1 is perfect, 0 no better than the base rate. " +
			"AUC: the chance that a vehicle before its code is ranked above one that is not; 0.5 is chance.")}
}

// score formats a number, or a dash where there is none.
func score(format string, x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "–"
	}
	return fmt.Sprintf(format, x)
}

func (j *Judgement) calibration() []paper.Block {
	t := paper.Table{Columns: []paper.Column{{Title: "Stated within 90 days", Width: 2}, {Title: "Outlooks", Width: 1, Right: true}, {Title: "Stated, mean", Width: 1, Right: true}, {Title: "Came true", Width: 1, Right: true}}}
	var shares []draw.Share
	for _, b := range j.Reliability {
		if b.Outlooks == 0 {
			continue
		}
		shares = append(shares, draw.Share{Stated: b.Stated, Observed: b.Observed, N: b.Outlooks})
		t.Rows = append(t.Rows, paper.Row{Cells: []string{fmt.Sprintf("%.0f to %.0f %%", 100*b.From, 100*b.To), fmt.Sprint(b.Outlooks), fmt.Sprintf("%.1f %%", 100*b.Stated), fmt.Sprintf("%.1f %%", 100*b.Observed)}})
	}
	if len(shares) == 0 {
		return nil
	}
	return []paper.Block{paper.Heading("Are the probabilities worth their word?"),
		t,
		paper.Drawings{Across: 2, Items: []paper.Drawing{{SVG: draw.Reliability("Stated and observed probability of the code within 90 days", shares),
			Caption: "Points on the dashed line: stated and observed agree. Above it more codes came than stated. Bars: 95 % interval, too narrow where few vehicles stand behind many outlooks."}}}}
}

// mostRows bounds the report's tables; the CSV files hold all.
const mostRows = 60

func (j *Judgement) unmet() []paper.Block {
	var rest []CodeFate
	for _, c := range j.Fates {
		if c.Fate != fateWords[inTime] {
			rest = append(rest, c)
		}
	}
	if len(rest) == 0 {
		return nil
	}
	slices.SortStableFunc(rest, func(a, b CodeFate) int {
		return cmp.Or(cmp.Compare(b.Fate, a.Fate), a.CodeAt.Compare(b.CodeAt))
	})
	t := paper.Table{Columns: []paper.Column{{Title: "Vehicle", Width: 2}, {Title: "Code set", Width: 1.2}, {Title: "What became of it", Width: 1.2}, {Title: "Warned days before", Width: 1.2, Right: true}, {Title: "Component repaired", Width: 1.4}}}
	for _, c := range rest[:min(len(rest), mostRows)] {
		t.Rows = append(t.Rows, paper.Row{Cells: []string{c.Vehicle, isoDay(c.CodeAt), c.Fate, score("%.0f", float64(c.LeadDays)), c.True}})
	}
	return append([]paper.Block{paper.Heading("Codes not met in time"), t}, cutNote(len(rest), "summary.json")...)
}

func (j *Judgement) falseTable() []paper.Block {
	if len(j.False) == 0 {
		return nil
	}
	t := paper.Table{Columns: []paper.Column{{Title: "Vehicle", Width: 2}, {Title: "Warned", Width: 1}, {Title: "Ended", Width: 1}}}
	for _, e := range j.False[:min(len(j.False), mostRows)] {
		t.Rows = append(t.Rows, paper.Row{Cells: []string{e.Vehicle, isoDay(e.Begin), isoDay(e.End)}})
	}
	return append([]paper.Block{paper.Heading("False warnings"), t}, cutNote(len(j.False), "summary.json")...)
}

// raisedTable lists the warnings that speak of the code.
func (r *Result) raisedTable() []paper.Block {
	all := judgedWarnings(r.Warnings)
	if len(all) == 0 {
		return []paper.Block{paper.Heading("Warnings"), paper.Text("No warning of an isolation code would have been raised.")}
	}
	t := paper.Table{Columns: []paper.Column{{Title: "Vehicle", Width: 1.5}, {Title: "Raised", Width: 1.3}, {Title: "Ended", Width: 1.3}, {Title: "Component", Width: 1.4}, {Title: "Chance", Width: 0.9, Right: true}, {Title: "Reason", Width: 5}}}
	for _, w := range all[:min(len(all), mostRows)] {
		t.Rows = append(t.Rows, paper.Row{Cells: []string{w.Vehicle, isoDay(w.RaisedAt), isoDay(w.EndedAt), w.Component.String(), score("%.0f %%", 100*w.Probability), w.Reason}})
	}
	return append([]paper.Block{paper.Heading("Warnings that would have been raised"), t}, cutNote(len(all), "warnings.csv")...)
}

func cutNote(n int, file string) []paper.Block {
	if n <= mostRows {
		return nil
	}
	return []paper.Block{paper.Small(fmt.Sprintf("The first %d of %d; all are in %s.", mostRows, n, file))}
}
