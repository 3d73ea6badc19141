package services_test

import (
	"context"
	"encoding/json"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	creepagev1 "creepage/api/creepage/v1"
)

// methods lists the methods of the contract.
func methods() []protoreflect.MethodDescriptor {
	var list []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFilesByPackage("creepage.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			for j := range file.Services().Get(i).Methods().Len() {
				list = append(list, file.Services().Get(i).Methods().Get(j))
			}
		}
		return true
	})
	return list
}

// call makes a call with an empty request and returns its error.
func (s *system) call(ctx context.Context, m protoreflect.MethodDescriptor) error {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	name := "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
	if !m.IsStreamingClient() && !m.IsStreamingServer() {
		return s.conn.Invoke(ctx, name, dynamicpb.NewMessage(m.Input()), dynamicpb.NewMessage(m.Output()))
	}
	stream, err := s.conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: m.IsStreamingClient(), ServerStreams: m.IsStreamingServer()}, name)
	if err != nil {
		return err
	}
	if err := stream.SendMsg(dynamicpb.NewMessage(m.Input())); err != nil {
		return err
	}
	return stream.RecvMsg(dynamicpb.NewMessage(m.Output()))
}

func TestEveryMethodNeedsAKeyAndEveryErrorSaysWhy(t *testing.T) {
	s := start(t)
	analyst := s.newKey(t, creepagev1.Key_ANALYST, "")
	for _, m := range methods() {
		if st := status.Convert(s.call(context.Background(), m)); st.Code() != codes.Unauthenticated || reason(st) != "NO_KEY" {
			t.Errorf("%s without a key: %v", m.Name(), st)
		}
		for _, key := range []string{s.adminKey, s.shopKey, s.feederKey, s.fleetKey, analyst} {
			st := status.Convert(s.call(s.with(key), m))
			switch st.Code() {
			case codes.OK:
			case codes.Internal, codes.Unknown, codes.Unavailable, codes.DeadlineExceeded:
				t.Errorf("an empty %s is answered with %v", m.Name(), st)
			default:
				if reason(st) == "" || st.Message() == "" {
					t.Errorf("%s: %v has no reason: %v", m.Name(), st, st.Details())
				}
			}
		}
	}
}

var variable = regexp.MustCompile(`\{[^}]*\}`)

// restRoute is the verb and path by which a method is called over REST, every variable
// filled in with an id.
func restRoute(m protoreflect.MethodDescriptor, id string) (verb, path string) {
	rule, ok := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
	if !ok || rule.GetPattern() == nil {
		return "", ""
	}
	verb, path = "GET", rule.GetGet()
	for v, p := range map[string]string{"POST": rule.GetPost(), "PUT": rule.GetPut(), "DELETE": rule.GetDelete(), "PATCH": rule.GetPatch()} {
		if p != "" {
			verb, path = v, p
		}
	}
	return verb, variable.ReplaceAllStringFunc(path, func(v string) string {
		_, pattern, _ := strings.Cut(strings.Trim(v, "{}"), "=")
		return strings.ReplaceAll(pattern, "*", id)
	})
}

// What is not there is named, whatever was asked of it.
func TestWhatIsNotThereIsNamed(t *testing.T) {
	s := start(t)
	const id = "0190b5f2-6a00-7c1e-9d3a-5f0c2b7e4d11"
	found := 0
	for _, m := range methods() {
		verb, path := restRoute(m, id)
		if !strings.Contains(path, id) {
			continue
		}
		for _, body := range []string{"{}", `{"reason": "x"}`, `{"note": "x"}`, `{"title": "x"}`} {
			if verb == "GET" {
				body = ""
			}
			code, _, text := s.rest(t, verb, path, s.adminKey, body)
			if code != http.StatusNotFound {
				continue
			}
			found++
			if !strings.Contains(text, id) {
				t.Errorf("%s %s %s: %s", verb, path, body, text)
			}
			break
		}
	}
	if found < 20 {
		t.Errorf("%d routes found nothing, of what is not there", found)
	}
}

func TestEveryRouteAnswersAStrangerInJSON(t *testing.T) {
	s := start(t)
	for _, m := range methods() {
		verb, path := restRoute(m, "x")
		if path == "" {
			continue
		}
		body := ""
		if verb != "GET" {
			body = "{}"
		}
		code, headers, text := s.rest(t, verb, path, "ck_stranger", body)
		if (code != http.StatusUnauthorized && code != http.StatusTooManyRequests) || !json.Valid([]byte(text)) || !strings.Contains(text, `"domain":"creepage"`) || headers.Get("X-Request-Id") == "" {
			t.Errorf("%s %s: %d %v %s", verb, path, code, headers, text)
		}
	}
}

func TestABatchOfAStreamThatIsTooLargeIsRefusedWithDetails(t *testing.T) {
	s := start(t)
	stream, err := s.intake.StreamReadings(s.with(s.shopKey))
	must(t, err)
	long := strings.Repeat("v", 5<<20)
	must(t, stream.Send(&creepagev1.StreamReadingsRequest{Batch: &creepagev1.SubmitReadingsRequest{Readings: []*creepagev1.Reading{
		good("r-1", func(m *creepagev1.Reading) { m.Visit = &long })}}}))
	_, err = stream.Recv()
	if st := status.Convert(err); st.Code() != codes.ResourceExhausted || reason(st) != "BODY_TOO_LARGE" {
		t.Errorf("%.200v", err)
	}
}
