package benchwork

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"creepage/internal/draw"
	"creepage/internal/insulation"
	"creepage/internal/paper"
)

// VisitRecord is what the record of a visit is made of.
type VisitRecord struct {
	Organisation string // title
	Shop         string // title or id
	Vehicle      string // id
	Visit        string
	Platform     *insulation.Platform // as it held at the visit; nil: not known
	Readings     []insulation.Reading // those that stand, oldest first
	Assessment   *insulation.VisitAssessment
	Voided       []VoidedReading
	Meters       []Meter // of the readings, as on file
	Tracks       []draw.Chart
	OwnAlone     bool // the tracks hold readings of this shop alone
	Made         time.Time
}

// VoidedReading is one that was found to be wrong.
type VoidedReading struct{ ID, Reason string }

// Meter is a meter as on file.
type Meter struct {
	ID, Title    string
	CalibratedAt time.Time // the last calibration before the visit; zero: none on file
	DueAt        time.Time // when the next one was due; zero: not laid down
}

// notARelease is what every record says of itself.
const notARelease = "This is a record of what was measured and stated, made for a file. It is not a release of the vehicle: " +
	"it does not say that the vehicle is safe to work on, to drive or to hand over."

// Document lays the record out.
func (v *VisitRecord) Document() *paper.Document {
	d := &paper.Document{
		Title:    "Record of an insulation test",
		Subtitle: fmt.Sprintf("Vehicle %s, visit %s, %s", v.Vehicle, v.Visit, v.when()),
		Subject:  "Record of tests, not a release of the vehicle",
		Foot:     "Record of tests, not a release of the vehicle. Made by creepage on " + v.Made.UTC().Format("2 Jan 2006 15:04 UTC") + ".",
		Made:     v.Made,
	}
	d.Blocks = append(d.Blocks, paper.Text(notARelease), v.about(), paper.Heading("Conditions"), v.conditions(),
		paper.Heading("Precautions, as stated by the technician"), v.precautions(),
		paper.Heading("Readings"), v.readings(), paper.Small(fmt.Sprintf("Corrected to %s °C by the ANSI/NETA table for solid insulation; the spread is that of the published laws, which differ: "+
			"halving every 10 °C, IEEE 43 for thermosetting insulation, ANSI/NETA. A vehicle's circuit is a mix of materials.", short(v.Assessment.ReferenceCelsius))))
	d.Blocks = append(d.Blocks, v.remarks()...)
	d.Blocks = append(d.Blocks, v.charts()...)
	return v.close(d)
}

func (v *VisitRecord) close(d *paper.Document) *paper.Document {
	d.Blocks = append(d.Blocks, paper.Box{Title: "Cautions", Items: insulation.Cautions()})
	if n := len(v.Voided); n > 0 {
		words := make([]string, n)
		for i, r := range v.Voided {
			words[i] = fmt.Sprintf("%s (%s)", r.ID, r.Reason)
		}
		d.Blocks = append(d.Blocks, paper.Small(fmt.Sprintf("Voided and left out: %s.", strings.Join(words, "; "))))
	}
	ids := make([]string, len(v.Readings))
	for i := range v.Readings {
		ids[i] = fmt.Sprintf("%d %s", i+1, v.Readings[i].ID)
	}
	d.Blocks = append(d.Blocks, paper.Small("Identities of the readings: "+strings.Join(ids, "; ")+"."),
		paper.Signature{"Tested by: name, qualification, signature", "Date", "Seen by: name, signature"})
	return d
}

// when is the visit's day, or its first and last.
func (v *VisitRecord) when() string {
	first, last := v.Readings[0].MeasuredAt.UTC(), v.Readings[len(v.Readings)-1].MeasuredAt.UTC()
	if first.Format(time.DateOnly) == last.Format(time.DateOnly) {
		return first.Format("2 January 2006")
	}
	return first.Format("2 January 2006") + " to " + last.Format("2 January 2006")
}

