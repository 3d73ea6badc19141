package fleet

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
)

// clock is a time that tests move.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func newClock() *clock { return &clock{at: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)} }

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

func TestAReviewIsKeptTwoHundredTimesAsLongAsItTookForEachOrganisation(t *testing.T) {
	var r reviews[int]
	c := newClock()
	made, takes := 0, time.Second
	review := func(context.Context) (int, error) { made++; c.add(takes); return made, nil }
	one, two := uuid.New(), uuid.New()
	ask := func(what string, organisation uuid.UUID, after time.Duration, want int) {
		t.Helper()
		c.add(after)
		got, err := r.of(t.Context(), organisation, c.now, review)
		if err != nil || got != want {
			t.Errorf("%s: the review is number %d, %v; want %d", what, got, err, want)
		}
	}
	ask("the first", one, 0, 1)
	ask("while it is kept", one, 199*time.Second, 1)
	ask("of another organisation", two, 0, 2)
	ask("when it is too old", one, time.Second, 3)
	takes = time.Hour
	ask("one that takes long", one, 201*time.Second, 4)
	takes = 0
	ask("is kept for ten minutes", one, 10*time.Minute-time.Second, 4)
	ask("and no longer", one, time.Second, 5)
	ask("one that takes no time is made each time", one, 0, 6)
}

func TestWhileOneMakesANewerReviewTheOthersGetTheOneBeforeAndAnErrorIsNotKept(t *testing.T) {
	var r reviews[string]
	c := newClock()
	organisation, bad := uuid.New(), errors.New("database away")
	if _, err := r.of(t.Context(), organisation, c.now, func(context.Context) (string, error) { c.add(time.Second); return "", bad }); !errors.Is(err, bad) {
		t.Fatalf("%v", err)
	}
	if got, err := r.of(t.Context(), organisation, c.now, func(context.Context) (string, error) { c.add(time.Second); return "old", nil }); err != nil || got != "old" {
		t.Fatalf("%q %v", got, err)
	}
	c.add(reviewKept)
	begun, end := make(chan struct{}), make(chan struct{})
	var wait sync.WaitGroup
	wait.Go(func() {
		got, err := r.of(t.Context(), organisation, c.now, func(context.Context) (string, error) { close(begun); <-end; return "new", nil })
		if err != nil || got != "new" {
			t.Errorf("who makes it gets %q, %v", got, err)
		}
	})
	<-begun
	if got, err := r.of(t.Context(), organisation, c.now, func(context.Context) (string, error) { return "another", nil }); err != nil || got != "old" {
		t.Errorf("meanwhile another gets %q, %v", got, err)
	}
	close(end)
	wait.Wait()
}
