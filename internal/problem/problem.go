// Package problem is what a service answers when it cannot do what it was
// asked: an error that knows its gRPC status and carries its details. Services
// return it; internal/server turns every other error into one.
//
// Every status carries a google.rpc.ErrorInfo (domain `creepage`, a stable
// reason in upper snake case); invalid fields a BadRequest whose paths name
// them (`readings[3].hold_seconds`); RetryInfo says when to try again where
// trying again helps.
package problem

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"creepage/internal/insulation"
	"creepage/internal/wire"
)

// Domain is the ErrorInfo domain of every error.
const Domain = "creepage"

// Error is an answer other than the one hoped for.
type Error struct {
	Code       codes.Code
	Reason     string // stable, UPPER_SNAKE
	Message    string // for people
	Fields     []Field
	Metadata   map[string]string // of the ErrorInfo
	RetryAfter time.Duration     // 0: trying again does not help
	cause      error             // for the log; never shown to the caller
}

// Field is one invalid field of a request.
type Field struct {
	Path        string // proto snake_case, such as readings[3].hold_seconds
	Description string // the value and what is allowed
	InFiles     string // the same with words as files and the command line write them; empty where it is about no words
}

// Error returns the message, and the cause where there is one.
func (e *Error) Error() string {
	if e.cause != nil {
		return e.Message + ": " + e.cause.Error()
	}
	return e.Message
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.cause }

// Because returns the error with its cause, which is logged and not shown.
func (e *Error) Because(cause error) *Error {
	c := *e
	c.cause = cause
	return &c
}

// With returns the error with one more entry in its ErrorInfo.
func (e *Error) With(key, value string) *Error {
	c := *e
	c.Metadata = maps.Clone(e.Metadata)
	if c.Metadata == nil {
		c.Metadata = map[string]string{}
	}
	c.Metadata[key] = value
	return &c
}

// GRPCStatus returns the status with its details.
func (e *Error) GRPCStatus() *status.Status {
	details := []protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: e.Reason, Domain: Domain, Metadata: e.Metadata}}
	if len(e.Fields) > 0 {
		bad := &errdetails.BadRequest{FieldViolations: make([]*errdetails.BadRequest_FieldViolation, len(e.Fields))}
		for i, f := range e.Fields {
			bad.FieldViolations[i] = &errdetails.BadRequest_FieldViolation{Field: f.Path, Description: f.Description, Reason: e.Reason}
		}
		details = append(details, bad)
	}
	if e.RetryAfter > 0 {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(e.RetryAfter)})
	}
	st, err := status.New(e.Code, e.Message).WithDetails(details...)
	if err != nil { // only for code OK, which no constructor gives
		return status.New(codes.Internal, e.Message)
	}
	return st
}

// Invalid says that fields of the request are wrong.
func Invalid(fields ...Field) *Error {
	message := "the request is not valid"
	if len(fields) > 0 {
		message = fields[0].Path + ": " + fields[0].Description
	}
	if n := len(fields) - 1; n > 0 {
		message += fmt.Sprintf(" (and %d more)", n)
	}
	return &Error{Code: codes.InvalidArgument, Reason: "INVALID_FIELDS", Message: message, Fields: fields}
}

// InvalidField says that one field of the request is wrong.
func InvalidField(path, format string, args ...any) *Error {
	return Invalid(Field{Path: path, Description: fmt.Sprintf(format, args...)})
}

// NotFound says that there is no such resource in the caller's organisation.
func NotFound(resource string) *Error {
	return &Error{Code: codes.NotFound, Reason: "NOT_FOUND", Message: fmt.Sprintf("%q does not exist", resource),
		Metadata: map[string]string{"resource": resource}}
}

// Exists says that a resource of that name is there already.
func Exists(resource string) *Error {
	return &Error{Code: codes.AlreadyExists, Reason: "ALREADY_EXISTS", Message: fmt.Sprintf("%q exists already", resource),
		Metadata: map[string]string{"resource": resource}}
}

// Denied says that the caller's key may not do this.
func Denied(reason, format string, args ...any) *Error {
	return &Error{Code: codes.PermissionDenied, Reason: reason, Message: fmt.Sprintf(format, args...)}
}

// Unauthenticated says that the caller showed no key that is valid.
func Unauthenticated(reason, format string, args ...any) *Error {
	return &Error{Code: codes.Unauthenticated, Reason: reason, Message: fmt.Sprintf(format, args...)}
}

// Precondition says that the resource is not in a state in which this can be done.
func Precondition(reason, format string, args ...any) *Error {
	return &Error{Code: codes.FailedPrecondition, Reason: reason, Message: fmt.Sprintf(format, args...)}
}

// Exhausted says that a limit is reached and when to try again.
func Exhausted(reason string, after time.Duration, format string, args ...any) *Error {
	return &Error{Code: codes.ResourceExhausted, Reason: reason, RetryAfter: after, Message: fmt.Sprintf(format, args...)}
}

// Unavailable says that a part of the service is out of reach for the moment.
func Unavailable(reason string, after time.Duration, format string, args ...any) *Error {
	return &Error{Code: codes.Unavailable, Reason: reason, RetryAfter: after, Message: fmt.Sprintf(format, args...)}
}

// Unimplemented says that there is no such thing to ask for.
func Unimplemented(reason, format string, args ...any) *Error {
	return &Error{Code: codes.Unimplemented, Reason: reason, Message: fmt.Sprintf(format, args...)}
}

// Internal says that the service itself failed. The cause is logged, not shown.
func Internal(cause error) *Error {
	return &Error{Code: codes.Internal, Reason: "INTERNAL", Message: "the service failed; the operator finds the cause under the request id", cause: cause}
}

// FromWire turns what is wrong with a message into fields.
func FromWire(errs wire.FieldErrors) []Field {
	fields := make([]Field, len(errs))
	for i, e := range errs {
		fields[i] = Field{Path: e.Field, Description: e.Description}
	}
	return fields
}

// FromDomain turns what is wrong with a value of the domain into fields. The API writes
// words in capitals, the domain, as files and people do, in small letters.
func FromDomain(violations insulation.Violations) []Field {
	fields := make([]Field, len(violations))
	for i, v := range violations {
		f := Field{Path: v.Field}
		if len(v.Words) > 0 {
			f.InFiles = v.Sentence()
			v.Value, v.Words = strings.ToUpper(v.Value), slices.Clone(v.Words)
			for j, word := range v.Words {
				v.Words[j] = strings.ToUpper(word)
			}
		}
		f.Description = v.Sentence()
		fields[i] = f
	}
	return fields
}

// Under puts the fields' paths under a parent, such as readings[3].
func Under(parent string, fields []Field) []Field {
	moved := make([]Field, len(fields))
	for i, f := range fields {
		f.Path = parent + "." + f.Path
		moved[i] = f
	}
	return moved
}