func (v *VisitRecord) about() paper.Facts {
	platform, code := "not known", "not known"
	if p := v.Platform; p != nil {
		platform = p.ID
		if p.Title != "" {
			platform = fmt.Sprintf("%s (%s)", p.Title, p.ID)
		}
		if p.MaxWorkingVolts > 0 {
			platform += fmt.Sprintf(", working voltage up to %s V", short(p.MaxWorkingVolts))
		}
		if p.CodeLimit() > 0 {
			code = insulation.FormatOhms(p.CodeLimit()) + ", whole vehicle"
		}
	}
	facts := paper.Facts{{Name: "Vehicle", Value: v.Vehicle}, {Name: "Platform", Value: platform}, {Name: "Shop", Value: strings.Join(nonEmpty(v.Shop, v.Organisation), ", ")},
		{Name: "Code limit", Value: code}, {Name: "Method", Value: v.each(func(r *insulation.Reading) string { return methodWords[r.Method] })},
		{Name: "Qualification", Value: v.each(func(r *insulation.Reading) string { return r.Qualification })}}
	return append(facts, v.meters()...)
}

var methodWords = map[insulation.Method]string{insulation.Tester: "insulation tester, circuit de-energised",
	insulation.Monitor: "on-board monitor, live", insulation.Voltmeter: "voltmeter method, live"}

// meters names every meter with its calibration: as stated with the readings,
// else as on file.
func (v *VisitRecord) meters() paper.Facts {
	var facts paper.Facts
	for _, id := range distinct(v.Readings, func(r *insulation.Reading) string { return r.Meter }) {
		stated := distinct(v.Readings, func(r *insulation.Reading) string {
			if r.Meter != id || r.CalibratedAt.IsZero() {
				return ""
			}
			return date(r.CalibratedAt)
		})
		text, calibration := id, "date of calibration not stated"
		if len(stated) > 0 {
			calibration = "calibrated " + strings.Join(stated, ", ") + ", as stated with the readings"
		}
		for _, m := range v.Meters {
			if m.ID != id {
				continue
			}
			if m.Title != "" {
				text = fmt.Sprintf("%s (%s)", m.Title, id)
			}
			if len(stated) == 0 && !m.CalibratedAt.IsZero() {
				calibration = "calibrated " + date(m.CalibratedAt) + ", by the meter's file"
			}
			if !m.DueAt.IsZero() {
				calibration += ", due " + date(m.DueAt)
			}
		}
		facts = append(facts, paper.Fact{Name: "Meter", Value: text + ": " + calibration})
	}
	if len(facts) == 0 {
		facts = paper.Facts{{Name: "Meter", Value: "not stated"}}
	}
	return facts
}

func (v *VisitRecord) conditions() paper.Facts {
	number := func(of func(r *insulation.Reading) float64, unit string) string {
		return v.each(func(r *insulation.Reading) string { return quantity(of(r), unit) })
	}
	return paper.Facts{
		{Name: "Test", Value: v.each(testWords)},
		{Name: "Air", Value: number(func(r *insulation.Reading) float64 { return r.AirCelsius }, "°C")},
		{Name: "Relative humidity", Value: number(func(r *insulation.Reading) float64 { return r.HumidityPct }, "%")},
		{Name: "Measured part", Value: number(func(r *insulation.Reading) float64 { return r.PartCelsius }, "°C")},
		{Name: "Dew point of the air", Value: v.each(func(r *insulation.Reading) string {
			d, err := insulation.AE96().DewPoint(r.AirCelsius, r.HumidityPct)
			if err != nil {
				return ""
			}
			return fmt.Sprintf("%.1f °C", d)
		})},
		{Name: "Wet or dry", Value: v.each(func(r *insulation.Reading) string { return r.Moisture.String() })},
		{Name: "Cold or hot", Value: v.each(func(r *insulation.Reading) string { return r.Warmth.String() })},
	}
}

