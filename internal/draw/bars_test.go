package draw_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"creepage/internal/draw"
)

// months is a chart of a made-up year.
func months() *draw.Bars {
	b := &draw.Bars{Title: "Readings by month", Names: []string{"with a value", "over range"}, Size: draw.Size{Width: 468, Height: 160}}
	for i, label := range strings.Fields("Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec") {
		one := draw.Bar{Label: label, Parts: []float64{float64(40 + 7*i%30), float64(i % 5 * 6)}}
		if i == 0 {
			one.Below = "2026"
		}
		b.Bars = append(b.Bars, one)
	}
	return b
}

// intervals has numbers with and without an interval, below and above zero.
func intervals() *draw.Ranges {
	nan := math.NaN()
	return &draw.Ranges{Title: "Codes expected", Axis: "codes", Names: []string{"within 30 days", "within 90 days", "within 365 days"}, Width: 468, Rows: []draw.RangeRow{
		{Label: "van", Ranges: []draw.Range{{0, 0.5, 1, "0.5 (0 to 1)"}, {0, 1.2, 3, "1.2 (0 to 3)"}, {1, 2.5, 4, "2.5 (1 to 4)"}}},
		{Label: "a-platform-whose-name-is-too-long-for-its-place", Ranges: []draw.Range{{nan, -0.5, nan, "−0.5"}, {nan, nan, nan, "–"}, {0, 0, 0, "0 (0 to 0)"}}},
	}}
}

func attrOf(t *testing.T, e element, name string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(e.attrs[name], 64)
	if err != nil {
		t.Fatalf("%s of %v: %v", name, e.attrs, err)
	}
	return v
}

func TestBarsAreAsHighAsTheirNumbers(t *testing.T) {
	b := months()
	all := parse(t, b.SVG())
	var first, second []element
	for _, e := range all {
		switch e.attrs["class"] {
		case "bar first":
			first = append(first, e)
		case "bar second":
			second = append(second, e)
		}
	}
	first = first[:len(first)-1] // the key's
	perUnit := attrOf(t, first[0], "height") / b.Bars[0].Parts[0]
	for i, e := range first {
		if got, want := attrOf(t, e, "height"), b.Bars[i].Parts[0]*perUnit; math.Abs(got-want) > 0.3 {
			t.Errorf("bar %d is %v high, want %v", i, got, want)
		}
	}
	// A part stands on the one below it.
	if got, want := attrOf(t, second[0], "y")+attrOf(t, second[0], "height"), attrOf(t, first[1], "y"); math.Abs(got-want) > 0.15 {
		t.Errorf("the second part ends at %v, the first begins at %v", got, want)
	}
}

func TestRangesStandAtTheirNumbers(t *testing.T) {
	all := parse(t, intervals().SVG())
	ticks := map[float64]float64{} // number: x
	var whiskers []element
	for _, e := range all {
		if e.name == "text" && e.attrs["text-anchor"] == "middle" {
			if v, err := strconv.ParseFloat(strings.Replace(e.text, "−", "-", 1), 64); err == nil {
				ticks[v] = attrOf(t, e, "x")
			}
		}
		if e.attrs["class"] == "whisker" && e.attrs["y1"] == e.attrs["y2"] {
			whiskers = append(whiskers, e)
		}
	}
	if len(whiskers) != 4 {
		t.Fatalf("%d intervals drawn, want 4", len(whiskers))
	}
	for i, want := range [][2]float64{{0, 1}, {0, 3}, {1, 4}} {
		if a, b := attrOf(t, whiskers[i], "x1"), attrOf(t, whiskers[i], "x2"); a != ticks[want[0]] || b != ticks[want[1]] {
			t.Errorf("interval %v lies from %v to %v, the axis has %v", want, a, b, ticks)
		}
	}
	if svg := intervals().SVG(); !strings.Contains(svg, "a-platform-whose…") || strings.Contains(svg, "NaN") {
		t.Errorf("a long label is not cut, or a number that is none is drawn:\n%s", svg)
	}
}

func TestChartsWithoutAnythingAreDrawnAllTheSame(t *testing.T) {
	for _, svg := range []string{(&draw.Bars{Title: "none", Size: draw.Small}).SVG(), (&draw.Ranges{Title: "none", Width: 300}).SVG(),
		(&draw.Bars{Title: "none", Percent: true, Size: draw.Small, Bars: []draw.Bar{{Label: "a", Parts: []float64{math.NaN()}}}}).SVG()} {
		parse(t, svg)
		for _, bad := range []string{"NaN", "Inf", ">-0"} {
			if strings.Contains(svg, bad) {
				t.Errorf("%q in\n%s", bad, svg)
			}
		}
	}
	// Of many columns labels are left out, of few none.
	many := &draw.Bars{Title: "many", Size: draw.Small}
	for i := range 60 {
		many.Bars = append(many.Bars, draw.Bar{Label: fmt.Sprint("L", i), Parts: []float64{1}})
	}
	if n := strings.Count(many.SVG(), ">L"); n == 0 || n > 12 {
		t.Errorf("%d labels of 60 columns", n)
	}
}
