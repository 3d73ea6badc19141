package fleet

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/google/uuid"
)

// A review of a whole fleet reads half a year of its readings, and what it says
// moves with weeks: opening a page must not read them anew each time. So it is
// given again for reviewPause times as long as making it took, that is, at most
// a two-hundredth of the time goes into it, and never for longer than
// reviewKept. A small fleet's is made anew each time one looks. Who asks waits
// reviewPatience for a newer one, and then gets the one before if it is not too
// old by more than reviewStale; the newer one is made all the same.
const (
	reviewPause    = 200
	reviewKept     = 10 * time.Minute
	reviewPatience = 300 * time.Millisecond
	reviewStale    = 24 * time.Hour
	// reviewWithin bounds making one, which goes on when who asked has gone.
	reviewWithin = 2 * time.Minute
)

// reviews keeps the last review of each organisation. What is kept is shared by
// all who ask and never changed.
type reviews[T any] struct {
	mu   sync.Mutex
	last map[uuid.UUID]*reviewed[T]
}

type reviewed[T any] struct {
	mu     sync.Mutex
	has    bool
	said   T
	until  time.Time  // given again before
	making *making[T] // nil: none is being made
}

// making is a review on its way.
type making[T any] struct {
	done chan struct{} // closed when it is there
	said T
	err  error
}

// of returns the organisation's review, or makes it where there is none or it is
// too old. One is made at a time; an error is not kept.
func (r *reviews[T]) of(ctx context.Context, organisation uuid.UUID, now func() time.Time, review func(context.Context) (T, error)) (T, error) {
	e := r.entry(organisation)
	e.mu.Lock()
	said, fresh := e.said, e.has && now().Before(e.until)
	if fresh {
		e.mu.Unlock()
		return said, nil
	}
	if e.making == nil {
		e.making = &making[T]{done: make(chan struct{})}
		go e.make(context.WithoutCancel(ctx), e.making, now, review)
	}
	m, stale := e.making, e.has && now().Before(e.until.Add(reviewStale))
	e.mu.Unlock()
	var enough <-chan time.Time // never, where there is none before
	if stale {
		enough = time.After(reviewPatience)
	}
	select {
	case <-m.done:
		return m.said, m.err
	case <-enough:
		return said, nil
	case <-ctx.Done():
		var none T
		return none, ctx.Err()
	}
}

func (e *reviewed[T]) make(ctx context.Context, m *making[T], now func() time.Time, review func(context.Context) (T, error)) {
	ctx, cancel := context.WithTimeout(ctx, reviewWithin)
	defer cancel()
	began := now()
	defer func() {
		if p := recover(); p != nil { // outside the chain that catches one in a call
			m.err = fmt.Errorf("make a review: %v", p)
		}
		ended := now()
		e.mu.Lock()
		defer e.mu.Unlock()
		if e.making = nil; m.err == nil {
			e.said, e.has = m.said, true
			e.until = ended.Add(min(reviewPause*ended.Sub(began), reviewKept))
		}
		close(m.done)
	}()
	m.said, m.err = review(ctx)
}

func (r *reviews[T]) entry(organisation uuid.UUID) *reviewed[T] {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.last == nil {
		r.last = map[uuid.UUID]*reviewed[T]{}
	}
	e := r.last[organisation]
	if e == nil {
		e = &reviewed[T]{}
		r.last[organisation] = e
	}
	return e
}
