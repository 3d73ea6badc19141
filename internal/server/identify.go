package server

import (
	"context"
	"net/http"
	"regexp"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
)

// requestIDHeader carries the request's id in both directions.
const requestIDHeader = "x-request-id"

var saneRequestID = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)

type requestIDKey struct{}

// requestID returns the id of the request, "" outside of one.
func requestID(ctx context.Context) string {
	id, _ := ctx.Value(requestIDKey{}).(string)
	return id
}

// identify takes the caller's request id if it is a sane one, makes one
// otherwise, and sends it back.
func (s *Server) identify(ctx context.Context, _ string) (context.Context, error) {
	id := firstValue(ctx, requestIDHeader)
	if !saneRequestID.MatchString(id) {
		id = uuid.NewString()
	}
	if err := grpc.SetHeader(ctx, metadata.Pairs(requestIDHeader, id)); err != nil {
		s.log.DebugContext(ctx, "request id not sent back", "error", err)
	}
	return context.WithValue(ctx, requestIDKey{}, id), nil
}

// tellRequestID passes on, over REST, the id that a call's header names.
func tellRequestID(w http.ResponseWriter, header metadata.MD) {
	if ids := header.Get(requestIDHeader); len(ids) > 0 {
		w.Header().Set("X-Request-Id", ids[0])
	}
}

// firstValue returns the first value of an incoming header, "" if it is not there.
func firstValue(ctx context.Context, header string) string {
	if values := metadata.ValueFromIncomingContext(ctx, header); len(values) > 0 {
		return values[0]
	}
	return ""
}
