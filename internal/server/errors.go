package server

import (
	"context"

	"google.golang.org/grpc/status"

	"creepage/internal/problem"
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
// problem.Of decides.
func mapErrors(ctx context.Context, _ string, next func(context.Context) error) error {
	err := next(ctx)
	if err == nil {
		return nil
	}
	p := problem.Of(err)
	if id := requestID(ctx); id != "" {
		p = p.With("request_id", id)
	}
	return &answeredError{status: p.GRPCStatus(), cause: err}
}
