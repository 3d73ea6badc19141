package fleet

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
)

func TestAReviewIsMadeOnceInAWhileForEachOrganisation(t *testing.T) {
	var r reviews[int]
	made := 0
	review := func(context.Context) (int, error) { made++; return made, nil }
	one, two := uuid.New(), uuid.New()
	at := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	ask := func(organisation uuid.UUID, after time.Duration) int {
		t.Helper()
		got, err := r.of(t.Context(), organisation, at.Add(after), review)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	for _, c := range []struct {
		organisation uuid.UUID
		after        time.Duration
		want         int
	}{{one, 0, 1}, {one, reviewKept - time.Second, 1}, {two, time.Second, 2}, {one, reviewKept, 3}, {one, reviewKept + time.Second, 3}, {two, 2 * time.Second, 2}} {
		if got := ask(c.organisation, c.after); got != c.want {
			t.Errorf("after %s the review is number %d, want %d", c.after, got, c.want)
		}
	}
}

func TestWhileOneMakesANewerReviewTheOthersGetTheOneBeforeAndAnErrorIsNotKept(t *testing.T) {
	var r reviews[string]
	organisation, at := uuid.New(), time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	bad := errors.New("database away")
	if _, err := r.of(t.Context(), organisation, at, func(context.Context) (string, error) { return "", bad }); !errors.Is(err, bad) {
		t.Fatalf("%v", err)
	}
	if got, err := r.of(t.Context(), organisation, at, func(context.Context) (string, error) { return "old", nil }); err != nil || got != "old" {
		t.Fatalf("%q %v", got, err)
	}
	begun, end := make(chan struct{}), make(chan struct{})
	var wait sync.WaitGroup
	wait.Go(func() {
		got, err := r.of(t.Context(), organisation, at.Add(reviewKept), func(context.Context) (string, error) { close(begun); <-end; return "new", nil })
		if err != nil || got != "new" {
			t.Errorf("who makes it gets %q, %v", got, err)
		}
	})
	<-begun
	if got, err := r.of(t.Context(), organisation, at.Add(reviewKept), func(context.Context) (string, error) { return "another", nil }); err != nil || got != "old" {
		t.Errorf("meanwhile another gets %q, %v", got, err)
	}
	close(end)
	wait.Wait()
}