func (v *VisitRecord) precautions() paper.Block {
	var by []insulation.Reading // taken by a person
	for i := range v.Readings {
		if v.Readings[i].Method != insulation.Monitor {
			by = append(by, v.Readings[i])
		}
	}
	if len(by) == 0 {
		return paper.Text("The values come from the vehicle's own monitor; nobody tested by hand.")
	}
	fact := func(name string, of func(p *insulation.Precautions) string) paper.Fact {
		return paper.Fact{Name: name, Value: each(by, func(r *insulation.Reading) string { return of(&r.Precautions) })}
	}
	return paper.Facts{
		fact("Isolated, locked, tagged", func(p *insulation.Precautions) string { return yesNo(p.LockedOut) }),
		fact("Waited for capacitors", func(p *insulation.Precautions) string { return maybe(p.WaitedSeconds, "s") }),
		fact("Zero volts proven", func(p *insulation.Precautions) string { return yesNo(p.ZeroVoltsProven) }),
		fact("Voltage left", func(p *insulation.Precautions) string { return maybe(p.ResidualVolts, "V") }),
		fact("Gloves last tested", func(p *insulation.Precautions) string {
			if p.GlovesTested.IsZero() {
				return ""
			}
			return date(p.GlovesTested)
		}),
		fact("Gloves tested with air", func(p *insulation.Precautions) string { return yesNo(p.GlovesAirTested) }),
		fact("Eye protection", func(p *insulation.Precautions) string { return yesNo(p.EyeProtection) }),
		fact("Second person near", func(p *insulation.Precautions) string { return yesNo(p.SecondPersonNear) }),
		fact("Discharged afterwards", func(p *insulation.Precautions) string { return yesNo(p.DischargedAfter) }),
	}
}

// readings is the table of readings with limit, verdict and correction. How
// each was tested stands in it where that was not the same for all.
func (v *VisitRecord) readings() paper.Table {
	at := fmt.Sprintf("At %s °C", short(v.Assessment.ReferenceCelsius))
	t := paper.Table{Columns: []paper.Column{{Width: 7}, {Title: "UTC", Width: 11}, {Title: "Test point", Width: 42}, {Title: "Reading", Width: 19, Right: true},
		{Title: "Limit", Width: 18, Right: true}, {Title: "Verdict", Width: 30}, {Title: at, Width: 18, Right: true}, {Title: "Spread", Width: 30}}}
	differ := len(distinct(v.Readings, testWords)) > 1
	if differ {
		t.Columns = slices.Insert(t.Columns, 3, paper.Column{Title: "Test", Width: 19})
	}
	for i := range v.Readings {
		r, item := &v.Readings[i], &v.Assessment.Items[i]
		limit, corrected, spread := "none", "–", "not corrected"
		if item.LimitOhms > 0 {
			limit = insulation.FormatOhms(item.LimitOhms)
		}
		verdict := verdictWords(item.ServiceLimit)
		switch {
		case item.Uncorrected == "" && r.Celsius() == v.Assessment.ReferenceCelsius:
			corrected, spread = insulation.FormatResistance(r.Relation, r.Ohms), "as read"
		case item.Uncorrected == "":
			corrected = insulation.FormatResistance(r.Relation, item.Corrected.Mid)
			spread = spreadWords(r.Relation, item.Corrected)
			if item.AtReference != item.ServiceLimit && item.AtReference != insulation.NotApplicable {
				verdict += "; corrected: " + verdictWords(item.AtReference)
			}
		}
		cells := []string{fmt.Sprint(i + 1), r.MeasuredAt.UTC().Format("15:04"), pointWords(r), insulation.FormatResistance(r.Relation, r.Ohms), limit, verdict, corrected, spread}
		if differ {
			cells = slices.Insert(cells, 3, testWords(r))
		}
		t.Rows = append(t.Rows, paper.Row{Cells: cells, Strong: item.ServiceLimit == insulation.NotMet || item.AtReference == insulation.NotMet})
	}
	return t
}

// shownAlready are the notes that the sheet's own lines say.
var shownAlready = map[insulation.NoteCode]bool{
	insulation.NoteOverRange: true, insulation.NoteBelowRange: true, insulation.NoteHumidityMissing: true,
	insulation.NoteTemperatureMissing: true,
}

