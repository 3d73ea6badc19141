package fleet

import (
	"context"
	"sync"
	"time"

	"github.com/google/uuid"
)

// reviewKept is how long a review of a whole fleet is given again. It reads half
// a year of a fleet's readings, and what it says moves with weeks: opening a page
// must not read them anew each time.
const reviewKept = 10 * time.Minute

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
	at     time.Time
}

func (e *reviewed[T]) get() (said T, at time.Time, has bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.said, e.at, e.has
}

// of gives the organisation's review, or makes it where there is none or it is
// too old. While one caller makes a newer one, the others get the one before.
func (r *reviews[T]) of(ctx context.Context, organisation uuid.UUID, now time.Time, review func(context.Context) (T, error)) (T, error) {
	e := r.entry(organisation)
	said, at, has := e.get()
	if has && now.Sub(at) < reviewKept {
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
	if said, at, has = e.get(); has && now.Sub(at) < reviewKept { // made while this one waited
		return said, nil
	}
	next, err := review(ctx)
	if err != nil {
		return next, err
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.said, e.at, e.has = next, now, true
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
