package report

import (
	"context"
	"strings"
	"time"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/store"
)

// codeWithin is how long after a warning an isolation code counts as the one
// that was warned of: the window in which the backtest judges warnings.
const codeWithin = 180 * 24 * time.Hour

// warningsReport is what was warned of, and what became of it.
func warningsReport() *report {
	return &report{
		Table: Table{Name: "warnings", Title: "Warnings with their lead time", Columns: []Column{
			{"warning", Text, "", "Identity of the warning."},
			{"vehicle", Text, "", "Vehicle."},
			{"platform", Text, "", "Its platform."},
			{"last_shop", Text, "", "Shop that measured the vehicle last, as of today."},
			{"kind", Text, "", "code_due, under_code_limit, under_service_limit or sudden_drop."},
			{"component", Text, "", "The component; empty: none can be named."},
			{"raised_at", Time, "", "When it was raised, UTC."},
			{"code_probability", Number, "1", "Probability of the code within the lead time, as it was when the warning was raised."},
			{"days_to_code_p50", Number, "d", "Days until the code has set with probability 0.5, as it was then; empty: beyond two years, or not said by this kind."},
			{"reason", Text, "", "Why, in one sentence."},
			{"outcome", Text, "", "standing; code_set (an isolation code was set while it stood); repaired (its component was repaired while it stood); ended (for another reason)."},
			{"ended_at", Time, "", "When it ended, UTC; empty: it stands."},
			{"end_reason", Text, "", "Why it ended."},
			{"code_set_at", Time, "", "First isolation code set on the vehicle within 180 days after the warning was raised, UTC."},
			{"code", Text, "", "That code."},
			{"lead_d", Number, "d", "Days from the warning to that code, if the warning still stood then; empty otherwise."},
			{"repaired_at", Time, "", "First repair of its component after it was raised, while it stood, UTC."},
			{"repair", Text, "", "What was done: replaced, repaired or cleaned."},
			{"days_to_repair", Number, "d", "Days from the warning to that repair."},
			{"acknowledged_at", Time, "", "When somebody acknowledged it, UTC."},
			{"acknowledge_note", Text, "", "What they noted."},
			{"finding", Text, "", "What was found: not_looked_at, fault_found or nothing_found; empty: not recorded."},
			{"finding_component", Text, "", "Where the fault was found."},
			{"finding_note", Text, "", "What was noted with it."},
			{"finding_at", Time, "", "When it was recorded, UTC."},
			{"backfilled", Flag, "", "True: found later in old records; nobody was told at the time."},
		}},
		description: "Every warning as it was known at the time asked for, with the lead time to the code and how it ended. Newest first.",
		fields:      store.ReportWarningFields,
		rangeOf:     "raised_at",
		rows:        warningRows,
	}
}

func warningRows(ctx context.Context, _ *Service, tx *store.Tx, q *query, put func([]Value) error) error {
	cells := make([]Value, len(warningsReport().Columns))
	return tx.ReportWarnings(ctx, q.where, q.in, codeWithin, func(w *store.ReportWarning) error {
		c := filler{cells: cells}
		c.text(w.ID.String(), w.Vehicle, w.Platform, w.LastShop, w.Kind.String(), w.Component.String()).time(w.RaisedAt).number(w.Probability, w.DaysP50)
		c.text(w.Reason, outcomeOf(w)).time(w.EndedAt).text(w.EndReason).time(w.CodeAt).text(w.Code).number(leadDays(w))
		c.time(w.RepairedAt).text(w.Repair.String()).number(daysBetween(w.RaisedAt, w.RepairedAt))
		c.time(w.AcknowledgedAt).text(w.AcknowledgeNote, findingWord(w.Finding), w.FindingComponent.String(), w.FindingNote).time(w.FoundAt).flag(w.Backfilled)
		return put(cells)
	})
}

// leadDays is the time that the warning gave: NaN where no code followed while it stood.
func leadDays(w *store.ReportWarning) float64 {
	if !w.EndedAt.IsZero() && w.EndedAt.Before(w.CodeAt) {
		return daysBetween(time.Time{}, time.Time{})
	}
	return daysBetween(w.RaisedAt, w.CodeAt)
}

func outcomeOf(w *store.ReportWarning) string {
	switch {
	case leadDays(w) >= 0:
		return "code_set"
	case !w.RepairedAt.IsZero():
		return "repaired"
	case w.EndedAt.IsZero():
		return "standing"
	}
	return "ended"
}

// daysBetween is NaN where the later time is not there.
func daysBetween(from, to time.Time) float64 {
	if to.IsZero() {
		return orNaN(0)
	}
	return to.Sub(from).Hours() / 24
}

func findingWord(f store.Finding) string {
	if f == 0 {
		return ""
	}
	return strings.ToLower(creepagev1.Warning_Finding(f).String())
}
