package draw_test

import (
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"creepage/internal/draw"
	"creepage/internal/insulation"
)

var update = flag.Bool("update", false, "write the golden files")

var day0 = time.Date(2025, 6, 2, 9, 0, 0, 0, time.UTC)

func day(n float64) time.Time { return day0.Add(time.Duration(n * 24 * float64(time.Hour))) }

// declining is the made-up decline of twelve visits: over range at first, then
// values falling a fifth of a decade a month, beside an on-board monitor.
func declining() *draw.Chart {
	c := &draw.Chart{
		ID: "whole", Title: "Insulation of van-12, whole vehicle", From: day(-10), Now: day(420), To: day(620),
		LimitOhms: 200e3, LimitText: "code limit",
		Forecast: &draw.Forecast{P10: 3e5, P50: 7e5, P90: 1.4e6, DaysP10: 31, DaysP50: 74, DaysP90: 160},
		Events: []draw.Event{
			{At: day(150), Kind: draw.Repair, Text: "compressor replaced"},
			{At: day(330), Kind: draw.WarningRaise, Text: "warning raised: code due"},
			{At: day(345), Kind: draw.WarningEnd, Text: "warning ended"},
			{At: day(400), Kind: draw.Code, Text: "P0AA6"},
		},
	}
	for i := 0; i < 12; i++ {
		r := draw.Reading{At: day(float64(i) * 36), Method: insulation.Tester, Relation: insulation.Equal, Ohms: math.Pow(10, 8.9-0.22*float64(i)), Text: "a visit"}
		if i < 4 {
			r.Relation, r.Ohms = insulation.Above, 5.5e8
		}
		c.Readings = append(c.Readings, r)
	}
	c.Readings = append(c.Readings,
		draw.Reading{At: day(200), Method: insulation.Voltmeter, Relation: insulation.Equal, Ohms: 9e6},
		draw.Reading{At: day(250), Method: insulation.Tester, Relation: insulation.Equal, Ohms: 4e5, Doubted: true},
		draw.Reading{At: day(410), Method: insulation.Tester, Relation: insulation.Below, Ohms: 1e5})
	for i := 0; i < 60; i++ {
		c.Readings = append(c.Readings, draw.Reading{At: day(float64(i) * 7), Method: insulation.Monitor, Relation: insulation.Equal, Ohms: 4e6 * math.Pow(10, -0.012*float64(i)) * (1 + 0.2*math.Sin(float64(i)))})
	}
	for i := 0; i <= 60; i++ {
		m := 4.4e6 * math.Pow(10, -0.0125*float64(i))
		c.Estimates = append(c.Estimates, draw.Estimate{At: day(float64(i) * 7), P50: m, P10: m / 1.6, P90: m * 1.7})
	}
	return c
}

func charts() map[string]string {
	small := &draw.Chart{ID: "motor", Title: "Motor phases", From: day(0), To: day(500), LimitOhms: 1e8, LimitText: "service limit"}
	for i := 0; i < 8; i++ {
		small.Readings = append(small.Readings, draw.Reading{At: day(float64(i) * 60), Method: insulation.Tester, Relation: insulation.Above, Ohms: 5.5e8})
	}
	empty := &draw.Chart{ID: "none", Title: "No readings yet", From: day(0), To: day(30), LimitOhms: 200e3, LimitText: "code limit"}
	open := declining()
	open.ID, open.Forecast.DaysP90, open.Forecast.DaysP50 = "open", math.NaN(), math.NaN()
	var points []draw.SparkPoint
	for i := 0; i < 10; i++ {
		points = append(points, draw.SparkPoint{At: day(float64(i) * 30), Ohms: math.Pow(10, 7.5-0.2*float64(i))})
	}
	out := map[string]string{
		"narrow": declining().SVG(draw.Narrow), "middle": declining().SVG(draw.Middle), "wide": declining().SVG(draw.Wide),
		"small": small.SVG(draw.Small), "empty": empty.SVG(draw.Middle), "open": open.SVG(draw.Middle),
		"spark": draw.Spark("falls from 31.6 MΩ to 501 kΩ", points, 200e3),
	}
	out["bars"], out["ranges"] = months().SVG(), intervals().SVG()
	for _, s := range []draw.State{draw.Steady, draw.Falling, draw.Due, draw.Under, draw.Unknown} {
		out["glyph-"+string(s)] = draw.Glyph(s)
	}
	return out
}

