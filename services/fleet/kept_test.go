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

// waits lets what is made behind an answer end.
func waits[T any](r *reviews[T], organisation uuid.UUID) {
	e := r.entry(organisation)
	e.mu.Lock()
	m := e.making
	e.mu.Unlock()
	if m != nil {
		<-m.done
	}
}

func TestAReviewIsKeptTwoHundredTimesAsLongAsItTookForEachOrganisation(t *testing.T) {
	var r reviews[int]
	c := newClock()
	made, takes := 0, 100*time.Millisecond
	review := func(context.Context) (int, error) { made++; c.add(takes); return made, nil }
	one, two := uuid.New(), uuid.New()
	ask := func(what string, organisation uuid.UUID, after time.Duration, want int) {
		t.Helper()
		c.add(after)
		got, err := r.of(t.Context(), organisation, c.now, review)
		if err != nil || got != want {
			t.Errorf("%s: the review is number %d, %v; want %d", what, got, err, want)
		}
		waits(&r, organisation)
	}
	ask("the first", one, 0, 1)
	ask("while it is kept", one, 19*time.Second, 1)
	ask("of another organisation", two, 0, 2)
	ask("when it is too old", one, time.Second, 3)
	takes = time.Hour
	ask("one that takes long", one, 20*time.Second, 4)
	takes = 0
	ask("is kept for ten minutes", one, 10*time.Minute-time.Second, 4)
	ask("and no longer", one, time.Second, 5)
	ask("one that takes no time is made each time", one, 0, 6)
}

func TestWhoWaitsLongForANewerReviewGetsTheOneBeforeForADay(t *testing.T) {
	var r reviews[string]
	c := newClock()
	organisation := uuid.New()
	quick := func(said string) func(context.Context) (string, error) {
		return func(context.Context) (string, error) { return said, nil }
	}
	if got, err := r.of(t.Context(), organisation, c.now, quick("old")); err != nil || got != "old" {
		t.Fatalf("%q %v", got, err)
	}
	end := make(chan struct{})
	slow := func(context.Context) (string, error) { <-end; return "new", nil }
	c.add(reviewStale - time.Second)
	for range 2 { // the second waits for the same
		if got, err := r.of(t.Context(), organisation, c.now, slow); err != nil || got != "old" {
			t.Errorf("who waits long gets %q, %v", got, err)
		}
	}
	c.add(2 * time.Second)
	patient, cancel := context.WithTimeout(t.Context(), 2*reviewPatience)
	defer cancel()
	if got, err := r.of(patient, organisation, c.now, slow); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("a day later one gets %q, %v", got, err)
	}
	close(end)
	waits(&r, organisation)
	if got, err := r.of(t.Context(), organisation, c.now, slow); err != nil || got != "new" {
		t.Errorf("when it is made one gets %q, %v", got, err)
	}
}

func TestWhileAReviewIsMadeTheOthersWaitForTheSameAndAnErrorIsNotKept(t *testing.T) {
	var r reviews[string]
	c := newClock()
	organisation, bad := uuid.New(), errors.New("database away")
	if _, err := r.of(t.Context(), organisation, c.now, func(context.Context) (string, error) { c.add(time.Second); return "", bad }); !errors.Is(err, bad) {
		t.Fatalf("%v", err)
	}
	if _, err := r.of(t.Context(), organisation, c.now, func(context.Context) (string, error) { panic("out of range") }); err == nil {
		t.Fatal("a review that panics is none")
	}
	begun, end := make(chan struct{}), make(chan struct{})
	var wait sync.WaitGroup
	wait.Go(func() {
		got, err := r.of(t.Context(), organisation, c.now, func(context.Context) (string, error) { close(begun); <-end; c.add(time.Second); return "new", nil })
		if err != nil || got != "new" {
			t.Errorf("who makes it gets %q, %v", got, err)
		}
	})
	<-begun
	other := func(context.Context) (string, error) { return "another", nil }
	impatient, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := r.of(impatient, organisation, c.now, other); !errors.Is(err, context.Canceled) {
		t.Errorf("who cannot wait gets %v", err)
	}
	wait.Go(func() {
		if got, err := r.of(t.Context(), organisation, c.now, other); err != nil || got != "new" {
			t.Errorf("who waits gets %q, %v", got, err)
		}
	})
	close(end)
	wait.Wait()
	// Who asked first may go: what is made is there for the next.
	c.add(reviewKept + reviewStale)
	gone, leave := context.WithCancel(t.Context())
	leave()
	if _, err := r.of(gone, organisation, c.now, func(ctx context.Context) (string, error) { return "later", ctx.Err() }); !errors.Is(err, context.Canceled) && err != nil {
		t.Errorf("%v", err)
	}
	waits(&r, organisation)
	if e := r.entry(organisation); e.said != "later" {
		t.Errorf("kept is %q", e.said)
	}
}
