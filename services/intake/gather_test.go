package intake

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
)

// asked answers questions with the keys doubled, each when it is let go.
type asked struct {
	questions [][]int
	let       chan error
}

func (a *asked) ask(_ context.Context, keys []int) (map[int]int, error) {
	a.questions = append(a.questions, slices.Sorted(slices.Values(keys)))
	found := map[int]int{}
	for _, k := range keys {
		found[k] = 2 * k
	}
	return found, <-a.let
}

func TestWhatIsAskedWhileAQuestionIsUnderWayGoesIntoTheNext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &asked{let: make(chan error)}
		g := newGather(a.ask)
		var askers sync.WaitGroup
		ask := func(ctx context.Context, want error, keys ...int) {
			askers.Go(func() {
				found, err := g.find(ctx, keys)
				if !errors.Is(err, want) {
					t.Errorf("asked for %v: %v, want %v", keys, err, want)
				}
				for _, k := range keys {
					if want == nil && found[k] != 2*k {
						t.Errorf("%d is answered by %d", k, found[k])
					}
				}
			})
			synctest.Wait() // until it waits for its answer
		}
		broken := errors.New("broken")
		gone, leave := context.WithCancel(t.Context())
		ask(t.Context(), nil, 1)
		ask(t.Context(), broken, 2, 3)
		ask(t.Context(), broken, 3, 4)
		ask(gone, context.Canceled, 5)
		leave()
		synctest.Wait()
		a.let <- nil
		synctest.Wait()
		ask(t.Context(), nil, 6) // after an error the next question is asked anew
		a.let <- broken
		a.let <- nil
		askers.Wait()
		if want := [][]int{{1}, {2, 3, 3, 4, 5}, {6}}; !slices.EqualFunc(a.questions, want, slices.Equal) {
			t.Errorf("asked were %v, want %v", a.questions, want)
		}
	})
}

func TestWhoAsksFirstAsksForTheOthersThoughItHasGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &asked{let: make(chan error)}
		g := newGather(func(ctx context.Context, keys []int) (map[int]int, error) {
			found, err := a.ask(ctx, keys)
			return found, errors.Join(err, ctx.Err())
		})
		gone, leave := context.WithCancel(t.Context())
		var askers sync.WaitGroup
		askers.Go(func() { _, _ = g.find(t.Context(), []int{1}) })
		synctest.Wait()
		askers.Go(func() { _, _ = g.find(gone, []int{2}) })
		synctest.Wait()
		askers.Go(func() {
			if found, err := g.find(t.Context(), []int{3}); err != nil || found[3] != 6 {
				t.Errorf("3 is answered by %d, %v", found[3], err)
			}
		})
		synctest.Wait()
		leave()
		a.let <- nil
		a.let <- nil
		askers.Wait()
	})
}

func TestManyKeysAreSeveralQueries(t *testing.T) {
	a := &asked{let: make(chan error, 3)}
	for range cap(a.let) {
		a.let <- nil
	}
	g := newGather(a.ask)
	keys := make([]int, 2*mostAsked+1)
	for i := range keys {
		keys[i] = i
	}
	found, err := g.find(t.Context(), keys)
	if err != nil || len(found) != len(keys) || len(a.questions) != 3 {
		t.Errorf("%d keys in %d queries gave %d answers, %v", len(keys), len(a.questions), len(found), err)
	}
}
