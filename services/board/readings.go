package board

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/casefile"
	"creepage/internal/insulation"
)

// readingsShown is how many readings a page of them lists.
const readingsShown = 100

type readingsPage struct {
	Name     string
	Rows     []readingRow
	Method   string
	NextPage string
}

// showReadings lists all readings of a vehicle, page by page.
func (b *Board) showReadings(w http.ResponseWriter, r *http.Request, v *visitor) {
	q := r.URL.Query()
	p := readingsPage{Name: r.PathValue("vehicle"), Method: q.Get("method")}
	req := &creepagev1.ListReadingsRequest{Parent: "vehicles/" + p.Name, PageSize: readingsShown, PageToken: q.Get("page")}
	switch p.Method {
	case "monitor":
		req.Filter = "method = MONITOR"
	case "test":
		req.Filter = "method != MONITOR"
	}
	res, err := b.fleet.ListReadings(r.Context(), req)
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	tops := casefile.Ceilings(res.GetReadings())
	for i, a := range res.GetReadings() {
		p.Rows = append(p.Rows, rowOf(a, tops[i]))
	}
	if token := res.GetNextPageToken(); token != "" {
		p.NextPage = "?" + url.Values{"method": {p.Method}, "page": {token}}.Encode()
	}
	b.render(w, r, http.StatusOK, "readings", "Readings of "+p.Name, v, p)
}

// rowOf is a row of a table; a value at its monitor's ceiling is a bound.
func rowOf(a *creepagev1.AssessedReading, ceiling bool) readingRow {
	r := a.GetReading()
	row := readingRow{AssessedReading: a, Value: casefile.Value(r, r.GetResistanceOhms()), How: howText(r), Void: r.GetVoidReason()}
	if ceiling {
		row.Value, row.How = insulation.FormatResistance(insulation.Above, r.GetResistanceOhms()), row.How+", at its ceiling"
	}
	if ohms, ok := casefile.Corrected(r); ok {
		row.Corrected = casefile.Value(r, ohms)
	}
	for _, n := range a.GetAssessment().GetNotes() {
		// A monitor takes neither: there is nothing to do about it, a line a day.
		taken := n.GetCode() != insulation.NoteTemperatureMissing.String() && n.GetCode() != insulation.NoteHumidityMissing.String()
		if taken || r.GetMethod() != creepagev1.Reading_MONITOR {
			row.Notes = append(row.Notes, n)
		}
	}
	return row
}

// wrongPage is about one reading that somebody holds to be wrong.
type wrongPage struct {
	Name    string
	Visit   string
	Reading *creepagev1.Reading
	Text    string
	NextID  string // of the reading that takes its place
	Problem string
	Reason  string
	Value   string
}

func (b *Board) showWrong(w http.ResponseWriter, r *http.Request, v *visitor) {
	q := r.URL.Query()
	p, err := b.wrong(r, q)
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	p.NextID = newID("reading")
	b.render(w, r, http.StatusOK, "wrong", "A wrong reading", v, p)
}

// wrong finds the reading: in its visit, which a shop's key may read, or among
// the vehicle's.
func (b *Board) wrong(r *http.Request, q url.Values) (*wrongPage, error) {
	p := &wrongPage{Name: r.PathValue("vehicle"), Visit: q.Get("visit")}
	var all []*creepagev1.Reading
	if p.Visit != "" {
		res, err := b.bench.AssessVisit(r.Context(), &creepagev1.AssessVisitRequest{Vehicle: "vehicles/" + p.Name, Visit: p.Visit})
		if err != nil {
			return nil, err
		}
		for _, one := range res.GetReadings() {
			all = append(all, one.GetReading())
		}
	} else {
		res, err := b.fleet.ListReadings(r.Context(), &creepagev1.ListReadingsRequest{Parent: "vehicles/" + p.Name, PageSize: 1000, Filter: fmt.Sprintf("measure_time = %q", q.Get("at"))})
		if err != nil {
			return nil, err
		}
		for _, one := range res.GetReadings() {
			all = append(all, one.GetReading())
		}
	}
	for _, m := range all {
		if m.GetReadingId() == q.Get("id") && m.VoidReason == nil {
			p.Reading, p.Text = m, casefile.Value(m, m.GetResistanceOhms())
			return p, nil
		}
	}
	return nil, status.Errorf(codes.NotFound, "reading %s of %s stands no more, or is not there yet: look again in a moment", q.Get("id"), p.Name)
}

