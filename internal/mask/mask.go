// Package mask reads which fields of a resource a caller wants changed.
package mask

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"creepage/internal/problem"
)

// Of returns the fields of a resource that are to change: those of the
// mask, or without one those that are not empty (google.aip.dev/134).
func Of(resource proto.Message, mask *fieldmaskpb.FieldMask, allowed []string) ([]string, error) {
	m := resource.ProtoReflect()
	var fields []string
	if len(mask.GetPaths()) == 0 {
		for _, field := range allowed {
			if m.Has(m.Descriptor().Fields().ByName(protoreflect.Name(field))) {
				fields = append(fields, field)
			}
		}
	}
	for _, path := range mask.GetPaths() {
		switch {
		case path == "*":
			fields = allowed
		case path == "name": // what a body repeats to name the resource
		case !slices.Contains(allowed, path):
			return nil, problem.InvalidField("update_mask", "%q cannot be changed; allowed are %s", path, strings.Join(allowed, ", "))
		default:
			fields = append(fields, path)
		}
	}
	if len(fields) == 0 {
		return nil, problem.InvalidField("update_mask", "names nothing to change; allowed are %s", strings.Join(allowed, ", "))
	}
	return fields, nil
}
