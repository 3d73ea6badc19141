package paper_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"creepage/internal/draw"
	"creepage/internal/insulation"
	"creepage/internal/paper"
)

var made = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func day(n int) time.Time { return made.AddDate(0, 0, n) }

// chart has something of everything that a chart can show.
func chart() *draw.Chart {
	c := &draw.Chart{ID: "whole", Title: "Insulation of van-12", From: day(-400), Now: made, To: day(200), LimitOhms: 2e5, LimitText: "code limit",
		Forecast: &draw.Forecast{P10: 3e5, P50: 7e5, P90: 1.4e6, DaysP10: 31, DaysP50: 74, DaysP90: 160},
		Events:   []draw.Event{{At: day(-200), Kind: draw.Repair, Text: "repair"}, {At: day(-60), Kind: draw.WarningRaise}, {At: day(-30), Kind: draw.WarningEnd}, {At: day(-10), Kind: draw.Code}}}
	for i := range 12 {
		r := draw.Reading{At: day(-390 + 33*i), Ohms: 5.5e8, Method: insulation.Tester, Relation: insulation.Above}
		if i > 4 {
			r.Ohms, r.Relation = 5e8/float64(i*i), insulation.Equal
		}
		c.Readings = append(c.Readings, r, draw.Reading{At: day(-380 + 33*i), Ohms: 4e6 / float64(i+1), Method: insulation.Monitor, Relation: insulation.Equal})
		c.Estimates = append(c.Estimates, draw.Estimate{At: day(-390 + 33*i), P10: 2e6 / float64(i+1), P50: 4e6 / float64(i+1), P90: 8e6 / float64(i+1)})
	}
	c.Readings = append(c.Readings, draw.Reading{At: day(-100), Ohms: 1e7, Method: insulation.Voltmeter, Relation: insulation.Equal}, draw.Reading{At: day(-80), Ohms: 3e5, Method: insulation.Tester, Relation: insulation.Equal, Doubted: true})
	return c
}

func document() *paper.Document {
	d := &paper.Document{Title: "Sheet of van-12 – µ, Ω, °C, ≥", Subtitle: "A made-up vehicle", Subject: "a test's document", Foot: "A record, not a release.", Made: made}
	table := paper.Table{Columns: []paper.Column{{Title: "Point", Width: 2}, {Title: "Ohms", Width: 1, Right: true}, {Title: "Verdict", Width: 3}}}
	for i := range 70 {
		table.Rows = append(table.Rows, paper.Row{Cells: []string{fmt.Sprintf("point %d", i), "550 MΩ", "meets the limit of 100 MΩ <&> and is told at such length that it needs a second line"}, Strong: i%7 == 0})
	}
	d.Blocks = []paper.Block{paper.Facts{{"Vehicle", "van-12"}, {"Meter", "m-7"}, {"Odd one", strings.Repeat("long", 40)}}, paper.Heading("Steps"),
		paper.List{Items: []string{"first step", "second step"}, Mark: paper.Number}, paper.List{Items: []string{"to be ticked"}, Mark: paper.Tick}, paper.List{Items: []string{"a dash"}},
		paper.Box{Title: "High voltage kills", Items: []string{"Prove zero volts."}}, paper.Drawing{SVG: chart().SVG(draw.Middle), Caption: "The whole vehicle"},
		paper.Drawings{Across: 2, Items: []paper.Drawing{{SVG: chart().SVG(draw.Small)}, {SVG: chart().SVG(draw.Narrow)}}},
		table, paper.Text("A paragraph."), paper.Small("Small print."), paper.Signature{"Tested by", "Date"},
		paper.Sheet{Title: "Another sheet", Subtitle: "of the same"}, paper.Table{Small: true, Columns: []paper.Column{{Title: "Name", Width: 1}}, Rows: []paper.Row{{Cells: []string{"a-name-with-joints-that-is-longer-than-a-line-of-print-can-be-and-is-broken-where-it-has-one-of-them-and-nowhere-else-that-anybody-could-see-on-the-page-or-off-it-as-long-as-it-lasts"}}}}}
	return d
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	cmd := exec.Command(name, args...)
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s (Debian: poppler-utils): %v\n%s", name, err, errs.String())
	}
	return out.String()
}

