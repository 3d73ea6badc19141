// Package download passes a report's pieces on as the body of an HTTP answer,
// piece by piece, so that a file of any size takes the memory of one piece.
package download

import (
	"errors"
	"io"
	"net/http"
	"time"

	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
)

// PieceTimeout is how long a reader may take for one piece of a download.
const PieceTimeout = time.Minute

// headers are what a download says of itself beside its type.
var headers = map[string]string{"content-disposition": "Content-Disposition", "link": "Link", "creepage-as-of": "Creepage-As-Of", "x-request-id": "X-Request-Id"}

// Serve writes the stream as the answer. An error before the first piece is
// handed to refuse, and nothing is written then; a file that broke off later
// ends in a broken transfer, so that half a file is never taken for a whole
// one: Serve panics with http.ErrAbortHandler, as net/http wants it.
func Serve(w http.ResponseWriter, stream grpc.ServerStreamingClient[httpbody.HttpBody], refuse func(error)) {
	piece, err := stream.Recv()
	header, _ := stream.Header() // without one Recv has failed too
	CopyHeaders(w.Header(), header)
	if err != nil && !errors.Is(err, io.EOF) {
		w.Header().Del("Content-Disposition")
		w.Header().Del("Link")
		refuse(err)
		return
	}
	w.Header().Set("Content-Type", piece.GetContentType())
	forward(w, piece, err, stream.Recv)
}

// CopyHeaders sets what a download says of itself from the service's header.
func CopyHeaders(to http.Header, from metadata.MD) {
	for key, name := range headers {
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
		_ = control.SetWriteDeadline(time.Now().Add(PieceTimeout))
		if _, err := w.Write(piece.GetData()); err != nil {
			return // the reader is gone; the request's context ends the stream
		}
		_ = control.Flush() // a piece is worth sending; an error comes again with the next write
	}
	if !errors.Is(err, io.EOF) {
		panic(http.ErrAbortHandler) // so that the reader sees a transfer that broke off
	}
}
