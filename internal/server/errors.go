package server

import (
	"context"
	"errors"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"creepage/internal/insulation"
	"creepage/internal/problem"
	"creepage/internal/wire"
)

// answeredError is a status for the caller and the cause for the log.
type answeredError struct {
	status *status.Status
	cause  error
}

func (e *answeredError) Error() string              { return e.status.Message() }
func (e *answeredError) Unwrap() error              { return e.cause }
func (e *answeredError) GRPCStatus() *status.Status { return e.status }

// mapErrors turns whatever comes out of a service into a status with details.
// It is the one place where that is decided.
func mapErrors(ctx context.Context, _ string, next func(context.Context) error) error {
	err := next(ctx)
	if err == nil {
		return nil
	}
	p := problemOf(err)
	if id := requestID(ctx); id != "" {
		p = p.With("request_id", id)
	}
	return &answeredError{status: p.GRPCStatus(), cause: err}
}

// problemOf names the problem behind an error.
func problemOf(err error) *problem.Error {
	var (
		known      *problem.Error
		fields     wire.FieldErrors
		violations insulation.Violations
		message    *protovalidate.ValidationError
	)
	switch {
	case errors.As(err, &known):
		return known
	case errors.As(err, &fields):
		return problem.Invalid(problem.FromWire(fields)...)
	case errors.As(err, &violations):
		return problem.Invalid(problem.FromDomain(violations)...)
	case errors.As(err, &message):
		return problem.Invalid(messageFields(message)...)
	case errors.Is(err, context.DeadlineExceeded):
		return &problem.Error{Code: codes.DeadlineExceeded, Reason: "DEADLINE_EXCEEDED", RetryAfter: time.Second,
			Message: "the call did not end in time; sending it again is safe"}
	case errors.Is(err, context.Canceled):
		return &problem.Error{Code: codes.Canceled, Reason: "CANCELLED", Message: "the caller gave up"}
	}
	if st, ok := status.FromError(err); ok && st.Code() != codes.Unknown {
		return ofStatus(st)
	}
	return problem.Internal(err)
}

// ofStatus keeps a status made by a library and gives it a reason.
func ofStatus(st *status.Status) *problem.Error {
	p := &problem.Error{Code: st.Code(), Reason: reasonOf(st.Code()), Message: st.Message()}
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			p.Reason, p.Metadata = d.GetReason(), d.GetMetadata()
		case *errdetails.BadRequest:
			for _, f := range d.GetFieldViolations() {
				p.Fields = append(p.Fields, problem.Field{Path: f.GetField(), Description: f.GetDescription()})
			}
		case *errdetails.RetryInfo:
			p.RetryAfter = d.GetRetryDelay().AsDuration()
		}
	}
	return p
}

// reasonOf is the reason of a status that came without one.
func reasonOf(code codes.Code) string {
	switch code {
	case codes.InvalidArgument:
		return "INVALID_REQUEST"
	case codes.NotFound:
		return "NOT_FOUND"
	case codes.Unimplemented:
		return "NO_SUCH_METHOD"
	case codes.ResourceExhausted:
		return "LIMIT_REACHED"
	case codes.Unavailable:
		return "UNAVAILABLE"
	case codes.Canceled:
		return "CANCELLED"
	case codes.DeadlineExceeded:
		return "DEADLINE_EXCEEDED"
	case codes.PermissionDenied:
		return "DENIED"
	case codes.Unauthenticated:
		return "UNAUTHENTICATED"
	}
	return "INTERNAL"
}

// messageFields turns the message validator's violations into fields.
func messageFields(err *protovalidate.ValidationError) []problem.Field {
	fields := make([]problem.Field, len(err.Violations))
	for i, v := range err.Violations {
		fields[i] = problem.Field{Path: protovalidate.FieldPathString(v.Proto.GetField()), Description: v.Proto.GetMessage()}
	}
	return fields
}
