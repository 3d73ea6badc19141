package digest

import (
	"fmt"
	"strings"
	"time"
	"unicode"

	"creepage/internal/store"
	"creepage/internal/trend"
)

// MostLines is how many warnings of a kind a digest names; the rest it counts.
const MostLines = 50

// Content is what a digest tells.
type Content struct {
	Organisation string
	Title        string
	Zone         *time.Location
	Since, Now   time.Time
	Raised       []store.WarningChange
	Ended        []store.WarningChange
	Standing     []store.Warning // most urgent first
	MoreRaised   int             // that are not in Raised
	MoreEnded    int
	MoreStanding int
}

// Subject is a digest's subject.
func (c *Content) Subject() string {
	return printable(fmt.Sprintf("%s: %d new, %d ended, %d standing", c.Organisation, len(c.Raised)+c.MoreRaised, len(c.Ended)+c.MoreEnded, len(c.Standing)+c.MoreStanding))
}

// Text is a digest in plain text.
func (c *Content) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Warnings of %s, %s.\n", printable(c.Organisation), c.Now.In(c.Zone).Format("Monday 2 January 2006, 15:04 MST"))
	if c.Title != "" {
		fmt.Fprintln(&b, printable(c.Title))
	}
	c.section(&b, fmt.Sprintf("New since %s", c.at(c.Since)), len(c.Raised)+c.MoreRaised, c.MoreRaised, func(yield func(string)) {
		for i := range c.Raised {
			yield(c.warning(&c.Raised[i].Warning))
		}
	})
	c.section(&b, "Ended", len(c.Ended)+c.MoreEnded, c.MoreEnded, func(yield func(string)) {
		for i := range c.Ended {
			w := &c.Ended[i].Warning
			yield(fmt.Sprintf("%s\n      ended %s: %s", head(w), c.at(w.EndedAt), printable(w.EndReason)))
		}
	})
	c.section(&b, "Standing, most urgent first", len(c.Standing)+c.MoreStanding, c.MoreStanding, func(yield func(string)) {
		for i := range c.Standing {
			yield(c.warning(&c.Standing[i]))
		}
	})
	b.WriteString("\nHigh voltage kills. Testing is for qualified people only, who follow the vehicle maker's procedure and\nlocal codes and prove zero volts. These are forecasts; none of them declares a vehicle safe.\n")
	return b.String()
}

func (c *Content) section(b *strings.Builder, title string, n, more int, each func(yield func(string))) {
	fmt.Fprintf(b, "\n%s: %d\n", title, n)
	each(func(text string) { fmt.Fprintf(b, "  - %s\n", text) })
	if more > 0 {
		fmt.Fprintf(b, "  and %d more\n", more)
	}
}

func (c *Content) at(t time.Time) string { return t.In(c.Zone).Format("2 January 2006, 15:04") }

// warning is a warning with its reason and what became of it so far.
func (c *Content) warning(w *store.Warning) string {
	text := fmt.Sprintf("%s, raised %s\n      %s", head(w), c.at(w.RaisedAt), printable(w.Reason))
	if w.Kind == trend.CodeDue {
		text += fmt.Sprintf("\n      probability %.0f %% within the lead time", 100*w.Probability)
	}
	if !w.AcknowledgedAt.IsZero() {
		text += fmt.Sprintf("\n      acknowledged %s", c.at(w.AcknowledgedAt))
		if w.AcknowledgeNote != "" {
			text += ": " + printable(w.AcknowledgeNote)
		}
	}
	return text
}

// head names the vehicle, what is warned of and the component.
func head(w *store.Warning) string {
	what := map[trend.WarningKind]string{
		trend.CodeDue: "isolation code expected", trend.UnderCodeLimit: "below the code limit",
		trend.UnderServiceLimit: "below a service limit", trend.SuddenDrop: "sudden drop",
	}[w.Kind]
	if w.Component != 0 {
		what += ", " + w.Component.String()
	}
	return printable(w.Vehicle) + ": " + what
}

// printable keeps a text of others' on its line.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text)
}
