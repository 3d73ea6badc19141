package server

import (
	"context"
	"errors"
	"log/slog"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"creepage/internal/caller"
)

// logAnswer writes a line for a call that failed because of the service, or
// that was refused for want of a key. What callers do wrong is theirs to read
// in the answer; it is counted, not logged. No header, key or content of a
// request is ever written.
func (s *Server) logAnswer(ctx context.Context, method string, next func(context.Context) error) error {
	seen := &seenCaller{}
	err := next(context.WithValue(ctx, seenCallerKey{}, seen))
	level, ok := logLevel(status.Code(err))
	if !ok {
		return err
	}
	attrs := []any{"method", method, "code", status.Code(err).String(), "request_id", requestID(ctx), "remote", remoteAddress(ctx)}
	if seen.Organisation != [16]byte{} {
		attrs = append(attrs, "organisation", seen.Organisation.String(), "key", seen.KeyID)
	}
	s.log.Log(ctx, level, "call failed", append(attrs, "error", deepest(err))...)
	return err
}

func logLevel(code codes.Code) (slog.Level, bool) {
	switch code {
	case codes.Internal, codes.Unknown, codes.DataLoss:
		return slog.LevelError, true
	case codes.Unavailable, codes.DeadlineExceeded, codes.ResourceExhausted:
		return slog.LevelWarn, true
	case codes.Unauthenticated:
		return slog.LevelInfo, true
	}
	return 0, false
}

// deepest returns the error with its causes, which the status does not show.
func deepest(err error) string {
	var answered *answeredError
	if errors.As(err, &answered) {
		return answered.cause.Error()
	}
	return err.Error()
}

// seenCaller is filled in by the authentication below, for the line above.
type seenCaller struct{ caller.Caller }

type seenCallerKey struct{}

func noteCaller(ctx context.Context, c caller.Caller) {
	if seen, ok := ctx.Value(seenCallerKey{}).(*seenCaller); ok {
		seen.Caller = c
	}
}
