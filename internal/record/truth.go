package record

import (
	"io"
	"strconv"
	"time"

	"creepage/internal/insulation"
)

// Truth is a row of truth.csv: what a simulated vehicle really did.
type Truth struct {
	Vehicle    string
	Story      string               // what happened to it; "healthy" if nothing
	Component  insulation.Component // the component it happened to; 0 if none
	OnsetAt    time.Time            // when it began; zero if nothing did
	CodeAt     time.Time            // first day the true whole-vehicle quantity was below the code limit; zero if never
	Monitor    bool                 // whether the records hold on-board values
	FirstAt    time.Time            // first and last row of the records
	LastAt     time.Time
	KnownUntil time.Time   // CodeAt is the truth up to here, also beyond the last row
	WorkedOn   []time.Time // when something was done to it, in order, where the truth is what the records say; not in truth.csv
}

// TruthColumns are the columns of truth.csv.
var TruthColumns = []string{"vehicle", "story", "component", "onset_at", "code_at", "monitor", "first_at", "last_at", "known_until"}

// WriteTruth writes truth.csv.
func WriteTruth(w io.Writer, truth []Truth) error {
	return writeTable(w, TruthColumns, truth, func(t Truth) []string {
		return []string{t.Vehicle, t.Story, t.Component.String(), formatTime(t.OnsetAt), formatTime(t.CodeAt), strconv.FormatBool(t.Monitor),
			formatTime(t.FirstAt), formatTime(t.LastAt), formatTime(t.KnownUntil)}
	})
}

// ReadTruth reads truth.csv; rows that cannot be read are returned beside.
func ReadTruth(r io.Reader, file string) ([]Truth, []*RowError, error) {
	return readTable(r, file, TruthColumns, func(p *parser) Truth {
		t := Truth{
			Vehicle: p.text("vehicle"), Story: p.text("story"), Component: optionalComponent(p, "component"),
			OnsetAt: p.optionalTime("onset_at"), CodeAt: p.optionalTime("code_at"),
			FirstAt: p.time("first_at"), LastAt: p.time("last_at"), KnownUntil: p.time("known_until"),
		}
		monitor, err := strconv.ParseBool(p.cell("monitor"))
		if err != nil {
			p.fail("monitor", p.cell("monitor"), "true or false")
		}
		t.Monitor = monitor
		return t
	})
}