func pdf(t *testing.T, d *paper.Document) string {
	t.Helper()
	data, err := d.PDF()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "sheet.pdf")
	if err := os.WriteFile(file, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func TestAnotherProgramReadsEveryBlockBackFromThePages(t *testing.T) {
	file := pdf(t, document())
	text := run(t, "pdftotext", "-layout", file, "-")
	for _, want := range []string{"Sheet of van-12 – µ, Ω, °C, ≥", "A made-up vehicle", "1.", "second step", "to be ticked", "a dash", "High voltage kills", "Prove zero volts.",
		"The whole vehicle", "code limit 200 kΩ", "point 69", "550 MΩ", "<&>", "A paragraph.", "Small print.", "Tested by", "Another sheet", "of the same", "a-name-with-joints"} {
		if !strings.Contains(text, want) {
			t.Errorf("the pages lack %q", want)
		}
	}
	pages := strings.Count(text, "A record, not a release.")
	if heads := strings.Count(text, "Verdict"); pages < 3 || heads < pages-2 { // one page is before the table, one behind it
		t.Errorf("%d pages with a foot and %d heads of the table", pages, heads)
	}
	if want := fmt.Sprintf("page %d of %d", pages, pages); !strings.Contains(text, want) {
		t.Errorf("no foot says %q", want)
	}
	info := run(t, "pdfinfo", file)
	for _, want := range []string{"Sheet of van-12 – µ, Ω, °C, ≥", "a test's document", "A4", "2026"} {
		if !strings.Contains(info, want) {
			t.Errorf("the metadata lack %q:\n%s", want, info)
		}
	}
	for line := range strings.Lines(run(t, "pdffonts", file)) {
		if strings.Contains(line, "Liberation") && !regexp.MustCompile(`yes\s+yes\s+yes`).MatchString(line) {
			t.Errorf("a font is not embedded as a subset with its Unicode map: %s", line)
		}
	}
}

// A heading is never the last thing on a page: what follows it is a chart, a table or text.
func TestAHeadingStaysWithWhatFollowsIt(t *testing.T) {
	for filler := 18; filler < 42; filler += 2 {
		d := &paper.Document{Title: "x", Made: made, Foot: "the foot"}
		for range filler {
			d.Blocks = append(d.Blocks, paper.Text("filler"))
		}
		d.Blocks = append(d.Blocks, paper.Heading("Head"), paper.Drawing{SVG: chart().SVG(draw.Middle), Caption: "The chart's caption"})
		text := run(t, "pdftotext", "-layout", pdf(t, d), "-")
		for page := range strings.SplitSeq(text, "\f") {
			if strings.Contains(page, "Head") != strings.Contains(page, "The chart's caption") {
				t.Fatalf("after %d lines the heading stands on another page than its chart", filler)
			}
		}
	}
}

func TestTheSameDocumentGivesTheSameBytes(t *testing.T) {
	a, err := document().PDF()
	if err != nil {
		t.Fatal(err)
	}
	b, err := document().PDF()
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a, b) {
		t.Error("two prints differ")
	}
}

func TestTheHTMLSheetHoldsTheSameAndEscapesIt(t *testing.T) {
	data, err := document().HTML()
	if err != nil {
		t.Fatal(err)
	}
	html := string(data)
	for _, want := range []string{"<title>Sheet of van-12 – µ, Ω, °C, ≥</title>", "<dt>Vehicle</dt><dd>van-12</dd>", "<li>second step</li>", `<ul class="tick">`, "Prove zero volts.",
		"code limit 200 kΩ", "point 69", "&lt;&amp;&gt;", "A paragraph.", "Tested by", "A record, not a release.", `<header class="sheet"><h1>Another sheet</h1>`, `<table class="small">`} {
		if !strings.Contains(html, want) {
			t.Errorf("the sheet lacks %q", want)
		}
	}
	if strings.Contains(html, "<script") {
		t.Error("the sheet holds a script")
	}
}

