package board

import (
	"context"
	"crypto/rand"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/casefile"
	"creepage/internal/insulation"
)

// newID makes an identity that nobody else makes.
func newID(prefix string) string { return prefix + "-" + strings.ToLower(rand.Text()) }

type visitPage struct {
	Vehicle   string
	Platform  string // id; "" while the plan is found by the vehicle
	Problem   string
	Plan      *creepagev1.TestPlan // nil: vehicle or platform still to be named
	Platforms []*creepagev1.Platform
	Shops     []*creepagev1.Shop
	Meters    []*creepagev1.Meter
	OwnShop   string // of a shop's key
	Visit     string
	Started   string // RFC 3339; the time of readings entered without script
	Points    []visitPoint
	Ask       []string // contradictions, asked back
	Form      url.Values
}

type visitPoint struct {
	*creepagev1.PlannedPoint
	Index   int
	ID      string // the reading's identity, so that sending twice enters once
	Times   int    // how often it was corrected
	Value   string
	Over    bool
	Problem string
}

// Field returns what was entered, for a form shown again.
func (p *visitPage) Field(name string) string { return p.Form.Get(name) }

// Ticked says whether a box was ticked.
func (p *visitPage) Ticked(name string) bool { return p.Form.Get(name) != "" }

func (b *Board) showVisit(w http.ResponseWriter, r *http.Request, v *visitor) {
	p, err := b.planVisit(r, v, r.URL.Query())
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	b.render(w, r, http.StatusOK, "visit", "Visit", v, p)
}

// planVisit finds the test points of the vehicle, or of the platform where the
// vehicle is new.
func (b *Board) planVisit(r *http.Request, v *visitor, form url.Values) (*visitPage, error) {
	p := &visitPage{Vehicle: strings.ToLower(strings.TrimSpace(form.Get("vehicle"))), Platform: form.Get("platform"), Form: form,
		Visit: form.Get("visit"), Started: form.Get("started"), OwnShop: id(v.Caller.GetKey().GetShop())}
	if p.Visit == "" {
		p.Visit = newID("visit")
	}
	if p.Started == "" {
		p.Started = b.now().UTC().Format(time.RFC3339)
	}
	platforms, err := b.platforms.ListPlatforms(r.Context(), &creepagev1.ListPlatformsRequest{PageSize: 1000})
	if err != nil {
		return nil, err
	}
	p.Platforms = platforms.GetPlatforms()
	if p.Vehicle == "" {
		return p, nil
	}
	req := &creepagev1.MakeTestPlanRequest{Vehicle: "vehicles/" + p.Vehicle}
	if p.Platform != "" {
		req = &creepagev1.MakeTestPlanRequest{Platform: "platforms/" + p.Platform}
	}
	p.Plan, err = b.bench.MakeTestPlan(r.Context(), req)
	if status.Code(err) == codes.NotFound || status.Code(err) == codes.InvalidArgument {
		p.Problem = "No vehicle " + p.Vehicle + " is on record. Say which platform it is, and it registers itself with its first reading."
		return p, nil
	}
	if err != nil {
		return nil, err
	}
	for i, q := range p.Plan.GetPoints() {
		n := strconv.Itoa(i)
		p.Points = append(p.Points, visitPoint{PlannedPoint: q, Index: i, ID: p.readingID(i, timesOf(form, n)), Times: timesOf(form, n), Value: form.Get("value_" + n), Over: form.Get("over_"+n) != ""})
	}
	return p, b.addChoices(r, v, p)
}

func timesOf(form url.Values, n string) int {
	times, err := strconv.Atoi(form.Get("times_" + n))
	if err != nil || times < 0 {
		return 0
	}
	return times
}

func (b *Board) addChoices(r *http.Request, v *visitor, p *visitPage) error {
	meters, err := b.access.ListMeters(r.Context(), &creepagev1.ListMetersRequest{PageSize: 1000})
	if err != nil {
		return err
	}
	p.Meters = meters.GetMeters()
	if p.OwnShop != "" {
		return nil
	}
	shops, err := b.access.ListShops(r.Context(), &creepagev1.ListShopsRequest{PageSize: 1000})
	p.Shops = shops.GetShops()
	return err
}

