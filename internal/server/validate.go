package server

import (
	"context"
	"fmt"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	creepagev1 "creepage/api/creepage/v1"
)

// validateStep checks every message against the rules written in the contract.
// The readings and codes of a submission are left to services/intake, which
// refuses them one by one instead of all together.
func validateStep(validator protovalidate.Validator) step {
	single := map[protoreflect.FullName]bool{
		(*creepagev1.Reading)(nil).ProtoReflect().Descriptor().FullName():      true,
		(*creepagev1.CodeSighting)(nil).ProtoReflect().Descriptor().FullName(): true,
	}
	filter := protovalidate.WithFilter(protovalidate.FilterFunc(func(m protoreflect.Message, _ protoreflect.Descriptor) bool {
		return !single[m.Descriptor().FullName()]
	}))
	check := func(m any) error {
		msg, ok := m.(proto.Message)
		if !ok {
			return fmt.Errorf("%T is not a message of the contract", m)
		}
		return validator.Validate(msg, filter)
	}
	return step{
		name: "validate",
		unary: func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
			if err := check(req); err != nil {
				return nil, err
			}
			return handle(ctx, req)
		},
		stream: func(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
			return handle(srv, &checkedStream{ServerStream: ss, check: check})
		},
	}
}

// checkedStream checks something with each message that is received.
type checkedStream struct {
	grpc.ServerStream
	check func(any) error
}

// RecvMsg receives and checks a message.
func (s *checkedStream) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	return s.check(m)
}
