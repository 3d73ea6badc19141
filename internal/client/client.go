// Package client calls the service's REST surface as any integrator's program
// would: with a key, over HTTP, knowing nothing of the service's inside. The
// import command, the loading of the demo fleet and the end-to-end tests use it.
package client

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	_ "google.golang.org/genproto/googleapis/rpc/errdetails" // details of errors are decoded by their registered types
)

// Longest answer read, in byte: a page of 1000 rows is below 2 MiB.
const maxAnswer = 64 << 20

// Client calls one service with one key. Safe for concurrent use.
type Client struct {
	base string
	key  string
	http *http.Client
}

// New returns a client of the service at an address such as
// http://localhost:8080. An empty key calls without one.
func New(server, key string) (*Client, error) {
	u, err := url.Parse(server)
	if err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https") {
		return nil, fmt.Errorf("server %q: want an address such as http://localhost:8080", server)
	}
	return &Client{
		base: strings.TrimRight(u.String(), "/"),
		key:  strings.TrimSpace(key),
		http: &http.Client{Transport: &http.Transport{Proxy: http.ProxyFromEnvironment, MaxIdleConnsPerHost: 16, IdleConnTimeout: time.Minute}},
	}, nil
}

// Call sends in as JSON (nothing if it is nil) and reads the answer into out.
// The error is a gRPC status with the details that the service gave; where the
// service was not reached its code is UNAVAILABLE.
func (c *Client) Call(ctx context.Context, method, path string, in, out proto.Message) error {
	var body []byte
	if in != nil {
		var err error
		if body, err = protojson.Marshal(in); err != nil {
			return fmt.Errorf("%s %s: %w", method, path, err)
		}
	}
	answer, err := c.Raw(ctx, method, path, body)
	if err != nil {
		return err
	}
	if out == nil {
		return nil
	}
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(answer, out); err != nil {
		return fmt.Errorf("%s %s: the answer is not what the contract says: %w", method, path, err)
	}
	return nil
}

// Raw sends a JSON body as it stands and returns the answer's bytes. Errors are those of Call.
func (c *Client) Raw(ctx context.Context, method, path string, body []byte) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, method, c.base+path, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	if c.key != "" {
		req.Header.Set("Authorization", "Bearer "+c.key)
	}
	resp, err := c.http.Do(req)
	if err != nil {
		return nil, c.unreached(ctx, err)
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	if err != nil {
		return nil, c.unreached(ctx, err)
	}
	if resp.StatusCode/100 != 2 {
		return nil, refusal(resp, answer)
	}
	return answer, nil
}

// callError is a status as people read it: its message alone.
type callError struct{ status *status.Status }

func (e *callError) Error() string { return e.status.Message() }

// GRPCStatus makes it a status for those who ask by code.
func (e *callError) GRPCStatus() *status.Status { return e.status }

// unreached is the error of a call that brought no answer. The transport's
// error names the address but never a header, so that no key gets into a log.
func (c *Client) unreached(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return status.FromContextError(ctx.Err()).Err()
	}
	var ue *url.Error
	if errors.As(err, &ue) {
		err = ue.Err
	}
	return &callError{status.Newf(codes.Unavailable, "%s was not reached: %v", c.base, err)}
}

// refusal turns an answer that is an error into a status.
func refusal(resp *http.Response, body []byte) error {
	var st spb.Status
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(body, &st); err == nil && st.Code != 0 {
		return &callError{status.FromProto(&st)}
	}
	text := strings.TrimSpace(string(body[:min(len(body), 200)]))
	return &callError{status.Newf(codeOf(resp.StatusCode), "the server answered %s: %s", resp.Status, strconv.Quote(text))}
}

// codeOf is the code of an answer that did not come from the service itself
// but from something before it.
func codeOf(httpStatus int) codes.Code {
	switch httpStatus {
	case http.StatusTooManyRequests:
		return codes.ResourceExhausted
	case http.StatusBadGateway, http.StatusServiceUnavailable, http.StatusGatewayTimeout:
		return codes.Unavailable
	case http.StatusUnauthorized:
		return codes.Unauthenticated
	case http.StatusForbidden:
		return codes.PermissionDenied
	case http.StatusNotFound:
		return codes.NotFound
	case http.StatusRequestEntityTooLarge, http.StatusBadRequest:
		return codes.InvalidArgument
	}
	return codes.Unknown
}