// answer is what entering says to the visit page's script.
type answer struct {
	Problems []pointText `json:"problems,omitempty"`
	Ask      []string    `json:"ask,omitempty"`
	Results  []pointText `json:"results,omitempty"`
	Problem  string      `json:"problem,omitempty"`
}

type pointText struct {
	Point   int      `json:"point"`
	Verdict string   `json:"verdict,omitempty"` // met, not met, cannot tell, no limit
	Text    string   `json:"text"`
	Notes   []string `json:"notes,omitempty"`
	Again   bool     `json:"again,omitempty"` // known already
}

// enterVisit takes a whole visit from the plain form, or one point of it
// (`only`) from the script. What contradicts itself is asked back once.
func (b *Board) enterVisit(w http.ResponseWriter, r *http.Request, v *visitor) {
	if err := r.ParseForm(); err != nil {
		b.fail(w, r, v, http.StatusBadRequest, "The form cannot be read.", err.Error())
		return
	}
	p, err := b.planVisit(r, v, r.PostForm)
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	if p.Plan == nil {
		b.fail(w, r, v, http.StatusBadRequest, "The vehicle is missing.", p.Problem)
		return
	}
	entry := readEntry(p)
	if len(entry.problems) > 0 || len(entry.readings) == 0 {
		b.answerVisit(w, r, v, p, entry, answer{Problems: entry.problems})
		return
	}
	if r.PostForm.Get("confirm") == "" {
		check, err := b.bench.AssessVisit(r.Context(), &creepagev1.AssessVisitRequest{Platform: p.Plan.GetPlatform(), Readings: entry.readings})
		if err != nil {
			b.failWith(w, r, v, err)
			return
		}
		var ask []string
		for _, c := range check.GetContradictions() {
			ask = append(ask, c.GetText())
		}
		if len(ask) > 0 {
			b.answerVisit(w, r, v, p, entry, answer{Ask: ask})
			return
		}
	}
	send, points := entry.only(r.PostForm.Get("only"))
	res, err := b.intake.SubmitReadings(r.Context(), &creepagev1.SubmitReadingsRequest{Readings: send, Codes: codesOf(p)})
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	a := resultsOf(res, points)
	for _, one := range res.GetCodeResults().GetResults() {
		if one.GetOutcome() == creepagev1.SubmitResult_REJECTED {
			a.Problem = "The code was not taken: " + problemText(status.ErrorProto(one.GetError()))
		}
	}
	if len(a.Problems) == 0 {
		if err := b.voidCorrected(r.Context(), p, points); err != nil {
			b.failWith(w, r, v, err)
			return
		}
	}
	b.answerVisit(w, r, v, p, entry, a)
}

// codesOf is the isolation code that the vehicle shows, if one was entered.
func codesOf(p *visitPage) []*creepagev1.CodeSighting {
	at, err := time.Parse(time.RFC3339, p.Started)
	code := strings.ToUpper(strings.TrimSpace(p.Field("code")))
	if err != nil || code == "" {
		return nil
	}
	return []*creepagev1.CodeSighting{{Vehicle: "vehicles/" + p.Vehicle, Code: code, SetTime: timestamppb.New(at)}}
}

// voidCorrected voids what a corrected point had been entered as before.
func (b *Board) voidCorrected(ctx context.Context, p *visitPage, points []int) error {
	for _, n := range points {
		field := strconv.Itoa(n)
		times, err := strconv.Atoi(p.Field("times_" + field))
		reason := strings.TrimSpace(p.Field("reason_" + field))
		if err != nil || times < 1 || reason == "" {
			continue
		}
		if err := b.void(ctx, p.readingID(n, times-1), nil, reason); err != nil {
			return err
		}
	}
	return nil
}

// readingID is the identity of a point's reading, so that sending it twice
// enters it once; a corrected one has the next identity.
func (p *visitPage) readingID(n, times int) string {
	id := p.Visit + "-" + strconv.Itoa(n)
	if times > 0 {
		id += "-c" + strconv.Itoa(times)
	}
	return id
}

