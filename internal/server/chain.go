package server

import (
	"context"
	"fmt"
	"runtime/debug"
	"time"

	"buf.build/go/protovalidate"
	middleware "github.com/grpc-ecosystem/go-grpc-middleware/v2"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/recovery"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/problem"
)

// step is one link of the chain, for unary and streaming calls.
type step struct {
	name   string
	unary  grpc.UnaryServerInterceptor
	stream grpc.StreamServerInterceptor
}

// chain returns the interceptors, outermost first. The order matters:
//
//	request id   first, so that every later line and answer can name it
//	metrics      counts what the caller sees, refusals included
//	log          sees the same final answer and, through errors, its cause
//	errors       makes a status with details of whatever comes out below
//	recovery     inside errors, so that a panic is answered like any failure
//	authenticate before anything is spent on a stranger
//	authorise    the role table; needs the caller
//	rate         per key, so after the caller is known
//	size         an answer with details, which the library's own limit does not give
//	deadline     before work begins
//	validate     last: only what will be worked on is read
func (s *Server) chain() ([]step, error) {
	validator, err := protovalidate.New()
	if err != nil {
		return nil, fmt.Errorf("make the message validator: %w", err)
	}
	rec := recovery.WithRecoveryHandlerContext(func(_ context.Context, p any) error {
		return problem.Internal(fmt.Errorf("panic: %v\n%s", p, debug.Stack()))
	})
	return []step{
		gate("request id", s.identify),
		around("metrics", s.metrics.count),
		around("log", s.logAnswer),
		around("errors", mapErrors),
		{"recovery", recovery.UnaryServerInterceptor(rec), recovery.StreamServerInterceptor(rec)},
		s.authenticateStep(),
		gate("authorise", authorise),
		gate("rate", s.limitRate),
		s.sizeStep(),
		s.deadlineStep(),
		validateStep(validator),
	}, nil
}

// around makes a step of a function that calls next, perhaps with more in its
// context, or refuses the call.
func around(name string, do func(ctx context.Context, method string, next func(context.Context) error) error) step {
	return step{
		name: name,
		unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
			var resp any
			err := do(ctx, info.FullMethod, func(ctx context.Context) (err error) {
				resp, err = handle(ctx, req)
				return err
			})
			if err != nil {
				return nil, err
			}
			return resp, nil
		},
		stream: func(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
			return do(ss.Context(), info.FullMethod, func(ctx context.Context) error {
				return handle(srv, &middleware.WrappedServerStream{ServerStream: ss, WrappedContext: ctx})
			})
		},
	}
}

// gate makes a step that lets a call pass or refuses it.
func gate(name string, pass func(ctx context.Context, method string) (context.Context, error)) step {
	return around(name, func(ctx context.Context, method string, next func(context.Context) error) error {
		ctx, err := pass(ctx, method)
		if err != nil {
			return err
		}
		return next(ctx)
	})
}

// longCalls may take longer than others: they read all that an organisation has
// (5 s for a million readings, on 2 shared cores).
var longCalls = map[string]time.Duration{
	creepagev1.ErasureService_ErasePerson_FullMethodName:  4 * time.Minute,
	creepagev1.ErasureService_EraseVehicle_FullMethodName: 4 * time.Minute,
}

// deadlineStep caps how long a unary call may take. A stream lives as long as
// its caller wants it to.
func (s *Server) deadlineStep() step {
	return step{
		name: "deadline",
		unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
			ctx, cancel := context.WithTimeout(ctx, max(s.config.CallTimeout, longCalls[info.FullMethod]))
			defer cancel()
			return handle(ctx, req)
		},
		stream: func(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
			return handle(srv, ss)
		},
	}
}

// sizeStep refuses messages that are longer than the configured limit.
func (s *Server) sizeStep() step {
	return step{
		name: "size",
		unary: func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
			if p := s.tooLarge(req); p != nil {
				return nil, p
			}
			return handle(ctx, req)
		},
		stream: func(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
			return handle(srv, &sizedStream{ss, s})
		},
	}
}

// sizedStream holds each message received to the limit.
type sizedStream struct {
	grpc.ServerStream
	server *Server
}

// RecvMsg receives a message.
func (s *sizedStream) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	if p := s.server.tooLarge(m); p != nil {
		return p
	}
	return nil
}

func (s *Server) tooLarge(m any) *problem.Error {
	message, ok := m.(proto.Message)
	if !ok {
		return nil
	}
	size := proto.Size(message)
	if size <= s.config.MaxMessageBytes {
		return nil
	}
	p := problem.InvalidField("body", "has %d bytes, allowed are %d; send fewer readings in one request", size, s.config.MaxMessageBytes)
	p.Code, p.Reason = codes.ResourceExhausted, "BODY_TOO_LARGE"
	return p
}

func unaryOf(steps []step) []grpc.UnaryServerInterceptor {
	list := make([]grpc.UnaryServerInterceptor, len(steps))
	for i, s := range steps {
		list[i] = s.unary
	}
	return list
}

func streamOf(steps []step) []grpc.StreamServerInterceptor {
	list := make([]grpc.StreamServerInterceptor, len(steps))
	for i, s := range steps {
		list[i] = s.stream
	}
	return list
}
