package record

import (
	"io"
	"math"
	"strconv"
	"time"

	"creepage/internal/insulation"
)

// Outlook is a row of outlooks.csv: what was expected of a vehicle at a time.
type Outlook struct {
	AsOf      time.Time
	Vehicle   string
	State     string               // steady, falling, due, under, unknown
	P30, P90  float64              // probability that the code sets within 30 and 90 days
	DaysP10   float64              // days before which one in ten of the codes of two years come; NaN if less than a tenth do
	DaysP50   float64              // days to the code with probability 0.5; NaN beyond two years
	DaysP90   float64              // with probability 0.9
	Component insulation.Component // limiting component; 0 if none can be named
}

// OutlookColumns are the columns of outlooks.csv.
var OutlookColumns = []string{"as_of", "vehicle", "state", "code_probability_30d", "code_probability_90d",
	"days_to_code_p10", "days_to_code_p50", "days_to_code_p90", "limiting_component"}

// WriteOutlooks writes outlooks.csv: probabilities with six decimals, days with one.
func WriteOutlooks(w io.Writer, outlooks []Outlook) error {
	return writeTable(w, OutlookColumns, outlooks, func(o Outlook) []string {
		return []string{formatTime(o.AsOf), o.Vehicle, o.State, formatFixed(o.P30, 6), formatFixed(o.P90, 6),
			formatFixed(o.DaysP10, 1), formatFixed(o.DaysP50, 1), formatFixed(o.DaysP90, 1), o.Component.String()}
	})
}

// ReadOutlooks reads outlooks.csv; rows that cannot be read are returned beside.
func ReadOutlooks(r io.Reader, file string) ([]Outlook, []*RowError, error) {
	return readTable(r, file, OutlookColumns, func(p *parser) Outlook {
		return Outlook{
			AsOf: p.time("as_of"), Vehicle: p.text("vehicle"), State: p.text("state"),
			P30: p.number("code_probability_30d", 0, 1), P90: p.number("code_probability_90d", 0, 1),
			DaysP10: p.number("days_to_code_p10", 0, math.MaxFloat64), DaysP50: p.number("days_to_code_p50", 0, math.MaxFloat64),
			DaysP90: p.number("days_to_code_p90", 0, math.MaxFloat64), Component: optionalComponent(p, "limiting_component"),
		}
	})
}

// Warning is a row of warnings.csv.
type Warning struct {
	Vehicle     string
	RaisedAt    time.Time
	EndedAt     time.Time // zero while it stands
	Kind        string    // code_due, under_code_limit, under_service_limit, sudden_drop
	Component   insulation.Component
	Probability float64 // of the code within the lead time, when raised
	DaysP50     float64 // NaN beyond two years
	Reason      string
}

// WarningColumns are the columns of warnings.csv.
var WarningColumns = []string{"vehicle", "raised_at", "ended_at", "kind", "component", "code_probability", "days_to_code_p50", "reason"}

// WriteWarnings writes warnings.csv: probabilities with six decimals, days with one.
func WriteWarnings(w io.Writer, warnings []Warning) error {
	return writeTable(w, WarningColumns, warnings, func(x Warning) []string {
		return []string{x.Vehicle, formatTime(x.RaisedAt), formatTime(x.EndedAt), x.Kind, x.Component.String(),
			formatFixed(x.Probability, 6), formatFixed(x.DaysP50, 1), x.Reason}
	})
}

// ReadWarnings reads warnings.csv; rows that cannot be read are returned beside.
func ReadWarnings(r io.Reader, file string) ([]Warning, []*RowError, error) {
	return readTable(r, file, WarningColumns, func(p *parser) Warning {
		return Warning{
			Vehicle: p.text("vehicle"), RaisedAt: p.time("raised_at"), EndedAt: p.optionalTime("ended_at"), Kind: p.text("kind"),
			Component: optionalComponent(p, "component"), Probability: p.number("code_probability", 0, 1),
			DaysP50: p.number("days_to_code_p50", 0, math.MaxFloat64), Reason: p.optionalText("reason"),
		}
	})
}

func optionalComponent(p *parser, field string) insulation.Component {
	if p.cell(field) == "" {
		return 0
	}
	return word(p, field, insulation.ParseComponent, 0)
}

// Reject is a row of rejects.csv: a row of a records file that was set aside.
type Reject struct {
	File  string // name of the file
	Row   int    // its line, the header being line 1
	ID    string // reading id, if any
	Field string
	Value string
	Why   string
}

// RejectColumns are the columns of rejects.csv.
var RejectColumns = []string{"file", "row", "reading_id", "field", "value", "reason"}

// WriteRejects writes rejects.csv.
func WriteRejects(w io.Writer, rejects []Reject) error {
	return writeTable(w, RejectColumns, rejects, func(r Reject) []string {
		return []string{r.File, strconv.Itoa(r.Row), r.ID, r.Field, r.Value, r.Why}
	})
}