func resultsOf(res *creepagev1.SubmitReadingsResponse, points []int) answer {
	var a answer
	for i, one := range res.GetResults() {
		if one.GetOutcome() == creepagev1.SubmitResult_REJECTED {
			a.Problems = append(a.Problems, pointText{Point: points[i], Text: problemText(status.ErrorProto(one.GetError()))})
			continue
		}
		t := pointText{Point: points[i], Again: one.GetOutcome() == creepagev1.SubmitResult_DUPLICATE, Verdict: casefile.Word(one.GetAssessment().GetServiceLimit()), Text: verdictText(one.GetAssessment())}
		for _, n := range one.GetAssessment().GetNotes() {
			t.Notes = append(t.Notes, casefile.Prose(n.GetText()))
		}
		a.Results = append(a.Results, t)
	}
	return a
}

func verdictText(a *creepagev1.Assessment) string {
	limit := ""
	if a.LimitOhms != nil {
		limit = " (" + insulation.FormatOhms(a.GetLimitOhms()) + ")"
	}
	switch a.GetServiceLimit() {
	case creepagev1.Assessment_MET:
		return "Meets the service limit" + limit + "."
	case creepagev1.Assessment_NOT_MET:
		return "Below the service limit" + limit + "."
	case creepagev1.Assessment_CANNOT_TELL:
		return "Cannot tell: the reading does not reach the service limit's" + limit + " range."
	}
	return "No service limit is laid down for this point."
}

func (b *Board) answerVisit(w http.ResponseWriter, r *http.Request, v *visitor, p *visitPage, entry *entry, a answer) {
	if strings.Contains(r.Header.Get("Accept"), "application/json") {
		writeJSON(w, http.StatusOK, a)
		return
	}
	for _, problem := range a.Problems {
		p.Points[problem.Point].Problem = problem.Text
	}
	p.Ask = a.Ask
	switch {
	case len(entry.readings) == 0 && len(a.Problems) == 0:
		p.Problem = "No value was entered yet."
	case a.Problem != "":
		p.Problem = a.Problem
	case len(a.Problems) > 0:
		p.Problem = "Some values could not be taken; what is wrong stands beside each. The others " + map[bool]string{true: "are entered.", false: "are not entered yet."}[len(a.Results) > 0]
	case len(a.Ask) == 0:
		http.Redirect(w, r, "/visit/done?"+url.Values{"vehicle": {p.Vehicle}, "visit": {p.Visit}, "code": {p.Field("code")}}.Encode(), http.StatusSeeOther)
		return
	}
	code := http.StatusOK
	if p.Problem != "" {
		code = http.StatusBadRequest
	}
	b.render(w, r, code, "visit", "Visit", v, p)
}

type visitDonePage struct {
	Vehicle string
	Visit   string
	Result  *creepagev1.VisitAssessment // nil: not worked in yet
	Outlook *creepagev1.Outlook
	Due     casefile.Due
	Next    string
	Leak    *creepagev1.LeakLocation // where an isolation fault is open and the readings tell
	Open    bool                     // an isolation fault is open
}

// showVisitDone sums a visit up from what is stored. The readings are on disk
// when they were answered and appear here when the worker has taken them.
func (b *Board) showVisitDone(w http.ResponseWriter, r *http.Request, v *visitor) {
	p := visitDonePage{Vehicle: r.URL.Query().Get("vehicle"), Visit: r.URL.Query().Get("visit")}
	res, err := b.bench.AssessVisit(r.Context(), &creepagev1.AssessVisitRequest{Vehicle: "vehicles/" + p.Vehicle, Visit: p.Visit})
	switch status.Code(err) {
	case codes.OK:
		p.Result = res
	case codes.NotFound, codes.InvalidArgument:
	default:
		b.failWith(w, r, v, err)
		return
	}
	if v.May("read") {
		o, err := b.fleet.GetOutlook(r.Context(), &creepagev1.GetOutlookRequest{Name: "vehicles/" + p.Vehicle + "/outlook"})
		if err == nil {
			p.Outlook, p.Due, p.Next = o, casefile.DueOf(o), casefile.NextStep(o)
		} else if status.Code(err) != codes.NotFound {
			b.failWith(w, r, v, err)
			return
		}
	}
	if p.Open = faultOpen(p.Outlook, r.URL.Query().Get("code")); p.Open && p.Result != nil {
		if p.Leak, err = b.locate(r.Context(), p.Result); err != nil {
			b.failWith(w, r, v, err)
			return
		}
	}
	b.render(w, r, http.StatusOK, "visitdone", "Visit of "+p.Vehicle, v, p)
}