// remarks are what the readings say together, and each remark once with the
// readings it is about.
func (v *VisitRecord) remarks() []paper.Block {
	var items []string
	for _, g := range v.Assessment.Groups {
		if len(g.Readings) > 1 {
			items = append(items, fmt.Sprintf("%s: readings %s are looks at one insulation; pooled %s, %s.", sentence(strings.ReplaceAll(g.Name, "_", " ")),
				numbers(g.Readings), insulation.FormatResistance(g.Relation, g.Ohms), verdictWords(g.Verdict)))
		}
	}
	for _, c := range v.Assessment.Contradictions {
		items = append(items, "Contradiction: "+plain(c.Text)+". Measure these again.")
	}
	items = append(items, v.again()...)
	seen := map[string][]int{}
	var order []string
	say := func(i int, text string) {
		if len(seen[text]) == 0 {
			order = append(order, text)
		}
		seen[text] = append(seen[text], i)
	}
	for i := range v.Assessment.Items {
		if why := v.Assessment.Items[i].Uncorrected; why != "" {
			say(i, "not corrected: "+why)
		}
		for _, n := range v.Assessment.Items[i].Notes {
			if !shownAlready[n.Code] {
				say(i, n.Text)
			}
		}
	}
	for _, text := range order {
		items = append(items, fmt.Sprintf("%s: %s.", v.which(seen[text]), plain(text)))
	}
	blocks := []paper.Block{paper.Heading("Remarks"), paper.Text(sentence(VisitSummary(v.Assessment)) + ".")}
	if len(items) > 0 {
		blocks = append(blocks, paper.List{Items: items})
	}
	return blocks
}

// again lists what to measure again: what is to be confirmed and what was not
// measured in one line each, the rest point by point.
func (v *VisitRecord) again() []string {
	var items, confirm, missing []string
	for _, a := range v.Assessment.Again {
		point := pointWords(&insulation.Reading{Component: a.Component, Conductor: a.Conductor, Reference: a.Reference})
		switch a.Code {
		case "contradiction": // said with it
		case "confirm":
			confirm = append(confirm, point)
		case "not_measured":
			missing = append(missing, point)
		default:
			items = append(items, fmt.Sprintf("Measure again %s: %s.", point, plain(a.Text)))
		}
	}
	if len(confirm) > 0 {
		items = append(items, "To be confirmed by a second reading before anything is replaced: "+strings.Join(confirm, "; ")+".")
	}
	if len(missing) > 0 {
		items = append(items, "Not measured in this visit: "+strings.Join(missing, "; ")+".")
	}
	return items
}

// which names the readings at some positions.
func (v *VisitRecord) which(positions []int) string {
	switch {
	case len(positions) == len(v.Readings):
		return "All readings"
	case len(positions) > 1:
		return "Readings " + numbers(positions)
	}
	return "Reading " + numbers(positions)
}

const mostCharts = 12

func (v *VisitRecord) charts() []paper.Block {
	if len(v.Tracks) == 0 {
		return nil
	}
	d := paper.Drawings{Across: 3}
	if len(v.Tracks) <= 4 {
		d.Across = 2
	}
	for i := range v.Tracks[:min(len(v.Tracks), mostCharts)] {
		d.Items = append(d.Items, paper.Drawing{SVG: v.Tracks[i].SVG(draw.Small), Caption: v.Tracks[i].Title})
	}
	key := "As read, up to this visit. An open mark with an arrow is over range: the true value lies above. Dashed: the limit."
	if v.OwnAlone {
		key += " Readings of this shop alone."
	} else {
		key += " Band: the estimate at 20 °C, dry, 8 in 10."
	}
	if more := len(v.Tracks) - mostCharts; more > 0 {
		key += " Not drawn: " + counted(more, "more track") + "."
	}
	return []paper.Block{paper.Heading("The tracks"), d, paper.Small(key)}
}
