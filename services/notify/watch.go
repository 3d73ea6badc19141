package notify

import (
	"context"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/filter"
	"creepage/internal/problem"
	"creepage/internal/store"
)

const (
	watchPage  = 500              // changes read at once
	watchPoll  = 10 * time.Second // between looks that nothing brought about
	watchAlive = 15 * time.Second // between signs of life
)

// LastEventID is the metadata under which the server passes the header
// Last-Event-ID of server-sent events; it goes before the request's cursor,
// which a browser repeats unchanged when it connects again.
const LastEventID = "last-event-id"

// position is where a watch stands: after the change of that number.
type position struct{ After int64 }

// WatchWarnings follows the organisation's changes.
func (s *Service) WatchWarnings(req *creepagev1.WatchWarningsRequest, stream grpc.ServerStreamingServer[creepagev1.WatchWarningsResponse]) error {
	ctx := stream.Context()
	c, err := callerOf(ctx)
	if err != nil {
		return err
	}
	where, err := store.WarningFields().Parse(req.GetFilter())
	if err != nil {
		return err
	}
	woken, leave, ok := s.hub.join(c.Organisation)
	if !ok {
		return problem.Exhausted("TOO_MANY_WATCHES", time.Minute, "the organisation follows with %d watches already; end some", mostWatches)
	}
	defer leave()
	at, err := s.begin(ctx, req)
	if err != nil {
		return err
	}
	w := &watch{service: s, caller: c, where: where, bound: watchBound(c, req.GetFilter()), stream: stream, at: at}
	if err := w.send(nil); err != nil { // so that a watch that breaks before the first change can be resumed
		return err
	}
	return w.follow(ctx, woken)
}

// begin finds the position after which a watch begins.
func (s *Service) begin(ctx context.Context, req *creepagev1.WatchWarningsRequest) (int64, error) {
	cursor := req.GetCursor()
	md, _ := metadata.FromIncomingContext(ctx)
	if ids := md.Get(LastEventID); len(ids) > 0 && ids[0] != "" {
		cursor = ids[0]
	}
	var at position
	err := s.as(ctx, func(c caller.Caller, tx *store.Tx) (err error) {
		switch {
		case cursor != "":
			if err := s.Pages.Open(watchBound(c, req.GetFilter()), cursor, &at); err != nil {
				return problem.InvalidField("cursor", "is not a cursor of a watch with this filter; send it unchanged with the same filter, or a start_time in its place").Because(err)
			}
		case req.GetStartTime() != nil:
			if err := req.GetStartTime().CheckValid(); err != nil {
				return problem.InvalidField("start_time", "%v", err)
			}
			at.After, err = tx.WarningChangesBefore(ctx, req.GetStartTime().AsTime())
		default:
			at.After, err = tx.LastWarningChange(ctx)
		}
		return err
	})
	return at.After, err
}

func watchBound(c caller.Caller, where string) []byte { return bound(c.Organisation, "watch\n"+where) }

// watch is one caller following.
type watch struct {
	service *Service
	caller  caller.Caller
	where   *filter.Expression
	bound   []byte
	stream  grpc.ServerStreamingServer[creepagev1.WatchWarningsResponse]
	at      int64 // number of the change it stands after
}

// follow sends what is there, then waits for more, until the caller leaves, its
// key ends or the service closes.
func (w *watch) follow(ctx context.Context, woken <-chan struct{}) error {
	poll, alive := time.NewTicker(watchPoll), time.NewTicker(watchAlive)
	defer poll.Stop()
	defer alive.Stop()
	for {
		if err := w.catchUp(ctx); err != nil {
			return err
		}
		select {
		case <-woken:
		case <-poll.C:
		case <-alive.C:
			if err := w.send(nil); err != nil {
				return err
			}
		case <-w.service.hub.closed:
			return problem.Unavailable("STOPPING", time.Second, "the server is stopping; resume from the last cursor")
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// catchUp sends every change that is committed and not sent yet.
func (w *watch) catchUp(ctx context.Context) error {
	for {
		var changes []store.WarningChange
		var last int64
		err := w.service.Store.AsOrganisation(ctx, w.caller.Organisation, func(tx *store.Tx) (err error) {
			changes, last, err = tx.WarningChanges(ctx, w.where, w.at, watchPage)
			return err
		})
		if err != nil {
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			return err
		}
		for i := range changes {
			w.at = changes[i].Sequence
			if err := w.send(changes[i].Message()); err != nil {
				return err
			}
		}
		w.at = last
		if len(changes) < watchPage {
			return nil
		}
	}
}

// send sends a change, or with nil a sign of life, with the cursor after it.
func (w *watch) send(change *creepagev1.WarningChange) error {
	cursor, err := w.service.Pages.Seal(w.bound, position{w.at})
	if err != nil {
		return err
	}
	return w.stream.Send(&creepagev1.WatchWarningsResponse{Cursor: cursor, Change: change})
}
