package backtest

import (
	"slices"
	"time"

	"creepage/internal/insulation"
	"creepage/internal/record"
)

// truth is what a fleet's own records say became of each vehicle. A code is the
// first isolation code; repetitions within 30 days are the same code. A vehicle's
// truth ends at its next one: what was said of that is not judged. The component
// is that of the first repair or exchange from a week before the code on; without one it is not known. What was
// worked on before its code is not judged (Judge): what would have come nobody knows.
func (r *Records) truth() []record.Truth {
	known := r.last
	for _, h := range r.vehicles {
		for _, at := range h.codes() {
			known = latestOf(known, at)
		}
	}
	out := make([]record.Truth, 0, len(r.vehicles))
	for _, h := range r.vehicles {
		t := record.Truth{Vehicle: h.id, FirstAt: h.entries[0].at, LastAt: h.lastRow, KnownUntil: known}
		for _, at := range h.codes() {
			switch {
			case t.CodeAt.IsZero():
				t.CodeAt = at
			case at.After(t.CodeAt.Add(afterCode)) && at.Before(t.KnownUntil):
				t.KnownUntil = at
			}
		}
		if t.KnownUntil.Before(t.LastAt) {
			t.LastAt = t.KnownUntil
		}
		for i := range h.entries {
			e := &h.entries[i]
			if e.Reading != nil && e.Reading.Method == insulation.Monitor {
				t.Monitor = true
			}
			if e.Event == nil {
				continue
			}
			t.WorkedOn = append(t.WorkedOn, e.at)
			if t.Component == 0 && !t.CodeAt.IsZero() && !e.at.Before(t.CodeAt.Add(-7*judgeDay)) {
				t.Component = e.Event.Component
			}
		}
		out = append(out, t)
	}
	return out
}

// codes are the times of a vehicle's isolation codes, in order.
func (h *history) codes() []time.Time {
	var out []time.Time
	for i := range h.entries {
		e := &h.entries[i]
		if e.Code == nil {
			continue
		}
		if code, err := insulation.ParseTroubleCode(e.Code.Code); err == nil && code.IsolationFault() {
			out = append(out, e.Code.SetAt)
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	return out
}

func latestOf(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
