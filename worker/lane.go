package worker

import (
	"context"
	"sync"
	"sync/atomic"
	"time"
)

// lanes is how many batches are committed at a time by one worker: while the
// database works on one, the program works on the other. Of two processors
// they keep 1.8 busy (make bench).
const lanes = 2

// backlogEntries is from how many entries on a batch means that more is waiting.
const backlogEntries = 2000

// lane is a share of the stream's partitions, and so of the vehicles. Its
// batches are committed one after the other; the next one forms meanwhile.
type lane struct {
	limits Limits
	ready  chan struct{} // one token: a batch has formed, or the lane is closed
	room   chan struct{} // one token: the batch that formed was taken

	backlog atomic.Bool // the batch taken last was large

	mu      sync.Mutex
	forming *batch
	closed  bool
}

func newLane(l Limits) *lane {
	return &lane{limits: l, ready: make(chan struct{}, 1), room: make(chan struct{}, 1)}
}

// put adds messages to the batch that is forming, when there is room for them.
// It returns the context's error if that ends first.
func (l *lane) put(ctx context.Context, b *batch) error {
	for !l.offer(b) {
		select {
		case <-l.room:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	signal(l.ready)
	return nil
}

func (l *lane) offer(b *batch) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.forming == nil:
		l.forming = b
	case l.forming.full(l.limits):
		return false
	default:
		l.forming.add(b)
	}
	return true
}

// close says that nothing more is put.
func (l *lane) close() {
	l.mu.Lock()
	l.closed = true
	l.mu.Unlock()
	signal(l.ready)
}

// take waits for a batch; it returns nil when the lane is closed and empty. When
// none forms for a moment after a large one, the backlog is over, which it tells.
func (l *lane) take(over func()) *batch {
	for {
		b, closed := l.formed()
		if b != nil || closed {
			return b
		}
		if !l.backlog.Load() {
			<-l.ready
			continue
		}
		timer := time.NewTimer(backlogOver)
		select {
		case <-l.ready:
		case <-timer.C:
			l.backlog.Store(false)
			over()
		}
		timer.Stop()
	}
}

func (l *lane) formed() (*batch, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	b := l.forming
	l.forming = nil
	if b != nil {
		l.backlog.Store(len(b.entries) >= min(backlogEntries, l.limits.Entries))
		signal(l.room)
	}
	return b, l.closed
}

// signal leaves a token, if there is none.
func signal(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
