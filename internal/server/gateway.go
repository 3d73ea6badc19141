package server

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"reflect"
	"regexp"
	"strconv"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/problem"
)

// remoteHeader carries the caller's address from the gateway to the chain. It
// is read on the in-memory connection alone.
const remoteHeader = "creepage-remote"

// answers is how messages are written: a number that is zero and a list that
// is empty are there, what is optional and unset is not.
var answers = protojson.MarshalOptions{EmitDefaultValues: true}

// newGateway returns the REST handler, which calls over conn.
func newGateway(ctx context.Context, conn *grpc.ClientConn) (http.Handler, error) {
	mux := runtime.NewServeMux(
		runtime.WithMarshalerOption(runtime.MIMEWildcard, &runtime.HTTPBodyMarshaler{Marshaler: &codec{JSONPb: runtime.JSONPb{MarshalOptions: answers}}}),
		runtime.WithErrorHandler(writeError),
		runtime.WithRoutingErrorHandler(routingError),
		runtime.WithIncomingHeaderMatcher(incomingHeader),
		runtime.WithOutgoingHeaderMatcher(outgoingHeader),
		runtime.WithMetadata(func(_ context.Context, r *http.Request) metadata.MD {
			return metadata.Pairs(remoteHeader, hostOf(r.RemoteAddr))
		}),
		runtime.WithForwardResponseRewriter(amendAnswer),
		runtime.WithMiddlewares(refuseUnknownParameters(routesOfContract())),
		runtime.WithDisableHTTPMethodOverride(),
		runtime.WithDisablePathLengthFallback(),
	)
	for _, register := range []func(context.Context, *runtime.ServeMux, *grpc.ClientConn) error{
		creepagev1.RegisterIntakeServiceHandler, creepagev1.RegisterPlatformServiceHandler, creepagev1.RegisterFleetServiceHandler,
		creepagev1.RegisterWarningServiceHandler, creepagev1.RegisterBenchServiceHandler, creepagev1.RegisterAccessServiceHandler, creepagev1.RegisterWatchServiceHandler,
		creepagev1.RegisterReviewServiceHandler, creepagev1.RegisterWebhookServiceHandler,
		creepagev1.RegisterErasureServiceHandler, creepagev1.RegisterDigestServiceHandler,
		creepagev1.RegisterReportServiceHandler, creepagev1.RegisterReportScheduleServiceHandler,
	} {
		if err := register(ctx, mux, conn); err != nil {
			return nil, fmt.Errorf("register the gateway: %w", err)
		}
	}
	// Registered last, it comes before the generated handler of the same route.
	if err := mux.HandlePath("GET", "/v1/{name=reports/*}:download", serveDownload(mux, conn)); err != nil {
		return nil, fmt.Errorf("register the downloads: %w", err)
	}
	for _, method := range []string{"GET", "HEAD"} {
		if err := mux.HandlePath(method, "/v1/{name=reportSchedules/*/runs/*}:download", serveFile(mux, conn)); err != nil {
			return nil, fmt.Errorf("register the downloads of files: %w", err)
		}
	}
	return mux, nil
}

func incomingHeader(key string) (string, bool) {
	switch http.CanonicalHeaderKey(key) {
	case "Authorization", "X-Request-Id":
		return strings.ToLower(key), true
	}
	return "", false
}

func outgoingHeader(key string) (string, bool) {
	switch key {
	case requestIDHeader:
		return "X-Request-Id", true
	case "content-disposition": // the name under which a document is kept
		return "Content-Disposition", true
	case rateHeaders[0], rateHeaders[1], rateHeaders[2]:
		return http.CanonicalHeaderKey(key), true
	}
	return "", false
}

// exchange is one REST request on its way: what its decoder found, for its answer.
type exchange struct {
	field      string // of the request message, which the body holds; empty: the message itself
	refused    *problem.Error
	unreadable *unreadable
}

type exchangeKey struct{}

func exchangeOf(ctx context.Context) *exchange {
	e, _ := ctx.Value(exchangeKey{}).(*exchange)
	return e
}

// body is a request's body with the exchange it belongs to, so that the
// decoder can say more than an error's text.
type body struct {
	io.ReadCloser
	exchange *exchange
}

// withExchange prepares a request for the gateway.
func withExchange(r *http.Request) *http.Request {
	e := &exchange{}
	r = r.WithContext(context.WithValue(r.Context(), exchangeKey{}, e))
	r.Body = &body{ReadCloser: r.Body, exchange: e}
	return r
}

// codec reads with decodeJSON and writes with protojson.
type codec struct{ runtime.JSONPb }

