package notify

import (
	"sync"

	"github.com/google/uuid"
)

// hub wakes those who wait for an organisation's changes.
type hub struct {
	closed chan struct{}

	mu      sync.Mutex
	ended   bool
	waiting map[uuid.UUID]map[chan struct{}]bool
}

func newHub() *hub {
	return &hub{closed: make(chan struct{}), waiting: map[uuid.UUID]map[chan struct{}]bool{}}
}

// mostWatches is how many watches of one organisation a server holds at a time.
const mostWatches = 200

// join returns a channel that gets a token whenever the organisation's warnings
// may have changed, and a function that ends that. The last result is false if
// there are too many already.
func (h *hub) join(organisation uuid.UUID) (<-chan struct{}, func(), bool) {
	token := make(chan struct{}, 1)
	h.mu.Lock()
	defer h.mu.Unlock()
	of := h.waiting[organisation]
	if len(of) >= mostWatches {
		return nil, nil, false
	}
	if of == nil {
		of = map[chan struct{}]bool{}
		h.waiting[organisation] = of
	}
	of[token] = true
	return token, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		delete(of, token)
		if len(of) == 0 && len(h.waiting[organisation]) == 0 {
			delete(h.waiting, organisation)
		}
	}, true
}

func (h *hub) wake(organisation uuid.UUID) {
	h.mu.Lock()
	defer h.mu.Unlock()
	wakeEach(h.waiting[organisation])
}

func (h *hub) wakeAll() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, of := range h.waiting {
		wakeEach(of)
	}
}

func wakeEach(of map[chan struct{}]bool) {
	for token := range of {
		select {
		case token <- struct{}{}:
		default: // it has one already
		}
	}
}

func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.ended {
		h.ended = true
		close(h.closed)
	}
}
