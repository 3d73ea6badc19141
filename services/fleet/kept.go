package fleet

import (
	"context"
	"sync"
	"time"

	"github.com/google/uuid"
)

// A review of a whole fleet reads half a year of its readings, and what it says
// moves with weeks: opening a page must not read them anew each time. So it is
// given again for reviewPause times as long as making it took, that is, at most
// a two-hundredth of the time goes into it, and never for longer than
// reviewKept. A small fleet's is made anew each time one looks.
const (
	reviewPause = 200
	reviewKept  = 10 * time.Minute
)

// reviews keeps the last review of each organisation. What is kept is shared by
// all who ask and never changed.
type reviews[T any] struct {
	mu   sync.Mutex
	last map[uuid.UUID]*reviewed[T]
}

type reviewed[T any] struct {
	making sync.Mutex // held while a newer one is made
	mu     sync.Mutex
	has    bool
	said   T
	until  time.Time // given again before
}

func (e *reviewed[T]) get() (said T, until time.Time, has bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.said, e.until, e.has
}

// of gives the organisation's review, or makes it where there is none or it is
// too old. While one caller makes a newer one, the others get the one before.
func (r *reviews[T]) of(ctx context.Context, organisation uuid.UUID, now func() time.Time, review func(context.Context) (T, error)) (T, error) {
	e := r.entry(organisation)
	said, until, has := e.get()
	if has && now().Before(until) {
		return said, nil
	}
	if has {
		if !e.making.TryLock() {
			return said, nil
		}
	} else {
		e.making.Lock()
	}
	defer e.making.Unlock()
	began := now()
	if said, until, has = e.get(); has && began.Before(until) { // made while this one waited
		return said, nil
	}
	next, err := review(ctx)
	if err != nil {
		return next, err
	}
	ended := now()
	e.mu.Lock()
	defer e.mu.Unlock()
	e.said, e.until, e.has = next, ended.Add(min(reviewPause*ended.Sub(began), reviewKept)), true
	return next, nil
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