func TestWhatCannotBePrintedIsAnError(t *testing.T) {
	for what, block := range map[string]paper.Block{
		"a cell too many": paper.Table{Columns: []paper.Column{{Title: "a", Width: 1}}, Rows: []paper.Row{{Cells: []string{"1", "2"}}}},
		"no widths":       paper.Table{Columns: []paper.Column{{Title: "a"}}},
		"no drawing":      paper.Drawing{SVG: "<svg/>"},
		"a curve unknown": paper.Drawing{SVG: `<svg viewBox="0 0 9 9"><path d="M0 0Q1 1 2 2"/></svg>`},
	} {
		d := &paper.Document{Title: "x", Made: made, Blocks: []paper.Block{block}}
		if _, err := d.PDF(); err == nil {
			t.Errorf("%s is no error", what)
		}
	}
}

func TestAnyTextOfUsersCanBePrinted(t *testing.T) {
	for _, s := range []string{"", "\x00\x01", "漢字", "😀 emoji", strings.Repeat("W", 500), "a\nb\tc", "\xff\xfe"} {
		d := &paper.Document{Title: s, Subtitle: s, Foot: s, Made: made, Blocks: []paper.Block{paper.Text(s), paper.Facts{{s, s}}, paper.List{Items: []string{s}}}}
		if _, err := d.PDF(); err != nil {
			t.Errorf("%q: %v", s, err)
		}
		if _, err := d.HTML(); err != nil {
			t.Errorf("%q: %v", s, err)
		}
	}
}

func BenchmarkPDF(b *testing.B) {
	d := document()
	for b.Loop() {
		if _, err := d.PDF(); err != nil {
			b.Fatal(err)
		}
	}
}

// Whatever creepage/internal/draw comes to draw must be printable too: its own
// golden files, each on a page.
func TestEveryDrawingOfTheBoardCanBePrinted(t *testing.T) {
	files, err := filepath.Glob("../draw/testdata/*.svg")
	if err != nil || len(files) < 10 {
		t.Fatalf("%d drawings, %v", len(files), err)
	}
	for _, file := range files {
		svg, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		d := &paper.Document{Title: filepath.Base(file), Made: made, Blocks: []paper.Block{paper.Drawing{SVG: string(svg)}}}
		if _, err := d.PDF(); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
}

// What is longer than a page goes on on the next one, in every block.
func TestNothingIsLostThatIsLongerThanAPage(t *testing.T) {
	long := func(mark string) string {
		words := make([]string, 3000)
		for i := range words {
			words[i] = fmt.Sprintf("%s%d", mark, i)
		}
		return strings.Join(words, " ")
	}
	d := &paper.Document{Title: "Long", Foot: "foot", Made: made, Blocks: []paper.Block{paper.Text(long("t")), paper.List{Items: []string{long("l")}}, paper.Box{Title: "Box", Items: []string{long("b")}},
		paper.Facts{{"Name", long("f")}}, paper.Table{Columns: []paper.Column{{Title: "Column", Width: 1}, {Title: "Other", Width: 4}}, Rows: []paper.Row{{Cells: []string{"short", long("c")}}}}, paper.Small("the end")}}
	text := run(t, "pdftotext", "-layout", pdf(t, d), "-")
	words := map[string]bool{}
	for _, w := range strings.Fields(text) {
		words[w] = true
	}
	for _, mark := range []string{"t", "l", "b", "f", "c"} {
		for i := range 3000 {
			if w := fmt.Sprintf("%s%d", mark, i); !words[w] {
				t.Errorf("%s is on no page", w)
				break
			}
		}
	}
	if !words["end"] {
		t.Error("what follows is lost")
	}
}
