package server

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/download"
	"creepage/internal/problem"
)

// serveFile serves the file of a report's run, or the parts of it that Range
// names. What Range, If-Range, If-Match and the like mean is the standard
// library's business (http.ServeContent, RFC 9110); here the file is a stream of
// the service, opened anew where the reader goes on.
func serveFile(mux *runtime.ServeMux, conn *grpc.ClientConn) runtime.HandlerFunc {
	schedules := creepagev1.NewReportScheduleServiceClient(conn)
	return func(w http.ResponseWriter, r *http.Request, params map[string]string) {
		refuse := func(err error) { writeError(r.Context(), mux, nil, w, r, err) }
		req := &creepagev1.DownloadReportRunRequest{Name: params["name"]}
		if err := runtime.PopulateQueryParameters(req, r.URL.Query(), &utilities.DoubleArray{}); err != nil {
			refuse(problem.InvalidField("query", "%v", err))
			return
		}
		if req.GetOffset() != 0 || req.Length != nil {
			refuse(problem.InvalidField("offset", "over REST the header Range says which part is wanted, such as Range: bytes=%d-", req.GetOffset()))
			return
		}
		ctx, err := runtime.AnnotateContext(r.Context(), mux, r, creepagev1.ReportScheduleService_DownloadReportRun_FullMethodName)
		if err != nil {
			refuse(err)
			return
		}
		f := &fileReader{ctx: ctx, req: req, schedules: schedules}
		defer f.close()
		header, contentType, err := f.stat()
		if err != nil {
			tellRequestID(w, header)
			refuse(err)
			return
		}
		download.CopyHeaders(w.Header(), header)
		for _, etag := range header.Get("etag") {
			w.Header().Set("ETag", etag)
		}
		w.Header().Set("Content-Type", contentType)
		var made time.Time
		if values := header.Get("last-modified"); len(values) > 0 {
			made, _ = time.Parse(time.RFC3339, values[0]) // the zero time is none
		}
		http.ServeContent(&patient{ResponseWriter: w, control: http.NewResponseController(w), size: f.size}, r, "", made, f)
		if f.failed != nil {
			panic(http.ErrAbortHandler) // so that the reader sees a transfer that broke off
		}
	}
}

// patient gives a reader time for every piece, and answers a range that cannot
// be as other errors are answered.
type patient struct {
	http.ResponseWriter

	control *http.ResponseController
	size    int64
	refused bool
}

func (p *patient) WriteHeader(code int) {
	if code != http.StatusRequestedRangeNotSatisfiable {
		p.ResponseWriter.WriteHeader(code)
		return
	}
	p.refused = true
	p.Header().Del("Content-Disposition")
	p.Header().Del("Content-Length")
	WriteProblem(p.ResponseWriter, &problem.Error{Code: codes.OutOfRange, Reason: "RANGE_NOT_SATISFIABLE",
		Message: fmt.Sprintf("the range lies outside of the file, which has %d bytes", p.size)}, code)
}

func (p *patient) Write(b []byte) (int, error) {
	if p.refused {
		return len(b), nil // the library's own words
	}
	// A writer that cannot set deadlines has none to lift.
	_ = p.control.SetWriteDeadline(time.Now().Add(download.PieceTimeout))
	return p.ResponseWriter.Write(b)
}

// fileReader reads a file from the service, from wherever it is set to.
type fileReader struct {
	ctx       context.Context
	req       *creepagev1.DownloadReportRunRequest
	schedules creepagev1.ReportScheduleServiceClient

	size, at int64
	pieces   grpc.ServerStreamingClient[httpbody.HttpBody]
	end      context.CancelFunc
	rest     []byte // of the piece at hand
	failed   error
}

// stat asks whether the file is there, and what it says of itself. A refusal
// has its header too.
func (f *fileReader) stat() (header metadata.MD, contentType string, err error) {
	req := proto.CloneOf(f.req)
	req.Length = proto.Int64(0)
	ctx, cancel := context.WithCancel(f.ctx)
	defer cancel()
	pieces, err := f.schedules.DownloadReportRun(ctx, req)
	if err != nil {
		return nil, "", err
	}
	piece, err := pieces.Recv()
	header, _ = pieces.Header() // without one Recv has failed too
	if err != nil {
		return header, "", err
	}
	size := header.Get("creepage-size")
	if len(size) == 0 {
		return nil, "", problem.Internal(errors.New("a file did not tell its size"))
	}
	f.size, err = strconv.ParseInt(size[0], 10, 64)
	return header, piece.GetContentType(), err
}

// Seek sets where the next read begins.
func (f *fileReader) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += f.at
	case io.SeekEnd:
		offset += f.size
	}
	if offset < 0 {
		return 0, errors.New("seek before the beginning of a file")
	}
	if offset != f.at {
		f.close()
		f.at = offset
	}
	return offset, nil
}

func (f *fileReader) Read(b []byte) (int, error) {
	if f.at >= f.size {
		return 0, io.EOF
	}
	for len(f.rest) == 0 {
		if err := f.next(); err != nil {
			if errors.Is(err, io.EOF) {
				err = io.ErrUnexpectedEOF // the size said otherwise
			}
			f.failed = err
			return 0, err
		}
	}
	n := copy(b, f.rest)
	f.rest, f.at = f.rest[n:], f.at+int64(n)
	return n, nil
}

// next receives a piece, of a stream that begins where the reader is.
func (f *fileReader) next() error {
	if f.pieces == nil {
		req := proto.CloneOf(f.req)
		req.Offset = f.at
		ctx, cancel := context.WithCancel(f.ctx)
		pieces, err := f.schedules.DownloadReportRun(ctx, req)
		if err != nil {
			cancel()
			return err
		}
		f.pieces, f.end = pieces, cancel
	}
	piece, err := f.pieces.Recv()
	f.rest = piece.GetData()
	return err
}

// close ends the stream at hand, if there is one.
func (f *fileReader) close() {
	if f.end != nil {
		f.end()
	}
	f.pieces, f.end, f.rest = nil, nil, nil
}
