package server

import (
	"errors"
	"io"
	"net/http"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/problem"
)

// pieceTimeout is how long a reader may take for one piece of a download.
const pieceTimeout = time.Minute

// downloadHeaders are what a download says of itself beside its type.
var downloadHeaders = map[string]string{"content-disposition": "Content-Disposition", "link": "Link", "creepage-as-of": "Creepage-As-Of", requestIDHeader: "X-Request-Id"}

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
		piece, err := stream.Recv()
		header, _ := stream.Header() // without one Recv has failed too
		copyDownloadHeaders(w.Header(), header)
		if err != nil && !errors.Is(err, io.EOF) {
			w.Header().Del("Content-Disposition")
			w.Header().Del("Link")
			refuse(err)
			return
		}
		w.Header().Set("Content-Type", piece.GetContentType())
		forward(w, piece, err, stream.Recv)
	}
}

func copyDownloadHeaders(to http.Header, from metadata.MD) {
	for key, name := range downloadHeaders {
		if values := from.Get(key); len(values) > 0 {
			to.Set(name, values[0])
		}
	}
}

// forward writes piece after piece until the stream ends.
func forward(w http.ResponseWriter, piece *httpbody.HttpBody, err error, next func() (*httpbody.HttpBody, error)) {
	control := http.NewResponseController(w)
	for ; err == nil; piece, err = next() {
		// A writer that cannot set deadlines has none to lift.
		_ = control.SetWriteDeadline(time.Now().Add(pieceTimeout))
		if _, err := w.Write(piece.GetData()); err != nil {
			return // the reader is gone; the request's context ends the stream
		}
		_ = control.Flush() // a piece is worth sending; an error comes again with the next write
	}
	if !errors.Is(err, io.EOF) {
		panic(http.ErrAbortHandler) // so that the reader sees a transfer that broke off
	}
}