func TestChartsEqualTheReviewedGoldenFiles(t *testing.T) {
	for name, got := range charts() {
		file := filepath.Join("testdata", name+".svg")
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s differs from %s; run with -update and look at it", name, file)
		}
	}
}

type element struct {
	name  string
	attrs map[string]string
	text  string
}

func parse(t *testing.T, svg string) []element {
	t.Helper()
	var all []element
	var stack []int
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatalf("not well-formed: %v\n%s", err, svg)
		}
		switch tok := tok.(type) {
		case xml.StartElement:
			e := element{name: tok.Name.Local, attrs: map[string]string{}}
			for _, a := range tok.Attr {
				e.attrs[a.Name.Local] = a.Value
			}
			stack = append(stack, len(all))
			all = append(all, e)
		case xml.CharData:
			if len(stack) > 0 {
				all[stack[len(stack)-1]].text += string(tok)
			}
		case xml.EndElement:
			stack = stack[:len(stack)-1]
		}
	}
}

func count(all []element, class string) int {
	n := 0
	for _, e := range all {
		if strings.HasPrefix(e.attrs["class"], "mark ") {
			for _, c := range strings.Fields(e.attrs["class"]) {
				if c == class {
					n += strings.Count(e.attrs["d"], "Z") // one closed shape a reading
				}
			}
		}
	}
	return n
}

func TestEveryReadingIsOneMarkOfItsMethodAndRelation(t *testing.T) {
	for _, size := range []draw.Size{draw.Narrow, draw.Middle, draw.Wide, draw.Small} {
		all := parse(t, declining().SVG(size))
		for class, want := range map[string]int{"mark": 75, "tester": 14, "monitor": 60, "voltmeter": 1, "above": 4, "below": 1, "doubted": 1} {
			if got := count(all, class); got != want {
				t.Errorf("%v: %d marks of class %s, want %d", size, got, class, want)
			}
		}
		for _, e := range all {
			if strings.HasPrefix(e.attrs["class"], "mark ") && strings.Contains(e.attrs["class"], "above") && e.attrs["fill"] != "none" {
				t.Errorf("an over-range mark is filled: %v", e.attrs)
			}
		}
	}
}

func TestChartHasATitleAndADescriptionInWords(t *testing.T) {
	all := parse(t, declining().SVG(draw.Middle))
	var title, desc string
	for _, e := range all {
		if e.name == "title" && e.attrs["id"] == "whole-title" {
			title = e.text
		}
		if e.name == "desc" {
			desc = e.text
		}
	}
	if title != "Insulation of van-12, whole vehicle" {
		t.Errorf("title %q", title)
	}
	for _, want := range []string{"75 readings", "4 of them over range", "code limit is 200 kΩ", "about 9 Oct 2026"} {
		if !strings.Contains(desc, want) {
			t.Errorf("description %q lacks %q", desc, want)
		}
	}
}

// The limit line's place follows from the axis: the labelled decades give the
// scale, and the line must lie where log10 of the limit falls on it.
func TestLimitLineLiesWhereTheDecadeLinesSay(t *testing.T) {
	all := parse(t, declining().SVG(draw.Middle))
	y := map[string]float64{}
	var limit float64
	for _, e := range all {
		if e.name == "text" && (e.text == "1 MΩ" || e.text == "100 MΩ") {
			y[e.text] = number(t, e.attrs["y"]) - 4
		}
		if e.attrs["class"] == "limit" {
			limit = number(t, e.attrs["y1"])
		}
	}
	perDecade := (y["1 MΩ"] - y["100 MΩ"]) / 2
	want := y["1 MΩ"] + perDecade*(6-math.Log10(200e3))
	if math.Abs(limit-want) > 0.5 {
		t.Errorf("limit line at %v, the axis says %v", limit, want)
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestTheSameChartGivesTheSameBytes(t *testing.T) {
	if declining().SVG(draw.Wide) != declining().SVG(draw.Wide) {
		t.Error("two drawings differ")
	}
}

func TestTextOfUsersIsEscaped(t *testing.T) {
	c := declining()
	c.Title = `<script>"&`
	c.Readings[0].Text = `</title><script>`
	parse(t, c.SVG(draw.Middle))
	if strings.Contains(c.SVG(draw.Middle), "<script") {
		t.Error("text became an element")
	}
}