// notComputed is what a list of outlooks leaves out of each of them, as an empty
// list. Within a text the quotes would be escaped.
var notComputed = regexp.MustCompile(`,\s*"(?:parts|curve|doubted)":\s*\[\s*\]`)

// Marshal writes a message. What a list does not compute is not there, rather
// than empty.
func (c *codec) Marshal(v any) ([]byte, error) {
	text, err := c.JSONPb.Marshal(v)
	if _, list := v.(*creepagev1.ListOutlooksResponse); list && err == nil {
		text = notComputed.ReplaceAll(text, nil)
	}
	return text, err
}

// NewDecoder returns a decoder of one message.
func (c *codec) NewDecoder(r io.Reader) runtime.Decoder {
	return runtime.DecoderFunc(func(v any) error {
		data, err := io.ReadAll(r)
		if err != nil {
			return refuse(r, bodyProblem(err))
		}
		if p := c.decode(r, data, v); p != nil {
			return refuse(r, p)
		}
		return nil
	})
}

// decode reads a message, or a field of one: then v points to a nil message.
func (c *codec) decode(r io.Reader, data []byte, v any) *problem.Error {
	if len(bytes.TrimSpace(data)) == 0 {
		data = []byte("{}")
	}
	if m, ok := v.(*creepagev1.SubmitReadingsRequest); ok {
		bad, p := decodeSubmission(data, m)
		if b, ok := r.(*body); ok {
			b.exchange.unreadable = bad
		}
		return p
	}
	if m, ok := v.(proto.Message); ok {
		return decodeJSON(data, m, "")
	}
	field := reflect.ValueOf(v)
	if field.Kind() == reflect.Pointer && field.Elem().Kind() == reflect.Pointer {
		made := reflect.New(field.Elem().Type().Elem())
		if m, ok := made.Interface().(proto.Message); ok {
			field.Elem().Set(made)
			under := ""
			if b, ok := r.(*body); ok {
				under = b.exchange.field // the validator's paths begin with it too
			}
			return decodeJSON(data, m, under)
		}
	}
	return problem.Internal(fmt.Errorf("a body cannot be read into %T", v))
}

func refuse(r io.Reader, p *problem.Error) error {
	if b, ok := r.(*body); ok {
		b.exchange.refused = p
	}
	return p
}

func bodyProblem(err error) *problem.Error {
	var tooLarge *http.MaxBytesError
	if errors.As(err, &tooLarge) {
		p := problem.InvalidField("body", "is longer than %d bytes; send fewer readings in one request", tooLarge.Limit)
		p.Reason = "BODY_TOO_LARGE"
		return p
	}
	return malformed("the body could not be read").Because(err)
}

// amendAnswer puts into the answer what the decoder found.
func amendAnswer(ctx context.Context, m proto.Message) (any, error) {
	if resp, ok := m.(*creepagev1.SubmitReadingsResponse); ok {
		if e := exchangeOf(ctx); e != nil && e.unreadable != nil {
			e.unreadable.amend(resp)
		}
	}
	return m, nil
}

// writeError answers with a google.rpc.Status in JSON.
func writeError(ctx context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, err error) {
	if e := exchangeOf(r.Context()); e != nil && e.refused != nil {
		err = e.refused
	}
	if md, ok := runtime.ServerMetadataFromContext(ctx); ok {
		for key, values := range md.HeaderMD {
			if name, ok := outgoingHeader(key); ok && len(values) > 0 {
				w.Header().Set(name, values[0])
			}
		}
	}
	var chosen *runtime.HTTPStatusError
	code := 0
	if errors.As(err, &chosen) {
		code, err = chosen.HTTPStatus, chosen.Err
	}
	WriteProblem(w, problem.Of(err), code)
}

// WriteProblem writes a problem as REST errors are written. A code of 0 means
// the problem's own HTTP status.
func WriteProblem(w http.ResponseWriter, p *problem.Error, code int) {
	if code == 0 {
		code = httpStatus(p)
	}
	if p.Code == codes.Unauthenticated {
		w.Header().Set("WWW-Authenticate", `Bearer realm="creepage"`)
	}
	if p.RetryAfter > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(p.RetryAfter.Seconds()))))
	}
	w.Header().Set("Content-Type", "application/json")
	text, err := protojson.Marshal(p.GRPCStatus().Proto())
	if err != nil {
		text = []byte(`{"code":13,"message":"the error could not be written"}`)
	}
	w.WriteHeader(code)
	_, _ = w.Write(text) // the client may be gone
}

func httpStatus(p *problem.Error) int {
	if p.Reason == "BODY_TOO_LARGE" {
		return http.StatusRequestEntityTooLarge
	}
	return runtime.HTTPStatusFromCode(p.Code)
}

