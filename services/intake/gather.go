package intake

import (
	"context"
	"maps"
	"slices"
	"sync"
	"time"
)

// gather asks the database one question for all requests that want to know at
// the same time: what further requests ask while one question is under way is put
// together into the next. A question costs much the same for one request as for ten.
type gather[K comparable, V any] struct {
	ask  func(context.Context, []K) (map[K]V, error) // a key may be among them twice
	turn chan struct{}                               // holds a token while a question is under way

	mu   sync.Mutex
	next *question[K, V] // being put together; nil: nobody asks
}

func newGather[K comparable, V any](ask func(context.Context, []K) (map[K]V, error)) *gather[K, V] {
	return &gather[K, V]{ask: ask, turn: make(chan struct{}, 1)}
}

// question is what several requests ask together. The first of them asks it.
type question[K comparable, V any] struct {
	keys  []K
	done  chan struct{} // closed when it is answered
	found map[K]V
	err   error
}

const (
	// askTimeout bounds a question, whose first asker may have gone.
	askTimeout = 10 * time.Second
	// mostAsked bounds what goes into one query.
	mostAsked = 10_000
)

// find returns what is known of the keys, and perhaps of others; it must not be
// changed. What is known when it is called is found. It returns the context's
// error if that ends while another asks.
func (g *gather[K, V]) find(ctx context.Context, keys []K) (map[K]V, error) {
	g.mu.Lock()
	q, first := g.next, g.next == nil
	if first {
		q = &question[K, V]{done: make(chan struct{})}
		g.next = q
	}
	q.keys = append(q.keys, keys...)
	g.mu.Unlock()
	if first {
		g.answer(ctx, q)
		return q.found, q.err
	}
	select {
	case <-q.done:
		return q.found, q.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// answer waits for its turn and asks.
func (g *gather[K, V]) answer(ctx context.Context, q *question[K, V]) {
	g.turn <- struct{}{}
	defer func() { <-g.turn }()
	defer close(q.done)
	g.mu.Lock()
	g.next = nil
	g.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), askTimeout)
	defer cancel()
	q.found = map[K]V{}
	for keys := range slices.Chunk(q.keys, mostAsked) {
		found, err := g.ask(ctx, keys)
		if err != nil {
			q.err = err
			return
		}
		maps.Copy(q.found, found)
	}
}
