package server

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/encoding/protojson"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/problem"
)

const (
	watchRoute = "/v1/warnings:watch"
	eventTime  = 30 * time.Second // in which a caller must have taken an event
	resumeIn   = 2 * time.Second  // a browser that lost the stream asks again
)

// serveWatch is WatchWarnings as server-sent events (WHATWG HTML, section 9.2):
// `id` is the cursor, `event` what happened, `data` the change in JSON. A sign
// of life is a comment with the cursor as its id. The gateway's own streams are
// JSON lines, which a browser does not resume.
func (s *Server) serveWatch(w http.ResponseWriter, r *http.Request) {
	req := &creepagev1.WatchWarningsRequest{}
	if p := readWatch(r, req); p != nil {
		WriteProblem(w, p, 0)
		return
	}
	md := metadata.Pairs(remoteHeader, hostOf(r.RemoteAddr), "last-event-id", r.Header.Get("Last-Event-ID"))
	for _, name := range []string{"Authorization", "X-Request-Id"} {
		if v := r.Header.Get(name); v != "" {
			md.Set(name, v)
		}
	}
	ctx := metadata.NewOutgoingContext(r.Context(), md)
	stream, err := creepagev1.NewWatchServiceClient(s.conn).WatchWarnings(ctx, req)
	if err != nil {
		WriteProblem(w, problem.Of(err), 0)
		return
	}
	first, err := stream.Recv()
	headers, _ := stream.Header() // there are none where the call did not come as far
	tellRequestID(w, headers)
	if err != nil {
		WriteProblem(w, problem.Of(err), 0)
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no") // a proxy must not wait for more
	e := &events{w: w, control: http.NewResponseController(w)}
	// The server's read timeout is for requests; on an open answer it would end the caller's context.
	if err := e.control.SetReadDeadline(time.Time{}); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return
	}
	if e.write(fmt.Sprintf("retry: %d\n", resumeIn.Milliseconds())) != nil {
		return
	}
	if e.send(first) == nil {
		e.forward(stream)
	}
}

// readWatch reads the query's parameters.
func readWatch(r *http.Request, req *creepagev1.WatchWarningsRequest) *problem.Error {
	desc := req.ProtoReflect().Descriptor()
	query := r.URL.Query()
	if p := wrongParameter(desc, query); p != nil {
		return p
	}
	if err := runtime.PopulateQueryParameters(req, query, utilities.NewDoubleArray(nil)); err != nil {
		return problem.InvalidField("query", "%v", err)
	}
	return nil
}

// events writes server-sent events.
type events struct {
	w       io.Writer
	control *http.ResponseController
}

// forward sends what comes until either side ends; the last event then says why.
func (e *events) forward(stream grpc.ServerStreamingClient[creepagev1.WatchWarningsResponse]) {
	for {
		m, err := stream.Recv()
		if err != nil {
			text, _ := protojson.Marshal(problem.Of(err).GRPCStatus().Proto())
			_ = e.write("event: end\ndata: " + oneLine(text) + "\n\n") // the caller may be gone
			return
		}
		if e.send(m) != nil {
			return
		}
	}
}

func (e *events) send(m *creepagev1.WatchWarningsResponse) error {
	if m.GetChange() == nil {
		return e.write(": alive\nid: " + m.GetCursor() + "\n\n")
	}
	text, err := answers.Marshal(m.GetChange())
	if err != nil {
		return err
	}
	name := map[creepagev1.WarningChange_Event]string{creepagev1.WarningChange_RAISED: "raised", creepagev1.WarningChange_CHANGED: "changed", creepagev1.WarningChange_ENDED: "ended"}[m.GetChange().GetEvent()]
	return e.write("id: " + m.GetCursor() + "\nevent: " + name + "\ndata: " + oneLine(text) + "\n\n")
}

// oneLine writes JSON without line ends, for a line end ends an event's field.
func oneLine(text []byte) string {
	var v json.RawMessage = text
	compact, err := json.Marshal(v)
	if err != nil {
		return "{}"
	}
	return string(compact)
}

func (e *events) write(text string) error {
	if err := e.control.SetWriteDeadline(time.Now().Add(eventTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	if _, err := io.WriteString(e.w, text); err != nil {
		return err
	}
	return e.control.Flush()
}