func routingError(ctx context.Context, mux *runtime.ServeMux, m runtime.Marshaler, w http.ResponseWriter, r *http.Request, code int) {
	if code == http.StatusMethodNotAllowed {
		p := problem.Unimplemented("METHOD_NOT_ALLOWED", "%s is not possible on %s", r.Method, r.URL.Path)
		WriteProblem(w, p, code)
		return
	}
	if code == http.StatusNotFound {
		WriteProblem(w, noSuchRoute(r), code)
		return
	}
	WriteProblem(w, problem.InvalidField("path", "%q cannot be read", r.URL.Path), code)
}

func noSuchRoute(r *http.Request) *problem.Error {
	return &problem.Error{Code: codes.NotFound, Reason: "NO_SUCH_ROUTE",
		Message: fmt.Sprintf("%s %s is not a route of this service; GET /openapi.json lists them all", r.Method, r.URL.Path)}
}

// route is what a route of the contract reads.
type route struct {
	input protoreflect.MessageDescriptor
	body  string // field of the input that the body holds; "*" for all of it, empty for none
}

// refuseUnknownParameters refuses a misspelt query parameter, which would
// otherwise be ignored and give the wrong list, and one whose value cannot be
// read, and notes which field the body is.
func refuseUnknownParameters(routes map[string]route) runtime.Middleware {
	return func(next runtime.HandlerFunc) runtime.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request, params map[string]string) {
			pattern, ok := runtime.HTTPPattern(r.Context())
			at, known := routes[r.Method+" "+pattern.String()]
			if ok && known && at.body != "*" {
				if e := exchangeOf(r.Context()); e != nil {
					e.field = at.body
				}
				if p := wrongParameter(at.input, r.URL.Query()); p != nil {
					WriteProblem(w, p, 0)
					return
				}
			}
			next(w, r, params)
		}
	}
}

// wrongParameter says which parameter of a query the request does not have, or
// cannot read; nil if none. The gateway's own answer names neither field nor what is allowed.
func wrongParameter(desc protoreflect.MessageDescriptor, query url.Values) *problem.Error {
	for key, values := range query {
		fd, path := parameterOf(desc, key)
		if fd == nil {
			return problem.InvalidField(key, "%s", unknownField(desc, key))
		}
		for _, v := range values {
			if unreadableValue(fd, v) {
				return problem.InvalidField(path, "%q %s", v, wanted(fd))
			}
		}
		if len(values) > 1 && !fd.IsList() {
			return problem.InvalidField(path, "is given %d times; allowed is once", len(values))
		}
	}
	return nil
}

// parameterOf is the field that a query parameter sets with its path in proto
// snake_case, nil if there is none.
func parameterOf(desc protoreflect.MessageDescriptor, key string) (fd protoreflect.FieldDescriptor, path string) {
	for part := range strings.SplitSeq(key, ".") {
		if desc == nil {
			return nil, ""
		}
		if fd = fieldOf(desc, part); fd == nil {
			return nil, ""
		}
		path, desc = join(path, string(fd.Name())), fd.Message()
	}
	return fd, path
}

// unreadableValue says whether a field cannot take a parameter's text.
func unreadableValue(fd protoreflect.FieldDescriptor, text string) bool {
	switch fd.Kind() {
	case protoreflect.StringKind, protoreflect.BytesKind:
		return false
	case protoreflect.BoolKind:
		_, err := strconv.ParseBool(text)
		return err != nil
	case protoreflect.EnumKind:
		_, err := strconv.Atoi(text)
		return err != nil && fd.Enum().Values().ByName(protoreflect.Name(text)) == nil
	}
	quoted, err := json.Marshal(text)
	return err != nil || len(wrongElement(quoted, fd, "")) > 0
}

// routesOfContract returns the routes by method and pattern.
func routesOfContract() map[string]route {
	routes := map[string]route{}
	protoregistry.GlobalFiles.RangeFilesByPackage("creepage.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				addRoute(routes, methods.Get(j))
			}
		}
		return true
	})
	return routes
}

func addRoute(routes map[string]route, method protoreflect.MethodDescriptor) {
	rule, ok := proto.GetExtension(method.Options(), annotations.E_Http).(*annotations.HttpRule)
	if !ok {
		return
	}
	for verb, pattern := range map[string]string{"GET": rule.GetGet(), "DELETE": rule.GetDelete(), "POST": rule.GetPost(), "PUT": rule.GetPut(), "PATCH": rule.GetPatch()} {
		if pattern != "" {
			routes[verb+" "+pattern] = route{method.Input(), rule.GetBody()}
		}
	}
}
