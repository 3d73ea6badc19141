package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
)

// stack closes what was opened, the latest first, once.
type stack struct {
	mu     sync.Mutex
	steps  []closing
	closed bool
	err    error
}

type closing struct {
	name string
	do   func(context.Context) error
}

// push adds a step that comes before all the steps there are.
func (s *stack) push(name string, do func(context.Context) error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.steps = append(s.steps, closing{name, do})
}

// close runs every step, even after one failed or the context ended: a step
// whose context has ended closes by force. The second call waits for the first
// and returns the same.
func (s *stack) close(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return s.err
	}
	s.closed = true
	var errs []error
	for _, step := range slices.Backward(s.steps) {
		if err := step.do(ctx); err != nil {
			errs = append(errs, fmt.Errorf("close %s: %w", step.name, err))
		}
	}
	s.err = errors.Join(errs...)
	return s.err
}
