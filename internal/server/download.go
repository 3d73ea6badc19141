package server

import (
	"net/http"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/grpc"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/download"
	"creepage/internal/problem"
)

// serveDownload writes a report's pieces as the body of the answer. The
// gateway's own way of forwarding a stream puts a line end between pieces and
// the error of a stream that broke off into the file; here the body is the
// file, and a file that broke off ends in a broken transfer.
func serveDownload(mux *runtime.ServeMux, conn *grpc.ClientConn) runtime.HandlerFunc {
	reports := creepagev1.NewReportServiceClient(conn)
	return func(w http.ResponseWriter, r *http.Request, params map[string]string) {
		refuse := func(err error) { writeError(r.Context(), mux, nil, w, r, err) }
		req := &creepagev1.DownloadReportRequest{Name: params["name"]}
		if err := runtime.PopulateQueryParameters(req, r.URL.Query(), &utilities.DoubleArray{}); err != nil {
			refuse(problem.InvalidField("query", "%v", err))
			return
		}
		ctx, err := runtime.AnnotateContext(r.Context(), mux, r, creepagev1.ReportService_DownloadReport_FullMethodName)
		if err != nil {
			refuse(err)
			return
		}
		stream, err := reports.DownloadReport(ctx, req)
		if err != nil {
			refuse(err)
			return
		}
		download.Serve(w, stream, refuse)
	}
}
