package problem

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"

	"creepage/internal/filter"
	"creepage/internal/insulation"
	"creepage/internal/store"
	"creepage/internal/stream"
	"creepage/internal/wire"
)

// Of names the problem behind an error. It is the one place where typed errors
// become answers; what it does not know is the service's own failure.
func Of(err error) *Error {
	var (
		known      *Error
		fields     wire.FieldErrors
		violations insulation.Violations
		message    *protovalidate.ValidationError
		list       *filter.Error
	)
	switch {
	case errors.As(err, &known):
		return known
	case errors.As(err, &fields):
		return Invalid(FromWire(fields)...)
	case errors.As(err, &list):
		return InvalidField(list.Field, "%s", list.Description)
	case errors.As(err, &violations):
		return Invalid(FromDomain(violations)...)
	case errors.As(err, &message):
		return Invalid(fromMessage(message)...)
	case errors.Is(err, stream.ErrFull):
		return Exhausted("STREAM_FULL", 10*time.Second, "the service cannot take more readings for the moment; nothing was lost, send the same request again").Because(err)
	case errors.Is(err, stream.ErrTooLarge):
		return (&Error{Code: codes.InvalidArgument, Reason: "READING_TOO_LARGE", Message: "a reading is too large for one message"}).Because(err)
	case errors.Is(err, context.DeadlineExceeded):
		return &Error{Code: codes.DeadlineExceeded, Reason: "DEADLINE_EXCEEDED", RetryAfter: time.Second,
			Message: "the call did not end in time; sending it again is safe"}
	case errors.Is(err, context.Canceled):
		return &Error{Code: codes.Canceled, Reason: "CANCELLED", Message: "the caller gave up"}
	}
	switch {
	case errors.Is(err, stream.ErrUnavailable), errors.Is(err, stream.ErrClosed):
		return Unavailable("STREAM_UNAVAILABLE", 2*time.Second, "readings cannot be stored for the moment; send the same request again").Because(err)
	case errors.Is(err, store.ErrUnavailable):
		return Unavailable("DATABASE_UNAVAILABLE", 2*time.Second, "the database is out of reach for the moment; send the same request again").Because(err)
	case errors.Is(err, store.ErrNotFound):
		return (&Error{Code: codes.NotFound, Reason: "NOT_FOUND", Message: "there is no such resource"}).Because(err)
	case errors.Is(err, store.ErrStands):
		return Precondition("STANDS", "it has been settled before, and that stands").Because(err)
	case errors.Is(err, store.ErrConflict):
		return (&Error{Code: codes.AlreadyExists, Reason: "ALREADY_EXISTS", Message: "the name is taken"}).Because(err)
	}
	if st, ok := status.FromError(err); ok && st.Code() != codes.Unknown {
		return ofStatus(st)
	}
	return Internal(err)
}

// ofStatus keeps a status made by a library and gives it a reason.
func ofStatus(st *status.Status) *Error {
	p := &Error{Code: st.Code(), Reason: reasonOf(st.Code()), Message: st.Message()}
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			p.Reason, p.Metadata = d.GetReason(), d.GetMetadata()
		case *errdetails.BadRequest:
			for _, f := range d.GetFieldViolations() {
				p.Fields = append(p.Fields, Field{Path: f.GetField(), Description: f.GetDescription()})
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

// fromMessage turns the message validator's violations into fields.
func fromMessage(err *protovalidate.ValidationError) []Field {
	fields := make([]Field, len(err.Violations))
	for i, v := range err.Violations {
		fields[i] = Field{Path: protovalidate.FieldPathString(v.Proto.GetField()), Description: given(v) + allowed(v)}
	}
	return fields
}

// allowed says what is allowed: of an enum its words, which the validator does not know.
func allowed(v *protovalidate.Violation) string {
	field := v.FieldDescriptor
	if field == nil || field.Kind() != protoreflect.EnumKind || field.IsList() && v.FieldValue.IsValid() && isList(v.FieldValue) {
		return v.Proto.GetMessage()
	}
	values := field.Enum().Values()
	var words []string
	for i := range values.Len() {
		if values.Get(i).Number() != 0 {
			words = append(words, string(values.Get(i).Name()))
		}
	}
	text := "allowed are " + strings.Join(words, ", ")
	if v.FieldValue.IsValid() && v.FieldValue.Enum() == 0 {
		return "is missing; " + text
	}
	return text
}

func isList(v protoreflect.Value) bool {
	_, ok := v.Interface().(protoreflect.List)
	return ok
}

// longestGiven is how many characters of a text an answer repeats.
const longestGiven = 64

// given is the value that a violation is about, as it leads the description;
// empty where there was none, and for messages, which have no short form; of a
// list its length.
func given(v *protovalidate.Violation) string {
	field := v.FieldDescriptor
	if field == nil || !v.FieldValue.IsValid() || field.IsMap() {
		return ""
	}
	if list, ok := v.FieldValue.Interface().(protoreflect.List); ok {
		return fmt.Sprintf("has %d: ", list.Len())
	}
	switch field.Kind() {
	case protoreflect.MessageKind, protoreflect.GroupKind, protoreflect.BytesKind:
		return ""
	case protoreflect.StringKind:
		text := []rune(v.FieldValue.String())
		if len(text) == 0 {
			return ""
		}
		if len(text) > longestGiven {
			return fmt.Sprintf("%q and %d characters more: ", string(text[:longestGiven]), len(text)-longestGiven)
		}
		return fmt.Sprintf("%q: ", string(text))
	case protoreflect.EnumKind:
		number := v.FieldValue.Enum()
		if number == 0 {
			return ""
		}
		if named := field.Enum().Values().ByNumber(number); named != nil {
			return string(named.Name()) + ": "
		}
		return fmt.Sprintf("%d: ", number)
	}
	return v.FieldValue.String() + ": "
}
