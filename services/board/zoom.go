package board

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"creepage/internal/draw"
)

// daysShown is the part of the time axis that is shown. Without an end it runs to
// today and on into the forecast; without a beginning from the first reading.
type daysShown struct{ From, To time.Time }

// daysOf reads what the address asks for: from and to, or the last so many days.
func daysOf(q url.Values, now time.Time, zone *time.Location) daysShown {
	from, err := time.ParseInLocation(time.DateOnly, q.Get("from"), zone)
	to, errTo := time.ParseInLocation(time.DateOnly, q.Get("to"), zone)
	if err == nil && errTo == nil && to.After(from) {
		return daysShown{from, to}
	}
	if n, err := strconv.Atoi(q.Get("span")); err == nil && n > 0 {
		return daysShown{From: now.AddDate(0, 0, -n)}
	}
	return daysShown{}
}

// filter asks the API for the readings of these days.
func (d daysShown) filter() string {
	f := ""
	if !d.From.IsZero() {
		f = fmt.Sprintf("measure_time >= %q", d.From.UTC().Format(time.RFC3339))
	}
	if !d.To.IsZero() {
		f += fmt.Sprintf(" AND measure_time < %q", d.To.UTC().Format(time.RFC3339))
	}
	return f
}

// Chosen says whether other days are shown than all.
func (d daysShown) Chosen() bool { return !d.From.IsZero() }

// chartStep is a link to other days of the chart.
type chartStep struct{ Name, Key, Address string }

// chartSteps are the ways from the days shown; without script they are links.
func chartSteps(from, to time.Time, zone *time.Location, corrected bool) []chartStep {
	span := to.Sub(from)
	quarter := span / 4
	address := func(from, to time.Time) string {
		q := url.Values{"from": {from.In(zone).Format(time.DateOnly)}, "to": {to.In(zone).AddDate(0, 0, 1).Format(time.DateOnly)}}
		if corrected {
			q.Set("as", "corrected")
		}
		return "?" + q.Encode()
	}
	last := func(span string) string {
		q := url.Values{}
		if span != "" {
			q.Set("span", span)
		}
		if corrected {
			q.Set("as", "corrected")
		}
		return "?" + q.Encode()
	}
	return []chartStep{
		{"All", "0", last("")}, {"A year", "", last("365")}, {"90 days", "", last("90")},
		{"Closer", "+", address(from.Add(quarter), to.Add(-quarter))}, {"Wider", "-", address(from.Add(-span/2), to.Add(span/2))},
		{"Earlier", "ArrowLeft", address(from.Add(-quarter), to.Add(-quarter))}, {"Later", "ArrowRight", address(from.Add(quarter), to.Add(quarter))},
	}
}

// Widths between which a chart is drawn to measure, in pixels.
const (
	leastWidth  = 300
	narrowWidth = 500 // below it, a phone's
	mostWidth   = 1600
)

// chartSize is a chart of a width in the page's proportions.
func chartSize(width int) draw.Size {
	s := draw.Size{Width: float64(min(max(width, leastWidth), mostWidth)), Height: draw.Middle.Height}
	switch {
	case width < narrowWidth:
		s.Height = draw.Narrow.Height
	case width > 1200:
		s.Height = draw.Wide.Height
	}
	return s
}

// zoneCookie holds the viewer's time zone, as a page's script found it.
const zoneCookie = "creepage_zone"

// zoneOf is the zone whose days a chart marks: the viewer's, or UTC where no script
// has said it or this program does not know it.
func zoneOf(r *http.Request) *time.Location {
	c, err := r.Cookie(zoneCookie)
	if err != nil || c.Value == "" || c.Value == "Local" { // which would be the server's
		return time.UTC
	}
	zone, err := time.LoadLocation(c.Value)
	if err != nil {
		return time.UTC
	}
	return zone
}

// widthCookie holds the room for a chart, in pixels, as the page's script last
// found it.
const widthCookie = "creepage_width"

// firstSize is the size at which a page's chart is drawn at first: to measure for
// a phone that was here before, which so need not ask for it a second time. Wider
// screens get the proportions that print.
func firstSize(r *http.Request) (size draw.Size, fitted bool) {
	if c, err := r.Cookie(widthCookie); err == nil {
		if width, err := strconv.Atoi(c.Value); err == nil && width >= leastWidth && width < narrowWidth {
			return chartSize(width), true
		}
	}
	return draw.Middle, false
}

// showChart gives the large chart alone, as wide as there is room, and the ways
// from it, for the page's script.
func (b *Board) showChart(w http.ResponseWriter, r *http.Request, v *visitor) {
	width, err := strconv.Atoi(r.URL.Query().Get("width"))
	if err != nil {
		width = int(draw.Middle.Width)
	}
	p, err := b.vehicle(r, chartSize(width))
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	b.renderPart(w, "vehicle", "chart", p)
}