// correctReading voids a reading with its reason; given a value it first enters
// that in its place, so that nothing is lost when the value is not taken.
func (b *Board) correctReading(w http.ResponseWriter, r *http.Request, v *visitor) {
	if err := r.ParseForm(); err != nil {
		b.fail(w, r, v, http.StatusBadRequest, "The form cannot be read.", err.Error())
		return
	}
	p, err := b.wrong(r, r.PostForm)
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	p.Reason, p.Value, p.NextID = strings.TrimSpace(r.PostForm.Get("reason")), strings.TrimSpace(r.PostForm.Get("value")), r.PostForm.Get("next_id")
	if p.Reason == "" {
		p.Problem = "Say what was wrong with it."
	} else if p.Value != "" {
		if err := b.enterInstead(r.Context(), p, unitOf(r.PostForm.Get("unit"))); err != nil {
			p.Problem = err.Error()
		}
	}
	if p.Problem != "" {
		b.render(w, r, http.StatusBadRequest, "wrong", "A wrong reading", v, p)
		return
	}
	if err := b.void(r.Context(), p.Reading.GetReadingId(), p.Reading.GetMeasureTime(), p.Reason); err != nil {
		b.failWith(w, r, v, err)
		return
	}
	if p.Visit != "" && !v.May("read") {
		http.Redirect(w, r, "/visit/done?"+url.Values{"vehicle": {p.Name}, "visit": {p.Visit}}.Encode(), http.StatusSeeOther)
		return
	}
	http.Redirect(w, r, back(r, "voided"), http.StatusSeeOther)
}

// enterInstead enters the reading with another value under an identity of its own.
func (b *Board) enterInstead(ctx context.Context, p *wrongPage, unit string) error {
	text := p.Value
	if _, err := strconv.ParseFloat(strings.ReplaceAll(text, ",", "."), 64); err == nil {
		text += " " + unit
	}
	rangeOhms := p.Reading.GetRangeOhms()
	relation, ohms, err := insulation.ParseResistance(text, orNaN(p.Reading.RangeOhms))
	if err != nil {
		return err
	}
	next := proto.CloneOf(p.Reading)
	next.ReadingId, next.Relation, next.ResistanceOhms = p.NextID, creepagev1.Reading_Relation(relation), ohms
	if rangeOhms == 0 {
		next.RangeOhms = nil
	}
	res, err := b.intake.SubmitReadings(ctx, &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{next}})
	if err != nil {
		return errors.New(problemText(err))
	}
	if one := res.GetResults()[0]; one.GetOutcome() == creepagev1.SubmitResult_REJECTED {
		return errors.New(problemText(status.ErrorProto(one.GetError())))
	}
	return nil
}

const (
	// voidWithin bounds the wait for a reading that is on disk but not in the
	// database yet, and voidAgain is how often it is looked for.
	voidWithin = 5 * time.Second
	voidAgain  = 100 * time.Millisecond
)

// void voids a reading that may have been acknowledged a moment ago.
func (b *Board) void(ctx context.Context, readingID string, at *timestamppb.Timestamp, reason string) error {
	ctx, cancel := context.WithTimeout(ctx, voidWithin)
	defer cancel()
	again := time.NewTicker(voidAgain)
	defer again.Stop()
	for {
		_, err := b.intake.VoidReading(ctx, &creepagev1.VoidReadingRequest{ReadingId: readingID, MeasureTime: at, Reason: reason})
		if status.Code(err) != codes.NotFound {
			return err
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			return err
		}
	}
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}
