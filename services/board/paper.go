package board

import (
	"net/http"
	"strings"

	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	creepagev1 "creepage/api/creepage/v1"
)

// giveRecord gives the record of a visit as PDF.
func (b *Board) giveRecord(w http.ResponseWriter, r *http.Request, v *visitor) {
	q := r.URL.Query()
	b.givePaper(w, r, v, func(header grpc.CallOption) (*httpbody.HttpBody, error) {
		return b.bench.PrintVisitRecord(r.Context(), &creepagev1.PrintVisitRecordRequest{Vehicle: "vehicles/" + q.Get("vehicle"), Visit: q.Get("visit")}, header)
	})
}

// givePlan gives a platform's test plan as PDF.
func (b *Board) givePlan(w http.ResponseWriter, r *http.Request, v *visitor) {
	b.givePaper(w, r, v, func(header grpc.CallOption) (*httpbody.HttpBody, error) {
		return b.bench.PrintTestPlan(r.Context(), &creepagev1.PrintTestPlanRequest{Platform: "platforms/" + r.PathValue("platform")}, header)
	})
}

// givePaper passes a printed document on under the name that it comes with. It
// is to be kept: shown in the page's place it would stand under the page's
// content policy.
func (b *Board) givePaper(w http.ResponseWriter, r *http.Request, v *visitor, ask func(header grpc.CallOption) (*httpbody.HttpBody, error)) {
	var header metadata.MD
	body, err := ask(grpc.Header(&header))
	if err != nil {
		b.failWith(w, r, v, err)
		return
	}
	w.Header().Set("Content-Type", body.GetContentType())
	for _, name := range header.Get("content-disposition") {
		w.Header().Set("Content-Disposition", strings.Replace(name, "inline", "attachment", 1))
	}
	_, _ = w.Write(body.GetData()) // the browser may be gone
}
